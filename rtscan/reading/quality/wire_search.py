"""Searches a film for a wire set: lines of falling strength at nearly equal spacing, however faint, that are no edges or letters.

The film is averaged along the wires and freed of what varies slowly across them. For every lean it is added up over the length
that counts as visible and filtered over both flanks, so that the edge of a weld does not pass for a wire; dynamic programming then takes
the chain of places that best fits the set. Settings: common practice, no published source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from rtscan.film import F32, F64, Bool, Film
from rtscan.knowledge.iqi import Wire

COLUMN_MM = 0.08
ROW_MM = 0.5
LEAD_MARGIN_MM = 0.7
"""How far the blurred rim of lead letters and border reaches beyond what is marked as hidden."""
LEAN_MAX = 0.17
CLIP = 3.5
"""Noise sigmas at which a pixel is held, so that the rim of a letter does not pass for a wire."""
CAP = 8.0
STRAY_RATIO, LATER_RATIO = 2.3, 1.8
MOST_LINES_PUT_ASIDE = 8
NEAR_LEANS = 2
"""Wires of one set may lean this many steps more or less than one another."""
Ints = NDArray[np.intp]


@dataclass(frozen=True)
class WireSettings:
    """Search limits: spacing of the wires (mm, at the magnification of the film), evidence asked of a set and of its first two wires.

    A set that lies the unusual way, not across the weld, must beat one across it by a penalty.
    """

    spacing_mm: float = 5.0
    spacing_slack: tuple[float, float] = (0.85, 1.22)
    set_evidence_min: float = 16.5
    unusual_way_min: float = 19.0
    unusual_way_penalty: float = 3.0
    longer: float = 2.5
    beyond_doubt: float = 22.0
    first_snr_min: float = 4.5
    break_snr: float = 0.5


@dataclass(frozen=True)
class Bands:
    """High-passed film, wires running down, in density (`rough`) and in units of local noise (`image`): rows of ROW_MM, columns of
    about COLUMN_MM. `lean` is expected."""

    image: F32
    rough: F32
    known: Bool
    row_px: int
    column_px: int
    pixels_per_mm: float
    turned: bool
    lean: float

    @property
    def columns_per_mm(self) -> float:
        return self.pixels_per_mm / self.column_px

    @property
    def rows_per_mm(self) -> float:
        return self.pixels_per_mm / self.row_px


@dataclass(frozen=True)
class Way:
    """A direction to look along: the picture `turned` (rows and columns swapped) or not, and the lean (mm across per mm down) expected."""

    turned: bool
    lean: float


def find_chain(film: Film, hidden: Bool, way: Way, wires: Sequence[Wire], length_mm: float, settings: WireSettings,
           least: float) -> tuple[Bands, Chain] | None:
    """The best chain over the visible length, else over a longer one, on which faint wires add up further."""
    bands = _bands(film, hidden, way, wires[0].diameter_mm)
    if bands is None:
        return None
    found = _likely_chain(bands, wires, length_mm, settings, least)
    return found or _likely_chain(bands, wires, settings.longer * length_mm, settings, least)


def _likely_chain(bands: Bands, wires: Sequence[Wire], length_mm: float, settings: WireSettings,
                  least: float) -> tuple[Bands, Chain] | None:
    """The best chain that looks like wires: lines that cannot belong to the set are put aside and the search repeated."""
    for _ in range(MOST_LINES_PUT_ASIDE):
        chain = _best_chain(bands, wires, length_mm, settings)
        if chain is None or chain.evidence < least:
            return None
        stray = _stray(bands, chain, round(length_mm * bands.rows_per_mm))
        if stray is None:
            return bands, chain
        bands = stray
    return None


def _stray(bands: Bands, chain: Chain, length: int) -> Bands | None:
    """The bands without a line of the chain that is no wire: the first or second when it is far stronger than the next, a later
    one when it is far stronger than the first; None when all may be wires."""
    rows = np.arange(max(0, chain.row - length // 2), min(bands.image.shape[0], chain.row + length // 2 + 1))
    strengths = [_line_strength(bands, rows, chain, k) for k in range(len(chain.columns))]
    later = int(np.argmax(strengths))
    steep = next((k for k in (0, 1) if strengths[k] > STRAY_RATIO * strengths[k + 1]), None)
    if steep is not None:
        place = chain.columns[steep]
    elif strengths[later] > LATER_RATIO * strengths[0]:
        place = chain.columns[later]
    else:
        return None
    image, rough, known = bands.image.copy(), bands.rough.copy(), bands.known.copy()
    reach = round(2.0 * bands.columns_per_mm)
    gone = slice(max(0, place - reach), max(0, place + reach + 1))
    image[:, gone], rough[:, gone], known[:, gone] = 0.0, 0.0, False
    return replace(bands, image=image, rough=rough, known=known)


def _line_strength(bands: Bands, rows: Ints, chain: Chain, k: int) -> float:
    columns = np.round(chain.columns[k] + chain.lean * (rows - chain.row)).astype(int)
    reach = np.arange(-round(0.4 * bands.columns_per_mm), round(0.4 * bands.columns_per_mm) + 1)
    grid = np.clip(columns[:, None] + reach[None, :], 0, bands.rough.shape[1] - 1)
    return float(np.median(ndimage.uniform_filter1d(bands.rough[rows[:, None], grid], 5, axis=0), axis=0).max())


def _bands(film: Film, hidden: Bool, way: Way, thickest_mm: float) -> Bands | None:
    """The film made ready: averaged along the wires, shading and slow structure taken out across them, in units of local noise."""
    ppm = film.pixels_per_mm or 1.0
    margin = 2 * round(LEAD_MARGIN_MM * ppm) + 1
    density, known = film.density, film.valid & (cv2.dilate(hidden.astype(np.uint8), np.ones((margin, margin), np.uint8)) == 0)
    if way.turned:
        density, known = np.ascontiguousarray(density.T), np.ascontiguousarray(known.T)
    row_px, column_px = max(1, round(ROW_MM * ppm)), max(1, round(COLUMN_MM * ppm))
    rows, columns = density.shape[0] // row_px, density.shape[1] // column_px
    if rows * ROW_MM < 8 or columns * COLUMN_MM < 12:
        return None
    cut = (slice(0, rows * row_px), slice(0, columns * column_px))
    weight = cv2.resize(known[cut].astype(np.float32), (columns, rows), interpolation=cv2.INTER_AREA)
    mean = cv2.resize(np.where(known[cut], density[cut], 0).astype(np.float32), (columns, rows), interpolation=cv2.INTER_AREA)
    fine = np.where(weight > 0.5, mean / np.maximum(weight, 1e-3), 0).astype(np.float32)
    inside = weight > 0.5
    per_mm = ppm / column_px
    rough = np.where(inside, _slow(fine, inside, round(max(3.0, 5 * thickest_mm) * per_mm)) - fine, 0).astype(np.float32)
    size = (round(12 * per_mm) | 1, 9)
    spread = cv2.blur(np.minimum(np.abs(rough), 4 * float(np.median(np.abs(rough[inside])) if inside.any() else 1.0)), size)
    scale = 1.25 * spread / np.maximum(cv2.blur(inside.astype(np.float32), size), 1e-3)
    image = np.clip(rough / np.maximum(scale, 1e-6), -CLIP, CLIP)
    near_hole = cv2.erode(inside.astype(np.uint8), np.ones((3, round(0.6 * per_mm) | 1), np.uint8)) > 0
    return Bands(np.where(near_hole, image, 0).astype(np.float32), rough, near_hole, row_px, column_px, ppm, way.turned, way.lean)


def _slow(image: F32, inside: Bool, width: int) -> F32:
    """What varies slowly across the wires: a running parabola over `width` columns (A. Savitzky and M. J. E. Golay, Anal. Chem. 36
    (1964) 1627), holes bridged by straight lines."""
    columns = np.arange(image.shape[1])
    bridged = image.copy()
    for row, known in zip(bridged, inside, strict=True):
        if known.any() and not known.all():
            row[~known] = np.interp(columns[~known], columns[known], row[known])
    n = max(7, width | 1)
    i = np.arange(-(n // 2), n // 2 + 1)
    parabola = (0.75 * (3 * n * n - 7 - 20 * i * i) / (n * (n * n - 4))).astype(np.float32)
    return np.asarray(cv2.filter2D(bridged, cv2.CV_32F, parabola[None, :], borderType=cv2.BORDER_REPLICATE), dtype=np.float32)


def ridge_filter(image: F32, per_mm: float, sigma_mm: float) -> F32:
    """Matched filter across the wires: a Gaussian ridge less its surroundings, unit response to white noise."""
    reach = int(np.ceil(1.2 * per_mm))
    u = np.arange(-reach, reach + 1) / per_mm
    ridge = np.exp(-0.5 * (u / sigma_mm) ** 2)
    ridge -= ridge.mean()
    kernel = (ridge / np.sqrt((ridge**2).sum())).astype(np.float32)
    return np.asarray(cv2.filter2D(image, cv2.CV_32F, kernel[None, :], borderType=cv2.BORDER_REPLICATE))


def _over_flanks(image: F32, per_mm: float, sigma_mm: float) -> tuple[F32, F32]:
    """How far each place stands out of the film to its left and to its right: a wire over both, the edge of a weld over one only."""
    reach = int(np.ceil(6 * sigma_mm * per_mm))
    u = np.arange(-reach, reach + 1) / per_mm
    ridge = np.exp(-0.5 * (u / sigma_mm) ** 2)
    sides: list[F32] = []
    for sign in (-1, 1):
        flank = ((sign * u >= 2.0 * sigma_mm) & (sign * u <= 5.0 * sigma_mm)).astype(float)
        kernel = ridge / ridge.sum() - flank / flank.sum()
        kernel = (kernel / np.sqrt((kernel**2).sum())).astype(np.float32)[None, :]
        sides.append(np.asarray(cv2.filter2D(image, cv2.CV_32F, kernel, borderType=cv2.BORDER_REPLICATE), dtype=np.float32))
    return sides[0], sides[1]


def _leans(bands: Bands, length_mm: float) -> F64:
    """Leans to try (columns moved per row), fine enough that a wire stays within half a column over the length."""
    step = 1.0 / (length_mm * bands.rows_per_mm)
    aspect = bands.row_px / bands.column_px
    count = int(np.ceil(LEAN_MAX * aspect / step))
    return np.asarray(bands.lean * aspect + np.arange(-count, count + 1) * step, dtype=np.float64)


def _sheared_sums(bands: Bands, ridge: F32, lean: float, length: int, rows: Ints) -> F32:
    """Sums over `length` rows along a lean, divided by its square root, about each of `rows` (at least length // 2 from both ends)."""
    count, columns = ridge.shape
    level = np.zeros((count, columns), dtype=np.float32)
    for k, shift in enumerate(np.round(lean * (np.arange(count) - count / 2)).astype(int).tolist()):
        level[k, max(0, -shift) : max(0, columns - shift)] = ridge[k, max(0, shift) : max(0, columns + shift)]
    sums = np.array([level[first : first + length].sum(axis=0) for first in (rows - length // 2).tolist()])
    return np.asarray(sums / np.float32(np.sqrt(length)), dtype=np.float32)


def _standardised(sums: F32, per_mm: float) -> F32:
    """Each row over its own spread within 40 mm (robust, so that the wires themselves hardly count)."""
    tile = max(8, round(8 * per_mm))
    count = max(1, sums.shape[1] // tile)
    blocks = sums[:, : count * tile].reshape(sums.shape[0], count, -1)
    spread = 1.4826 * _medians(np.abs(blocks - _medians(blocks)[:, :, None]))
    spread = ndimage.median_filter(spread, size=(1, 5), mode="nearest")
    full = np.repeat(spread, tile, axis=1)
    full = np.pad(full, ((0, 0), (0, max(0, sums.shape[1] - full.shape[1]))), mode="edge")
    return np.asarray(sums / np.maximum(full[:, : sums.shape[1]], 0.5), dtype=np.float32)


def _medians(blocks: F32) -> F32:
    """Medians along the last axis, as numpy's; sorting short rows takes a third of the time of its median."""
    ordered = np.sort(blocks, axis=2)
    size = ordered.shape[2]
    return np.asarray(0.5 * (ordered[:, :, (size - 1) // 2] + ordered[:, :, size // 2]), dtype=np.float32)


@dataclass(frozen=True)
class Chain:
    """Best chain: evidence, row of bands, lean (columns per row), columns of the wires at that row, thickest first."""

    evidence: float
    row: int
    lean: float
    columns: tuple[int, ...]


def _best_chain(bands: Bands, wires: Sequence[Wire], length_mm: float, settings: WireSettings) -> Chain | None:
    """The best chain of lines of `length_mm`; None when there is none, or the film is shorter than that."""
    length = round(length_mm * bands.rows_per_mm)
    flanks = _over_flanks(bands.image, bands.columns_per_mm, max(0.1, 0.3 * wires[0].diameter_mm))
    best: Chain | None = None
    rows = np.arange(length // 2, bands.image.shape[0] - length // 2, max(1, length // 4))
    if not len(rows):
        return None
    leans = _leans(bands, length_mm)
    maps = [np.minimum(*(_standardised(_sheared_sums(bands, flank, float(lean), length, rows), bands.columns_per_mm) for flank in flanks))
            for lean in leans]
    for k, lean in enumerate(leans):
        sums = np.maximum.reduce(maps[max(0, k - NEAR_LEANS) : k + NEAR_LEANS + 1])
        for direction in (1, -1):
            found = _chain_of(sums[:, ::direction], wires, bands.columns_per_mm, settings, 0.0 if best is None else best.evidence)
            if found is not None:
                evidence, place, columns = found
                shift = round(float(lean) * (rows[place] - bands.image.shape[0] / 2))
                at = tuple((c if direction == 1 else sums.shape[1] - 1 - c) + shift for c in columns)
                best = Chain(evidence, int(rows[place]), float(lean), at)
    return best


def _chain_of(sums: F32, wires: Sequence[Wire], per_mm: float, settings: WireSettings, above: float) -> tuple[float, int, list[int]] | None:
    """Best chain that starts anywhere in any row, wires at growing columns, wire k weighed 0.8^k: (evidence, row, columns).

    None when it does not pass `above` or its first two wires are weak. Dynamic programming from the thinnest wire back.
    """
    columns = sums.shape[1]
    held = np.minimum(sums, CAP)
    links: list[tuple[F32, int, int]] = []
    gains = np.zeros_like(held)
    for k in range(len(wires) - 1, 0, -1):
        here = np.asarray(np.float32(0.8**k) * held + gains, dtype=np.float32)
        low, high = _gap_columns(wires[k - 1], wires[k], per_mm, settings)
        links.append((here, low, high))
        padded = np.pad(here, ((0, 0), (0, high)), constant_values=-4.0)
        gap = np.ones((1, high - low + 1), np.uint8)
        gains = np.asarray(cv2.dilate(padded[:, low:], gap, anchor=(0, 0))[:, :columns], dtype=np.float32)
    total = held + gains
    row, start = (int(v) for v in np.unravel_index(int(total.argmax()), total.shape))
    if total[row, start] <= above:
        return None
    chain = [start]
    for here, low, high in reversed(links):
        ahead = here[row, chain[-1] + low : chain[-1] + high + 1]
        chain.append(chain[-1] + low + (int(ahead.argmax()) if len(ahead) else 0))
    firsts = [float(sums[row, min(c, columns - 1)]) for c in chain[:2]]
    return (float(total[row, start]), row, chain) if min(firsts) >= settings.first_snr_min else None


def _gap_columns(a: Wire, b: Wire, per_mm: float, settings: WireSettings) -> tuple[int, int]:
    gap_mm = max(settings.spacing_mm, 3 * max(a.diameter_mm, b.diameter_mm))
    low, high = settings.spacing_slack
    return int(low * gap_mm * per_mm), int(np.ceil(high * gap_mm * per_mm))
