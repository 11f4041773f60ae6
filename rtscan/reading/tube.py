"""A tube shown whole: two bright walls, dark between. Its weld lies across it, so the walls are no welds.

Rays through the middle of a tube pass two wall thicknesses; near the limb the chord in the metal is several times longer. The picture
is therefore two bright ribbons, sharp outside and fading inwards, where a weld bead is brightest in its middle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rtscan.film import F32, F64, Bool
from rtscan.reading.weld_edges import Course

LEAST_HOLLOW = 0.3
"""How much of the density fall into the walls must be gone again in the middle of the tube."""
IN_AIR = 0.3


@dataclass(frozen=True)
class Tube:
    """Outer limits of a tube along the film, and the density fall into its walls. `in_air`: beside it the film is far darker than
    through two walls. `turned`: the tube runs up and down."""

    at: F64
    upper: F64
    lower: F64
    wall_step: float
    in_air: bool
    turned: bool

    def cut(self, density: F32, usable: Bool) -> tuple[F32, Bool, int]:
        """The film between the limits (cropped across the tube), what of it is tube, and the first row or column kept."""
        source, mask = (density.T, usable.T) if self.turned else (density, usable)
        first, last = max(0, int(self.upper.min())), min(source.shape[0], int(np.ceil(self.lower.max())) + 1)
        places = np.arange(source.shape[1])
        rows = np.arange(first, last)[:, None]
        inside = (rows >= np.interp(places, self.at, self.upper)) & (rows <= np.interp(places, self.at, self.lower))
        part, known = source[first:last], mask[first:last] & inside
        return (part.T, known.T, first) if self.turned else (part, known, first)


def tube_of(density: F32, course: Course, other: Course | None = None) -> Tube | None:
    """The tube of which `course` is the whole picture, or `course` and `other` the two walls; None when it is none."""
    upper, lower = course.upper, course.lower
    if other is not None:
        if other.turned != course.turned or not 0.5 < other.width / course.width < 2.0:
            return None
        upper = np.minimum(upper, np.interp(course.at, other.at, other.upper))
        lower = np.maximum(lower, np.interp(course.at, other.at, other.lower))
    first, last = (_line_fit(course.at, edge) for edge in (upper, lower))
    width = float(np.median(last - first))
    if abs(float((last - first)[0] - (last - first)[-1])) > 0.15 * width:
        return None
    profile = _profile(density.T if course.turned else density, course.at, first, last)
    outside = 0.5 * (profile[:8].mean() + profile[-8:].mean())
    walls = max(profile[10:45].min(), profile[-45:-10].min())
    middle = float(np.median(profile[45:-45]))
    step = float(outside - walls)
    if step <= 0 or (middle - walls) < LEAST_HOLLOW * step:
        return None
    return Tube(course.at, first, last, step, float(outside) - middle > IN_AIR * step, course.turned)


def _line_fit(at: F64, edge: F64) -> F64:
    """The straight line through an edge that most of it follows."""
    weight = np.ones_like(at)
    fit = np.zeros(2)
    for _ in range(5):
        fit = np.polyfit(at, edge, 1, w=weight)
        miss = np.abs(edge - np.polyval(fit, at))
        weight = 1.0 / (1.0 + (miss / max(2.0, float(np.median(miss)))) ** 2)
    return np.asarray(np.polyval(fit, at), dtype=np.float64)


def _profile(source: F32, at: F64, upper: F64, lower: F64) -> F64:
    """Median density at 121 places from a tenth of the width above the tube to a tenth below it (tube: places 10 to 110)."""
    places = np.linspace(-0.1, 1.1, 121)
    columns = np.clip(np.round(at), 0, source.shape[1] - 1).astype(np.int64)
    rows = np.clip(np.round(upper + places[:, None] * (lower - upper)), 0, source.shape[0] - 1).astype(np.int64)
    return np.asarray(np.median(source[rows, columns[None, :]], axis=1), dtype=np.float64)
