"""What the film could have shown: the smallest pore and line found with 90 % probability, along the weld.

A pore is a sphere of gas, a line a round hole LINE_MM long lying along the weld; both are blurred like the film and weighed by
its contrast per mm of steel. Their signal-to-noise in filters of their own form, whose noise is measured place by place on the film
itself (grain, ripples, edges), is compared with the signal-to-noise at which planted flaws were found in 9 of 10 trials at the bar the
reading works with (`scripts/planted_flaws`). A line has filters drawn out along the weld, and the noise is what the whole strip shows in
them, for the ripples and edges of a bead look like lines wherever they lie. "No indications" is then a statement with a size attached.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np

from rtscan.film import F32, F64, Background, Bool
from rtscan.findings import DetectionLimit
from rtscan.reading.filters import FilterSettings, Grid, detection_grid
from rtscan.reading.quality.contrast import Contrast, blurred_chord, weld_rows

TYPICAL_BLUR_MM = 0.08
LINE_MM = 5.0
STEP_MM = 5.0
WIDEST_MM = 4.0
CELL_MM = 1.5
FINE = 3
RADII_MM = FilterSettings().blob_radii_mm[:6]
SPREAD_ALONG, EVERY = 0.29, 4
"""Gaussian sigma of a line's filter along it, share of its length: that of an even line (the square root of 1/12). So smooth, every fourth
column tells all."""


TAIL, NORMAL_TAIL, LOUD_SHARE = 0.975, 2.241, 0.8
"""Noise of lines: the response that this share of a stretch stays below, over what it is for normal noise of spread 1; of the stretches the
share that are calmer, so that a flaw does not count as noise. Found on planted lines (seed 41): real and simulated films come together so
(90 % found at 13 and 11; with the mean response of each stretch at 25 and 13)."""


@dataclass(frozen=True)
class Flaw:
    """What is sought: `path(size_mm, blur_mm, pixels_per_mm)`, mm of steel lost; `summed(image, pixels_per_mm)`, the image added up over
    its length, every `every`-th column; `seen(image, radius_px)`, that through the filter of one width; `noise(response, usable, layers,
    stretches, share)`, the spread in every stretch."""

    path: Callable[[float, float, float], F32]
    summed: Callable[[F32, float], F32]
    every: int
    seen: Callable[[F32, float], F32]
    noise: Callable[[F32, Bool, int, int, float], F64]


@dataclass(frozen=True)
class DetectionSettings:
    """Signal-to-noise at which 90 % of planted flaws are found, from `scripts/planted_flaws`; share of the weld width that counts as
    the place where a flaw is hardest to see."""

    pore_snr_90: float = 9.5
    line_snr_90: float = 12.2
    across_share: float = 0.75


def detection_limit(backgrounds: Sequence[Background], contrast: Contrast | None, columns: Sequence[Bool] | None = None,
                    settings: DetectionSettings = DetectionSettings(), grids: Sequence[Grid] | None = None) -> DetectionLimit | None:
    """The limit of a film, worst along the weld, and its curve; None without a scale or a contrast per mm.

    `columns`, bool (along,) of each strip: only they count, for the film says nothing beyond its diagnostic length. None: all.
    `grids`: the detection grids of the strips where they are made already.
    """
    if contrast is None or not backgrounds or any(b.strip.pixels_per_mm is None for b in backgrounds):
        return None
    blur_mm = contrast.blur_mm or TYPICAL_BLUR_MM
    along: list[float] = []
    pores: list[float] = []
    lines: list[float] = []
    for number, background in enumerate(backgrounds):
        grid = detection_grid(background) if grids is None else grids[number]
        pore, line = (
            smallest_sizes(filter_spreads(grid, background, settings.across_share, flaw), grid, contrast.per_mm, blur_mm, snr_90, flaw)
            for flaw, snr_90 in ((PORE, settings.pore_snr_90), (LINE, settings.line_snr_90)))
        if columns is not None:
            middles = (np.arange(len(pore)) + 0.5) * len(columns[number]) / len(pore)
            pore[~columns[number][middles.astype(int)]] = line[~columns[number][middles.astype(int)]] = np.nan
        along += [float(v) for v in _stations(background, len(pore))]
        pores += [float(v) for v in pore]
        lines += [float(v) for v in line]
    order = np.argsort(along, kind="stable")
    known = np.isfinite(pores)
    if not known.any() or not np.isfinite(lines).any():
        return None
    return DetectionLimit(
        pore_mm=round(float(np.nanpercentile(pores, 95)), 3), line_width_mm=round(float(np.nanpercentile(lines, 95)), 3),
        along_mm=tuple(round(along[i], 2) for i in order if known[i]), pore_along_mm=tuple(round(pores[i], 3) for i in order if known[i]),
    )


def filter_spreads(grid: Grid, background: Background, share: float, flaw: Flaw) -> F64:
    """Spread of each filter of a flaw per stretch of weld: shape (filters, stretches), NaN where the weld is not usable. `share` as in
    `DetectionSettings.across_share`."""
    rows, columns = grid.residual.shape
    inside = cv2.resize(weld_rows(background.strip).astype(np.uint8), (columns, rows), interpolation=cv2.INTER_NEAREST) > 0
    usable = inside & grid.usable
    width, height = max(4, round(STEP_MM * grid.per_mm)), max(2, round(CELL_MM * grid.per_mm))
    count, layers = max(1, columns // width), max(1, rows // height)
    calm = np.where(grid.usable, np.clip(grid.residual, -12 * grid.noise, 12 * grid.noise), 0).astype(np.float32)
    image = flaw.summed(calm, grid.per_mm)
    usable = usable[:, :: flaw.every]
    responses = (np.abs(flaw.seen(image, radius * grid.per_mm)) for radius in RADII_MM)
    return np.stack([flaw.noise(response, usable, layers, count, share) for response in responses])


def _noise_of_stretches(response: F32, usable: Bool, layers: int, count: int, share: float) -> F64:
    """In each stretch the spread that `share` of the places across the weld stay below: 1.25 times the mean absolute response, responses
    held at 3.5 sigma so that flaws do not count as noise."""
    cells = _cells(usable.astype(np.float32), layers, count)
    held = np.minimum(response, 3.5 * 1.4826 * float(np.median(response[usable])) if usable.any() else 0.0)
    mean = _cells(np.where(usable, held, 0), layers, count) / np.maximum(cells, 1e-6)
    spread = np.where(cells > 0.5, 1.2533 * mean, np.nan)
    out, known = np.full(count, np.nan), np.isfinite(spread).any(axis=0)
    out[known] = np.nanquantile(spread[:, known], share, axis=0)
    return out


def _noise_of_strip(response: F32, usable: Bool, layers: int, count: int, share: float) -> F64:
    """The tail of the responses in the loud stretches, the same for all that are usable."""
    bounds = np.linspace(0, response.shape[1], count + 1).astype(int)
    cut = [response[:, a:b][usable[:, a:b]] for a, b in pairwise(bounds)]
    tails = np.array([np.quantile(values, TAIL) / NORMAL_TAIL if len(values) else np.nan for values in cut])
    known = np.isfinite(tails)
    return np.where(known, np.quantile(tails[known], LOUD_SHARE) if known.any() else np.nan, np.nan)


def _cells(image: F32, layers: int, count: int) -> F32:
    """Means over `layers` by `count` equal cells."""
    return np.asarray(cv2.resize(image.astype(np.float32), (count, layers), interpolation=cv2.INTER_AREA), dtype=np.float32)


def _as_it_is(image: F32, per_mm: float) -> F32:
    return image  # a pore is its own length


def _blob(image: F32, radius_px: float) -> F32:
    """The blob filter of the reading: a Gaussian less one 1.8 times as wide."""
    sigma = 0.62 * radius_px
    inner = cv2.GaussianBlur(image, (0, 0), max(0.5, sigma), borderType=cv2.BORDER_REFLECT)
    return np.asarray(inner - cv2.GaussianBlur(image, (0, 0), max(0.8, 1.8 * sigma), borderType=cv2.BORDER_REFLECT), dtype=np.float32)


def _drawn_out(image: F32, per_mm: float) -> F32:
    """The image smoothed along the weld over the length of a line, every EVERY-th column."""
    sigma = SPREAD_ALONG * LINE_MM * per_mm
    smooth = cv2.GaussianBlur(image, (2 * round(3 * sigma) + 1, 1), sigmaX=sigma, borderType=cv2.BORDER_REFLECT)
    return np.asarray(smooth[:, ::EVERY], dtype=np.float32)


def _across(image: F32, radius_px: float) -> F32:
    """The blob filter's profile across the weld alone."""
    inner, outer = (cv2.GaussianBlur(image, (1, 2 * round(4 * sigma) + 1), sigmaX=1, sigmaY=sigma, borderType=cv2.BORDER_REFLECT)
                    for sigma in (max(0.5, 0.62 * radius_px), max(0.8, 1.8 * 0.62 * radius_px)))
    return np.asarray(inner - outer, dtype=np.float32)


