"""Wire indicators on the film: where the wires lie, which are really visible, and what they say of contrast and blur.

A set is seven (ASTM: six) parallel wires of falling diameter at nearly equal spacing. It is looked for in bands of the length that
counts as visible (10 mm): for every lean, the film is added up along the wires and filtered across them, and the chain of places
that best fits "strong, spaced, falling" is taken. Thin wires are then looked for only where they must lie, as a reader does.
A wire counts as seen where the signal-to-noise of its profile, added up over 10 mm without a break, reaches VISIBLE_SNR; the noise
is the spread of the same sum beside the wires, so that ripples and grain count as they disturb. VISIBLE_SNR is
Rose's 5 for an observer half as efficient as the ideal one (5 times the square root of 2); on real films it gives the wires a reader
counts, within one.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from rtscan.film import F32, F64, Bool, Film
from rtscan.knowledge.iqi import Wire, visible_length_mm

VISIBLE_SNR = 7.0
COLUMN_MM = 0.08
ROW_MM = 0.5
LEAD_MARGIN_MM = 0.7
"""How far the blurred rim of lead letters and border reaches beyond what is marked as hidden."""
LEAN_MAX = 0.17
STRONG_SNR = 9.0
"""A wire this clear fixes where the others must lie."""
CLIP = 3.5
"""Noise sigmas at which a pixel is held, so that the rim of a letter does not pass for a wire."""
CAP = 8.0
STRAY_RATIO, LATER_RATIO = 2.3, 1.8
MOST_LINES_PUT_ASIDE = 8
ENDS_SHARE = 0.35
"""Of what the three thickest wires together show where the set was found: less, and the set has ended."""
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
class SeenWire:
    """One wire of the set.

    path_px
        float64, shape (n, 2), film pixels (x, y), where the wire lies or must lie.
    snr
        Best signal-to-noise over the visible length.
    visible
        Whether that reaches VISIBLE_SNR without a break.
    visible_mm
        Length over which it does.
    contrast
        Peak density difference of the mean profile along `stretch_px`, positive (density; relative where the film is).
    stretch_px
        The part of the path on which the wire is seen, or the best visible length where it is not.
    """

    wire: Wire
    path_px: F64
    snr: float
    visible: bool
    visible_mm: float
    contrast: float
    stretch_px: F64


@dataclass(frozen=True)
class WireSet:
    """The set as found, thickest wire first. `evidence` is the sum that decided; `first_may_be_off` when a thicker wire may lie
    off the film or under lead; `turned` when the wires run along the rows of the picture."""

    kind: str
    wires: tuple[SeenWire, ...]
    evidence: float
    first_may_be_off: bool
    turned: bool

    @property
    def thinnest_visible(self) -> SeenWire | None:
        """The last wire of the row of visible wires from the thickest on; None when that row does not begin.

        One wire that is not seen ends the row, unless two thinner ones are: then it is bent or hidden.
        """
        last = None
        for k, wire in enumerate(self.wires):
            if wire.visible:
                last = wire
            elif sum(w.visible for w in self.wires[k + 1 : k + 3]) < 2:
                break
        return last


@dataclass(frozen=True)
class _Bands:
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


def find_wires(film: Film, hidden: Bool, wires: Sequence[Wire], kind: str, weld_angle_deg: float = 0.0,
               settings: WireSettings = WireSettings()) -> WireSet | None:
    """The wire set on a film of known scale, or None when none is found.

    hidden
        bool, shape of the film; True under letters and border.
    wires
        The wires of the set, thickest first.
    weld_angle_deg
        Direction of the weld in the picture, 0 along the rows, positive turning down (x right, y down), in (-90, 90]; wires
        lie across it, or rarely along it.
    """
    if film.pixels_per_mm is None or len(wires) < 2:
        return None
    length_mm = visible_length_mm(kind)
    upright = abs(weld_angle_deg) <= 45
    lean = float(np.tan(np.deg2rad(weld_angle_deg if upright else weld_angle_deg - 90)))
    ways = [_Way(not upright, -lean if upright else lean), _Way(upright, lean if upright else -lean)]
    likely = _found(film, hidden, ways[0], wires, length_mm, settings, settings.set_evidence_min)
    if likely is None or likely[1].evidence < settings.beyond_doubt:
        least = settings.unusual_way_min if likely is None else likely[1].evidence + settings.unusual_way_penalty
        other = _found(film, hidden, ways[1], wires, length_mm, settings, least)
        likely = other or likely
    return None if likely is None else _follow(film, *likely, wires, kind, settings)


@dataclass(frozen=True)
class _Way:
    """A direction to look along: the picture `turned` (rows and columns swapped) or not, and the lean (mm across per mm down) expected."""

    turned: bool
    lean: float


def _found(film: Film, hidden: Bool, way: _Way, wires: Sequence[Wire], length_mm: float, settings: WireSettings,
           least: float) -> tuple[_Bands, _Chain] | None:
    """The best chain over the visible length, else over a longer one, on which faint wires add up further."""
    bands = _bands(film, hidden, way, wires[0].diameter_mm)
    if bands is None:
        return None
    found = _likely_chain(bands, wires, length_mm, settings, least)
    return found or _likely_chain(bands, wires, settings.longer * length_mm, settings, least)


def _likely_chain(bands: _Bands, wires: Sequence[Wire], length_mm: float, settings: WireSettings,
                  least: float) -> tuple[_Bands, _Chain] | None:
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


def _stray(bands: _Bands, chain: _Chain, length: int) -> _Bands | None:
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


def _line_strength(bands: _Bands, rows: Ints, chain: _Chain, k: int) -> float:
    columns = np.round(chain.columns[k] + chain.lean * (rows - chain.row)).astype(int)
    reach = np.arange(-round(0.4 * bands.columns_per_mm), round(0.4 * bands.columns_per_mm) + 1)
    grid = np.clip(columns[:, None] + reach[None, :], 0, bands.rough.shape[1] - 1)
    return float(np.median(ndimage.uniform_filter1d(bands.rough[rows[:, None], grid], 5, axis=0), axis=0).max())


def _bands(film: Film, hidden: Bool, way: _Way, thickest_mm: float) -> _Bands | None:
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
    return _Bands(np.where(near_hole, image, 0).astype(np.float32), rough, near_hole, row_px, column_px, ppm, way.turned, way.lean)


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


def _across(image: F32, per_mm: float, sigma_mm: float) -> F32:
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


def _leans(bands: _Bands, length_mm: float) -> F64:
    """Leans to try (columns moved per row), fine enough that a wire stays within half a column over the length."""
    step = 1.0 / (length_mm * bands.rows_per_mm)
    aspect = bands.row_px / bands.column_px
    count = int(np.ceil(LEAN_MAX * aspect / step))
    return np.asarray(bands.lean * aspect + np.arange(-count, count + 1) * step, dtype=np.float64)


def _sheared_sums(bands: _Bands, ridge: F32, lean: float, length: int) -> F32:
    """Sum over `length` rows along a lean, divided by its square root; row k stands for rows k - length//2 … about k."""
    rows, columns = ridge.shape
    shift = np.round(lean * (np.arange(rows) - rows / 2)).astype(int)
    place = np.arange(columns)[None, :] + shift[:, None]
    inside = (place >= 0) & (place < columns)
    level = np.where(inside, ridge[np.arange(rows)[:, None], np.clip(place, 0, columns - 1)], 0)
    return np.asarray(ndimage.uniform_filter1d(level, length, axis=0, mode="constant") * np.sqrt(length), dtype=np.float32)


