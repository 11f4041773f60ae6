"""Stations on a double-wall double-image film: where the arcs lie on the pipe, by the contract's geometry (`knowledge/ellipse.py`).

x counts along the weld from the projected pipe axis. The axis is the middle between the tube's limits where both are on the film, else the
place where the opening of the ellipse is widest. Which arc is the wall at the source does not follow from the picture: width and
sharpness of the welds were tried on simulated films and were wrong on one in four, and a wrong wall is a repair on the wrong side of the
pipe. So the wall is "unknown", the station is that of the wall at the source, and whoever measures gives the second possible station. The
job sheet's growing direction is that of the wall at the source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from rtscan.film import F64, Arc
from rtscan.job import Job
from rtscan.knowledge.ellipse import DoubleImage, covered
from rtscan.reading.arcs import arc_from_course, reversed_arc, with_stations
from rtscan.reading.weld_edges import Course

WHICH_WALL = "the picture alone does not tell which arc is the wall at the source; both possible stations are given"
FAR_SOURCE_MM = 1e6
"""Source distance taken when the job sheet gives none: parallel rays."""


@dataclass(frozen=True)
class PipeAxis:
    """The projected pipe axis: a film point on it and the unit vector (x, y) square to it, towards growing x or y of the film."""

    point: F64
    across: F64


def axis_from_limits(at: F64, upper: F64, lower: F64, turned: bool) -> PipeAxis:
    """The axis midway between the limits of a tube that runs along `at` (`turned`: up and down the picture)."""
    slope, start = np.polyfit(at, 0.5 * (upper + lower), 1)
    middle = float(at.mean())
    point, across = np.array([middle, start + slope * middle]), np.array([-slope, 1.0]) / np.hypot(1.0, slope)
    return PipeAxis(point[::-1].copy(), across[::-1].copy()) if turned else PipeAxis(point, across)


def axis_from_arcs(first: Course, second: Course) -> PipeAxis | None:
    """The axis where the two arcs are furthest apart; None when their distance has no clear greatest value on the film."""
    low, high = max(first.at[0], second.at[0]), min(first.at[-1], second.at[-1])
    at = np.linspace(low, high, 200)
    one, two = np.interp(at, first.at, first.middle), np.interp(at, second.at, second.middle)
    bend, tilt, _ = np.polyfit(at, np.abs(one - two), 2)
    if bend >= 0:
        return None
    widest = -tilt / (2 * bend)
    if not low < widest < high:
        return None
    slope = float(np.polyfit(at, 0.5 * (one + two), 1)[0])
    point = np.array([widest, float(np.interp(widest, at, 0.5 * (one + two)))])
    across = np.array([1.0, slope]) / np.hypot(1.0, slope)
    return PipeAxis(point[::-1].copy(), across[::-1].copy()) if first.turned else PipeAxis(point, across)


def arcs_on_pipe(
    courses: list[Course], axis: PipeAxis | None, job: Job, pixels_per_mm: float | None, growth: tuple[float, float] | None
) -> tuple[tuple[Arc, ...], str]:
    """The arcs with stations and coverage in the order of growing x or y of the film, and the doubt in words."""
    doubt = WHICH_WALL if len(courses) == 2 else ""
    arcs = [arc_from_course(course, "unknown") for course in courses]
    if axis is None or pixels_per_mm is None or job.weld.od_mm is None:
        missing = "the pipe axis is not seen" if axis is None else "the scale or the pipe diameter is not known"
        lengths = f"{missing}: stations are lengths along the picture"
        return tuple(with_stations(arc, job, pixels_per_mm) for arc in arcs), "; ".join(d for d in (doubt, lengths) if d)
    return tuple(_placed(arc, axis, job, pixels_per_mm, growth) for arc in arcs), doubt


def _placed(arc: Arc, axis: PipeAxis, job: Job, pixels_per_mm: float, growth: tuple[float, float] | None) -> Arc:
    """An arc in the order of growing station, cut to what lies on the pipe."""
    od_mm = job.weld.od_mm or 0.0
    set_up = DoubleImage(od_mm, job.exposure.source_to_film_mm or FAR_SOURCE_MM, job.exposure.object_to_film_mm or 0.0)
    x_mm = (arc.centreline_px - axis.point) @ axis.across / pixels_per_mm
    theta = set_up.theta(x_mm, "source")
    on_pipe = np.isfinite(theta)
    if on_pipe.sum() < 4:
        return _all_covered(arc)
    grows = 1 if growth is None or float(np.dot(growth, axis.across)) >= 0 else -1
    # Continuous along the arc, not wrapped round the pipe: stations are interpolated and compared later.
    station = (job.location.station_at_middle_mm or 0.0) + grows * 0.5 * od_mm * theta
    centre, left, right = (line[on_pipe] for line in (arc.centreline_px, arc.left_edge_px, arc.right_edge_px))
    cut = Arc(arc.wall, centre, left, right, station[on_pipe], covered(theta[on_pipe]))
    return cut if station[on_pipe][-1] > station[on_pipe][0] else reversed_arc(cut)


def _all_covered(arc: Arc) -> Arc:
    return replace(arc, covered=np.ones(len(arc.centreline_px), dtype=bool))
