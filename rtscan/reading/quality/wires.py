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
from dataclasses import dataclass

import cv2
import numpy as np
from scipy import ndimage

from rtscan.film import F32, F64, Bool, Film
from rtscan.knowledge.iqi import Wire, visible_length_mm
from rtscan.reading.quality.wire_search import ROW_MM, Bands, Chain, Ints, Way, WireSettings, find_chain, ridge_filter

VISIBLE_SNR = 7.0
STRONG_SNR = 9.0
"""A wire this clear fixes where the others must lie."""
ENDS_SHARE = 0.35
"""Of what the three thickest wires together show where the set was found: less, and the set has ended."""


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


def find_wires(film: Film, hidden: Bool, wires: Sequence[Wire], kind: str, weld_angle_deg: float = 0.0,
               settings: WireSettings | None = None) -> WireSet | None:
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
    settings = settings or WireSettings()
    length_mm = visible_length_mm(kind)
    upright = abs(weld_angle_deg) <= 45
    lean = float(np.tan(np.deg2rad(weld_angle_deg if upright else weld_angle_deg - 90)))
    ways = [Way(not upright, -lean if upright else lean), Way(upright, lean if upright else -lean)]
    likely = find_chain(film, hidden, ways[0], wires, length_mm, settings, settings.set_evidence_min)
    if likely is None or likely[1].evidence < settings.beyond_doubt:
        least = settings.unusual_way_min if likely is None else likely[1].evidence + settings.unusual_way_penalty
        other = find_chain(film, hidden, ways[1], wires, length_mm, settings, least)
        likely = other or likely
    return None if likely is None else _follow(film, *likely, wires, kind, settings)


def _follow(film: Film, bands: Bands, chain: Chain, wires: Sequence[Wire], kind: str, settings: WireSettings) -> WireSet:
    """Follows the set up and down from where it was found and measures every wire.

    Thin wires are looked for where the strong ones say they must lie, not where noise happens to be brightest.
    """
    length = round(visible_length_mm(kind) * bands.rows_per_mm)
    ridges = [ridge_filter(bands.image, bands.columns_per_mm, max(0.08, 0.3 * w.diameter_mm)) for w in wires]
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


def _track(bands: Bands, ridges: list[F32], chain: Chain, length: int) -> tuple[F64, F64]:
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


def _measured(film: Film, bands: Bands, ridge: F32, wire: Wire, rows: F64, places: F64, length: int, settings: WireSettings,
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


def _path_px(bands: Bands, rows: F64, columns: F64) -> F64:
    down = (rows + 0.5) * bands.row_px - 0.5
    right = (columns + 0.5) * bands.column_px - 0.5
    return np.stack([down, right] if bands.turned else [right, down], axis=1)


def _inside(path: F64, film: Film) -> Bool:
    rows, columns = film.density.shape
    return np.asarray((path[:, 0] >= 0) & (path[:, 0] <= columns - 1) & (path[:, 1] >= 0) & (path[:, 1] <= rows - 1))


def _first_may_be_off(bands: Bands, chain: Chain) -> bool:
    """True when the place where a still thicker wire would lie is off the film or hidden."""
    gap = chain.columns[0] - chain.columns[1]
    place = chain.columns[0] + gap
    if not 0 <= place < bands.image.shape[1]:
        return True
    near = bands.known[max(0, chain.row - 5) : chain.row + 6, place]
    return not bool(near.mean() > 0.5)


def _peak_contrast(film: Film, bands: Bands, path: F64, wire: Wire) -> float:
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