def _standardised(sums: F32, per_mm: float) -> F32:
    """Each row over its own spread within 40 mm (robust, so that the wires themselves hardly count)."""
    tile = max(8, round(8 * per_mm))
    count = max(1, sums.shape[1] // tile)
    blocks = sums[:, : count * tile].reshape(sums.shape[0], count, tile)
    spread = 1.4826 * np.median(np.abs(blocks - np.median(blocks, axis=2, keepdims=True)), axis=2)
    spread = ndimage.median_filter(spread, size=(1, 5), mode="nearest")
    full = np.repeat(spread, tile, axis=1)
    full = np.pad(full, ((0, 0), (0, sums.shape[1] - full.shape[1])), mode="edge")
    return np.asarray(sums / np.maximum(full, 0.5), dtype=np.float32)


@dataclass(frozen=True)
class _Chain:
    """Best chain: evidence, row of bands, lean (columns per row), columns of the wires at that row, thickest first."""

    evidence: float
    row: int
    lean: float
    columns: tuple[int, ...]


def _best_chain(bands: _Bands, wires: Sequence[Wire], length_mm: float, settings: WireSettings) -> _Chain | None:
    length = round(length_mm * bands.rows_per_mm)
    flanks = _over_flanks(bands.image, bands.columns_per_mm, max(0.1, 0.3 * wires[0].diameter_mm))
    best: _Chain | None = None
    rows = np.arange(length // 2, bands.image.shape[0] - length // 2, max(1, length // 4))
    leans = _leans(bands, length_mm)
    maps = [np.minimum(*(_standardised(_sheared_sums(bands, flank, float(lean), length)[rows], bands.columns_per_mm) for flank in flanks))
            for lean in leans]
    for k, lean in enumerate(leans):
        sums = np.maximum.reduce(maps[max(0, k - NEAR_LEANS) : k + NEAR_LEANS + 1])
        for direction in (1, -1):
            found = _chain_of(sums[:, ::direction], wires, bands.columns_per_mm, settings, 0.0 if best is None else best.evidence)
            if found is not None:
                evidence, place, columns = found
                shift = round(float(lean) * (rows[place] - bands.image.shape[0] / 2))
                at = tuple((c if direction == 1 else sums.shape[1] - 1 - c) + shift for c in columns)
                best = _Chain(evidence, int(rows[place]), float(lean), at)
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


def _follow(film: Film, bands: _Bands, chain: _Chain, wires: Sequence[Wire], kind: str, settings: WireSettings) -> WireSet:
    """Follows the set up and down from where it was found and measures every wire.

    Thin wires are looked for where the strong ones say they must lie, not where noise happens to be brightest.
    """
    length = round(visible_length_mm(kind) * bands.rows_per_mm)
    ridges = [_across(bands.image, bands.columns_per_mm, max(0.08, 0.3 * w.diameter_mm)) for w in wires]
    rows, places = _track(bands, ridges, chain, length)
    seen = [_measured(film, bands, ridges[k], w, rows, places[:, k], length, settings, 0.9) for k, w in enumerate(wires)]
    strong = [k for k, one in enumerate(seen) if one.snr >= STRONG_SNR and one.visible]
    if len(strong) >= 2:
        own = [_refined(ridges[k], rows, places[:, k], bands.columns_per_mm, length, 0.9) for k in strong]
        gaps = [(b - a) / (j - i) for (i, a), (j, b) in itertools.pairwise(zip(strong, own, strict=True))]
        gap = np.median(np.array([np.median(g) for g in gaps]))
        for k, wire in enumerate(wires):
            if k not in strong:
                nearest = min(range(len(strong)), key=lambda m: abs(strong[m] - k))
                must_be = own[nearest] + gap * (k - strong[nearest])
                seen[k] = _measured(film, bands, ridges[k], wire, rows, must_be, length, settings, 0.5)
    return WireSet(kind, tuple(seen), chain.evidence, _first_may_be_off(bands, chain), bands.turned)


def _track(bands: _Bands, ridges: list[F32], chain: _Chain, length: int) -> tuple[F64, F64]:
    """Columns of all wires on every row the set can be followed on, moving together: shape (rows, wires).

    From row to row the set may lean a little more or less; the choice that collects most over half a visible length ahead wins.
    """
    offsets = np.array(chain.columns, dtype=float)
    paths: dict[int, F64] = {}
    for direction in (1, -1):
        position, lean, row = offsets.copy(), chain.lean, chain.row
        while 0 <= row < bands.image.shape[0]:
            paths[row] = position.copy()
            ahead = np.arange(1, length // 2 + 1)
            tries = [(_collected(ridges, position, row, direction * ahead, lean + turn) - 0.02 * length * abs(turn), lean + turn)
                     for turn in (0.0, -0.06, 0.06, -0.12, 0.12)]
            lean = max(tries, key=lambda t: t[0])[1]
            position = position + direction * lean
            row += direction
    order = np.array(sorted(paths))
    places = np.array([paths[r] for r in order])
    thick = np.mean([_beside(ridges[k], order, places[:, k], np.arange(-1, 2)).max(axis=1) for k in range(3)], axis=0)
    strength = ndimage.uniform_filter1d(thick - np.median(np.abs(ridges[0])), max(2, length // 2), mode="constant")
    there = (strength > ENDS_SHARE * strength[order == chain.row]) | (np.abs(order - chain.row) <= length // 2)
    stretches, _ = ndimage.label(ndimage.binary_closing(there, np.ones(max(3, length // 2), dtype=bool)))
    mine = np.flatnonzero(stretches == stretches[int(np.flatnonzero(order == chain.row)[0])])
    kept = slice(int(mine[0]), int(mine[-1]) + 1)
    return order[kept].astype(float), places[kept]


def _collected(ridges: list[F32], position: F64, row: int, ahead: Ints, lean: float) -> float:
    rows = row + ahead
    rows_ok = rows[(rows >= 0) & (rows < ridges[0].shape[0])]
    total = 0.0
    for k, ridge in enumerate(ridges):
        columns = np.round(position[k] + lean * (rows_ok - row)).astype(int)
        good = (columns >= 0) & (columns < ridge.shape[1])
        total += 0.8**k * float(np.minimum(ridge[rows_ok[good], columns[good]], 4.0).sum())
    return total


def _measured(film: Film, bands: _Bands, ridge: F32, wire: Wire, rows: F64, places: F64, length: int, settings: WireSettings,
              reach_mm: float) -> SeenWire:
    """Signal-to-noise of one wire over every stretch of the visible length, its noise from the same sums beside it."""
    places = _refined(ridge, rows, places, bands.columns_per_mm, length, reach_mm)
    side = _side_columns(bands.columns_per_mm, 2.2 + wire.diameter_mm)
    values = _beside(ridge, rows, places, side)
    at = np.round(places).astype(int)
    width = ridge.shape[1]
    known = bands.known[rows.astype(int), np.clip(at, 0, width - 1)] & (at >= 0) & (at < width)
    sums = ndimage.uniform_filter1d(values, length, axis=0, mode="constant") * np.sqrt(length)
    beside = np.abs(side) >= round((0.7 + wire.diameter_mm) * bands.columns_per_mm)
    noise = 1.4826 * np.median(np.abs(sums[:, beside] - np.median(sums[:, beside], axis=1, keepdims=True)), axis=1)
    whole = ndimage.minimum_filter1d(known.astype(np.uint8), length, mode="constant") > 0
    middle = len(side) // 2
    quarter = ndimage.uniform_filter1d(values[:, middle], max(2, length // 4), mode="constant") * np.sqrt(length / 4)
    unbroken = ndimage.minimum_filter1d(quarter, max(1, length - length // 4), mode="constant") > settings.break_snr
    snr = np.where(whole, sums[:, middle] / np.maximum(noise, 0.7), 0.0)
    counts = (snr >= VISIBLE_SNR) & unbroken
    best = int(np.argmax(np.where(unbroken, snr, 0.5 * snr)))
    reached = ndimage.maximum_filter1d(counts.astype(np.uint8), length) > 0
    path = _path_px(bands, rows, places)
    stretch = path[reached] if counts.any() else path[max(0, best - length // 2) : best + length // 2 + 1]
    return SeenWire(wire, path[_inside(path, film)], float(snr[best]), bool(counts.any()), float(reached.sum()) / bands.rows_per_mm,
                    _peak_contrast(film, bands, stretch, wire), stretch)


def _refined(ridge: F32, rows: F64, places: F64, per_mm: float, length: int, reach_mm: float) -> F64:
    """The wire's own path near the common one: moved as a whole by up to `reach_mm` to where it collects most, then on each row to the
    best place within 0.3 mm over half the visible length, where it stands out; smoothed along the wire."""
    whole = _side_columns(per_mm, reach_mm)
    strength = np.clip(_beside(ridge, rows, places, whole), -2.0, 4.0).mean(axis=0)
    places = places + whole[int(ndimage.gaussian_filter1d(strength, 1.0).argmax())]
    side = _side_columns(per_mm, 0.3)
    sums = ndimage.uniform_filter1d(_beside(ridge, rows, places, side), max(2, length // 2), axis=0, mode="nearest") * np.sqrt(length / 2)
    offset = side[sums.argmax(axis=1)].astype(float)
    strong = sums.max(axis=1) > 4.0
    if not strong.any():
        return places
    offset = np.interp(np.arange(len(rows)), np.flatnonzero(strong), offset[strong])
    offset = ndimage.median_filter(offset, max(3, length // 3), mode="nearest")
    return np.asarray(places + ndimage.gaussian_filter1d(offset, length / 8, mode="nearest"), dtype=np.float64)


def _beside(ridge: F32, rows: F64, places: F64, side: Ints) -> F32:
    """Filtered film on and beside a path: shape (rows of the path, side), 0 outside the film."""
    at = np.round(places).astype(int)[:, None] + side[None, :]
    inside = (at >= 0) & (at < ridge.shape[1])
    return np.where(inside, ridge[rows.astype(int)[:, None], np.clip(at, 0, ridge.shape[1] - 1)], 0.0).astype(np.float32)


def _side_columns(per_mm: float, reach_mm: float) -> Ints:
    reach = round(reach_mm * per_mm)
    return np.arange(-reach, reach + 1)


def _path_px(bands: _Bands, rows: F64, columns: F64) -> F64:
    down = (rows + 0.5) * bands.row_px - 0.5
    right = (columns + 0.5) * bands.column_px - 0.5
    return np.stack([down, right] if bands.turned else [right, down], axis=1)


def _inside(path: F64, film: Film) -> Bool:
    rows, columns = film.density.shape
    return np.asarray((path[:, 0] >= 0) & (path[:, 0] <= columns - 1) & (path[:, 1] >= 0) & (path[:, 1] <= rows - 1))


def _first_may_be_off(bands: _Bands, chain: _Chain) -> bool:
    """True when the place where a still thicker wire would lie is off the film or hidden."""
    gap = chain.columns[0] - chain.columns[1]
    place = chain.columns[0] + gap
    if not 0 <= place < bands.image.shape[1]:
        return True
    near = bands.known[max(0, chain.row - 5) : chain.row + 6, place]
    return not bool(near.mean() > 0.5)


def _peak_contrast(film: Film, bands: _Bands, path: F64, wire: Wire) -> float:
    """Greatest density difference of the mean profile across a stretch of the wire, over the level beside it; never below 0."""
    if len(path) < 2:
        return 0.0
    profile, u_mm = profile_across(film, path, bands.turned, 1.2)
    beside = (np.abs(u_mm) > 0.5 * wire.diameter_mm + 0.35) & (np.abs(u_mm) < 1.2)
    middle = np.abs(u_mm) <= max(0.06, 0.25 * wire.diameter_mm)
    return max(0.0, float(np.median(profile[beside]) - profile[middle].mean()))


def profile_across(film: Film, path_px: F64, turned: bool, reach_mm: float) -> tuple[F64, F64]:
    """Mean density across a nearly straight path, at distances `u_mm` from it (float64, both shape (n,)), linear trend removed."""
    ppm = film.pixels_per_mm or 1.0
    steps = np.arange(-round(reach_mm * ppm * 2), round(reach_mm * ppm * 2) + 1) / 2
    fine = np.linspace(0, len(path_px) - 1, max(2, round(len(path_px) * ROW_MM * ppm)))
    x, y = (np.interp(fine, np.arange(len(path_px)), path_px[:, i]) for i in (0, 1))
    if turned:
        xs, ys = np.broadcast_to(x[:, None], (len(x), len(steps))), y[:, None] + steps
    else:
        xs, ys = x[:, None] + steps, np.broadcast_to(y[:, None], (len(y), len(steps)))
    image = cv2.remap(film.density, np.ascontiguousarray(xs, dtype=np.float32), np.ascontiguousarray(ys, dtype=np.float32),
                      cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    profile = np.asarray(image.mean(axis=0), dtype=np.float64)
    u_mm = steps / ppm
    ends = np.abs(u_mm) > 0.7 * reach_mm
    slope, level = np.polyfit(u_mm[ends], profile[ends], 1)
    return profile - slope * u_mm - level + float(np.median(profile[ends] - slope * u_mm[ends])), u_mm
