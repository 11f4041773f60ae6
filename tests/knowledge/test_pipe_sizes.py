"""Pipe sizes against the fluids library's values quoted in the project's reference (check values 58 to 61)."""

from __future__ import annotations

import pytest

from rtscan.knowledge.pipe_sizes import inch_size, nominal_sizes, pipe, schedules_of


@pytest.mark.parametrize(("nps", "schedule", "wall_mm"), [
    ("6", "40", 7.11), ("2", "80", 5.54), ("2", "XXS", 11.07), ("12", "STD", 9.53), ("12", "40", 10.31), ("12", "XS", 12.70),
    ("12", "XXS", 25.40), ("8", "10S", 3.76), ("24", "80", 30.96), ("NPS 1-1/2", "sch 40", 3.68), ("2.5", "std", 5.16),
])
def test_walls_58_to_61(nps: str, schedule: str, wall_mm: float) -> None:
    found = pipe(nps, schedule)
    assert found is not None
    assert found.wall_mm == wall_mm


def test_outside_diameters() -> None:
    six = pipe("6", "40")
    assert six is not None
    assert (six.od_mm, six.od_in) == (168.3, 6.625)
    for nps in nominal_sizes():
        sizes = {(p.od_mm, p.od_in) for s in schedules_of(nps) if (p := pipe(nps, s))}
        assert len(sizes) == 1
        ((od_mm, od_in),) = sizes
        assert od_mm == pytest.approx(od_in * 25.4, abs=0.5)  # metric sizes are rounded: 457 for 18 in, 610 for 24 in


def test_rules_of_the_table() -> None:
    """Reference 6.1: STD is 40 to NPS 10, then 9.53 mm; XS is 80 to NPS 8, then 12.70 mm; XXS ends at NPS 12."""
    for nps in nominal_sizes():
        std, forty, xs, eighty = (pipe(nps, s) for s in ("STD", "40", "XS", "80"))
        assert std is not None
        assert xs is not None
        if std.od_in <= 10.75:
            assert forty is not None
            assert std.wall_mm == forty.wall_mm
        else:
            assert std.wall_mm == 9.53
        if xs.od_in <= 8.625:
            assert eighty is not None
            assert xs.wall_mm == eighty.wall_mm
        else:
            assert xs.wall_mm == 12.70
        assert (pipe(nps, "XXS") is None) == (nps in ("1/8", "1/4", "3/8", "3 1/2") or std.od_in > 12.75)


def test_what_is_not_made() -> None:
    assert pipe("22", "40") is None
    assert pipe("7", "40") is None
    assert schedules_of("7") == ()


@pytest.mark.parametrize(("size_mm", "size_in"), [
    (60.3, 2.375), (168.3, 6.625), (7.11, 0.280), (12.70, 0.5), (6.35, 0.25), (10.0, 10 / 25.4), (19.0, 0.75),
])
def test_inch_sizes(size_mm: float, size_in: float) -> None:
    """Contract: a nominal size is taken as its inch size from the pipe table, or a whole 1/16 in within 0.05 mm."""
    assert inch_size(size_mm) == pytest.approx(size_in, abs=1e-9)
