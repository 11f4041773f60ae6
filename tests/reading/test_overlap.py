"""Regions within regions."""

from __future__ import annotations

import numpy as np
import pytest

from rtscan.film import Region, Tone
from rtscan.reading.net import KINDS
from rtscan.reading.overlap import once


def box(left: float, top: float, length: float, width: float, score: float = 10.0, tone: Tone = "dark", arc: int = 0,
        kind: str = "") -> Region:
    outline = np.array([[left, top], [left + length, top], [left + length, top + width], [left, top + width]], float)
    return Region(arc, tone, outline, score, 0.1, 5.0, {f"net_kind_{KINDS.index(kind)}": 0.9} if kind else {})


LONG = box(100, 50, 600, 40)


@pytest.mark.parametrize(("other", "kept"), [
    (box(300, 60, 40, 20), 1),                    # within, as strong: the same thing twice
    (box(300, 60, 40, 20, score=15.9), 1),        # just not standing out
    (box(300, 60, 40, 20, score=16.1), 2),        # a pore within an undercut
    (box(300, 60, 40, 20, tone="bright"), 2),     # another tone
    (box(300, 60, 40, 20, arc=1), 2),             # another arc
    (box(300, 78, 40, 20), 1),                    # 12 of its 20 rows lie within: 60 %, with the edge row
    (box(300, 84, 40, 20), 2),                    # 6 of 20 rows
    (box(700, 60, 40, 20), 2),                    # end to end
])
def test_a_region_within_another_is_dropped_unless_it_stands_out(other: Region, kept: int) -> None:
    assert len(once([LONG, other])) == kept
    assert len(once([other, LONG])) == kept
    assert any(r is LONG for r in once([other, LONG]))


def test_order_stays_and_nothing_is_a_normal_answer() -> None:
    regions = [box(900, 10, 20, 10, 5.0), box(10, 10, 20, 10, 9.0), box(500, 10, 20, 10, 7.0)]
    assert once(regions) == tuple(regions)
    assert once([]) == ()


def test_a_region_that_two_others_share_between_them_is_dropped() -> None:
    left, right = box(100, 50, 100, 40), box(210, 50, 100, 40)
    across = box(160, 60, 90, 20)  # 40 of its 90 columns in each
    assert once([left, right, across]) == (left, right)
    assert len(once([left, across])) == 2  # by one alone it is not covered


def test_of_two_sights_of_one_pore_the_stronger_stays() -> None:
    faint, clear = box(100, 50, 33, 30, score=16.0), box(101, 51, 31, 29, score=88.0)
    assert once([clear, faint]) == (clear,)
    assert once([faint, clear]) == (clear,)
    assert once([faint, box(101, 51, 31, 29, score=20.0)]) == (faint,)  # nearly as strong: the larger, as ever
    wide = box(90, 40, 60, 50, score=16.0)  # three times the area: a flaw around a pore
    assert once([wide, clear]) == (wide, clear)


@pytest.mark.parametrize(("small", "around", "kept"), [
    ("pore", "undercut", 2), ("metal", "excess metal", 2), ("undercut", "undercut", 1), ("pore", "pore", 1), ("slag", "undercut", 1),
])
def test_a_small_pore_within_a_large_flaw_of_another_kind_stays(small: str, around: str, kept: int) -> None:
    assert len(once([box(100, 50, 600, 40, kind=around), box(300, 60, 30, 20, kind=small)])) == kept


def test_a_pore_that_fills_a_good_part_of_the_other_region_is_the_same_sight() -> None:
    assert len(once([box(100, 50, 100, 40, kind="slag"), box(120, 60, 30, 20, kind="pore")])) == 1
