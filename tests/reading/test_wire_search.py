"""The shortcuts of the search for wires change nothing, against the same sums and search done plainly; wires under lead are found again."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rtscan.film import Film
from rtscan.findings import FilmFacts
from rtscan.job import IqiSection
from rtscan.knowledge.iqi import wire_set
from rtscan.reading import wire_search
from rtscan.reading.wire_search import Chain, WireSettings
from rtscan.reading.wires import _agree, find_wires, out_of_hiding, resettled

WIRES = wire_set("ISO-wire", "W10")


@given(high=st.integers(12, 90), length=st.integers(5, 25), lean=st.floats(-2.5, 2.5))
@settings(max_examples=30, deadline=None)
def test_sums_along_the_lean_are_those_of_a_box_over_every_row(high: int, length: int, lean: float) -> None:
    rows = np.arange(length // 2, high - length // 2, max(1, length // 4))
    if not len(rows):
        return
    flank = np.random.default_rng(3).normal(size=(high, 150)).astype(np.float32)
    move = np.array([[1.0, lean, -lean * (high // 2)], [0.0, 1.0, 0.0]])
    sheared = cv2.warpAffine(flank, move, flank.shape[::-1], flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    box = cv2.boxFilter(sheared, cv2.CV_32F, (1, length), normalize=False, borderType=cv2.BORDER_CONSTANT)
    np.testing.assert_allclose(wire_search._summed(flank, move, rows - length // 2, length), box[rows], atol=2e-5)


@given(seed=st.integers(0, 2**31), direction=st.sampled_from((1, -1)), columns=st.integers(350, 700), least=st.floats(9.0, 20.0))
@settings(max_examples=40, deadline=None)
def test_the_coarse_look_loses_no_chain(seed: int, direction: int, columns: int, least: float) -> None:
    """Columns taken singly leave out only lines that the search itself would; noise with a few strong places, some lines a set."""
    rng = np.random.default_rng(seed)
    sums = rng.normal(size=(40, columns)).astype(np.float32)
    sums[rng.random(sums.shape) < 0.03] += 6.0
    for line in (3, 17):
        at = int(rng.integers(0, 200))
        for k in range(len(WIRES)):
            at += int(rng.integers(45, 55))
            if at < columns:
                sums[line, at if direction == 1 else columns - 1 - at] += 9.0 * 0.85**k
    found = wire_search._starts(sums, direction, WIRES, 10.0, WireSettings(), least)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(wire_search, "_promising", lambda sums, *_: np.arange(len(sums)))
        assert found == wire_search._starts(sums, direction, WIRES, 10.0, WireSettings(), least)
    assert found or least > 12


@pytest.mark.parametrize(("hidden", "column"), [(slice(40, 60), 40), (slice(0, 20), 46)])
def test_a_wire_under_lead_where_the_row_was_found_takes_its_place_from_elsewhere(hidden: slice, column: int) -> None:
    """The spacing puts it at column 46; it shows at column 40 wherever no lead lies over it."""
    ridges, known = np.zeros((1, 60, 90), dtype=np.float32), np.ones((60, 90), dtype=bool)
    ridges[0, :, 40] = 5.0
    ridges[0, hidden], known[hidden] = 0.0, False
    rows = np.arange(60, dtype=np.float64)
    path = out_of_hiding(ridges, known, Chain(20.0, 50, 0.0, (46,)), 10, rows, np.full((60, 1), 46.0))
    assert set(path[:, 0]) == {float(column)}


@pytest.mark.parametrize(("off", "lean"), [(0.0, 0.0), (3.0, 0.08), (-4.0, -0.16), (2.0, 0.16)])
def test_a_wire_that_leans_away_from_the_rest_is_followed_on_its_own(off: float, lean: float) -> None:
    """Two lines of one column where they are drawn; the common path fits the first. Half a step of the leans tried, 0.04 columns a row,
    over 26 rows is 1 column."""
    rows = np.arange(10, 62).astype(float)
    ridges = np.random.default_rng(4).normal(0, 0.3, (2, 80, 300)).astype(np.float32)
    drawn = np.stack([np.full(len(rows), 100.0), 150.0 + off + lean * (rows - rows.mean())], axis=1)
    for k in (0, 1):
        ridges[k, rows.astype(int), np.round(drawn[:, k]).astype(int)] = 3.0
    common = np.stack([np.full(len(rows), 100.0), np.full(len(rows), 150.0)], axis=1)
    assert np.abs(resettled(ridges, rows, common) - drawn).max() <= 1.0


def film_of_lines(high_mm: float, first_mm: float, long_mm: float) -> Film:
    """160 mm of grain with seven light lines of the diameters of W10, 5 mm apart, from `first_mm` on."""
    density = np.random.default_rng(7).normal(2.5, 0.02, (round(high_mm * 10), 1600)).astype(np.float32)
    for k, wire in enumerate(WIRES):
        density[round(first_mm * 10) : round((first_mm + long_mm) * 10), 600 + 50 * k : 600 + 50 * k + 3] -= 0.08 * wire.diameter_mm / 0.4
    return Film(FilmFacts(pixels_per_mm=10.0), density, np.ones(density.shape, bool))


@pytest.mark.parametrize(("high_mm", "first_mm", "long_mm", "found"), [
    (64.0, 7.0, 50.0, True),    # wires of 50 mm
    (64.0, 0.0, 64.0, False),   # from border to border: the scanner's
    (64.0, 0.0, 50.0, True),    # wires that begin at the border
    (52.0, 0.0, 52.0, True),    # a film no wider than the wires are long
])
def test_lines_longer_than_wires_from_border_to_border_are_none(high_mm: float, first_mm: float, long_mm: float, found: bool) -> None:
    drawn = film_of_lines(high_mm, first_mm, long_mm)
    marks = find_wires(drawn, np.ones(drawn.density.shape, bool), IqiSection(kind="ISO-wire", set="W10"), WireSettings())
    assert bool(marks) == found


@pytest.mark.parametrize(("columns", "lean", "agree"), [
    ((203, 251, 299), 0.0, True),
    ((215, 251, 299), 0.0, False),   # more than a millimetre off
    ((300, 250, 200), 0.0, False),   # thickest at the other end
    ((213, 261, 309), -0.5, True),   # leaning there over the 20 rows between
])
def test_two_looks_agree_on_a_row_where_its_thickest_wires_lie_alike(columns: tuple[int, ...], lean: float, agree: bool) -> None:
    assert _agree(Chain(15.0, 40, 0.0, (200, 250, 300)), Chain(15.5, 20, lean, columns), 10.0) == agree
