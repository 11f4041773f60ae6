"""The network that looks at the film as a whole: geometry of its ribbons from drawn answers, and what it sees on drawn welds."""

from __future__ import annotations

import numpy as np
import pytest

from rtscan.reading.weld_sight import LONGER_SIDE, Sight, in_square, of_width, out_of_square, reduced_picture, sight, sighted

ROWS, COLUMNS = 90, 384


def drawn(upper: float, lower: float, first: int = 0, last: int = COLUMNS) -> np.ndarray:
    """A likely band between two rows over some columns."""
    picture = np.zeros((ROWS, COLUMNS), dtype=np.float32)
    picture[round(upper) : round(lower), first:last] = 1.0
    return picture


def seen(*maps: np.ndarray, turned: bool = False) -> Sight:
    empty = np.zeros((ROWS, COLUMNS), dtype=np.float32)
    stack = np.stack([*maps, *[empty] * (3 - len(maps))])
    return Sight(stack.transpose(0, 2, 1).copy() if turned else stack, (5.0, 4.0))


@pytest.mark.parametrize("turned", [False, True])
def test_a_band_becomes_a_ribbon_of_its_place_and_width(turned: bool) -> None:
    (one,) = sighted(seen(drawn(30, 52), turned=turned), None)
    # Smoothing leaves a straight band where it is; half a row for rounding.
    assert np.abs(one.ribbon.upper - 30).max() < 0.5
    assert np.abs(one.ribbon.lower - 52).max() < 0.5
    assert one.reduced.turned is turned
    assert (one.reduced.across_px, one.reduced.along_px) == ((5.0, 4.0) if turned else (4.0, 5.0))
    assert one.sure == pytest.approx(1.0)


def test_two_bands_apart_are_not_surely_one_weld() -> None:
    (one,) = sighted(seen(np.maximum(drawn(5, 15), drawn(70, 80))), None)
    assert one.sure < 0.1


def test_arcs_where_told_or_where_they_outweigh() -> None:
    both = seen(drawn(0, 2), drawn(20, 30), drawn(50, 60))
    assert len(sighted(both, None)) == 2
    assert len(sighted(both, True)) == 2
    assert len(sighted(both, False)) == 1
    assert sighted(seen(), None) == ()


def test_evidence_only_where_the_weld_is_seen() -> None:
    (one,) = sighted(seen(drawn(30, 52, 60, 300)), None)
    assert np.flatnonzero(one.ribbon.evidence > 0)[[0, -1]].tolist() == [60, 299]


def test_a_told_width_wins_only_over_a_very_different_one() -> None:
    (one,) = sighted(seen(drawn(30, 52)), None)
    assert of_width(one, 22 * 4.0 * 1.1, 0.25) is one
    told = of_width(one, 160.0, 0.25).ribbon
    assert np.allclose(told.lower - told.upper, 40.0)
    assert np.allclose(told.lower + told.upper, one.ribbon.lower + one.ribbon.upper)


def test_square_there_and_back() -> None:
    pictures = np.arange(3 * 60 * 384, dtype=np.float32).reshape(3, 60, 384)
    square = in_square(pictures)
    assert square.shape == (3, LONGER_SIDE, LONGER_SIDE)
    assert np.array_equal(out_of_square(square, (60, 384)), pictures)


def test_unusable_places_do_not_count_in_the_reduced_picture() -> None:
    density = np.full((400, 1536), 2.0, dtype=np.float32)
    valid = np.ones_like(density, dtype=bool)
    density[:, 700:720], valid[:, 700:720] = 9.0, False
    picture, known = reduced_picture(density, valid)
    assert picture.shape == (100, 384)
    assert np.allclose(picture, 2.0)
    assert not known[:, 176:179].any()


def test_sees_a_drawn_weld() -> None:
    rows, columns = np.mgrid[:500, :1600].astype(np.float64)
    weld = np.sqrt(np.clip(1 - ((rows - 260 - 0.05 * columns) / 70) ** 2, 0, None))
    film = (2.6 - 0.5 * weld + 0.02 * np.random.default_rng(1).normal(size=rows.shape)).astype(np.float32)
    answer = sight(film, np.ones(film.shape, dtype=bool))
    assert answer is not None
    (one,) = sighted(answer, None)
    middle = 0.5 * (one.ribbon.upper + one.ribbon.lower) * one.reduced.across_px
    true = 260 + 0.05 * (np.arange(len(middle)) + 0.5) * one.reduced.along_px
    # A cell of the reduced picture is 4 pixels; the network answers at every second one.
    assert np.median(np.abs(middle - true)) < 8
    assert one.sure > 0.93
