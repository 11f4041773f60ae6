"""A film as a picture for people: dense metal bright as on a viewer, weld and plate readable at once."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from rtscan.film import F32, Film

Grey = NDArray[np.uint8]

_BASE_SPAN = 150.0
_DETAIL_REACH = 62.0
_MOST_GAIN = 5.0


@dataclass(frozen=True)
class Picture:
    """`grey` uint8, shape (rows, columns); `scale` is picture pixels per film pixel."""

    grey: Grey
    scale: float

    def place(self, points_px: NDArray[np.float64]) -> NDArray[np.float64]:
        """Film pixels (n, 2) to picture pixels (n, 2), both (x, y) with centres at whole numbers."""
        return np.asarray((points_px + 0.5) * self.scale - 0.5)


def film_picture(film: Film, widest: int, highest: int, narrowest: int) -> Picture:
    """The whole film at readable size: at most `widest` × `highest` pixels, small films enlarged towards `narrowest` (three times at most).

    The slow part of the density (weld against plate, fall-off) is compressed and the fine part is shown with more contrast, by
    an edge-preserving split (He, Sun and Tang 2013, guided filter): a picture for finding one's way, not for density.
    """
    rows, columns = film.density.shape
    wanted = max(1.0, min(3.0, narrowest / columns, highest / rows))
    scale = min(wanted, widest / columns, highest / rows)
    size = max(1, round(columns * scale)), max(1, round(rows * scale))
    density = without_gaps(film.density)
    shown = cv2.resize(density, size, interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC)
    return Picture(_flattened(np.asarray(shown, np.float32)), scale)


def stretched(density: F32) -> Grey:
    """A small piece of film with its own contrast, dense metal bright.

    The darkest and brightest 1 % of its middle (70 % of its width and height) lie at the ends of the grey scale.
    """
    rows, columns = (int(0.15 * size) for size in density.shape)
    middle = density[rows:density.shape[0] - rows, columns:density.shape[1] - columns]
    low, high = np.percentile(_some(middle), (1.0, 99.0)) if middle.size else (0.0, 1.0)
    span = max(float(high - low), 1e-3)
    return np.clip(235.0 - (density - low) * (215.0 / span), 0, 255).astype(np.uint8)


def without_gaps(density: F32) -> F32:
    """The density with the median where it is not a number."""
    if np.isfinite(float(density.sum(dtype=np.float64))):
        return density
    finite = density[np.isfinite(density)]
    middle = float(np.median(finite)) if finite.size else 0.0
    return np.nan_to_num(density, nan=middle, posinf=middle, neginf=middle)


def _some(density: F32) -> F32:
    """At most some 40 000 of the pixels, evenly spread: enough for a percentile."""
    step = max(1, int((density.size / 20_000) ** 0.5))
    return density[::step, ::step]


def _inside(density: F32) -> F32:
    """The film without its rim, whose black or white edges would use up the grey scale."""
    rows, columns = (int(0.04 * size) for size in density.shape)
    return density[rows:density.shape[0] - rows, columns:density.shape[1] - columns]


def _flattened(density: F32) -> Grey:
    base = _slow_part(density)
    low, middle, high = np.percentile(_some(_inside(base)), (1.0, 50.0, 99.0))
    base_gain = _BASE_SPAN / max(float(high - low), 1e-3)
    fine = density - base
    reach = max(float(np.percentile(np.abs(_some(_inside(fine))), 99.5)), 1e-6)
    fine_gain = min(max(_DETAIL_REACH / reach, base_gain), _MOST_GAIN * base_gain)
    level = float((low + high) / 2 + middle) / 2
    grey = 122.0 + base_gain * level - base_gain * base - fine_gain * fine
    return np.clip(grey, 0, 255).astype(np.uint8)


def _slow_part(density: F32) -> F32:
    """Guided filter of the picture by itself, coefficients found on a coarse copy."""
    rows, columns = density.shape
    coarse_by = max(1, round(min(rows, columns) / 250))
    coarse = cv2.resize(density, (max(1, columns // coarse_by), max(1, rows // coarse_by)), interpolation=cv2.INTER_AREA)
    low, high = np.percentile(_some(_inside(np.asarray(coarse, np.float32))), (2.0, 98.0))
    window = (2 * max(2, min(coarse.shape) // 40) + 1,) * 2
    mean = cv2.blur(coarse, window)
    variance = np.maximum(cv2.blur(coarse * coarse, window) - mean * mean, 0.0)
    slope = variance / (variance + max((0.1 * float(high - low)) ** 2, 1e-9))
    smooth = [cv2.blur(part, window) for part in (slope, mean - slope * mean)]
    gain, offset = (cv2.resize(part, (columns, rows), interpolation=cv2.INTER_LINEAR) for part in smooth)
    return np.asarray(gain * density + offset, np.float32)