def signal_to_noise(size_mm: float, spreads: F64, per_mm: float, blur_mm: float, grid_per_mm: float, flaw: Flaw) -> F64:
    """Signal-to-noise of a flaw of a size in every stretch, by its best filter: shape (stretches,)."""
    path = flaw.summed(flaw.path(size_mm, blur_mm, grid_per_mm), grid_per_mm)
    gains = np.array([float(flaw.seen(path, radius * grid_per_mm).max()) for radius in RADII_MM])
    return np.asarray((per_mm * gains[:, None] / spreads).max(axis=0))


def smallest_sizes(spreads: F64, grid: Grid, per_mm: float, blur_mm: float, snr_90: float, flaw: Flaw) -> F64:
    """Smallest size in each stretch whose best filter reaches `snr_90`, WIDEST_MM where none up to that does; shape (stretches,), NaN where
    the noise is unknown."""
    sizes = np.geomspace(0.1, WIDEST_MM, 28)
    snr = np.array([signal_to_noise(float(size), spreads, per_mm, blur_mm, grid.per_mm, flaw) for size in sizes])
    smallest = np.full(spreads.shape[1], np.nan)
    for j in np.flatnonzero(np.isfinite(snr).all(axis=0)):
        rising = np.maximum.accumulate(snr[:, j])
        smallest[j] = float(np.exp(np.interp(np.log(snr_90), np.log(rising), np.log(sizes))))
    return smallest


