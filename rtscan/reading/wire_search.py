"""Searches a film for a wire set: lines of falling strength at nearly equal spacing, however faint, that are no edges or letters.

The film is averaged along the wires and freed of what varies slowly across them. For every lean it is added up over the length
that counts as visible and filtered over both flanks, so that the edge of a weld does not pass for a wire; dynamic programming then finds
the chains of places that best fit the set. Settings: common practice, no published source.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from rtscan.film import F32, F64, Bool, Film
from rtscan.knowledge.iqi import Wire

LEAD_MARGIN_MM = 0.7
"""How far the blurred rim of lead letters and border reaches beyond what is marked as hidden."""
STEEP_PER_MM, WALL_MM, BEND_MM = 0.25, 6.0, 1.5
"""Fall of density over a millimetre that only the edge of a part shows, how far beside it the shading is not followed, and how far
beyond that the straight line laid over it still shows."""
DEEP, DEEP_RIM_MM = 5.0, 0.5
"""Noise sigmas from which a dark place, darker than anything near it is bright, is left out of the shading with its rim: the film beside
it would stand out as bright."""
CLIP = 3.5
"""Noise sigmas at which a pixel is held, so that the rim of a letter does not pass for a wire."""
CAP = 8.0
BLOCK = 8
"""Columns taken together to tell which lines may hold a set at all."""
Ints = NDArray[np.intp]


@dataclass(frozen=True)
class WireSettings:
    """Search limits: size of a cell of the averaged film (mm along, across the wires), lean of the wires (mm across per mm along),
    spacing (mm, at the magnification of the film), evidence asked of a set and of its first two wires.

    A row that short and long lines show best in the same place may have `agreed` less evidence.
    A set that lies the unusual way, not across the long side of the film, must beat one across it by a penalty.
    """

    cell_mm: tuple[float, float] = (1.0, 0.1)
    lean_max: float = 0.26
    lean_step: float = 0.02
    spacing_mm: float = 5.0
    spacing_slack: tuple[float, float] = (0.85, 1.22)
    set_evidence_min: float = 16.5
    unusual_way_penalty: float = 2.0
    longer: float = 2.5
    beyond_doubt: float = 22.0
    likeness_beyond_doubt: float = 60.0
    first_snr_min: float = 4.0
    not_much_weaker: float = 4.0
    agreed: float = 1.5
    most_chains: int = 10


@dataclass(frozen=True)
class Bands:
    """Averaged and high-passed film, wires running down, in density (`rough`) and in units of local noise (`image`).

    `row_px`, `column_px` are the film pixels of a cell, `first_px` the (along, across) pixel at which the first cell begins; `turned`
    when the wires run along the rows of the picture.
    """

    image: F32
    rough: F32
    known: Bool
    row_px: float
    column_px: float
    first_px: tuple[int, int]
    pixels_per_mm: float
    turned: bool

    @property
    def columns_per_mm(self) -> float:
        return self.pixels_per_mm / self.column_px

    @property
    def rows_per_mm(self) -> float:
        return self.pixels_per_mm / self.row_px

    def path_px(self, rows: F64, columns: F64) -> F64:
        """(x, y) on the film of rows and columns of cells, shape (n, 2)."""
        down = self.first_px[0] + (rows + 0.5) * self.row_px - 0.5
        right = self.first_px[1] + (columns + 0.5) * self.column_px - 0.5
        return np.stack([down, right] if self.turned else [right, down], axis=1)

    def cells(self, path_px: F64) -> tuple[F64, F64]:
        """Rows and columns of cells of points (x, y) on the film: the inverse of `path_px`."""
        down, right = (path_px[:, 0], path_px[:, 1]) if self.turned else (path_px[:, 1], path_px[:, 0])
        return (down + 0.5 - self.first_px[0]) / self.row_px - 0.5, (right + 0.5 - self.first_px[1]) / self.column_px - 0.5


@dataclass(frozen=True)
class Chain:
    """A row of lines: evidence, row of bands, lean (columns per row), columns of the wires at that row, thickest first."""

    evidence: float
    row: int
    lean: float
    columns: tuple[int, ...]


def make_bands(film: Film, usable: Bool, turned: bool, thickest_mm: float, cell_mm: tuple[float, float],
               window: tuple[slice, slice] | None = None, under: Bool | None = None, plain: bool = False) -> Bands | None:
    """The film made ready: averaged along the wires, shading and slow structure taken out across them, in units of local noise.

    `window` limits the work to part of the film (rows, columns); `under` (shape of the film) is where the shading is not followed, because
    wires are known to lie there; `plain` leaves plain bright lines out of it too, for thick wires pull it towards them and so darken the
    film beside, but so do the ripples of a bead. None when there is less than 8 mm by 12 mm of film.
    """
    ppm = film.pixels_per_mm or 1.0
    cut = window or (slice(0, film.density.shape[0]), slice(0, film.density.shape[1]))
    density, known = film.density[cut], usable[cut]
    along_px, across_px = density.shape[::-1] if turned else density.shape
    rows, columns = round(along_px / (cell_mm[0] * ppm)), round(across_px / (cell_mm[1] * ppm))
    if along_px < 8 * ppm or across_px < 12 * ppm:
        return None
    size = (rows, columns) if turned else (columns, rows)
    weight = cv2.resize(known.view(np.uint8) * np.uint8(255), size, interpolation=cv2.INTER_AREA)
    small = np.asarray(cv2.resize(density, size, interpolation=cv2.INTER_AREA), dtype=np.float32)
    mean = np.ascontiguousarray(small.T if turned else small)
    weight = np.ascontiguousarray(weight.T if turned else weight)
    per_mm = columns / across_px * ppm
    inside = cv2.erode((weight > 250).astype(np.uint8), np.ones((1, 2 * round(LEAD_MARGIN_MM * per_mm) + 1), np.uint8)) > 0
    walls = _beside_walls(mean, inside, rows / along_px * ppm, per_mm)
    free = inside & ~walls
    if under is not None:
        covered = cv2.resize(under[cut].view(np.uint8) * np.uint8(255), size, interpolation=cv2.INTER_AREA)
        free &= (covered.T if turned else covered) < 64
    slow = _shading(mean, free, per_mm, round(max(3.0, 5 * thickest_mm) * per_mm), plain)
    inside &= cv2.dilate(walls.view(np.uint8), np.ones((1, 2 * round(BEND_MM * per_mm) + 1), np.uint8)) == 0
    rough = np.where(inside, slow - mean, 0).astype(np.float32)
    field = (round(12 * per_mm) | 1, max(3, round(4.5 * rows / along_px * ppm)) | 1)
    typical = float(np.median(np.abs(rough[inside]))) if inside.any() else 1.0
    spread = cv2.blur(np.minimum(np.abs(rough), 4 * typical), field)
    scale = 1.25 * spread / np.maximum(cv2.blur(inside.astype(np.float32), field), 1e-3)
    image = np.where(inside, np.clip(rough / np.maximum(scale, 1e-6), -CLIP, CLIP), 0).astype(np.float32)
    first = (cut[1].start, cut[0].start) if turned else (cut[0].start, cut[1].start)
    return Bands(image, rough, inside, along_px / rows, across_px / columns, (first[0] or 0, first[1] or 0), ppm, turned)


def _beside_walls(mean: F32, inside: Bool, rows_per_mm: float, per_mm: float) -> Bool:
    """Places near shading too steep for a plate: the walls of a tube seen edge-on, whose cusps pass for wires otherwise."""
    bridged = np.where(inside, mean, np.median(mean[inside]) if inside.any() else 0).astype(np.float32)
    slope = cv2.Sobel(cv2.GaussianBlur(bridged, (0, 0), per_mm, sigmaY=8 * rows_per_mm), cv2.CV_32F, 1, 0, scale=0.125 * per_mm)
    reach = np.ones((1, 2 * round(WALL_MM * per_mm) + 1), np.uint8)
    return cv2.dilate((np.abs(slope) > STEEP_PER_MM).astype(np.uint8), reach) > 0


def _shading(mean: F32, inside: Bool, per_mm: float, width: int, plain: bool) -> F32:
    """What varies slowly across the wires, deep dark lines left out, with `plain` the bright ones too."""
    slow = _slow(mean, inside, width)
    off = np.where(inside, mean - slow, 0).astype(np.float32)
    deep = DEEP * 1.4826 * (float(np.median(np.abs(off[inside]))) if inside.any() else 1.0)
    reach = np.ones((1, width | 1), np.uint8)
    lines = (off > deep) & (off > -cv2.erode(off, reach))
    if plain:
        lines |= (off < -deep) & (-off > cv2.dilate(off, reach))
    if not lines.any():
        return slow
    rim = np.ones((1, 2 * round(DEEP_RIM_MM * per_mm) + 1), np.uint8)
    return _slow(mean, inside & (cv2.dilate(lines.view(np.uint8), rim) == 0), width)


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


def _over_flanks(image: F32, per_mm: float, thickest_mm: float) -> tuple[F32, F32]:
    """How far each place stands out of the film to its left and to its right: a wire over both, the edge of a weld over one only."""
    sigma_mm = max(0.1, 0.25 * thickest_mm)
    near_mm, far_mm = max(2.0 * sigma_mm, 0.65 * thickest_mm), max(5.0 * sigma_mm, thickest_mm + 0.2)
    reach = int(np.ceil(max(far_mm, 3 * sigma_mm) * per_mm))
    u = np.arange(-reach, reach + 1) / per_mm
    ridge = np.exp(-0.5 * (u / sigma_mm) ** 2)
    sides: list[F32] = []
    for sign in (-1, 1):
        flank = ((sign * u >= near_mm) & (sign * u <= far_mm)).astype(float)
        kernel = ridge / ridge.sum() - flank / flank.sum()
        kernel = (kernel / np.sqrt((kernel**2).sum())).astype(np.float32)[None, :]
        sides.append(np.asarray(cv2.filter2D(image, cv2.CV_32F, kernel, borderType=cv2.BORDER_REPLICATE), dtype=np.float32))
    return sides[0], sides[1]


def _line_maps(bands: Bands, leans: F64, length: int, rows: Ints, thickest_mm: float) -> F32:
    """Signal-to-noise of a line of `length` rows about each of `rows` (evenly spaced, the first lines begin on row 0), at each lean:
    shape (leans, rows, columns).

    Columns are those at the middle row of the picture. Of both flanks the lesser, each over its own spread.
    """
    high, wide = bands.image.shape
    out = np.empty((len(leans), len(rows), wide), dtype=np.float32)
    flanks = _over_flanks(bands.image, bands.columns_per_mm, thickest_mm)

    def one(k: int) -> None:
        move = np.array([[1.0, leans[k], -leans[k] * (high // 2)], [0.0, 1.0, 0.0]])
        left, right = (_standardised(_summed(flank, move, rows - length // 2, length), bands.columns_per_mm, float(length))
                       for flank in flanks)
        np.minimum(left, right, out=out[k])

    with ThreadPoolExecutor(2) as pool:
        list(pool.map(one, range(len(leans))))
    return out


def _summed(flank: F32, move: F64, starts: Ints, length: int) -> F32:
    """Sums over `length` rows from each of `starts` of the picture sheared by `move`, by way of the sums from start to start."""
    sheared = np.asarray(cv2.warpAffine(flank, move, flank.shape[::-1], flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP), dtype=np.float32)
    step = int(starts[1]) if len(starts) > 1 else length
    whole = length // step
    groups = sheared[: len(sheared) // step * step].reshape(-1, step, sheared.shape[1]).sum(axis=1)
    sums: F32 = groups[: len(starts)].copy()
    for k in range(1, whole):
        sums += groups[k : k + len(starts)]
    for k in range(whole * step, length):
        sums += sheared[k::step][: len(starts)]
    return sums


def _standardised(sums: F32, per_mm: float, length: float) -> F32:
    """Each row over its own spread within 40 mm: a median of medians, so that the wires themselves hardly count. Writes over `sums`."""
    tile = max(9, 3 * round(8 * per_mm / 3))
    count = max(1, sums.shape[1] // tile)
    size = np.sort(np.abs(sums[:, : count * tile : 3]).reshape(sums.shape[0], count, -1), axis=2)
    spread = 1.4826 * ndimage.median_filter(size[:, :, size.shape[2] // 2], size=(1, 5), mode="nearest")
    least = np.maximum(spread, 0.5 * np.sqrt(length)).astype(np.float32)
    sums /= cv2.resize(least, sums.shape[::-1], interpolation=cv2.INTER_NEAREST)
    return sums


def find_chains(bands: Bands, wires: Sequence[Wire], length_mm: float, settings: WireSettings, least: float) -> list[Chain]:
    """The most evident chains of lines of `length_mm` with evidence from `least`, best first; each starts elsewhere."""
    length = round(length_mm * bands.rows_per_mm)
    rows = np.arange(length // 2, bands.image.shape[0] - length // 2, max(1, length // 4))
    if not len(rows):
        return []
    aspect = bands.row_px / bands.column_px
    leans = np.arange(-settings.lean_max, settings.lean_max + 1e-9, settings.lean_step) * aspect
    maps = _line_maps(bands, leans, length, rows, wires[0].diameter_mm)
    near = np.concatenate([maps[:1], maps, maps[-1:]])
    maps = np.maximum(np.maximum(near[:-2], near[2:]), maps)
    flat = maps.reshape(-1, maps.shape[2])
    found = [c for direction in (1, -1) for c in _starts(flat, direction, wires, bands.columns_per_mm, settings, least)]
    chains = []
    for evidence, line, columns in sorted(found, reverse=True)[: settings.most_chains]:
        k, place = divmod(line, len(rows))
        shift = leans[k] * (rows[place] - bands.image.shape[0] // 2)
        chains.append(Chain(evidence, int(rows[place]), float(leans[k]), tuple(round(c + shift) for c in columns)))
    return chains


def _starts(sums: F32, direction: int, wires: Sequence[Wire], per_mm: float, settings: WireSettings,
            least: float) -> list[tuple[float, int, list[int]]]:
    """Chains that start anywhere in any line, wires at growing columns, wire k weighed 0.8^k: (evidence, line, columns as on the film).

    direction: 1 for the thickest wire at the left, -1 at the right. A thin wire off the film speaks neither for the set nor against it.
    Dynamic programming from the thinnest wire back; of starts within 1.5 mm in all lines only the best.
    """
    columns = sums.shape[1]
    gaps = [_gap_columns(a, b, per_mm, settings) for a, b in pairwise(wires)]
    lines = _promising(sums, direction, gaps, settings, least)
    if not len(lines):
        return []
    sums = np.ascontiguousarray(sums[lines][:, ::direction])
    held = np.minimum(sums, CAP)
    gains, links = _chained(held, gaps)
    total = np.where(held >= settings.first_snr_min, held + gains, -np.inf)
    best = total.max(axis=0)
    found: list[tuple[float, int, list[int]]] = []
    while len(found) < settings.most_chains and best.max() >= least:
        start = int(best.argmax())
        evidence, line = float(best[start]), int(total[:, start].argmax())
        best[max(0, start - round(1.5 * per_mm)) : start + round(1.5 * per_mm) + 1] = -np.inf
        chain = [start]
        for here, (low, high) in zip(links, gaps, strict=True):
            ahead = here[line, chain[-1] + low : chain[-1] + high + 1]
            chain.append(chain[-1] + low + (int(ahead.argmax()) if len(ahead) else 0))
        if chain[1] < columns and sums[line, chain[1]] >= settings.first_snr_min:
            found.append((evidence, int(lines[line]), chain if direction == 1 else [columns - 1 - c for c in chain]))
    return found


def _promising(sums: F32, direction: int, gaps: Sequence[tuple[int, int]], settings: WireSettings, least: float) -> Ints:
    """The lines that may hold a chain with evidence from `least`: the same search over the greatest values of `BLOCK` columns, which
    gives no less than the search itself and takes a tenth of its time."""
    strongest = np.maximum(cv2.dilate(sums, np.ones((1, BLOCK), np.uint8), anchor=(0, 0))[:, ::BLOCK], 0)[:, ::direction]
    lines = np.flatnonzero(strongest.max(axis=1) >= settings.first_snr_min)
    held = np.ascontiguousarray(np.minimum(strongest[lines], CAP), dtype=np.float32)
    if not len(lines):
        return lines
    gains, _ = _chained(held, [(low // BLOCK, (high + BLOCK - 1) // BLOCK) for low, high in gaps])
    return np.asarray(lines[np.where(held >= settings.first_snr_min, held + gains, 0).max(axis=1) >= 0.999 * least])


def _chained(held: F32, gaps: Sequence[tuple[int, int]]) -> tuple[F32, list[F32]]:
    """What the best chain of further wires adds at each column, and the same with each of these wires at the column, thickest first.
    gaps: least and greatest columns from each wire to the next."""
    links: list[F32] = []
    gains = np.zeros_like(held)
    for k in range(len(gaps), 0, -1):
        low, high = gaps[k - 1]
        here = np.asarray(np.float32(0.8**k) * held + gains, dtype=np.float32)
        links.append(here)
        padded = cv2.copyMakeBorder(here[:, low:], 0, 0, 0, high, cv2.BORDER_CONSTANT, value=0.0)
        gains = np.asarray(cv2.dilate(padded, np.ones((1, high - low + 1), np.uint8), anchor=(0, 0))[:, : held.shape[1]], dtype=np.float32)
    return gains, links[::-1]


def _gap_columns(a: Wire, b: Wire, per_mm: float, settings: WireSettings) -> tuple[int, int]:
    gap_mm = max(settings.spacing_mm, 3 * max(a.diameter_mm, b.diameter_mm))
    low, high = settings.spacing_slack
    return int(low * gap_mm * per_mm), int(np.ceil(high * gap_mm * per_mm))
