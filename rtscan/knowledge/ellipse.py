"""Double-wall double-image geometry of a pipe on a flat film: where a point of either wall falls, and back. Pure numpy.

Frame: x in mm along the film, square to the pipe axis, from the projected pipe axis; y in mm along the pipe axis from the foot of the
source. The source stands `source_to_film_mm` (F) above the film and `offset_mm` beside the weld plane; the pipe (outside diameter OD)
lies `gap_mm` (g) above the film. theta is the angle round the pipe from the middle of a wall, positive towards positive x, so both
walls use x = M (OD/2) sin(theta) with M = F / (F - height of the point above the film). The formulas hold for the outside surface.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from rtscan.film import F64

ImageWall = Literal["film", "source"]
COVERED_SINE = 0.9


@dataclass(frozen=True)
class DoubleImage:
    """Set-up of an elliptical or superimposed exposure. All lengths mm; `offset_mm` is the source's shift along the pipe axis."""

    od_mm: float
    source_to_film_mm: float
    gap_mm: float = 0.0
    offset_mm: float = 0.0

    def height_mm(self, theta: F64 | float, wall: ImageWall) -> F64:
        """Height above the film of the outside surface at `theta` (radians)."""
        cosine = np.cos(np.asarray(theta, dtype=np.float64))
        return np.asarray(self.gap_mm + 0.5 * self.od_mm * (1.0 - cosine if wall == "film" else 1.0 + cosine), dtype=np.float64)

    def magnification(self, theta: F64 | float, wall: ImageWall) -> F64:
        """M = F / (F - height)."""
        return np.asarray(self.source_to_film_mm / (self.source_to_film_mm - self.height_mm(theta, wall)), dtype=np.float64)

    def x_mm(self, theta: F64 | float, wall: ImageWall) -> F64:
        """x on the film of the point at `theta` (radians)."""
        return np.asarray(self.magnification(theta, wall) * 0.5 * self.od_mm * np.sin(np.asarray(theta)), dtype=np.float64)

    def y_mm(self, theta: F64 | float, wall: ImageWall, across_mm: F64 | float = 0.0) -> F64:
        """y on the film of the point at `theta`, `across_mm` along the axis from the weld plane (which lies `offset_mm` from the foot)."""
        return np.asarray(self.magnification(theta, wall) * (np.asarray(across_mm, dtype=np.float64) + self.offset_mm), dtype=np.float64)

    def theta(self, x_mm: F64 | float, wall: ImageWall) -> F64:
        """Angle (radians) of the point of `wall` that falls on `x_mm`; NaN beyond the limb. Closed form.

        The ray from the source at distance d = F - g - OD/2 from the axis makes the angle beta = atan(x / F) with the middle ray and
        meets the circle where the triangle source, axis, point gives sin(gamma) = d sin(beta) / (OD/2): theta = gamma - beta for the
        wall at the source, gamma + beta for the wall at the film.
        """
        x = np.asarray(x_mm, dtype=np.float64)
        radius = 0.5 * self.od_mm
        beta = np.arctan2(x, self.source_to_film_mm)
        sine = (self.source_to_film_mm - self.gap_mm - radius) * np.sin(beta) / radius
        with np.errstate(invalid="ignore"):
            gamma = np.arcsin(sine)
        return np.asarray(gamma + beta if wall == "film" else gamma - beta, dtype=np.float64)

    def opening_mm(self, across_mm: float = 0.0) -> float:
        """Distance on the film between the images of the two middles: the opening of the ellipse."""
        return float(self.y_mm(0.0, "source", across_mm) - self.y_mm(0.0, "film", across_mm))


def covered(theta: F64) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    """Where the weld counts as covered: |sin theta| up to 0.9 (the thickness ratio of the testing standard may say less)."""
    with np.errstate(invalid="ignore"):
        return np.asarray(np.abs(np.sin(theta)) <= COVERED_SINE, dtype=np.bool_)


def station_mm(theta: F64 | float, wall: ImageWall, od_mm: float, at_middle_mm: float, grows: int) -> F64:
    """Station, in [0, circumference), of the point of `wall` at `theta` (radians).

    `at_middle_mm` is the station in the middle of the wall at the source (the one whose outside faces the viewer when the letters on it
    read the right way); the middle of the wall at the film lies half a circumference further. `grows` is +1 when the station of the wall
    at the source grows with x, else -1; the wall at the film runs the other way.
    """
    around = np.pi * od_mm
    middle, sense = (at_middle_mm, grows) if wall == "source" else (at_middle_mm + 0.5 * around, -grows)
    return np.asarray(np.mod(middle + sense * 0.5 * od_mm * np.asarray(theta, dtype=np.float64), around), dtype=np.float64)
