"""Exposures round a girth weld: check values 62 to 65 of the physics reference."""

from __future__ import annotations

from math import asin, cos, degrees, hypot, radians, sin

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rtscan.knowledge import exposures
from rtscan.knowledge.pipe_sizes import pipe


@pytest.mark.parametrize(("schedule", "share", "count"), [("40", 0.065, 2), ("160", 0.145, 3)])
def test_iso_ellipses_by_wall_to_diameter_62(schedule: str, share: float, count: int) -> None:
    size = pipe("2", schedule)
    assert size is not None
    assert size.wall_mm / size.od_mm == pytest.approx(share, abs=0.0005)
    rule = exposures.ellipse_exposures("iso-17636-1", size.od_mm, size.wall_mm)
    assert rule.count == count
    assert rule.unverified
    assert bool(rule.doubt) is (size.wall_mm > 8)


def test_asme_double_wall_63() -> None:
    """T-271.2: both walls up to 3 1/2 in; single wall 3 at 120 degrees."""
    assert exposures.ellipse_exposures("asme-v", 89.0, 5.0).doubt == ""
    assert "89 mm" in exposures.ellipse_exposures("asme-v", 114.3, 6.0).doubt
    assert exposures.superimposed_exposures("asme-v", 60.3).count == 3
    rule = exposures.single_image_exposures("asme-v")
    assert rule is not None
    assert (rule.count, rule.unverified) == (3, False)
    assert exposures.single_image_exposures("iso-17636-1") is None
    far = exposures.single_image_exposures("api-1104", 50)
    assert far is not None
    assert far.count == 4


@pytest.mark.parametrize(("ratio", "theta", "alpha", "count"), [(1.1, 23.49, 40.31, 5), (1.2, 31.92, 54.50, 4)])
def test_coverage_64_65(ratio: float, theta: float, alpha: float, count: int) -> None:
    seen = exposures.coverage("DWSI", 168.3, 7.11, 200, ratio)
    assert (seen.theta_deg, seen.alpha_deg, seen.exposures) == (pytest.approx(theta, abs=0.05), pytest.approx(alpha, abs=0.05), count)


def test_panoramic_takes_one() -> None:
    assert exposures.coverage("panoramic", 500, 10, 250, 1.1).exposures == 1


@given(st.floats(60, 600), st.floats(0.02, 0.12), st.floats(1.05, 1.3), st.floats(1.0, 6.0))
def test_coverage_against_the_path_through_the_wall(od_mm: float, share: float, ratio: float, distance: float) -> None:
    """Ray tracing: a ray that leaves the outer circle at theta to its normal crosses a wall K t long."""
    wall_mm = share * od_mm
    theta = radians(exposures.coverage("DWSI", od_mm, wall_mm, od_mm * distance, ratio).theta_deg)
    outer, inner = od_mm / 2, od_mm / 2 - wall_mm
    path_mm = outer * cos(theta) - (inner**2 - (outer * sin(theta)) ** 2) ** 0.5
    assert path_mm == pytest.approx(ratio * wall_mm, rel=1e-6)


def test_half_angle_against_the_triangle_of_source_and_pipe() -> None:
    """Source at distance F from the film: the ray meeting the film-side wall at alpha makes theta with the normal there."""
    od_mm, distance_mm = 168.3, 300.0
    seen = exposures.coverage("DWSI", od_mm, 7.11, distance_mm, 1.2)
    alpha, radius = radians(seen.alpha_deg), od_mm / 2
    source_from_axis = distance_mm - radius
    x, y = radius * sin(alpha), radius * cos(alpha) + source_from_axis
    beam = degrees(asin(x / hypot(x, y)))
    assert seen.alpha_deg - beam == pytest.approx(seen.theta_deg, abs=1e-6)