def pore_path(diameter_mm: float, blur_mm: float, per_mm: float) -> F32:
    """Path through a gas sphere, mm, blurred, on an odd square grid of `per_mm` pixels a millimetre; each pixel the mean over itself."""
    half = int(np.ceil((diameter_mm / 2 + 4 * blur_mm + 0.6) * per_mm))
    x = np.arange(-half * FINE - FINE // 2, half * FINE + FINE // 2 + 1) / (FINE * per_mm)
    path = 2 * np.sqrt(np.maximum((diameter_mm / 2) ** 2 - (x[:, None] ** 2 + x[None, :] ** 2), 0.0)).astype(np.float32)
    blurred = cv2.GaussianBlur(path, (0, 0), blur_mm * FINE * per_mm)
    return np.asarray(cv2.resize(blurred, (2 * half + 1, 2 * half + 1), interpolation=cv2.INTER_AREA), dtype=np.float32)


def line_path(width_mm: float, blur_mm: float, per_mm: float) -> F32:
    """Path through a round hole of diameter `width_mm` lying flat, LINE_MM long along the columns, mm, blurred across."""
    half = int(np.ceil((LINE_MM / 2 + 1) * per_mm))
    u = np.arange(-half, half + 1) / per_mm
    across = blurred_chord(u, width_mm, max(blur_mm, 0.3 / per_mm))
    return np.asarray(across[:, None] * (np.abs(u) <= LINE_MM / 2)[None, :], dtype=np.float32)


PORE, LINE = Flaw(pore_path, _as_it_is, 1, _blob, _noise_of_stretches), Flaw(line_path, _drawn_out, EVERY, _across, _noise_of_strip)


def _stations(background: Background, count: int) -> F64:
    strip = background.strip
    columns = strip.density.shape[1]
    middle = (np.arange(count) + 0.5) * columns / count
    if strip.station_mm is None:
        return np.asarray(middle / (strip.pixels_per_mm or 1.0))
    return np.asarray(np.interp(middle, np.arange(columns), strip.station_mm), dtype=np.float64)
