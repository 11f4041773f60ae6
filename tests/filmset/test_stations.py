"""Stretches on a line and on a ring, against a slow twin that counts points."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rtscan.filmset.stations import JOIN_TOLERANCE_MM, Axis, total_mm, union, without
from rtscan.findings import Stretch

RING = Axis(528.0, closed=True)
station = st.integers(0, 527).map(float)


def test_a_stretch_over_the_datum_has_two_pieces() -> None:
    assert RING.pieces(500, 40) == ((0.0, 40.0), (500.0, 528.0))
    assert RING.pieces(500, 568) == ((0.0, 40.0), (500.0, 528.0))
    assert RING.pieces(-28, 40) == ((0.0, 40.0), (500.0, 528.0))
    assert RING.pieces(0, 528) == ((0.0, 528.0),)


def test_a_gap_over_the_datum_is_one_gap() -> None:
    assert RING.gaps([(30.0, 500.0)]) == (Stretch(500.0, 30.0),)
    assert RING.gaps([(0.0, 100.0), (140.0, 528.0)]) == (Stretch(100.0, 140.0),)
    assert RING.gaps([(0.0, 528.0)]) == ()
    assert RING.gaps([]) == (Stretch(0.0, 528.0),)


def test_without_a_length_only_a_gap_between_films_can_be_named() -> None:
    assert Axis(None, closed=False).gaps([(0.0, 10.0), (50.0, 60.0)]) == (Stretch(10.0, 50.0),)
    assert Axis(None, closed=False).gaps([(5.0, 60.0)]) == ()


def test_the_short_way_round() -> None:
    assert RING.offset(5.0, 520.0) == pytest.approx(13.0)
    assert RING.offset(520.0, 5.0) == pytest.approx(-13.0)
    assert Axis(528.0, closed=False).offset(5.0, 520.0) == pytest.approx(-515.0)


@given(st.lists(st.tuples(station, station), max_size=6))
def test_covered_and_gaps_share_the_ring_among_them(stretches: list[tuple[float, float]]) -> None:
    pieces = [p for a, b in stretches for p in RING.pieces(a, b)]
    covered = union(pieces)
    # Slow twin: whole-millimetre cells of the ring covered by any piece; stations are whole numbers, so no cell is cut.
    cells = {k for a, b in pieces for k in range(round(a), round(b))}
    gaps = [(g.from_mm, g.to_mm if g.to_mm > g.from_mm else g.to_mm + 528) for g in RING.gaps(covered)]
    gap_cells = {k % 528 for a, b in gaps for k in range(round(a), round(b))}
    swallowed = 528 - len(cells) - len(gap_cells)
    assert not cells & gap_cells
    # Gaps up to the tolerance are joined over, at most one between neighbouring pieces and one at each end.
    assert 0 <= swallowed <= JOIN_TOLERANCE_MM * (len(pieces) + 2)
    assert total_mm(pieces) == pytest.approx(len(cells))


@given(st.lists(st.tuples(station, station).map(lambda p: (min(p), max(p))), max_size=6), station, station)
def test_taking_out_a_stretch(intervals: list[tuple[float, float]], a: float, b: float) -> None:
    cut = (min(a, b), max(a, b))
    left = without(intervals, cut)
    cells = {k for s, e in intervals for k in range(round(s), round(e))} - set(range(round(cut[0]), round(cut[1])))
    assert total_mm(left) == pytest.approx(len(cells))
