"""Matched filters on the residual: how far each place stands out of its own surroundings, for blobs and lines of many sizes.

Every map is a signal-to-noise: the filter's response divided by the robust spread of that same response nearby, so
that grain, ripples and the wavy edge of a root bead raise the bar where they are, not everywhere. Filters have zero mean, so slow
shading drops out. The spread is measured filter by filter, which does the work of spectral whitening: a filter that answers mainly
to low-frequency clutter is divided by that clutter. A matched filter divided by its own noise is the ideal observer's statistic for a
known shape in stationary noise (H. H. Barrett and K. J. Myers, Foundations of Image Science, 2004, ch. 13; from memory).

Blobs are differences of Gaussians on a pyramid; lines are steerable second derivatives (W. T. Freeman and E. H. Adelson, IEEE PAMI 13
(1991) 891), averaged along their direction; longer lines are chained from shorter ones with a little freedom sideways, so
that a crack that wanders still adds up.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import cv2
import numpy as np
from scipy import ndimage

from rtscan.film import F32, Background, Bool
from rtscan.reading.background import MAD_TO_SIGMA, NOMINAL_PIXELS_PER_MM, local_sigma

GRID_PIXELS_PER_MM = 10.0
NOISE_TILE_MM = (2.0, 20.0)
FINE_SIGMAS = (0.6, 1.5)
"""Gaussian sigmas, in scan pixels, whose difference is the finest detail a scan holds."""
Shape = Literal["blob", "line"]


@dataclass(frozen=True)
class FilterSettings:
    """The bank: blob radii and line widths (Gaussian sigma across) and lengths in mm; number of directions in half a turn.

    `chain_limit` holds each link of a longer line, so that one strong pore does not pass for a line.
    """

    blob_radii_mm: tuple[float, ...] = (0.16, 0.24, 0.34, 0.5, 0.7, 1.0, 1.4, 2.0, 2.9, 4.0)
    line_sigmas_mm: tuple[float, ...] = (0.11, 0.22, 0.45)
    line_length_mm: float = 1.6
    directions: int = 16
    tile_rows_mm: float = 2.0
    tile_columns_mm: float = 30.0
    least_sigma_share: float = 0.55
    chain_limit: float = 6.0


@dataclass(frozen=True)
class Response:
    """One family of filters on the detection grid: `snr` positive where dark; `size_mm` blob radius or line length; `width_mm` the
    matching full width; `direction` degrees from the growing station, positive towards positive across (lines only, else zero)."""

    shape: Shape
    size_mm: float
    width_mm: float
    snr: F32
    direction: F32 | None = None


@dataclass(frozen=True)
class Grid:
    """The strip on the detection grid. `per_mm` grid pixels a millimetre (nominal where the scale is unknown), `factor` grid pixels
    per strip pixel; all arrays have shape (across, along); `noise` is the local spread of a grid pixel; `fine` the strongest detail of
    the scan's own pixels in it (see `finest`)."""

    residual: F32
    noise: F32
    fine: F32
    usable: Bool
    lines: Bool
    per_mm: float
    factor: tuple[float, float]


