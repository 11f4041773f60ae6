"""Where on the pipe an indication lies: side of the weld, clock position, second possible station."""

from __future__ import annotations

import numpy as np

from rtscan.film import F64, Arc, Film, Strip
from rtscan.findings import Side
from rtscan.job import Job
from rtscan.knowledge.ellipse import DoubleImage

CENTRE_SHARE = 0.05
"""Share of the weld's width within which a place is on its centreline: half a millimetre on one of 10 mm, the median error of a place
across on simulated films."""
_PICTURE = {"up": (0.0, -1.0), "down": (0.0, 1.0), "left": (-1.0, 0.0), "right": (1.0, 0.0)}


def side_of(centre_px: F64, arc: Arc, job: Job) -> Side | None:
    """Upstream or downstream of the centreline, from where downstream is in the picture; None when the job sheet does not say, when
    downstream runs along the weld, or on the centreline as far as its place is known (`CENTRE_SHARE`)."""
    if job.location.downstream_is is None:
        return None
    x, y = _PICTURE[job.location.downstream_is]
    line = arc.centreline_px
    nearest = int(np.argmin(((line - centre_px) ** 2).sum(axis=1)))
    run = line[min(nearest + 1, len(line) - 1)] - line[max(nearest - 1, 0)]
    if abs(run @ [x, y]) > 0.9 * np.hypot(*run):
        return None
    across = np.array([-run[1], run[0]]) / np.hypot(*run)
    offset = float((centre_px - line[nearest]) @ across)
    if abs(offset) <= CENTRE_SHARE * float(np.hypot(*(arc.right_edge_px[nearest] - arc.left_edge_px[nearest]))):
        return None
    return "downstream" if offset * float(across @ [x, y]) > 0 else "upstream"


def clock_of(station_mm: float, job: Job) -> str | None:
    """Hours and minutes of a twelve-hour face; None for plate, without a datum clock or a diameter."""
    weld, where = job.weld, job.location
    if weld.od_mm is None or where.datum_clock is None or weld.joint in ("plate", "longitudinal"):
        return None
    hours, _, minutes = where.datum_clock.partition(":")
    if not hours.strip().isdigit() or not (minutes.strip() or "0").isdigit():
        return None
    turn = station_mm / (np.pi * weld.od_mm) * 720.0
    start = (int(hours) % 12) * 60 + int(minutes or 0)
    total = round(start + (turn if where.direction != "anticlockwise" else -turn)) % 720
    return f"{total // 60 or 12}:{total % 60:02d}"


def other_station(along_mm: float, strip: Strip, film: Film, job: Job) -> float | None:
    """Where the two walls lie over one another: the station on the other wall that falls on the same place of the film.

    The strip's stations are those of the wall at the source; the contract's geometry gives the angle on it, the place on the film,
    and the angle on the wall at the film, half a circumference on and running the other way.
    """
    if strip.wall != "unknown" or job.weld.od_mm is None or job.exposure.source_to_film_mm is None:
        return None
    middle = job.location.station_at_middle_mm or 0.0  # as the strip's stations were made
    image = DoubleImage(job.weld.od_mm, job.exposure.source_to_film_mm, job.exposure.object_to_film_mm or 0.0)
    radius = job.weld.od_mm / 2
    angle = float(image.theta(float(image.x_mm((along_mm - middle) / radius, "source")), "film"))
    if not np.isfinite(angle):
        return None
    return float((middle + np.pi * radius - radius * angle) % (2 * np.pi * radius))
