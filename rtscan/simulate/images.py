"""The few image operations of this room, typed: blur, shrink by areas, add a patch."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from rtscan.film import F32, F64

Real = NDArray[np.floating[Any]]
WIDEST_DISC_PX = 61.0


def gaussian(image: Real, sigma_px: float, more_down_px: float = 0.0) -> F32:
    """Blur by a Gaussian of standard deviation `sigma_px`, down the columns by `more_down_px` on top; the image itself (as float32) when
    both are below 0.05 pixels. Below 0.6 pixels three weights of the same variance are used: a sampled Gaussian is too narrow there."""
    down = float(np.hypot(sigma_px, more_down_px))
    if down < 0.05:
        return np.asarray(image, dtype=np.float32)
    along, across = _weights(sigma_px), _weights(down)
    single = np.asarray(image, dtype=np.float32)
    return np.asarray(cv2.sepFilter2D(single, cv2.CV_32F, along, across, borderType=cv2.BORDER_REPLICATE), dtype=np.float32)


def broad(image: Real, sigma_px: float) -> F32:
    """A wide Gaussian blur, computed on a coarser grid (a fifth of the standard deviation); for shadows, not for detail."""
    step = int(np.clip(sigma_px / 5.0, 1, min(image.shape) / 4))
    if step < 2:
        return gaussian(image, sigma_px)
    small = (max(image.shape[0] // step, 4), max(image.shape[1] // step, 4))
    return stretch(gaussian(stretch(image, small), sigma_px / step), image.shape)


def _weights(sigma_px: float) -> F64:
    if sigma_px < 0.6:
        side = 0.5 * sigma_px**2
        return np.asarray([side, 1.0 - 2.0 * side, side])
    half = int(np.ceil(4.0 * sigma_px))
    weights = np.exp(-0.5 * (np.arange(-half, half + 1) / sigma_px) ** 2)
    return np.asarray(weights / weights.sum(), dtype=np.float64)


def disc(image: Real, diameter_px: float) -> F32:
    """Blur by an even disc (the focal spot), its rim weighted by cover; unchanged below half a pixel, on a coarser grid above
    WIDEST_DISC_PX."""
    if diameter_px < 0.5:
        return np.asarray(image, dtype=np.float32)
    if diameter_px > WIDEST_DISC_PX:
        step = int(np.ceil(diameter_px / WIDEST_DISC_PX))
        pad = int(np.ceil(0.5 * diameter_px)) + step
        rows, columns = image.shape
        more = -(rows + 2 * pad) % step, -(columns + 2 * pad) % step
        edges = ((pad, pad + more[0]), (pad, pad + more[1]))
        wide = np.pad(np.asarray(image, dtype=np.float32), edges, mode="edge")
        return stretch(disc(shrink(wide, step), diameter_px / step), wide.shape)[pad : pad + rows, pad : pad + columns]
    half = int(np.ceil(0.5 * diameter_px))
    sub = 8
    axis = (np.arange((2 * half + 1) * sub) + 0.5) / sub - half - 0.5
    fine = (np.hypot(axis[:, None], axis[None, :]) <= 0.5 * diameter_px).astype(np.float32)
    kernel = fine.reshape(2 * half + 1, sub, 2 * half + 1, sub).mean(axis=(1, 3))
    return np.asarray(cv2.filter2D(image, cv2.CV_32F, kernel / kernel.sum(), borderType=cv2.BORDER_REPLICATE), dtype=np.float32)


def lookup(table: Real, position: Real) -> F32:
    """Linear interpolation in a table at fractional positions, float32, the ends held. Fast: no search."""
    values = np.asarray(table, dtype=np.float32)
    rise = np.append(np.diff(values), np.float32(0.0))
    place = np.clip(np.asarray(position, dtype=np.float32), 0.0, values.size - 1.0)
    whole = place.astype(np.int32)
    place -= whole
    place *= rise.take(whole)
    place += values.take(whole)
    return np.asarray(place, dtype=np.float32)


def shrink(image: Real, by: int) -> F32:
    """Mean over blocks of `by` x `by`, float32 (rows / by, columns / by)."""
    rows, columns = image.shape
    small = cv2.resize(np.asarray(image, dtype=np.float32), (columns // by, rows // by), interpolation=cv2.INTER_AREA)
    return np.asarray(small, dtype=np.float32)


def stretch(image: Real, shape: tuple[int, ...]) -> F32:
    """Resampled to `shape` (rows, columns): areas when smaller, cubic when larger."""
    way = cv2.INTER_AREA if shape[0] <= image.shape[0] else cv2.INTER_CUBIC
    return np.asarray(cv2.resize(np.asarray(image, dtype=np.float32), (shape[1], shape[0]), interpolation=way), dtype=np.float32)


def add_patch(image: F32, patch: Real, x0: int, y0: int) -> None:
    """Adds a patch to an image in place, cut at the borders."""
    rows, columns = patch.shape
    top, left = max(-y0, 0), max(-x0, 0)
    bottom, right = min(rows, image.shape[0] - y0), min(columns, image.shape[1] - x0)
    if bottom > top and right > left:
        image[y0 + top : y0 + bottom, x0 + left : x0 + right] += patch[top:bottom, left:right]
