"""The three holes of a plaque: where they lie and how they stand out against the plate.

The plate is laid straight, and a disc of each hole's size, as blurred as the plate's own edges, is fitted at every place together with the
shading under it (a second-degree surface). What such a fit gives elsewhere on the plate is its noise: grain, mottle and ripples as they
disturb a disc of this size. A larger disc averages more, so its noise is no greater than that of a smaller one, where the holes themselves
leave little room to measure it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from scipy import ndimage

from rtscan.film import F32, Bool, Film, HoleOnFilm
from rtscan.knowledge.iqi import Plaque
from rtscan.reading.plaque_search import Plate

SHIFT_MM, OWN_MM = 1.5, 0.4
"""How far the three holes may lie together from the drawing (which is from memory), and each for itself (its tolerance)."""
RING_MM = 0.7
"""Plate round a hole that is fitted with it: this, or RING_SHARE of its radius where that is more and the plate wide enough.
A narrower ring does not tell a disc from the shading."""
HELD_SNR, HELD_SLOPE = 12.0, 0.02
"""A single plain spot must not place all three holes: above HELD_SNR it hardly counts more."""
NEAR_MM = 12.0
"""Noise is taken from the plate this near along it, where weld and parent metal differ."""
LEAST_PLACES = 30
RING_SHARE = 1.2
STRONG = 5.0
"""Answers this many spreads from the middle, and their neighbourhood, are left out of the noise."""


@dataclass(frozen=True)
class _Straight:
    """The plate laid along the rows, one film pixel a sample: density and what is known (rows, columns), and its middle (column, row)."""

    density: F32
    known: Bool
    middle: tuple[float, float]


@dataclass(frozen=True)
class _Field:
    """Contrast of a hole fitted at every place of the straight plate (rows, columns): `answer` is -inf where its window is not all known,
    `calm` NaN there and beside strong places."""

    answer: F32
    calm: F32


def measure_holes(film: Film, usable: Bool, plate: Plate, plaque: Plaque) -> tuple[int, tuple[HoleOnFilm, ...]]:
    """The end that the holes lie at, +1 or -1 along the plate's axis (the one that shows more), and the holes from the other end on."""
    scale = plate.magnification * (film.pixels_per_mm or 1.0)
    straight = _straight(film, usable, plate)
    sigma = float(np.median([edge.sigma for edge in plate.sides]))
    fields = [_fitted(straight, 0.5 * diameter * scale, sigma, scale) for _, diameter, _ in plaque.holes]
    sense, shift = _end_and_shift(fields, plaque, straight.middle, scale)
    across = np.array([-plate.axis[1], plate.axis[0]])
    holes, of_smaller = {}, np.inf
    for field, (name, diameter, place) in sorted(zip(fields, plaque.holes, strict=True), key=lambda pair: pair[1][1]):
        column, row, contrast = _peak(field, straight.middle[0] + sense * place * scale + shift, straight.middle[1], OWN_MM * scale)
        noise = min(_noise(field, column, scale) or of_smaller, of_smaller)
        of_smaller = noise or np.inf
        noise = noise if np.isfinite(noise) else 0.0
        centre = plate.centre_px + (column - straight.middle[0]) * plate.axis + (row - straight.middle[1]) * across
        snr = max(contrast / noise, 0.0) if noise > 0 and np.isfinite(contrast) else 0.0
        holes[name] = HoleOnFilm(name, diameter, centre, contrast if snr > 0 else 0.0, noise if snr > 0 else 0.0, snr)
    return sense, tuple(holes[name] for name, _, _ in plaque.holes)


