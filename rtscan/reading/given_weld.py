"""The weld as a person gave it in the job sheet: centreline points and cap width."""

from __future__ import annotations

import numpy as np

from rtscan.film import F64, Arc, Film, Weld
from rtscan.job import Job
from rtscan.reading.arcs import directed_arc, growth_in_picture, length_along, with_stations

DEFAULT_CAP_SHARE = 0.2
"""Cap width taken, as a share of the film's shorter side, when the job sheet gives none or the scale is unknown."""


def weld_as_given(film: Film, job: Job) -> Weld | None:
    """The arc along `job.weld.centreline_px`, half a cap width to either side; None for fewer than two different points."""
    points = np.asarray(job.weld.centreline_px, dtype=np.float64)
    keep = np.concatenate([[True], np.any(np.diff(points, axis=0) != 0, axis=1)])
    points = points[keep]
    if len(points) < 2:
        return None
    doubt = ""
    if job.weld.cap_width_mm is not None and film.pixels_per_mm is not None:
        width = job.weld.cap_width_mm * film.pixels_per_mm
    else:
        width = DEFAULT_CAP_SHARE * min(film.density.shape)
        doubt = "the cap width is not known; a fifth of the film's shorter side is taken"
    length = length_along(points)
    count = max(8, round(length[-1] / max(2.0, width / 20.0)) + 1)
    even = np.linspace(0.0, length[-1], count)
    centre = np.stack([np.interp(even, length, points[:, 0]), np.interp(even, length, points[:, 1])], axis=1)
    right = right_hand(centre) * 0.5 * width
    arc, fits = directed_arc(Arc(None, centre, centre - right, centre + right), growth_in_picture(job.location))
    if not fits:
        doubt = "; ".join(d for d in (doubt, "the job sheet's direction lies across the given centreline") if d)
    return Weld((with_stations(arc, job, film.pixels_per_mm),), "job sheet", doubt)


def right_hand(points: F64) -> F64:
    """Unit vectors to the right of a polyline's direction in the picture (x right, y down), float64 (n, 2)."""
    run = np.gradient(points, axis=0)
    run /= np.maximum(np.hypot(run[:, 0], run[:, 1]), 1e-12)[:, None]
    return np.stack([-run[:, 1], run[:, 0]], axis=1)
