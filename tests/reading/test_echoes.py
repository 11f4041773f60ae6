"""Specks of grain inside one wide soft flaw are one call, not many; pores beside one another stay apart."""

from __future__ import annotations

from typing import Literal

import numpy as np
import pytest

from rtscan.reading.candidates import Candidate, Search
from rtscan.reading.filters import Grid
from rtscan.reading.net import KINDS, OUTPUTS, TONES
from rtscan.reading.segment import STANDS_ALONE_SNR, Found, without_echoes

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
