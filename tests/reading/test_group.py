"""Rows, clusters and lines, with places just inside and just outside the rules."""

from __future__ import annotations

import pytest

from rtscan.findings import Indication
from rtscan.reading.group import group


def _pore(k: int, along: float, across: float, size: float = 0.8) -> Indication:
    return Indication(
        id=k, tone="dark", type="gas pore", iso6520="2011", along_mm=along, across_mm=across, length_mm=size, width_mm=size, angle_deg=0.0
    )


def _line(k: int, along: float, length: float, across: float = 0.0) -> Indication:
    return Indication(
        id=k,
        tone="dark",
        type="incomplete root penetration",
        iso6520="4021",
        along_mm=along,
        across_mm=across,
        length_mm=length,
        width_mm=0.6,
        angle_deg=0.0,
    )


def test_pores_in_a_row() -> None:
    found, groups = group(tuple(_pore(k, 5.0 * k, 0.1 * (k % 2)) for k in range(1, 6)))
    assert [(g.kind, g.iso6520, g.members) for g in groups] == [("aligned", "2014", (1, 2, 3, 4, 5))]
    assert groups[0].end_to_end_mm == pytest.approx(20.8)
    assert {i.group for i in found} == {"G1"}


def test_a_cluster_has_the_least_circle() -> None:
    square = ((0.0, 0.0), (3.0, 0.0), (0.0, 3.0), (3.0, 3.0))
    _, groups = group(tuple(_pore(k, 50 + x, y) for k, (x, y) in enumerate(square, start=1)))
    assert [g.kind for g in groups] == ["cluster"]
    assert groups[0].diameter_mm == pytest.approx(3 * 2**0.5 + 0.8, abs=0.02)  # diagonal of the square and one pore


def test_an_interrupted_line_is_one_group_and_a_far_one_is_not() -> None:
    _, groups = group((_line(1, 10.0, 8.0), _line(2, 21.0, 8.0), _line(3, 60.0, 8.0)))
    assert [(g.kind, g.members) for g in groups] == [("line", (1, 2))]
    assert groups[0].sum_length_mm == pytest.approx(16.0)


def test_nothing_and_no_scale_make_no_groups() -> None:
    assert group(()) == ((), ())
    assert group((Indication(id=1, tone="dark"),))[1] == ()
