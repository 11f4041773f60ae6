"""Marks of a hole-type indicator: the outline of its plate and its three holes, where the job sheet names one.

This says where they lie, for the marks and for the film's quality alike; which holes count as seen is for `quality/plaque.py`. The plate is
steel, so what lies under it can still be seen; only its edges and holes hide the weld, as they look like imperfections.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import hypot

import cv2
import numpy as np

from rtscan.film import Bool, Film, HoleOnFilm, Mark, PlaqueOnFilm
from rtscan.job import Job
from rtscan.knowledge.iqi import Plaque, plaque
from rtscan.reading.lead import Lead
from rtscan.reading.plaque_holes import measure_holes
from rtscan.reading.plaque_search import PlaqueSettings, Plate, find_plates

EDGE_MM, HOLE_RIM_MM = 2.0, 0.4
"""Width of the edge of the plate that is marked, and of the rim of a hole."""
PLAIN_HOLE, PLAIN_DEPTH = 7.2, 0.5
"""A rectangle is a plaque only with a plain hole in it: signal-to-noise, and how far its contrast may be from the plate's, as a share.
Without this a rectangle of another kind passed on one of 30 drawn films without a plaque."""
EACH_OF_TWO, BOTH_HOLES = 4.5, 7.7
"""The two larger holes are as plain as one where each reaches the first of these and both together the second."""
WEAK_SHARE = 0.5
"""Of what the three better sides show, where the fourth shows less. Only where all four have found nothing: on a shim many rectangles have
three sides."""
LOOKED_AT = 6
"""So many plates are asked for holes: the edges of a shim or of lead may show better than those of the plate."""
BLUR_U = 0.06
"""Relative doubt of the blur beside its own scatter: 7 drawn plates, 0.88 to 1.09 of the true blur."""
BRIGHTER, SMOOTH_MM, GROWN_MM = 3.0, 0.25, 0.6
"""Lead is at least this many steps of the plate brighter than the plate (0.8 mm of lead stop more than 3 mm of steel below 400 kV)."""
SIZE_DOUBT = 0.015
"""What the scale and the place of the plate may be off by."""
UNKNOWN_MAGNIFICATION = (0.985, 1.25)
"""Where the job sheet does not tell the distances: from a plate on the film to one on the source side of a small pipe."""


def find_plaque(film: Film, usable: Bool, lead: Lead, job: Job, settings: PlaqueSettings) -> PlaqueOnFilm | None:
    """The plaque that the job sheet names (kind "hole" and its number), on a film of known scale; None when it is not seen.

    usable
        bool, shape of the film; what may be looked at. What was taken for lead is left out at first; a thick plate, its shim or the rim
        of a hole may have been taken for it too, so what is not found is looked for once more with only the letters left out. Then
        one of the sides may be lost in the slope of a bead.
    """
    named = plaque(job.iqi.set) if job.iqi.kind == "hole" else None
    if named is None or film.pixels_per_mm is None:
        return None
    clear = usable & ~lead.mask
    letters = np.zeros(usable.shape, dtype=np.uint8)
    cv2.fillPoly(letters, [np.round(mark.path_px).astype(np.int32) for mark in lead.marks if mark.kind == "letter"], (1,))
    no_letters, most = usable & (letters == 0), magnifications(job)
    for weak_share in (0.0, WEAK_SHARE):
        for mask, times in ((clear, 1), (no_letters, 2)):
            looked = replace(settings, weak_share=weak_share, tried=times * settings.tried * (2 if weak_share else 1))
            found = _with_holes(film, (clear, usable, no_letters), named, find_plates(film, mask, named, most, looked))
            if found is not None:
                return _on_film(named, *found)
    return None


def _on_film(named: Plaque, plate: Plate, sense: int, holes: tuple[HoleOnFilm, ...]) -> PlaqueOnFilm:
    corners = plate.corners_px if sense > 0 else np.roll(plate.corners_px, 2, axis=0)
    weights = np.array([1 / edge.step_u**2 for edge in plate.sides])
    step = float(np.average([edge.step for edge in plate.sides], weights=weights))
    blurs = [edge.sigma for edge in plate.sides]
    blur = float(np.median(blurs))
    scatter = max(float(np.std(blurs)), float(np.median([edge.sigma_u for edge in plate.sides]))) / len(blurs) ** 0.5
    step_u = float(weights.sum() ** -0.5)
    return PlaqueOnFilm(named.number, corners, plate.magnification, step, step_u, blur, float(np.hypot(scatter, BLUR_U * blur)), holes)


def _with_holes(film: Film, masks: tuple[Bool, Bool, Bool], named: Plaque,
                plates: Sequence[Plate]) -> tuple[Plate, int, tuple[HoleOnFilm, ...]] | None:
    """The first of the most convincing plates that shows plain holes, with the end they lie at and what they show. `masks`: film without
    lead, all that may be looked at, and this without letters."""
    clear, usable, no_letters = masks
    for plate in plates[:LOOKED_AT]:
        step = float(np.median([edge.step for edge in plate.sides]))
        tried = [measure_holes(film, clear, plate, named)]
        if any(hole.snr == 0 for hole in tried[0][1]):
            tried += [measure_holes(film, mask, plate, named) for mask in (usable & ~_bright(film, plate), no_letters)]
        sense, holes = max(tried, key=lambda found: _plain(found[1], step))
        if _plain(holes, step) > 0:
            return plate, sense, holes
    return None


def _plain(holes: tuple[HoleOnFilm, ...], step: float) -> float:
    """How plain the holes are: those as deep as the plate together, where one of the two larger is plain, or these two are plain together;
    a 1T alone is a speck. 0 where one is plain and much deeper: that is a gap between letters of lead."""
    if any(hole.snr >= PLAIN_HOLE and hole.contrast > (1 + PLAIN_DEPTH) * step for hole in holes):
        return 0.0
    deep = {hole.name: hole.snr for hole in holes if abs(hole.contrast - step) <= PLAIN_DEPTH * step}
    large = [snr for name, snr in deep.items() if name != "1T"]
    together = len(large) == 2 and min(large) >= EACH_OF_TWO and hypot(*large) >= BOTH_HOLES
    return float(sum(snr**2 for snr in deep.values())) if together or max(large, default=0.0) >= PLAIN_HOLE else 0.0


def _bright(film: Film, plate: Plate) -> Bool:
    """bool, shape of the film; True on what is far brighter than the plate (its lead number, letters over it), and a little round it."""
    inside, scale = np.zeros(film.density.shape, dtype=np.uint8), film.pixels_per_mm or 1.0
    cv2.fillConvexPoly(inside, np.round(plate.corners_px).astype(np.int32), (1,))
    step = float(np.median([edge.step for edge in plate.sides]))
    smooth = cv2.GaussianBlur(film.density, (0, 0), SMOOTH_MM * scale)
    bright = smooth < float(np.median(film.density[inside > 0])) - BRIGHTER * step
    return np.asarray(cv2.dilate(bright.view(np.uint8), np.ones((2 * round(GROWN_MM * scale) + 1,) * 2, np.uint8)) > 0)


def magnifications(job: Job) -> tuple[float, float]:
    """Least and greatest magnification of the indicator by the distances of the job sheet."""
    shot, wall_mm = job.exposure, job.weld.wall_mm
    if shot.source_to_film_mm is None or wall_mm is None:
        return UNKNOWN_MAGNIFICATION
    gap_mm = shot.object_to_film_mm or 0.0
    through_mm = job.weld.od_mm if (shot.technique or "").startswith("DWDI") and job.weld.od_mm else wall_mm
    far_mm = gap_mm + through_mm + 0.5 * wall_mm  # a shim, or the cap
    least_mm = gap_mm if job.iqi.side != "source" else gap_mm + through_mm
    most_mm = far_mm if job.iqi.side != "film" else gap_mm + 0.5 * wall_mm
    distance_mm = shot.source_to_film_mm
    if most_mm >= 0.5 * distance_mm:
        return UNKNOWN_MAGNIFICATION
    return (distance_mm / (distance_mm - least_mm)) * (1 - SIZE_DOUBT), (distance_mm / (distance_mm - most_mm)) * (1 + SIZE_DOUBT)


def plaque_marks(found: PlaqueOnFilm | None, pixels_per_mm: float | None) -> tuple[Mark, ...]:
    """The plate's outline and its holes as marks of the film."""
    if found is None or pixels_per_mm is None:
        return ()
    name, scale = f"hole plaque No. {found.number}", found.magnification * pixels_per_mm
    outline = np.concatenate([found.corners_px, found.corners_px[:1]])
    marks = [Mark("marker", outline, EDGE_MM * pixels_per_mm, f"{name} of the image quality indicator")]
    for hole in found.holes:
        path = np.stack([hole.centre_px, hole.centre_px])
        marks.append(Mark("marker", path, (hole.diameter_mm + HOLE_RIM_MM) * scale, f"hole {hole.name} of the {name}"))
    return tuple(marks)
