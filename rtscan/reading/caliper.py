"""Sizes of an outline: calipers, greatest inner circle, area, gaps. Plane geometry on closed polygons, float64 (n, 2), any one unit."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from rtscan.film import F64


@dataclass(frozen=True)
class Caliper:
    """`length` greatest caliper, `width` least caliper, `inner` diameter of the greatest circle inside, `area`; `direction` degrees of
    the greatest caliper in (-90, 90] from the first axis towards the second; `middle` the middle of the box along that direction."""

    length: float
    width: float
    inner: float
    area: float
    direction: float
    middle: tuple[float, float]


def measure_outline(outline: F64) -> Caliper:
    """All sizes of a closed outline."""
    hull = _hull(outline)
    length, direction = greatest_caliper(hull)
    axis = np.array([np.cos(direction), np.sin(direction)])
    other = np.array([-axis[1], axis[0]])
    along, across = hull @ axis, hull @ other
    middle = axis * (along.min() + along.max()) / 2 + other * (across.min() + across.max()) / 2
    degrees = (np.rad2deg(direction) + 90.0) % 180.0 - 90.0
    width = min(least_caliper(hull), length)
    return Caliper(length, width, min(inner_circle(outline), width), area(outline), 90.0 if degrees == -90.0 else float(degrees),
                   (float(middle[0]), float(middle[1])))


def greatest_caliper(hull: F64) -> tuple[float, float]:
    """Greatest distance between two corners and its direction in radians."""
    difference = hull[:, None, :] - hull[None, :, :]
    squared = (difference**2).sum(axis=2)
    i, j = np.unravel_index(int(np.argmax(squared)), squared.shape)
    return float(np.sqrt(squared[i, j])), float(np.arctan2(*(hull[j] - hull[i])[::-1]))


def least_caliper(hull: F64) -> float:
    """Least distance between two parallel lines that hold the hull; one of them lies along an edge (rotating calipers)."""
    edges = np.roll(hull, -1, axis=0) - hull
    lengths = np.hypot(edges[:, 0], edges[:, 1])
    edges = edges[lengths > 1e-12] / lengths[lengths > 1e-12, None]
    if len(edges) == 0:
        return 0.0
    heights = np.stack([-edges[:, 1], edges[:, 0]], axis=1) @ hull.T
    return float((heights.max(axis=1) - heights.min(axis=1)).min())


def inner_circle(outline: F64) -> float:
    """Diameter of the greatest circle inside, on a raster of the outline about 200 pixels long or 24 wide, refined to a fraction of
    a pixel."""
    low, high = outline.min(axis=0), outline.max(axis=0)
    extent, thin = float((high - low).max()), max(1e-9, least_caliper(_hull(outline)))
    if extent <= 0:
        return 0.0
    scale = min(max(200.0 / extent, 24.0 / thin), 4000.0 / extent)
    corners = np.round(((outline - low) * scale + 2) * 16).astype(np.int32)
    raster = np.zeros(np.ceil((high - low)[::-1] * scale).astype(int) + 5, dtype=np.uint8)
    cv2.fillPoly(raster, [corners], 1, shift=4)
    # The square of a distance between pixels is whole; the transform's own last bit depends on the number of threads.
    farthest = np.sqrt(round(float(cv2.distanceTransform(raster, cv2.DIST_L2, cv2.DIST_MASK_PRECISE).max()) ** 2))
    return max(0.0, 2.0 * float(farthest) - 1.0) / scale


def area(outline: F64) -> float:
    """Area by the shoelace rule."""
    x, y = outline[:, 0], outline[:, 1]
    return abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1))) / 2


def gap(one: F64, other: F64) -> float:
    """Least distance between two outlines; zero when they touch or cross or one holds the other."""
    from_corners = min(_corner_to_edges(one, other), _corner_to_edges(other, one))
    if _holds(one, other[0]) or _holds(other, one[0]):
        return 0.0
    return from_corners


def _corner_to_edges(corners: F64, polygon: F64) -> float:
    along_x, along_y = (np.roll(polygon, -1, axis=0) - polygon).T
    squared = np.maximum(along_x**2 + along_y**2, 1e-18)
    x, y = (corners[:, None, k] - polygon[None, :, k] for k in (0, 1))
    t = np.clip((x * along_x + y * along_y) / squared, 0.0, 1.0)
    return float(np.sqrt(((x - t * along_x) ** 2 + (y - t * along_y) ** 2).min()))


def _holds(polygon: F64, point: F64) -> bool:
    return cv2.pointPolygonTest(polygon.astype(np.float32).reshape(-1, 1, 2), (float(point[0]), float(point[1])), False) > 0


def _hull(outline: F64) -> F64:
    """The convex hull in float64 (OpenCV's works in float32, good to 1e-7 of the extent)."""
    origin = outline.mean(axis=0)
    index = cv2.convexHull((outline - origin).astype(np.float32), returnPoints=False).ravel()
    return np.asarray(outline[index] if len(index) >= 2 else outline[:2])
