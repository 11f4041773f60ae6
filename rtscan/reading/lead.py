"""Lead on a film: letters, numbers, arrows, number plates, also cut by the edge of the film.

Lead is bright and its outline is far sharper than any change of weld thickness of that size: a weld bead that is as narrow and as bright
fades over its width, tungsten is smaller, spatter is rounder and softer. So every bright mark of letter size is asked for
the sharpness of its outline in proportion to its brightness, and whether it is flat inside that outline: the drops of a coarse bead are
as sharp, but domed.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from rtscan.film import F32, Bool, Film, Mark
from rtscan.reading.lead_plate import PlateSettings, find_plates

PITCH_MM = 0.2
ASSUMED_PIXELS_PER_MM = 20.0
"""Only for the search, where the scale is unknown: 50 micrometres, the usual scan."""


@dataclass(frozen=True)
class LeadSettings:
    """Sizes in mm. Thresholds are shares of the film's density range; sharpness is outline slope times pitch over brightness.

    `domed_slope` (share of the sharpness that the inside has) and `domed_flatness` (dark over bright places inside) together tell a drop of
    a bead. Looked at on 143 simulated films and 18 real ones: all 7 drops taken for lead go, with 1 of 1035 true pieces of lead, and none
    of 121 on the real films.
    """

    widest_stroke_mm: float = 4.5
    levels: tuple[float, ...] = (0.35, 0.22, 0.14, 0.08)
    least_size_mm: float = 3.5
    least_area_mm2: float = 3.0
    greatest_size_mm: float = 60.0
    least_sharpness: float = 0.24
    least_stroke_mm: float = 1.2
    wire_aspect: float = 12.0
    stands_out: float = 0.35
    domed_slope: float = 0.75
    domed_flatness: float = 0.72
    joined_mm: float = 1.6
    grown_mm: float = 0.6
    plate_size_mm: float = 9.0


@dataclass(frozen=True)
class Lead:
    """`mask` (rows, columns) is True on lead, a little grown; one mark per piece."""

    mask: Bool
    marks: tuple[Mark, ...]


def find_lead(film: Film, usable: Bool, settings: LeadSettings) -> Lead:
    """All lead on the film, in the order of brightness level, then place."""
    scale = film.pixels_per_mm or ASSUMED_PIXELS_PER_MM
    pitch = max(1, round(PITCH_MM * scale))
    shape = film.density.shape
    size = (max(1, shape[1] // pitch), max(1, shape[0] // pitch))
    small = np.asarray(cv2.resize(film.density[: size[1] * pitch, : size[0] * pitch], size, interpolation=cv2.INTER_AREA), dtype=np.float32)
    known = cv2.resize(usable[: size[1] * pitch, : size[0] * pitch].astype(np.uint8), size, interpolation=cv2.INTER_NEAREST).astype(bool)
    found, strokes = _sharp_pieces(small, known, scale / pitch, settings)
    plates = find_plates(small, known, scale / pitch, PlateSettings())
    for corners in plates:
        cv2.fillConvexPoly(found, np.round(corners).astype(np.int32), 1)
    kernel = np.ones((round(settings.joined_mm * scale / pitch) | 1,) * 2, np.uint8)
    joined = cv2.morphologyEx(found, cv2.MORPH_CLOSE, kernel)
    contours, _ = cv2.findContours(joined, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_TC89_L1)
    mask = np.zeros(small.shape, dtype=np.uint8)
    marks = []
    for outline in sorted(contours, key=lambda c: (int(c[:, 0, 0].min()), int(c[:, 0, 1].min()))):
        cv2.drawContours(mask, [outline], -1, 1, cv2.FILLED)
        x, y, w, h = cv2.boundingRect(outline)
        plate = min(w, h) * pitch / scale >= settings.plate_size_mm
        says = "lead plate with letters or numbers" if plate else "lead letter, number or arrow"
        path = outline[:, 0, :].astype(np.float64) * pitch + 0.5 * (pitch - 1)
        marks.append(Mark("marker" if plate else "letter", path, float(strokes[y : y + h, x : x + w].max()) * pitch, says))
    grown = cv2.dilate(mask, np.ones((3, 3), np.uint8), iterations=max(1, round(settings.grown_mm * scale / pitch)))
    full = cv2.resize(grown, (size[0] * pitch, size[1] * pitch), interpolation=cv2.INTER_NEAREST)
    hidden = np.zeros(shape, dtype=bool)
    hidden[: full.shape[0], : full.shape[1]] = full[: shape[0], : shape[1]] > 0
    return Lead(hidden, tuple(marks))


def _sharp_pieces(small: F32, known: Bool, per_mm: float, settings: LeadSettings) -> tuple[NDArray[np.uint8], F32]:
    """Bright, sharply outlined marks of letter size on the reduced film: 1 where they are, and their stroke width there."""
    inside = small[known] if known.any() else small.ravel()
    low, high = np.percentile(inside[:: max(1, inside.size // 40000)], [2, 98])
    filled = np.where(known, small, np.float32(high))
    kernel = np.ones((round(settings.widest_stroke_mm * per_mm) | 1,) * 2, np.uint8)
    bright = cv2.morphologyEx(filled, cv2.MORPH_CLOSE, kernel, borderType=cv2.BORDER_REFLECT).astype(np.float32) - filled
    soft = cv2.GaussianBlur(filled, (0, 0), 0.8)
    slope: F32 = cv2.magnitude(cv2.Sobel(soft, cv2.CV_32F, 1, 0), cv2.Sobel(soft, cv2.CV_32F, 0, 1)).astype(np.float32) / np.float32(8)
    slope = cv2.dilate(slope, np.ones((3, 3), np.uint8)).astype(np.float32)
    beside = cv2.dilate((~known).astype(np.uint8), np.ones((5, 5), np.uint8)).astype(bool)
    found = np.zeros(small.shape, dtype=np.uint8)
    strokes = np.zeros(small.shape, dtype=np.float32)
    for level in settings.levels:
        over = ((bright > level * float(high - low)) & (found == 0)).astype(np.uint8)
        _, labels, stats, _ = cv2.connectedComponentsWithStats(over, connectivity=8)
        for label in _letter_sized(stats, per_mm, settings):
            x, y, w, h = (int(v) for v in stats[label, :4])
            window = (slice(y, y + h), slice(x, x + w))
            shape = labels[window] == label
            stroke = _stroke(shape)
            thin = stroke < settings.least_stroke_mm * per_mm or _is_line(shape, stroke, settings)
            height = float(np.percentile(bright[window][shape], 75))
            stands_out = not thin and _brighter_than_around(filled, shape, (x, y), per_mm) > settings.stands_out * height
            sharp = _sharpness(shape, bright[window], slope[window], beside[window]) if stands_out else 0.0
            if sharp >= settings.least_sharpness and not _is_domed(shape, bright[window], slope[window], sharp, settings):
                found[window][shape] = 1
                strokes[window][shape] = stroke
    return found, strokes


def _letter_sized(stats: NDArray[np.int32], per_mm: float, settings: LeadSettings) -> NDArray[np.intp]:
    """Labels of the marks (rows of OpenCV's component statistics, 0 the ground) that have the size of a letter or plate."""
    long = stats[:, 2:4].max(axis=1) / per_mm
    fits = (long >= settings.least_size_mm) & (long <= settings.greatest_size_mm) & (stats[:, 4] >= settings.least_area_mm2 * per_mm**2)
    fits[0] = False
    return np.flatnonzero(fits)


def _stroke(shape: Bool) -> float:
    """Greatest stroke width of a mark, pixels: twice the greatest distance to its rim."""
    return 2 * float(cv2.distanceTransform(np.pad(shape.astype(np.uint8), 1), cv2.DIST_L2, 3).max())


def _brighter_than_around(density: F32, shape: Bool, corner: tuple[int, int], per_mm: float) -> float:
    """How much brighter a mark is than a frame round it: the middle of an ink ring is no brighter than the film outside."""
    x, y = corner
    h, w = shape.shape
    near, far = round(0.8 * per_mm), round(3.0 * per_mm)
    frame = density[max(0, y - far) : y + h + far, max(0, x - far) : x + w + far].copy()
    top, left = y - max(0, y - far), x - max(0, x - far)
    frame[max(0, top - near) : top + h + near, max(0, left - near) : left + w + near] = np.nan
    outside = frame[np.isfinite(frame)]
    return (float(np.median(outside)) if len(outside) else np.inf) - float(np.median(density[y : y + h, x : x + w][shape]))


def _is_line(shape: Bool, stroke: float, settings: LeadSettings) -> bool:
    """Whether a mark is one long straight stroke: a thick wire, not a letter."""
    points = cv2.findNonZero(shape.astype(np.uint8))
    wide, long = sorted(cv2.minAreaRect(points)[1])
    return long > settings.wire_aspect * stroke and wide < 2.0 * stroke


def _is_domed(shape: Bool, bright: F32, slope: F32, sharpness: float, settings: LeadSettings) -> bool:
    """Whether a mark rises to its middle as it rises at its rim: a drop of a coarse bead. Lead is flat inside its rim."""
    inner = cv2.erode(np.pad(shape.astype(np.uint8), 1), np.ones((3, 3), np.uint8))[1:-1, 1:-1] > 0
    if not inner.any():
        return False
    low, high = np.percentile(bright[inner], [20, 90])
    inside = float(np.percentile(slope[inner], 40)) / max(float(np.percentile(bright[shape], 75)), 1e-6)
    return inside >= settings.domed_slope * sharpness and low < settings.domed_flatness * high


def _sharpness(shape: Bool, bright: F32, slope: F32, beside: Bool) -> float:
    """Slope along the rim over the brightness inside, per pixel; 0 when a good part of the rim lies `beside` what is unknown."""
    padded = np.pad(shape.astype(np.uint8), 1)
    rim = (padded > cv2.erode(padded, np.ones((3, 3), np.uint8)))[1:-1, 1:-1]
    free = rim & ~beside
    if free.sum() < 0.7 * rim.sum():
        return 0.0
    return float(np.percentile(slope[free], 40)) / max(float(np.percentile(bright[shape], 75)), 1e-6)
