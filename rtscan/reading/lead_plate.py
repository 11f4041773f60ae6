"""Lead plates on a film: rectangles brighter than all round them, letters and holes cut out, also where they lie over the weld.

A plate is wider than any stroke of a letter, and over a bead it is not the brightest thing on the film. What tells it is its outline:
four straight sides, each one a sharp step, brighter inside. So every smooth field between sharp edges gives a rectangle, and its sides
are asked one by one. A side may be hidden by other lead or cut off by the edge of the film.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from scipy import ndimage

from rtscan.film import F32, F64, Bool


@dataclass(frozen=True)
class PlateSettings:
    """Sizes in mm; `edges` and `least_step` are shares of the film's density range, `edges` per pixel of the reduced film; `least_slope`
    is the slope of a side per mm over its step (a weld toe reached 0.5, plates under blur 0.9). From looking at stencil plates on tubes and
    plates, in sight and half hidden, and at welds between two sharp toes."""

    sizes_mm: tuple[float, float] = (6.0, 45.0)
    greatest_aspect: float = 3.0
    least_field_mm2: float = 15.0
    edges: tuple[float, ...] = (0.10, 0.07, 0.05, 0.035, 0.025, 0.018, 0.012)
    least_step: float = 0.15
    least_slope: float = 0.7
    least_good: float = 0.8
    worst_side: float = 0.35


def find_plates(small: F32, known: Bool, per_mm: float, settings: PlateSettings) -> tuple[F64, ...]:
    """The corners of each plate, float64 (4, 2), (x, y) on the reduced film of `per_mm` pixels a mm; plainest edges first."""
    inside = small[known] if known.any() else small.ravel()
    low, high = np.percentile(inside[:: max(1, inside.size // 40000)], [2, 98])
    span = max(float(high - low), 1e-6)
    soft = np.asarray(cv2.GaussianBlur(small, (0, 0), 0.8), dtype=np.float32)
    slope = cv2.magnitude(cv2.Sobel(soft, cv2.CV_32F, 1, 0), cv2.Sobel(soft, cv2.CV_32F, 0, 1)) / np.float32(8)
    taken = np.zeros(small.shape, dtype=np.uint8)
    plates: list[F64] = []
    for share in settings.edges:
        edges = cv2.dilate(((slope > share * span) | ~known).astype(np.uint8), np.ones((3, 3), np.uint8))
        for corners in _rectangles(edges == 0, per_mm, settings):
            picture = np.zeros(small.shape, dtype=np.uint8)
            cv2.fillConvexPoly(picture, np.round(corners).astype(np.int32), 1)
            if 2 * int((taken & picture).sum()) <= int(picture.sum()) and _is_plate(soft, known, corners, per_mm, span, settings):
                taken |= picture
                plates.append(corners)
    return tuple(plates)


def _rectangles(fields: Bool, per_mm: float, settings: PlateSettings) -> Iterator[F64]:
    """The least rectangle round each field between edges that has the size of a plate."""
    least, most = (size * per_mm for size in settings.sizes_mm)
    _, labels, stats, _ = cv2.connectedComponentsWithStats(fields.astype(np.uint8), connectivity=4)
    for label in range(1, len(stats)):
        x, y, w, h, area = (int(v) for v in stats[label])
        if min(w, h) < least or max(w, h) > 1.5 * most or area < settings.least_field_mm2 * per_mm**2:
            continue
        field = (labels[y : y + h, x : x + w] == label).astype(np.uint8)
        outline = max(cv2.findContours(field, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE, offset=(x, y))[0], key=len)
        box = cv2.minAreaRect(outline)
        if min(box[1]) >= least and max(box[1]) <= min(most, settings.greatest_aspect * min(box[1])):
            yield np.asarray(cv2.boxPoints(box), dtype=np.float64)


def _is_plate(soft: F32, known: Bool, corners: F64, per_mm: float, span: float, settings: PlateSettings) -> bool:
    """Whether the sides of a rectangle are sharp steps, brighter inside; three sides at least must be on the film."""
    sides = [_side(soft, known, corners[k], corners[(k + 1) % 4], corners.mean(axis=0), per_mm) for k in range(4)]
    seen = [s for s in sides if len(s[0]) >= 5]
    if len(seen) < 3:
        return False
    usual = float(np.median(np.concatenate([step for step, _ in seen])))
    if usual < settings.least_step * span:
        return False
    good = [(slope > settings.least_slope * np.maximum(step, 0.5 * usual)) & (step > 0.3 * usual) for step, slope in seen]
    shares = sorted(float(g.mean()) for g in good)
    return shares[0] >= settings.worst_side and shares[1] >= 0.65 and float(np.concatenate(good).mean()) >= settings.least_good


def _side(soft: F32, known: Bool, start: F64, end: F64, middle: F64, per_mm: float) -> tuple[F64, F64]:
    """Rise of density outwards over the side (one value per pixel of its length, corners left out) and its greatest slope per mm near the
    side; without the places whose profile leaves the known film."""
    run = end - start
    length = float(np.hypot(*run))
    run = run / max(length, 1e-9)
    outwards = np.array([-run[1], run[0]])
    outwards = -outwards if (middle - start) @ outwards > 0 else outwards
    along = np.arange(0.06 * length, 0.94 * length, 1.0)
    offsets_mm = np.arange(-2.0, 2.6, 0.2)
    places = start + along[:, None, None] * run + (offsets_mm * per_mm)[None, :, None] * outwards
    x, y = places[..., 0], places[..., 1]
    rows, columns = soft.shape
    on_film = ((x >= 2) & (x <= columns - 3) & (y >= 2) & (y <= rows - 3)).all(axis=1)
    on_film &= ndimage.map_coordinates(known.astype(np.uint8), [y, x], order=0, mode="nearest").all(axis=1)
    profile = ndimage.map_coordinates(soft, [y[on_film], x[on_film]], order=1, mode="nearest")
    if not len(profile):
        return np.zeros(0), np.zeros(0)
    step = np.median(profile[:, -8:], axis=1) - np.median(profile[:, :8], axis=1)
    slope = (np.gradient(profile, axis=1) / 0.2)[:, 4:18].max(axis=1)
    return np.asarray(step, dtype=np.float64), np.asarray(slope, dtype=np.float64)
