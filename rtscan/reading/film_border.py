"""Strips along the sides of a scan that are not film: holder, scanner bed, film edge, dark or bright, slightly turned or not."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from rtscan.film import F32, F64, Bool, Film, Mark

Picture = TypeVar("Picture", F32, Bool)

DEEPEST_PX, DEEPEST_SHARE = 48, 0.02
"""A border is sought this many pixels deep, or this share of the film's longer side when that is more."""
STEP_PX = 4
SEGMENTS = 24
LEAST_SHARE_OF_SIDE = 0.6
NOISE_MULTIPLE = 6.0
LEAST_STEP_OF_RANGE = 0.03


@dataclass(frozen=True)
class Border:
    """`mask` (rows, columns) is True on the border; one mark per side that has one."""

    mask: Bool
    marks: tuple[Mark, ...]


def find_border(film: Film) -> Border:
    """A side has a border when a sharp step of density runs along most of it, within a few per cent of the film size."""
    density = film.density
    mask = np.zeros(density.shape, dtype=bool)
    low, high = np.percentile(density[:: max(1, density.shape[0] // 200), :: max(1, density.shape[1] // 200)], [2, 98])
    least = LEAST_STEP_OF_RANGE * float(high - low)
    marks = []
    for side in ("top", "bottom", "left", "right"):
        inward = _from_side(density, side)
        inward_mask: Bool = _from_side(mask, side)
        line = _border_line(inward, least)
        if line is None:
            continue
        depths = np.arange(inward.shape[0])[:, None]
        deepest = int(np.ceil(line.max())) + 1
        inward_mask[:deepest][depths[:deepest] < line[None, :]] = True
        marks.append(Mark("border", _path(line, side, density.shape), float(line.mean()), f"edge of film or holder along the {side}"))
    return Border(mask, tuple(marks))


def _from_side(picture: Picture, side: str) -> Picture:
    """A view whose row 0 lies along the side and whose rows run inwards."""
    view = picture if side in ("top", "bottom") else picture.T
    return view if side in ("top", "left") else view[::-1]


def _border_line(inward: F32, least: float) -> F64 | None:
    """Depth of the border at every place along the side, or None. Pixels, a straight line."""
    deepest = min(inward.shape[0] // 4, max(DEEPEST_PX, round(DEEPEST_SHARE * max(inward.shape))))
    along = inward.shape[1]
    if deepest < 4 * STEP_PX or along < 4 * SEGMENTS:
        return None
    span = along // SEGMENTS
    strip = inward[: 2 * deepest, : span * SEGMENTS].reshape(2 * deepest, SEGMENTS, span)
    level = np.median(strip, axis=2)
    step = level[STEP_PX:] - level[:-STEP_PX]
    noise = 1.4826 * np.median(np.abs(step[deepest:] - np.median(step[deepest:], axis=0)), axis=0)
    slope = np.abs(np.median(step[deepest:], axis=0))
    clear = np.abs(step[:deepest]) > np.maximum(NOISE_MULTIPLE * noise + 3 * slope, least)
    has = clear.any(axis=0)
    if has.mean() < LEAST_SHARE_OF_SIDE:
        return None
    depth = np.where(has, deepest - 1 - clear[::-1].argmax(axis=0), 0).astype(np.float64) + STEP_PX + 2
    places = (np.arange(SEGMENTS) + 0.5) * span
    gradient, start = _theil_sen(places[has], depth[has])
    near = np.abs(start + gradient * places[has] - depth[has]) <= 2 * STEP_PX
    if near.sum() < LEAST_SHARE_OF_SIDE * SEGMENTS:
        return None
    return np.clip(start + gradient * np.arange(along) + 2.0, 0.0, float(deepest + 2 * STEP_PX))


def _theil_sen(x: F64, y: F64) -> tuple[float, float]:
    """Median slope of all pairs, and the median intercept."""
    first, second = np.triu_indices(len(x), 1)
    gradient = float(np.median((y[second] - y[first]) / (x[second] - x[first])))
    return gradient, float(np.median(y - gradient * x))


def _path(line: F64, side: str, shape: tuple[int, ...]) -> F64:
    """The inner limit of the border as two film points (x, y)."""
    rows, columns = shape
    ends = np.array([0.0, len(line) - 1.0])
    depth = line[[0, -1]]
    if side == "top":
        return np.stack([ends, depth], axis=1)
    if side == "bottom":
        return np.stack([ends, rows - 1 - depth], axis=1)
    if side == "left":
        return np.stack([depth, ends], axis=1)
    return np.stack([columns - 1 - depth, ends], axis=1)