def _end_and_shift(fields: Sequence[_Field], plaque: Plaque, middle: tuple[float, float], scale: float) -> tuple[int, int]:
    """+1 or -1, the end of the plate (along its axis) that the holes lie at, and their common shift in pixels from the drawing."""
    shifts = np.arange(-round(SHIFT_MM * scale), round(SHIFT_MM * scale) + 1)
    own = 2 * round(OWN_MM * scale) + 1
    shown = []
    for sense in (1, -1):
        total = np.zeros(len(shifts))
        for field, (_, _, place) in zip(fields, plaque.holes, strict=True):
            row = round(middle[1])
            band = field.answer[max(0, row - own // 2) : row + own // 2 + 1].max(axis=0)
            best = ndimage.maximum_filter1d(band, own)
            at = np.clip(np.round(middle[0] + sense * place * scale + shifts).astype(int), 0, len(best) - 1)
            noise = _noise(field, middle[0] + sense * place * scale, scale)
            total += np.clip(best[at] / noise, -2.0, HELD_SNR + HELD_SLOPE * best[at] / noise) if noise > 0 else -2.0
        shown.append(total)
    which = int(np.argmax([total.max() for total in shown]))
    return (1, -1)[which], int(shifts[int(shown[which].argmax())])


def _straight(film: Film, usable: Bool, plate: Plate) -> _Straight:
    columns, rows = round(plate.length_px) | 1, round(plate.width_px) | 1
    middle = (0.5 * (columns - 1), 0.5 * (rows - 1))
    across = np.array([-plate.axis[1], plate.axis[0]])
    x, y = np.arange(columns) - middle[0], np.arange(rows)[:, None] - middle[1]
    at = [np.ascontiguousarray(plate.centre_px[k] + x * plate.axis[k] + y * across[k], dtype=np.float32) for k in (0, 1)]
    density = cv2.remap(film.density, at[0], at[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    known = cv2.remap(usable.astype(np.uint8), at[0], at[1], cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT) > 0
    sigma = max(edge.sigma for edge in plate.sides)
    rim = round(2.5 * sigma) + 1
    inside = np.zeros(known.shape, dtype=bool)
    inside[rim:-rim, rim:-rim] = True
    return _Straight(np.asarray(density, dtype=np.float32), known & inside, middle)


def _fitted(straight: _Straight, radius: float, sigma: float, per_mm: float) -> _Field:
    """The blurred disc fitted at every place. `radius` and `sigma` in pixels."""
    rows = np.flatnonzero(straight.known.any(axis=1))
    fits = 0.5 * np.ptp(rows) - OWN_MM * per_mm if len(rows) else 0.0
    reach = int(np.ceil(min(radius + 2 * sigma + max(RING_MM * per_mm, RING_SHARE * radius), max(fits, radius + 2 * sigma + 2))))
    over = 5
    fine = (np.arange((2 * reach + 1) * over) + 0.5) / over - reach - 0.5
    disc = (np.hypot(fine[:, None], fine) <= radius).astype(np.float64)
    disc = ndimage.gaussian_filter(disc, max(sigma, 0.2) * over).reshape(2 * reach + 1, over, 2 * reach + 1, over).mean(axis=(1, 3))
    x, y = np.meshgrid(np.arange(-reach, reach + 1) / reach, np.arange(-reach, reach + 1) / reach)
    window = np.hypot(x, y) <= 1.0
    shading = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)[window]
    template = np.zeros(disc.shape)
    template[window] = disc[window] - shading @ np.linalg.lstsq(shading, disc[window], rcond=None)[0]
    template /= float((template**2).sum())
    answer: F32 = cv2.filter2D(straight.density, cv2.CV_32F, template, borderType=cv2.BORDER_REFLECT).astype(np.float32)
    whole = cv2.erode(straight.known.astype(np.uint8), window.astype(np.uint8), borderType=cv2.BORDER_CONSTANT, borderValue=0) > 0
    return _Field(np.where(whole, answer, -np.inf).astype(np.float32), _calm(answer, whole, reach))


def _calm(answer: F32, whole: Bool, reach: int) -> F32:
    """The answers without those beside strong ones: the ringing of a hole is no noise. NaN where left out."""
    values = answer[whole]
    if not len(values):
        return np.full(answer.shape, np.nan, dtype=np.float32)
    middle = float(np.median(values))
    strong = (np.abs(answer - middle) > STRONG * 1.4826 * float(np.median(np.abs(values - middle)))) & whole
    beside = cv2.dilate(strong.astype(np.uint8), np.ones((2 * reach + 1,) * 2, np.uint8)) > 0
    return np.where(whole & ~beside, answer, np.nan).astype(np.float32)


def _noise(field: _Field, column: float, per_mm: float) -> float:
    """Spread of the answers near a column of the plate; 0 where too few are known."""
    reach = NEAR_MM * per_mm
    near = field.calm[:, max(0, round(column - reach)) : max(0, round(column + reach)) + 1]
    values = near[np.isfinite(near)]
    if len(values) < LEAST_PLACES:
        values = field.calm[np.isfinite(field.calm)]
    return 1.4826 * float(np.median(np.abs(values - np.median(values)))) if len(values) >= LEAST_PLACES else 0.0


def _peak(field: _Field, column: float, row: float, reach: float) -> tuple[float, float, float]:
    """(column, row, contrast) of the strongest answer within reach of a place; contrast -inf where nothing is known there."""
    top, left = max(0, round(row - reach)), max(0, round(column - reach))
    part = field.answer[top : round(row + reach) + 1, left : max(0, round(column + reach)) + 1]
    if not part.size:
        return column, row, -np.inf
    y, x = np.unravel_index(int(part.argmax()), part.shape)
    return left + float(x), top + float(y), float(part[y, x])
