"""Specks of grain inside one wide soft flaw are one call, not many; a halo beside a strong pore is none; pores stay apart."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np
import pytest

from rtscan.reading.candidates import Candidate, Search
from rtscan.reading.filters import Grid
from rtscan.reading.halos import without_halos
from rtscan.reading.net import KINDS, OUTPUTS, TONES
from rtscan.reading.segment import STANDS_ALONE_SNR, Found, is_the_bead, without_echoes

ROWS, COLUMNS = 60, 200


def candidate(column: int, snr: float, side: int = 4, tone: Literal["dark", "bright"] = "dark") -> Candidate:
    mask = np.ones((side, side), dtype=bool)
    return Candidate(tone, 30, column, snr, "blob", 0, 0.3, 0.5, 0.0, 1.0, 0.5, 0, 30, column, mask, ())


def found(candidates: list[Candidate], ranks: list[float], kind: str, first: int = 20, last: int = 180) -> Found:
    seen = np.zeros((len(OUTPUTS), ROWS, COLUMNS), dtype=np.float32)
    seen[0, 20:50, first:last] = 0.9
    seen[len(TONES) + KINDS.index(kind)] = 0.8
    blank = np.zeros((ROWS, COLUMNS), dtype=np.float32)
    grid = Grid(blank, blank + 1, blank, blank == 0, blank > 0, 10.0, (0.5, 0.5))
    return Found(Search(grid, seen, tuple(candidates), (), ()), tuple({} for _ in candidates), np.array(ranks))


def test_of_faint_specks_in_a_wide_undercut_the_most_probable_stays() -> None:
    specks = found([candidate(30, 3.6), candidate(80, 3.8), candidate(150, 3.7)], [0.6, 0.9, 0.7], "undercut")
    assert without_echoes(specks, [0, 1, 2]) == [1]


def test_what_stands_alone_or_lies_elsewhere_stays() -> None:
    marks = found([candidate(30, STANDS_ALONE_SNR), candidate(80, 3.8), candidate(5, 3.7)], [0.6, 0.9, 0.7], "undercut")
    assert without_echoes(marks, [0, 1, 2]) == [0, 1, 2]


def test_a_piece_as_large_as_its_place_is_no_speck() -> None:
    large = found([candidate(30, 3.6, side=26), candidate(70, 3.8)], [0.6, 0.9], "concavity", first=28, last=80)
    assert without_echoes(large, [0, 1]) == [0, 1]


@pytest.mark.parametrize("kind", ["pore", "metal", "slag", "crack"])
def test_pores_and_other_sharp_kinds_stay(kind: str) -> None:
    pores = found([candidate(30, 3.6), candidate(80, 3.8)], [0.6, 0.9], kind)
    assert without_echoes(pores, [0, 1]) == [0, 1]


def test_tones_do_not_meet() -> None:
    both = found([candidate(30, 3.6), candidate(80, 3.8, tone="bright")], [0.6, 0.9], "undercut")
    assert without_echoes(both, [0, 1]) == [0, 1]


def pore_and_neighbour(seen_beside: bool, snr: float = 5.0) -> Found:
    """A strong pore (columns 30 to 40) and a patch that touches it (40 to 70), which the network sees too or not."""
    return found([candidate(30, 20.0, side=10), candidate(40, snr, side=30)], [0.9, 0.9], "pore", first=28, last=70 if seen_beside else 43)


@pytest.mark.parametrize(("place", "kept"), [
    (pore_and_neighbour(False), [0]),               # the pore's own place reaches 3 pixels into the patch
    (pore_and_neighbour(True), [0, 1]),             # a place of its own
    (pore_and_neighbour(False, snr=11.0), [0]),     # not so much weaker, but the network is sure of all of the pore
    (pore_and_neighbour(False, snr=21.0), [0, 1]),  # the stronger one
])
def test_unevenness_that_a_strong_pore_lends_its_probability_is_no_call(place: Found, kept: list[int]) -> None:
    assert without_halos(place.search, [0, 1]) == kept


def test_a_patch_that_the_network_sees_nowhere_owes_it_nothing() -> None:
    apart = found([candidate(30, 20.0, side=10), candidate(90, 5.0, side=30)], [0.9, 0.9], "pore", first=28, last=43)
    assert without_halos(apart.search, [0, 1]) == [0, 1]


@pytest.mark.parametrize(("tone", "kind", "columns", "bead"), [
    ("bright", "excess metal", 110, True),
    ("bright", "excess metal", 90, False),   # less than half of the strip
    ("bright", "metal", 110, False),         # a wire laid along the weld
    ("dark", "concavity", 110, False),
])
def test_excess_metal_along_most_of_the_strip_is_the_bead(tone: Literal["dark", "bright"], kind: str, columns: int, bead: bool) -> None:
    long = replace(candidate(20, 9.0, tone=tone), mask=np.ones((6, columns), dtype=bool))
    assert is_the_bead(long, found([long], [0.9], kind).search) is bead
