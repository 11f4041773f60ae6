"""Sizes of outlines against shapely (an outside library) and closed formulas."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import Polygon

from rtscan.reading.caliper import gap, measure_outline


def _ellipse(a: float, b: float, angle: float, x: float = 0.0, y: float = 0.0) -> np.ndarray:
    t = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    c, s = np.cos(angle), np.sin(angle)
    return np.stack([x + c * a * np.cos(t) - s * b * np.sin(t), y + s * a * np.cos(t) + c * b * np.sin(t)], axis=1)


@settings(max_examples=25, deadline=None)
@given(st.floats(0.3, 20), st.floats(0.15, 1.0), st.floats(-1.5, 1.5))
def test_sizes_of_an_ellipse(a: float, share: float, angle: float) -> None:
    sizes = measure_outline(_ellipse(a, a * share, angle, 7.0, -3.0))
    assert sizes.length == pytest.approx(2 * a, rel=1e-4)  # 400 corners: the polygon is smaller by 1 - cos(pi/400) = 3e-5
    assert sizes.width == pytest.approx(2 * a * share, rel=2e-3)  # least caliper along an edge of the polygon
    assert sizes.inner == pytest.approx(2 * a * share, rel=0.06)  # raster of 24 pixels across: one pixel is 4 %
    assert sizes.area == pytest.approx(np.pi * a * a * share, rel=1e-3)
    if share < 0.8:
        assert sizes.direction == pytest.approx(np.rad2deg(angle), abs=1.0)  # 400 corners lie 0.9 degrees apart


def test_least_caliper_is_the_short_side_of_shapelys_rotated_box() -> None:
    rng = np.random.default_rng(5)
    for _ in range(20):
        points = rng.normal(size=(12, 2)) * [5.0, 1.5]
        hull = np.array(Polygon(points).convex_hull.exterior.coords)[:-1]
        box = np.array(Polygon(hull).minimum_rotated_rectangle.exterior.coords)
        sides = np.hypot(*np.diff(box, axis=0).T)
        assert measure_outline(hull).width <= sides.min() + 1e-6  # the least caliper is never wider than the least-area box


def test_gap_against_shapely() -> None:
    one, other = _ellipse(2, 1, 0.3), _ellipse(1, 0.5, -0.8, 5.0, 1.0)
    assert gap(one, other) == pytest.approx(Polygon(one).distance(Polygon(other)), abs=1e-9)
    assert gap(one, _ellipse(0.2, 0.1, 0.0)) == 0.0
