"""Weld edges to an arc: centreline, edges on common normals, direction of growing station, stations.

Stations of a single-wall picture are lengths along the picture of the weld (the film lies on or near the outside surface).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.ndimage import gaussian_filter1d

from rtscan.film import F64, Arc
from rtscan.findings import Wall
from rtscan.job import Job, LocationSection
from rtscan.reading.weld_edges import Course

_PICTURE = {"up": (0.0, -1.0), "down": (0.0, 1.0), "left": (-1.0, 0.0), "right": (1.0, 0.0)}


def arc_from_course(course: Course, wall: Wall | None = None) -> Arc:
    """An arc along the smoothed middle of the two edges, a point every twentieth of the weld width, no stations yet."""
    spacing = max(2.0, course.width / 20.0)
    count = max(8, round((course.at[-1] - course.at[0]) / spacing) + 1)
    at = np.linspace(course.at[0], course.at[-1], count)
    sigma = 0.6 * course.width / ((at[-1] - at[0]) / (count - 1))
    middle = smooth_line(np.interp(at, course.at, course.middle), sigma)
    slope = np.gradient(middle, at)
    edges = [_on_normals(at, middle, slope, course.at, line) for line in (course.upper, course.lower)]
    centre = np.stack([at, middle], axis=1)
    if course.turned:
        # Down the picture the right-hand side is the smaller x.
        return Arc(wall, centre[:, ::-1].copy(), edges[1][:, ::-1].copy(), edges[0][:, ::-1].copy())
    return Arc(wall, centre, edges[0], edges[1])


def smooth_line(values: F64, sigma: float) -> F64:
    """Gaussian smoothing that keeps the slope at both ends (odd reflection); `values` (n, ...) along the first axis."""
    reach = min(len(values) - 1, int(4 * sigma) + 1)
    padded = np.pad(values, [(reach, reach)] + [(0, 0)] * (values.ndim - 1), mode="reflect", reflect_type="odd")
    return np.asarray(gaussian_filter1d(padded, sigma, axis=0, mode="nearest")[reach : reach + len(values)])


def _on_normals(at: F64, middle: F64, slope: F64, edge_at: F64, edge: F64) -> F64:
    """Where the normals of the centreline meet an edge, float64 (n, 2) as (along, across)."""
    cosine = 1.0 / np.hypot(1.0, slope)
    offset = np.interp(at, edge_at, edge) - middle
    for _ in range(6):
        offset = (np.interp(at - offset * slope * cosine, edge_at, edge) - middle) / cosine
    return np.stack([at - offset * slope * cosine, middle + offset * cosine], axis=1)


def reversed_arc(arc: Arc) -> Arc:
    """The same arc run the other way: left becomes right."""
    station = None if arc.station_mm is None else arc.station_mm[::-1].copy()
    covered = None if arc.covered is None else arc.covered[::-1].copy()
    return Arc(arc.wall, arc.centreline_px[::-1].copy(), arc.right_edge_px[::-1].copy(), arc.left_edge_px[::-1].copy(), station, covered)


def growth_in_picture(location: LocationSection) -> tuple[float, float] | None:
    """The picture direction (x, y) in which stations grow on the wall facing the viewer; None when the job sheet does not say.

    Looking downstream, clockwise runs a quarter turn clockwise of the downstream direction in the picture.
    """
    if location.downstream_is is None or location.direction is None:
        return None
    x, y = _PICTURE[location.downstream_is]
    turned = (-y, x)
    flips = (location.direction == "anticlockwise") + (location.looking == "upstream") + (location.seen_from == "inside")
    return turned if flips % 2 == 0 else (-turned[0], -turned[1])


def directed_arc(arc: Arc, growth: tuple[float, float] | None) -> tuple[Arc, bool]:
    """The arc run in the growing direction, and whether that direction fits the weld (it must not lie across it)."""
    if growth is None:
        return arc, True
    run = arc.centreline_px[-1] - arc.centreline_px[0]
    along = float(run @ np.asarray(growth)) / max(float(np.hypot(run[0], run[1])), 1e-9)
    if abs(along) < 0.5:
        return arc, False
    return (arc if along > 0 else reversed_arc(arc)), True


def length_along(points: F64) -> F64:
    """Length along a polyline from its first point, float64 (n,), pixels."""
    return np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])


def along_of(point_px: F64, line_px: F64) -> float:
    """Length along a polyline, pixels, of the foot of the perpendicular from a point."""
    start, step = line_px[:-1], np.diff(line_px, axis=0)
    square = np.maximum((step**2).sum(axis=1), 1e-12)
    share = np.clip(((point_px - start) * step).sum(axis=1) / square, 0.0, 1.0)
    away = np.hypot(*(start + share[:, None] * step - point_px).T)
    nearest = int(np.argmin(away))
    return float(length_along(line_px)[nearest] + share[nearest] * np.sqrt(square[nearest]))


def with_stations(arc: Arc, job: Job, pixels_per_mm: float | None) -> Arc:
    """Stations by the job sheet: from the left (else upper) end, or from a marker; from the first point when it gives neither."""
    covered = np.ones(len(arc.centreline_px), dtype=bool)
    if pixels_per_mm is None:
        return replace(arc, covered=covered)
    length = length_along(arc.centreline_px) / pixels_per_mm
    place = job.location
    if place.marker_px is not None and place.marker_station_mm is not None:
        station = length - along_of(np.asarray(place.marker_px, float), arc.centreline_px) / pixels_per_mm + place.marker_station_mm
    elif place.station_at_left_mm is not None:
        station = length - (length[0] if _starts_left(arc) else length[-1]) + place.station_at_left_mm
    else:
        station = length
    return replace(arc, station_mm=station, covered=covered)


def _starts_left(arc: Arc) -> bool:
    """Whether the first point is the left end; of a weld up and down the picture, the upper end."""
    run = arc.centreline_px[-1] - arc.centreline_px[0]
    return bool(run[0] > 0) if abs(run[0]) >= abs(run[1]) else bool(run[1] > 0)
