"""Background: what the strip would look like without flaws, and how much noise and clutter each place carries.

The flaw-free estimate is built on a coarse grid in three steps:

1. a running middle value along the weld in each row, which follows cap profile, pipe curvature and slow shading, and passes over
   anything shorter than half its window;
2. the few cross profiles that best explain what is left (robust principal profiles; common to the whole strip), whose weights
   change quickly along the weld: ripples, restarts, a root bead that grows and shrinks. Values are clipped first, so that a flaw
   cannot earn itself a profile;
3. narrow dark lines are taken out of the running middle again (opening across the weld), because a lack-of-penetration line as
   long as the film is constant along the weld and would otherwise count as profile.

Common practice, no published source for this combination.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import cv2
import numpy as np
from scipy import ndimage

from rtscan.film import F32, Background, Bool, Strip

NOMINAL_PIXELS_PER_MM = 20.0
"""Assumed where the scale is unknown, to choose window sizes only; no length is ever derived from it."""

MAD_TO_SIGMA = 1.4826


@dataclass(frozen=True)
class BackgroundSettings:
    """Window sizes in mm and counts; see the module's text."""

    row_step_mm: float = 0.2
    column_step_mm: float = 0.5
    window_mm: float = 24.0
    end_mm: float = 1.5
    profiles: int = 2
    profile_smoothing_mm: float = 1.0
    clip_sigmas: float = 2.5
    line_window_mm: float = 3.6
    line_least_sigmas: float = 2.5
    tile_rows_mm: float = 2.0
    tile_columns_mm: float = 20.0
    flank_mm: float = 5.0


def estimate_background(strip: Strip, settings: BackgroundSettings | None = None) -> Background:
    """The flaw-free density of a strip, the residual (density minus flaw-free) and the noise per pixel.

    The strip of the result is cut to the weld and `flank_mm` of parent metal on either side: its rows, `film_xy` and edges agree with
    one another.
    """
    chosen = settings or BackgroundSettings()
    pitch = strip.pixels_per_mm or NOMINAL_PIXELS_PER_MM
    strip = _weld_and_flank(strip, chosen.flank_mm * pitch)
    density = filled(strip.density, strip.usable)
    rows, columns = density.shape
    small = _shrink(density, pitch, chosen)
    cells_per_mm = (small.shape[0] / rows * pitch, small.shape[1] / columns * pitch)
    middle = _running_middle(small, cells_per_mm[1], chosen)
    profiles = _principal_profiles(small - middle, cells_per_mm[1], chosen)
    middle = middle - _persistent_lines(middle, small - middle - profiles, cells_per_mm[0], chosen)
    flawfree = cv2.resize((middle + profiles).astype(np.float32), (columns, rows), interpolation=cv2.INTER_LINEAR)
    residual = density - flawfree
    residual[~strip.usable] = 0.0
    noise = local_sigma(residual, strip.usable, chosen.tile_rows_mm * pitch, chosen.tile_columns_mm * pitch)
    return Background(strip=strip, flawfree=np.asarray(flawfree, dtype=np.float32), residual=residual, noise=noise)


def _weld_and_flank(strip: Strip, flank: float) -> Strip:
    rows = strip.density.shape[0]
    top = max(0, int(np.floor(strip.left_row.min() - flank)))
    bottom = min(rows, int(np.ceil(strip.right_row.max() + flank)) + 1)
    if bottom - top < 8 or (top == 0 and bottom == rows):
        return strip
    cut = slice(top, bottom)
    return replace(strip, density=strip.density[cut], usable=strip.usable[cut], lines=strip.lines[cut], film_xy=strip.film_xy[cut],
                   centre_row=strip.centre_row - top, left_row=strip.left_row - top, right_row=strip.right_row - top)


def filled(image: F32, usable: Bool) -> F32:
    """The image with each unusable pixel replaced by the nearest usable one of its row, else of its column, else 0."""
    if usable.all():
        return image.astype(np.float32, copy=True)
    if not usable.any():
        return np.zeros_like(image, dtype=np.float32)
    result = image.astype(np.float32, copy=True)
    # Beyond a column that is usable all down nothing can be nearer than in it, so each run of other columns is searched by itself.
    broken = ~usable.all(axis=0)
    for start, stop in np.flatnonzero(np.diff(broken, prepend=False, append=False)).reshape(-1, 2):
        part = slice(max(0, start - 1), stop + 1)
        nearest = ndimage.distance_transform_edt(~usable[:, part], sampling=(4.0, 1.0), return_distances=False, return_indices=True)
        result[:, part] = image[:, part][nearest[0], nearest[1]]
    return result


