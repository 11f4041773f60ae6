"""Holes of a hole-type indicator: which of those that the marks found are really visible, and what they say of sensitivity.

A hole counts as seen where the density gained in it, over its whole area, reaches VISIBLE_SNR of the noise of the same measure on the
plate beside it, and fits a hole as deep as the plate is thick. VISIBLE_SNR comes from the wires (7 over 10 mm, see `wires.py`): for the
pairs of plaque and wire that ASME V T-276 holds to be equal (E747), the 2T hole collects 4.7 to 6.5 where the wire collects 7, by closed
form at blurs from 0.03 to 0.15 mm, mostly 5 to 6; Rose's limit for a disc is 5. The stricter end is taken.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from rtscan.film import Film, HoleOnFilm, Marks, PlaqueOnFilm, Strip
from rtscan.findings import Check
from rtscan.job import Job
from rtscan.knowledge.iqi import (
    Plaque,
    equivalent_sensitivity,
    plaque,
    plaque_mm,
    plaque_source,
    wire_equivalent_to_hole_mm,
)
from rtscan.knowledge.testing import Limit
from rtscan.reading.quality.contrast import Contrast, gain_in_weld, net_density
from rtscan.reading.quality.lines import failed, judged, not_assessed

VISIBLE_SNR = 6.0
BEST_OF_FIVE = 1.16
"""What chance adds to the best of the about five places a small hole may take within its tolerance (see `wires.py`)."""
DEPTH_SHARE = 0.5
"""The density gained in a hole may differ from that lost in the plate by this share and twice its standard error, or it is none."""
ESSENTIAL = "2T"
NOT_FOUND = "no hole plaque with a hole in sight was found; the search misses many that lie under lead or on a shim, so look on the film"
"""A film is not refused for what the search may have missed (about half of the plaques of a hard draw), and not accepted either."""
SIDES_U = 0.1
"""Relative doubt of the plate's step, k = 1, from the shading beside its edges."""


@dataclass(frozen=True)
class SeenHole:
    """One hole and whether it is seen. `snr` has what chance adds taken off."""

    hole: HoleOnFilm
    snr: float
    visible: bool


@dataclass(frozen=True)
class SeenPlaque:
    """The plaque as read; holes from the largest to the smallest."""

    plaque: Plaque
    on_film: PlaqueOnFilm
    holes: tuple[SeenHole, ...]

    @property
    def smallest_visible(self) -> SeenHole | None:
        """The last of the holes seen, from the largest on; a hidden one does not end the row."""
        last = None
        for one in self.holes:
            if one.visible:
                last = one
            elif one.hole.snr > 0:
                break
        return last


def read_plaque(marks: Marks) -> SeenPlaque | None:
    """Judges the holes of the plaque that was found; None when there is none."""
    found = marks.plaque
    named = None if found is None else plaque(str(found.number))
    if found is None or named is None:
        return None
    order = sorted(found.holes, key=lambda hole: -hole.diameter_mm)
    return SeenPlaque(named, found, tuple(_seen(hole, found.step) for hole in order))


def _seen(hole: HoleOnFilm, step: float) -> SeenHole:
    snr = max(0.0, hole.snr - BEST_OF_FIVE)
    deep = abs(hole.contrast - step) <= DEPTH_SHARE * step + 2 * hole.contrast_u
    return SeenHole(hole, snr, snr >= VISIBLE_SNR and deep)


def contrast_from_plaque(film: Film, seen: SeenPlaque, strips: Sequence[Strip]) -> Contrast | None:
    """Density lost in the plate over its thickness, and the blur of its edges; None without a scale."""
    if film.pixels_per_mm is None:
        return None
    found, corners = seen.on_film, seen.on_film.corners_px
    at_plate = net_density(film, corners + 0.05 * (corners.mean(axis=0) - corners)) if film.facts.density_calibrated else None
    gain = gain_in_weld(at_plate, strips)
    relative = float(np.hypot(found.step_u / found.step, SIDES_U))
    return Contrast(found.step / seen.plaque.thickness_mm * gain, min(1.0, 2 * relative), found.blur_px / film.pixels_per_mm,
                    f"plaque No. {found.number}", max(0.0, found.blur_px - 2 * found.blur_u_px) / film.pixels_per_mm)


def density_inside(film: Film, seen: SeenPlaque) -> float:
    """Median density through the body of the plate."""
    canvas = np.zeros(film.density.shape, dtype=np.uint8)
    cv2.fillConvexPoly(canvas, np.round(seen.on_film.corners_px).astype(np.int32), (1,))
    return float(np.median(film.density[canvas > 0]))


def hole_check(job: Job, film: Film, seen: SeenPlaque | None, required: int | None) -> Check:
    """The smallest hole seen against the essential hole of the required plaque, both as equivalent sensitivity of the wall."""
    name, wall_mm = "hole seen", job.weld.wall_mm
    limit = _limit(required, wall_mm)
    if not job.iqi.set:
        return not_assessed(name, "give iqi.set, the number of the plaque", limit, "%")
    if plaque(job.iqi.set) is None:
        return not_assessed(name, f"{job.iqi.set!r} is no rectangular plaque (5 to 180)", limit, "%")
    if film.pixels_per_mm is None:
        return not_assessed(name, "no scale: give pixels_per_mm", limit, "%")
    if seen is None:
        return not_assessed(name, NOT_FOUND, limit, "%")
    smallest = seen.smallest_visible
    if smallest is None:
        return failed(name, limit, "%", f"plaque No. {seen.plaque.number} is there, but none of its holes is seen")
    thickness_mm, diameter_mm = seen.plaque.thickness_mm, smallest.hole.diameter_mm
    says = (f"{smallest.hole.name} of plaque No. {seen.plaque.number} is the smallest hole seen, as visible as a wire of "
            f"{wire_equivalent_to_hole_mm(thickness_mm, diameter_mm):.2f} mm")
    if wall_mm is None:
        return not_assessed(name, f"{says}; give wall_mm", limit, "%")
    measured = equivalent_sensitivity(wall_mm, thickness_mm, diameter_mm)
    says += f", equivalent sensitivity {measured:.1f} %"
    if required is None:
        why = "the tool knows plaques required by ASME V only" if job.testing.standard else "give the testing standard"
        return not_assessed(name, f"{says}; {why}", limit, "%", measured=round(measured, 3))
    says += f"; {ESSENTIAL} of No. {required} is required"
    return judged(name, measured, limit, "%", says, passing=says, slack=1e-6)


def _limit(required: int | None, wall_mm: float | None) -> Limit:
    if required is None or wall_mm is None:
        return Limit("", "", False)
    clause, source, unverified = plaque_source()
    thickness_mm, holes = plaque_mm(required)
    return Limit(clause, source, unverified, None, equivalent_sensitivity(wall_mm, thickness_mm, holes[ESSENTIAL]))
