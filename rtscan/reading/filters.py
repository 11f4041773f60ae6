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
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import cv2
import numpy as np
from scipy import ndimage

from rtscan.film import F32, Background, Bool
from rtscan.reading.background import MAD_TO_SIGMA, NOMINAL_PIXELS_PER_MM, local_sigma, median_along

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


class _Tiles:
    """The tiles of one level, over which the spread of a response is taken. `usable` has shape (across, along)."""

    def __init__(self, usable: Bool, per_mm: float, settings: FilterSettings) -> None:
        self.usable, self._least_share = usable, settings.least_sigma_share
        rows, columns = usable.shape
        self._down = max(1, round(rows / (settings.tile_rows_mm * per_mm)))
        self._right = max(1, round(columns / (settings.tile_columns_mm * per_mm)))
        self._open = self._cut(usable.astype(np.float32)).mean(axis=2) > 0.6

    def normalised(self, response: F32) -> F32:
        """Response over its local spread; a calm place may not be calmer than `least_sigma_share` of the strip's typical spread."""
        sigma = self._sigma(response)
        floor = self._least_share * float(np.median(sigma))
        full = cv2.resize(np.maximum(sigma, max(floor, 1e-9)), response.shape[::-1], interpolation=cv2.INTER_LINEAR)
        return np.asarray(cv2.copyTo(response / full, self.usable.view(np.uint8)), dtype=np.float32)

    def _sigma(self, response: F32) -> F32:
        """1.4826 times the median absolute response, one value per tile (float32, shape (tiles across, tiles along)); tiles that are
        mostly unusable take the value of the nearest usable one."""
        sigma = MAD_TO_SIGMA * median_along(np.abs(self._cut(response)))
        known = self._open & (sigma > 0)
        if not known.any():
            return np.ones(sigma.shape, dtype=np.float32)
        nearest = ndimage.distance_transform_edt(~known, sampling=(3.0, 1.0), return_distances=False, return_indices=True)
        smooth = ndimage.median_filter(sigma[nearest[0], nearest[1]], size=(1, 3), mode="nearest")
        return np.asarray(smooth, dtype=np.float32)

    def _cut(self, image: F32) -> F32:
        """The pixels of each tile, shape (tiles across, tiles along, pixels); of large tiles every second pixel both ways."""
        down, right = self._down, self._right
        height, width = image.shape[0] // down, image.shape[1] // right
        row_step, column_step = (2 if height >= 8 else 1), (2 if width >= 8 else 1)
        cut = image[: down * height, : right * width].reshape(down, height, right, width)[:, ::row_step, :, ::column_step]
        return cut.transpose(0, 2, 1, 3).reshape(down, right, -1)


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
        snr = _Tiles(usable, grid.per_mm / shrink, settings).normalised(inner - outer)
        full = np.asarray(cv2.resize(snr, (columns, rows), interpolation=cv2.INTER_LINEAR), dtype=np.float32) if shrink > 1 else snr
        yield Response("blob", radius, 2 * radius, full)


def _lines(calm: F32, grid: Grid, settings: FilterSettings) -> Iterator[Response]:
    columns, rows = calm.shape[1], calm.shape[0]
    for sigma_mm in settings.line_sigmas_mm:
        shrink = 1 if sigma_mm * grid.per_mm < 1.6 else 2
        image, usable = _level(calm, grid.usable, shrink)
        for chain, (best, which) in enumerate(_best_lines(image, usable, grid.per_mm / shrink, sigma_mm, settings)):
            direction = np.asarray((which * (180.0 / settings.directions) + 90.0) % 180.0 - 90.0, dtype=np.float32)
            if shrink > 1:
                best = np.asarray(cv2.resize(best, (columns, rows), interpolation=cv2.INTER_LINEAR), dtype=np.float32)
                direction = np.asarray(cv2.resize(direction, (columns, rows), interpolation=cv2.INTER_NEAREST), dtype=np.float32)
            yield Response("line", settings.line_length_mm * 3**chain, 3.0 * sigma_mm, best, direction)