def detection_grid(background: Background) -> Grid:
    """The residual on at most `GRID_PIXELS_PER_MM`, averaged over the area of each grid pixel."""
    strip = background.strip
    pitch = strip.pixels_per_mm or NOMINAL_PIXELS_PER_MM
    shrink = min(1.0, GRID_PIXELS_PER_MM / pitch)
    rows, columns = (max(8, round(n * shrink)) for n in background.residual.shape)
    size = (columns, rows)
    share = cv2.resize(strip.usable.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    lines = cv2.resize(strip.lines.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    residual = np.asarray(cv2.resize(background.residual, size, interpolation=cv2.INTER_AREA), dtype=np.float32)
    factor = (rows / background.residual.shape[0], columns / background.residual.shape[1])
    usable, per_mm = share > 0.5, pitch * factor[1]
    tile = (NOISE_TILE_MM[0] * per_mm, NOISE_TILE_MM[1] * per_mm)
    noise = local_sigma(residual, usable, *tile)
    return Grid(residual, noise, finest(background.residual, size, usable, tile), usable, lines > 0.25, per_mm, factor)


def finest(residual: F32, size: tuple[int, int], usable: Bool, tile: tuple[float, float]) -> F32:
    """The strongest detail one or two scan pixels wide in each grid pixel, dark positive, over its own local spread; shape as `usable`.

    Radiation draws nothing sharper than the unsharpness of the set-up; a scratch, dust and the rim of a mark on the film have only the
    scanner's blur. What stands out here and hardly more on the grid is no flaw. size: (columns, rows) of
    the grid; tile: where the spread is taken, rows and columns of the grid.
    """
    detail = cv2.GaussianBlur(residual, (0, 0), FINE_SIGMAS[0]) - cv2.GaussianBlur(residual, (0, 0), FINE_SIGMAS[1])
    cell = np.ones((max(1, round(residual.shape[0] / size[1])),) * 2, np.uint8)
    high, low = cv2.dilate(detail, cell), cv2.erode(detail, cell)
    strongest = np.asarray(cv2.resize(np.where(high > -low, high, low), size, interpolation=cv2.INTER_NEAREST), dtype=np.float32)
    return np.where(usable, strongest / local_sigma(strongest, usable, *tile), 0.0).astype(np.float32)


def responses(grid: Grid, settings: FilterSettings | None = None) -> tuple[Response, ...]:
    """Every family of the bank as a signal-to-noise map on the grid."""
    chosen = settings or FilterSettings()
    calm = _calmed(grid)
    return tuple(_blobs(calm, grid, chosen)) + tuple(_lines(calm, grid, chosen))


def _calmed(grid: Grid) -> F32:
    """The residual with unusable places at zero and extremes held at 40 times the noise, so that one hole does not ring everywhere."""
    limit = 40.0 * grid.noise
    return np.where(grid.usable, np.clip(grid.residual, -limit, limit), 0.0).astype(np.float32)


def _normalised(response: F32, usable: Bool, per_mm: float, settings: FilterSettings) -> F32:
    """Response over its local spread; a calm place may not be calmer than `least_sigma_share` of the strip's typical spread."""
    sigma = _tile_sigma(response, usable, settings.tile_rows_mm * per_mm, settings.tile_columns_mm * per_mm)
    floor = settings.least_sigma_share * float(np.median(sigma))
    full = cv2.resize(np.maximum(sigma, max(floor, 1e-9)), response.shape[::-1], interpolation=cv2.INTER_LINEAR)
    return np.where(usable, response / full, 0.0).astype(np.float32)


def _tile_sigma(response: F32, usable: Bool, tile_rows: float, tile_columns: float) -> F32:
    """1.4826 times the median absolute response, one value per tile (float32, shape (tiles across, tiles along)); tiles that are
    mostly unusable take the value of the nearest usable one."""
    rows, columns = response.shape
    down, right = max(1, round(rows / tile_rows)), max(1, round(columns / tile_columns))
    height, width = rows // down, columns // right
    row_step, column_step = (2 if height >= 8 else 1), (2 if width >= 8 else 1)

    def tiles(image: F32) -> F32:
        cut = image[: down * height, : right * width].reshape(down, height, right, width)[:, ::row_step, :, ::column_step]
        return cut.transpose(0, 2, 1, 3).reshape(down, right, -1)

    sigma = MAD_TO_SIGMA * np.median(np.abs(tiles(response)), axis=2)
    known = (tiles(usable.astype(np.float32)).mean(axis=2) > 0.6) & (sigma > 0)
    if not known.any():
        return np.ones((down, right), dtype=np.float32)
    nearest = ndimage.distance_transform_edt(~known, sampling=(3.0, 1.0), return_distances=False, return_indices=True)
    smooth = ndimage.median_filter(sigma[nearest[0], nearest[1]], size=(1, 3), mode="nearest")
    return np.asarray(smooth, dtype=np.float32)


def _level(image: F32, usable: Bool, shrink: int) -> tuple[F32, Bool]:
    if shrink == 1:
        return image, usable
    size = (max(8, image.shape[1] // shrink), max(8, image.shape[0] // shrink))
    small = np.asarray(cv2.resize(image, size, interpolation=cv2.INTER_AREA), dtype=np.float32)
    return small, cv2.resize(usable.astype(np.float32), size, interpolation=cv2.INTER_AREA) > 0.5


def _blobs(calm: F32, grid: Grid, settings: FilterSettings) -> Iterator[Response]:
    columns, rows = calm.shape[1], calm.shape[0]
    for radius in settings.blob_radii_mm:
        sigma = 0.62 * radius * grid.per_mm
        shrink = 1 << max(0, int(np.log2(max(1.0, sigma / 1.5))))
        image, usable = _level(calm, grid.usable, shrink)
        inner = cv2.GaussianBlur(image, (0, 0), max(0.5, sigma / shrink), borderType=cv2.BORDER_REFLECT)
        outer = cv2.GaussianBlur(image, (0, 0), max(0.8, 1.8 * sigma / shrink), borderType=cv2.BORDER_REFLECT)
        snr = _normalised(inner - outer, usable, grid.per_mm / shrink, settings)
        full = np.asarray(cv2.resize(snr, (columns, rows), interpolation=cv2.INTER_LINEAR), dtype=np.float32) if shrink > 1 else snr
        yield Response("blob", radius, 2 * radius, full)


def _lines(calm: F32, grid: Grid, settings: FilterSettings) -> Iterator[Response]:
    columns, rows = calm.shape[1], calm.shape[0]
    for sigma_mm in settings.line_sigmas_mm:
        shrink = 1 if sigma_mm * grid.per_mm < 1.6 else 2
        image, usable = _level(calm, grid.usable, shrink)
        per_mm = grid.per_mm / shrink
        bands = _short_lines(image, sigma_mm * per_mm, settings.line_length_mm * per_mm, settings.directions)
        for chain in range(2):
            if chain:
                held = [np.clip(b, -settings.chain_limit, settings.chain_limit) for b in bands]
                bands = _chained(held, settings.line_length_mm * 3 ** (chain - 1) * per_mm)
            bands = [_normalised(b, usable, per_mm, settings) for b in bands]
            best, which = _strongest(bands)
            direction = (which * (180.0 / settings.directions) + 90.0) % 180.0 - 90.0
            if shrink > 1:
                best = np.asarray(cv2.resize(best, (columns, rows), interpolation=cv2.INTER_LINEAR), dtype=np.float32)
                resized = cv2.resize(direction.astype(np.float32), (columns, rows), interpolation=cv2.INTER_NEAREST)
                direction = np.asarray(resized, dtype=np.float32)
            yield Response("line", settings.line_length_mm * 3**chain, 3.0 * sigma_mm, best, np.asarray(direction, dtype=np.float32))


def _short_lines(image: F32, sigma: float, length: float, directions: int) -> list[F32]:
    """Minus the second derivative across each direction, averaged over `length` along it. Direction k is k·180/n degrees."""
    smooth = cv2.GaussianBlur(image, (0, 0), max(0.6, sigma), borderType=cv2.BORDER_REFLECT)
    along2 = cv2.Sobel(smooth, cv2.CV_32F, 2, 0, ksize=3, borderType=cv2.BORDER_REFLECT)
    across2 = cv2.Sobel(smooth, cv2.CV_32F, 0, 2, ksize=3, borderType=cv2.BORDER_REFLECT)
    mixed = 2.0 * cv2.Sobel(smooth, cv2.CV_32F, 1, 1, ksize=3, borderType=cv2.BORDER_REFLECT)
    bands = []
    for k in range(directions):
        angle = np.pi * k / directions
        c, s = float(np.cos(angle)), float(np.sin(angle))
        second = -(s * s * along2 - s * c * mixed + c * c * across2)
        along = cv2.filter2D(second, cv2.CV_32F, _line_kernel(angle, length), borderType=cv2.BORDER_REFLECT)
        bands.append(np.asarray(along, dtype=np.float32))
    return bands


@lru_cache(maxsize=256)
def _line_kernel(angle: float, length: float) -> F32:
    half = max(1, int(np.ceil(length / 2)))
    kernel = np.zeros((2 * half + 1, 2 * half + 1), dtype=np.float32)
    for t in np.linspace(-length / 2, length / 2, 4 * half + 1):
        x, y = half + t * np.cos(angle), half + t * np.sin(angle)
        i, j = int(np.floor(y)), int(np.floor(x))
        for di, dj in ((0, 0), (0, 1), (1, 0), (1, 1)):
            weight = (1 - abs(y - i - di)) * (1 - abs(x - j - dj))
            if weight > 0 and i + di <= 2 * half and j + dj <= 2 * half:
                kernel[i + di, j + dj] += weight
    return np.asarray(kernel / kernel.sum(), dtype=np.float32)


def _chained(bands: list[F32], step: float) -> list[F32]:
    """Each direction's map averaged with its own values one `step` ahead and behind, each the better of a few sideways places."""
    chained = []
    count = len(bands)
    for k, band in enumerate(bands):
        angle = np.pi * k / count
        c, s = float(np.cos(angle)), float(np.sin(angle))
        free = max(1.0, 0.12 * step)
        total = band.copy()
        for sign in (-1.0, 1.0):
            moved = [_moved(band, sign * step * c - side * s, sign * step * s + side * c) for side in (-free, 0.0, free)]
            total += _middle_extreme(moved)
        chained.append(total / 3.0)
    return chained


def _middle_extreme(moved: list[F32]) -> F32:
    """Of three maps, at each place the value furthest from zero on the side of their sum."""
    result, low = np.maximum(moved[0], moved[1]), np.minimum(moved[0], moved[1])
    np.maximum(result, moved[2], out=result)
    np.minimum(low, moved[2], out=low)
    total = moved[0] + moved[1]
    total += moved[2]
    np.copyto(result, low, where=total < 0)
    return result


def _moved(image: F32, x: float, y: float) -> F32:
    """image[r + y, c + x] by whole pixels, edges repeated."""
    dx, dy = round(x), round(y)
    rows, columns = image.shape
    dx, dy = max(-columns + 1, min(columns - 1, dx)), max(-rows + 1, min(rows - 1, dy))
    padded: F32 = np.asarray(cv2.copyMakeBorder(image, max(0, -dy), max(0, dy), max(0, -dx), max(0, dx), cv2.BORDER_REPLICATE),
                             dtype=np.float32)
    return padded[max(0, dy) : max(0, dy) + rows, max(0, dx) : max(0, dx) + columns]


def _strongest(maps: list[F32]) -> tuple[F32, F32]:
    """The value furthest from zero over the maps, and the index of its map (float32)."""
    best, which = maps[0].copy(), np.zeros(maps[0].shape, dtype=np.float32)
    furthest = np.abs(best)
    for k, one in enumerate(maps[1:], start=1):
        far = np.abs(one)
        better = far > furthest
        np.copyto(best, one, where=better)
        np.copyto(furthest, far, where=better)
        np.copyto(which, np.float32(k), where=better)
    return best, which