def local_sigma(image: F32, usable: Bool, tile_rows: float, tile_columns: float) -> F32:
    """Robust standard deviation of `image` in tiles, spread smoothly over the image (float32, same shape, above zero).

    Each tile gives 1.4826 times its median absolute value over usable pixels; tiles with few usable pixels take their neighbours'.
    """
    rows, columns = image.shape
    row_edges = np.linspace(0, rows, max(2, round(rows / tile_rows) + 1)).astype(int)
    column_edges = np.linspace(0, columns, max(2, round(columns / tile_columns) + 1)).astype(int)
    grid = np.full((len(row_edges) - 1, len(column_edges) - 1), np.nan)
    for i, (top, bottom) in enumerate(pairwise(row_edges)):
        for j, (left, right) in enumerate(pairwise(column_edges)):
            values = np.abs(image[top:bottom, left:right][usable[top:bottom, left:right]])
            if values.size >= 8 and values.size * 5 >= (bottom - top) * (right - left):
                grid[i, j] = MAD_TO_SIGMA * float(median_along(values))
    known = np.isfinite(grid) & (grid > 0)
    if not known.any():
        return np.full(image.shape, 1e-6, dtype=np.float32)
    nearest = ndimage.distance_transform_edt(~known, sampling=(3.0, 1.0), return_distances=False, return_indices=True)
    smooth = ndimage.median_filter(grid[nearest[0], nearest[1]], size=(1, 3), mode="nearest")
    return np.maximum(cv2.resize(smooth.astype(np.float32), (columns, rows), interpolation=cv2.INTER_LINEAR), 1e-6)


def median_along(values: F32) -> F32:
    """Median over the last axis of numbers. `numpy.median` asks for two places of the order at once, which takes six times as long."""
    half = values.shape[-1] // 2
    parted = np.partition(values, half, axis=-1)
    upper = parted[..., half]
    return upper if values.shape[-1] % 2 else np.asarray((parted[..., :half].max(axis=-1) + upper) / 2, dtype=np.float32)


def _shrink(density: F32, pitch: float, settings: BackgroundSettings) -> F32:
    rows = max(4, round(density.shape[0] / pitch / settings.row_step_mm))
    columns = max(4, round(density.shape[1] / pitch / settings.column_step_mm))
    size = (min(columns, density.shape[1]), min(rows, density.shape[0]))
    return np.asarray(cv2.resize(density, size, interpolation=cv2.INTER_AREA), dtype=np.float32)


def _running_middle(small: F32, columns_per_mm: float, settings: BackgroundSettings) -> F32:
    window = max(3, round(settings.window_mm * columns_per_mm) | 1)
    window = min(window, (2 * small.shape[1] - 1) | 1)
    padded = _through_the_ends(small, window // 2, max(1, round(settings.end_mm * columns_per_mm)))
    middle = ndimage.percentile_filter(padded, 50, size=(1, window), mode="nearest")
    smooth = ndimage.gaussian_filter1d(middle, window / 12, axis=1, mode="nearest")
    return np.asarray(smooth[:, window // 2 : window // 2 + small.shape[1]], dtype=np.float32)


def _through_the_ends(small: F32, width: int, end: int) -> F32:
    """`small` continued by `width` columns at both ends, turned about the middle value of its last `end` columns, so that a slope
    goes on."""
    width_inside = min(width, small.shape[1] - 1)
    left, right = small[:, 1 : width_inside + 1][:, ::-1], small[:, -width_inside - 1 : -1][:, ::-1]
    first = 2 * np.median(small[:, :end], axis=1, keepdims=True) - left
    last = 2 * np.median(small[:, -end:], axis=1, keepdims=True) - right
    joined = np.concatenate([first, small, last], axis=1)
    spare = width - width_inside
    return np.pad(joined, ((0, 0), (spare, spare)), mode="edge").astype(np.float32)


def _principal_profiles(rest: F32, columns_per_mm: float, settings: BackgroundSettings) -> F32:
    """The part of `rest` (across, along) explained by the strongest cross profiles, after clipping each row to its own spread."""
    sigma = MAD_TO_SIGMA * np.median(np.abs(rest), axis=1, keepdims=True) + 1e-9
    clipped = np.clip(rest, -settings.clip_sigmas * sigma, settings.clip_sigmas * sigma)
    smooth = ndimage.gaussian_filter1d(clipped, settings.profile_smoothing_mm * columns_per_mm, axis=1, mode="nearest")
    smooth = ndimage.gaussian_filter1d(smooth, 1.5, axis=0, mode="nearest")
    # The strongest left singular vectors are the last eigenvectors of the Gram matrix: a tenth of the work of the whole decomposition.
    wide = smooth.astype(np.float64)
    profiles = np.linalg.eigh(wide @ wide.T)[1][:, -settings.profiles :]
    return np.asarray(profiles @ (profiles.T @ wide), dtype=np.float32)


def _persistent_lines(middle: F32, rest: F32, rows_per_mm: float, settings: BackgroundSettings) -> F32:
    """Narrow dark lines inside the running middle: what an opening across the weld removes, where it exceeds the row's own spread."""
    window = max(3, round(settings.line_window_mm * rows_per_mm) | 1)
    opened = ndimage.grey_opening(middle, size=(window, 1), mode="nearest")
    smooth = ndimage.gaussian_filter1d(opened, window / 10, axis=0, mode="nearest")
    lines = np.maximum(middle - np.maximum(smooth, opened), 0.0)
    sigma = MAD_TO_SIGMA * np.median(np.abs(rest), axis=1, keepdims=True)
    spread = np.maximum(ndimage.gaussian_filter1d(sigma, window / 4, axis=0, mode="nearest"), 1e-9)
    return np.asarray(lines * np.clip(lines / (settings.line_least_sigmas * spread) - 1.0, 0.0, 1.0), dtype=np.float32)