def _best_lines(image: F32, usable: Bool, per_mm: float, sigma_mm: float, settings: FilterSettings) -> Iterator[tuple[F32, F32]]:
    """For short and then for chained lines of one width: the strongest response over all directions, and which direction has it.

    Direction by direction, so that 2 of 32 maps are held at a time; half of the directions in a second thread.
    """
    bend, tiles = _second_derivatives(image, sigma_mm * per_mm), _Tiles(usable, per_mm, settings)
    length = settings.line_length_mm * per_mm

    def half(directions: range) -> tuple[Strongest, Strongest]:
        short, long = Strongest(image.shape), Strongest(image.shape)
        for k in directions:
            angle = np.pi * k / settings.directions
            band = tiles.normalised(_short_line(bend, angle, length))
            short.add(band, k)
            held = np.clip(band, -settings.chain_limit, settings.chain_limit)
            long.add(tiles.normalised(_chained(held, angle, length)), k)
        return short, long

    middle = settings.directions // 2
    with ThreadPoolExecutor(2) as pool:
        first, second = pool.map(half, (range(middle), range(middle, settings.directions)))
    for one, other in zip(first, second, strict=True):
        one.merge(other)
        yield one.value, one.which


def _second_derivatives(image: F32, sigma: float) -> tuple[F32, F32, F32]:
    """Along, across and twice the mixed second derivative of the image smoothed by `sigma`."""
    smooth = cv2.GaussianBlur(image, (0, 0), max(0.6, sigma), borderType=cv2.BORDER_REFLECT)
    along2, across2, mixed = (np.asarray(cv2.Sobel(smooth, cv2.CV_32F, *order, ksize=3, borderType=cv2.BORDER_REFLECT), dtype=np.float32)
                              for order in ((2, 0), (0, 2), (1, 1)))
    return along2, across2, 2.0 * mixed


def _short_line(bend: tuple[F32, F32, F32], angle: float, length: float) -> F32:
    """Minus the second derivative across a direction (radians), averaged over `length` along it."""
    along2, across2, mixed = bend
    c, s = float(np.cos(angle)), float(np.sin(angle))
    second = -(s * s * along2 - s * c * mixed + c * c * across2)
    return np.asarray(cv2.filter2D(second, cv2.CV_32F, _line_kernel(angle, length), borderType=cv2.BORDER_REFLECT), dtype=np.float32)


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


def _chained(band: F32, angle: float, step: float) -> F32:
    """A direction's map averaged with its own values one `step` ahead and behind, each the better of a few sideways places."""
    c, s = float(np.cos(angle)), float(np.sin(angle))
    free = max(1.0, 0.12 * step)
    reach = int(np.ceil(step + free))
    padded = np.asarray(cv2.copyMakeBorder(band, reach, reach, reach, reach, cv2.BORDER_REPLICATE), dtype=np.float32)
    total = band.copy()
    for sign in (-1.0, 1.0):
        total += _middle_extreme([_moved(padded, reach, sign * step * c - side * s, sign * step * s + side * c)
                                  for side in (-free, 0.0, free)])
    return np.asarray(total / 3.0, dtype=np.float32)


def _middle_extreme(moved: list[F32]) -> F32:
    """Of three maps, at each place the value furthest from zero on the side of their sum."""
    result, low = np.maximum(moved[0], moved[1]), np.minimum(moved[0], moved[1])
    np.maximum(result, moved[2], out=result)
    np.minimum(low, moved[2], out=low)
    total = moved[0] + moved[1]
    total += moved[2]
    put(low, total < 0, result)
    return result


def _moved(padded: F32, reach: int, x: float, y: float) -> F32:
    """image[r + y, c + x] by whole pixels, of an image padded by `reach` on all sides; a view."""
    dx, dy = reach + round(x), reach + round(y)
    return padded[dy : dy + padded.shape[0] - 2 * reach, dx : dx + padded.shape[1] - 2 * reach]


class Strongest:
    """Over maps added one by one: `value` furthest from zero at each place (float32) and `which` map it came from (float32 index); of
    equals the one added first."""

    def __init__(self, shape: tuple[int, ...]) -> None:
        self.value, self.which = np.zeros(shape, dtype=np.float32), np.zeros(shape, dtype=np.float32)
        self._far = np.full(shape, -np.inf, dtype=np.float32)

    def add(self, one: F32, index: int) -> None:
        """Takes one more map into account."""
        self._take(one, np.full(one.shape, index, dtype=np.float32))

    def merge(self, later: Strongest) -> None:
        """Takes the maps of another into account, as if they had been added after these."""
        self._take(later.value, later.which)

    def _take(self, one: F32, index: F32) -> None:
        far = np.abs(one)
        better = far > self._far
        np.maximum(self._far, far, out=self._far)
        put(one, better, self.value)
        put(index, better, self.which)


def put(values: F32, where: Bool, into: F32) -> None:
    """`into[where] = values[where]`; OpenCV does it four times as fast as `numpy.copyto`."""
    cv2.copyTo(values, where.view(np.uint8), into)
