"""Wires of the indicator on the film: which of those that the marks found are really visible, and what they say of contrast and blur.

A set is seven (ASTM: six) parallel wires of falling diameter at nearly equal spacing. `reading/wires.py` found it and followed it; here
every wire is measured along its path, thin wires only where they must lie, as a reader does.
A wire counts as seen where the signal-to-noise of its profile, added up over 10 mm without a break, reaches VISIBLE_SNR; the noise
is the spread of the same sum beside the wires, so that ripples and grain count as they disturb. VISIBLE_SNR is
Rose's 5 for an observer half as efficient as the ideal one (5 times the square root of 2); on real films it gives the wires a reader
counts, within one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from scipy import ndimage

from rtscan.film import F32, F64, Bool, Film, Mark
from rtscan.knowledge.iqi import Wire, visible_length_mm
from rtscan.reading.wire_search import Bands, Ints, make_bands, ridge_filter

VISIBLE_SNR = 7.0
BEST_OF_FIVE = 1.16
"""What chance adds to the best of the five visible lengths of a 50 mm wire: the expected greatest of five normal deviates (L. H. C.
Tippett, Biometrika 17 (1925) 364)."""
STRONG_SNR = 9.0
"""A wire this plain fixes where the others must lie."""
MUCH_BETTER = 1.5
"""A line behind a wire that is not seen, this many times as plain as the last one seen, is no wire. From one superimposed double wall:
2.3."""
BREAK_SNR = 0.5
"""Signal-to-noise over a quarter of the visible length below which a wire is broken there."""
CELL_MM = (0.5, 0.08)
KERNEL_MM, PITCH_MM = 1.25, 5.0
"""Reach of the filter across a wire, and the usual distance of the wires: noise is measured where no wire reaches."""
RIM_MM = 0.35
"""How far the blur of a wire reaches on either side."""
OFF_ROW_MM = 1.0
"""A marked wire this near to where the strong ones say it must lie may be the wire."""
BESIDE_MM, ALONG_MM = 7.0, 7.0
"""Film kept beside and beyond the set: a still thicker wire would lie there, and faint ends."""


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


def _beyond(wire: SeenWire, last: SeenWire | None) -> bool:
    """Whether a line shows far better than the last wire seen."""
    return last is not None and wire.snr > MUCH_BETTER * last.snr


@dataclass(frozen=True)
class WireSet:
    """The set as read, thickest wire first. `first_may_be_off` when a thicker wire may lie off the film or under lead; `turned` when the
    wires run along the rows of the picture."""

    kind: str
    wires: tuple[SeenWire, ...]
    first_may_be_off: bool
    turned: bool

    @property
    def thinnest_visible(self) -> SeenWire | None:
        """The last wire of the row of visible wires from the thickest on; None when that row does not begin.

        One wire that is not seen ends the row, unless the next is plain or two thinner ones are seen: then it is bent or hidden. A line
        that shows far better than the last wire seen is another thing (a tube wall, a ripple), for thinner wires show less.
        """
        last = None
        for k, wire in enumerate(self.wires):
            if wire.visible:
                last = wire
            elif sum(1 + (w.snr >= STRONG_SNR) for w in self.wires[k + 1 : k + 3] if w.visible and not _beyond(w, last)) < 2:
                break
        return last


def read_wires(film: Film, usable: Bool, marks: Sequence[Mark], wires: Sequence[Wire], kind: str) -> WireSet | None:
    """The wire set whose wires were marked on a film of known scale, or None when none were.

    usable
        bool, shape of the film; False under letters, border and where the film is saturated.
    marks
        The marks of the film; its wires lie thickest first.
    wires
        The wires of the set, thickest first.
    """
    paths = [mark.path_px for mark in marks if mark.kind == "wire" and len(mark.path_px) >= 2][: len(wires)]
    if film.pixels_per_mm is None or len(paths) < 2:
        return None
    spread = np.ptp(np.concatenate([path - path[len(path) // 2] for path in paths]), axis=0)
    turned = bool(spread[0] > spread[1])
    bands = make_bands(film, usable, turned, wires[0].diameter_mm, CELL_MM, _window(film, paths, len(wires), turned),
                       _under(film, paths, wires))
    return None if bands is None else _read(film, bands, paths, wires, kind)


def _under(film: Film, paths: Sequence[F64], wires: Sequence[Wire]) -> Bool:
    """bool, shape of the film: True under the wires and their blurred rims, where the shading must not follow them."""
    canvas = np.zeros(film.density.shape, dtype=np.uint8)
    for path, wire in zip(paths, wires, strict=False):
        wide = round((wire.diameter_mm + 2 * RIM_MM) * (film.pixels_per_mm or 1.0))
        cv2.polylines(canvas, [np.round(path).astype(np.int32)], False, 1, max(1, wide))
    return canvas.view(np.bool_)


def _window(film: Film, paths: Sequence[F64], count: int, turned: bool) -> tuple[slice, slice]:
    """The part of the film (rows, columns) that holds all wires of the set, the unmarked ones too, and film beside them."""
    ppm = film.pixels_per_mm or 1.0
    points, step = np.concatenate(paths), paths[-1].mean(axis=0) - paths[0].mean(axis=0)
    step = step * (count - len(paths)) / (len(paths) - 1)
    low, high = points.min(axis=0) + np.minimum(step, 0), points.max(axis=0) + np.maximum(step, 0)
    beside = np.array([ALONG_MM, BESIDE_MM] if turned else [BESIDE_MM, ALONG_MM]) * ppm
    (left, top), (right, bottom) = np.maximum(low - beside, 0).astype(int), np.ceil(high + beside).astype(int)
    rows, columns = film.density.shape
    return slice(top, min(bottom, rows)), slice(left, min(right, columns))


def _read(film: Film, bands: Bands, paths: Sequence[F64], wires: Sequence[Wire], kind: str) -> WireSet:
    """Measures every wire. Thin wires are looked for where the strong ones say they must lie, not where noise happens to be brightest."""
    length = round(visible_length_mm(kind) * bands.rows_per_mm)
    rows, marked = _places(bands, paths, length // 2)
    step = (marked[:, -1] - marked[:, 0]) / (len(paths) - 1)
    places = np.stack([marked[:, k] if k < len(paths) else marked[:, -1] + step * (k + 1 - len(paths)) for k in range(len(wires))], axis=1)
    ridges = [ridge_filter(bands.image, bands.columns_per_mm, max(0.08, 0.3 * w.diameter_mm)) for w in wires]
    noise = [_noise(bands, ridge, wires, rows, places, length) for ridge in ridges]
    seen = [_measured(film, bands, ridges[k], w, rows, places[:, k], noise[k], length, 0.9) for k, w in enumerate(wires)]
    strong = [k for k, one in enumerate(seen) if one.snr >= STRONG_SNR and one.visible]
    if len(strong) >= 2:
        own = [_refined(ridges[k], rows, places[:, k], bands.columns_per_mm, length, 0.9) for k in strong]
        gap = np.median(np.polyfit(np.array(strong), np.array(own), 1)[0])
        for k, wire in enumerate(wires):
            if k not in strong:
                nearest = min(strong, key=lambda m: abs(m - k))
                must_be = own[strong.index(nearest)] + gap * (k - nearest)
                found = _measured(film, bands, ridges[k], wire, rows, must_be, noise[k], length, 0.5)
                as_marked = float(np.median(np.abs(places[:, k] - must_be))) <= OFF_ROW_MM * bands.columns_per_mm
                seen[k] = max(found, seen[k], key=lambda one: one.snr) if as_marked else found
    return WireSet(kind, tuple(seen), _first_may_be_off(bands, rows, places), bands.turned)


def _places(bands: Bands, paths: Sequence[F64], beyond: int) -> tuple[F64, F64]:
    """Rows of cells along the set and the columns of its marked wires there, shapes (rows,), (rows, wires); `beyond` rows further at
    both ends, straight on, because where a faint wire ends is not known that well."""
    cells = [bands.cells(path) for path in paths]
    first, last = min(c[0].min() for c in cells) - beyond, max(c[0].max() for c in cells) + beyond
    rows = np.arange(max(0.0, np.ceil(first)), min(bands.image.shape[0] - 1.0, np.floor(last)) + 1)
    return rows, np.stack([_straight_on(rows, down, right) for down, right in cells], axis=1)


def _straight_on(rows: F64, down: F64, right: F64) -> F64:
    """Columns of a path at rows, beyond its ends along its general direction."""
    lean = (right[-1] - right[0]) / max(down[-1] - down[0], 1.0)
    beyond = np.minimum(rows - down[0], 0) + np.maximum(rows - down[-1], 0)
    return np.asarray(np.interp(rows, down, right) + lean * beyond, dtype=np.float64)


def _measured(film: Film, bands: Bands, ridge: F32, wire: Wire, rows: F64, places: F64, noise: F64, length: int,
              reach_mm: float) -> SeenWire:
    """Signal-to-noise of one wire over every stretch of the visible length; `noise` is the spread of such sums on every row."""
    places = _refined(ridge, rows, places, bands.columns_per_mm, length, reach_mm)
    values = _beside(ridge, rows, places, np.zeros(1, dtype=np.intp))[:, 0]
    at = np.round(places).astype(int)
    width = ridge.shape[1]
    known = bands.known[rows.astype(int), np.clip(at, 0, width - 1)] & (at >= 0) & (at < width)
    sums = ndimage.uniform_filter1d(values, length, mode="constant") * np.sqrt(length)
    whole = ndimage.minimum_filter1d(known.astype(np.uint8), length, mode="constant") > 0
    quarter = ndimage.uniform_filter1d(values, max(2, length // 4), mode="constant") * np.sqrt(length / 4)
    unbroken = ndimage.minimum_filter1d(quarter, max(1, length - length // 4), mode="constant") > BREAK_SNR
    snr = np.where(whole, np.maximum(sums / np.maximum(noise, 0.7) - BEST_OF_FIVE, 0.0), 0.0)
    counts = (snr >= VISIBLE_SNR) & unbroken
    best = int(np.argmax(np.where(unbroken, snr, 0.5 * snr)))
    reached = ndimage.maximum_filter1d(counts.astype(np.uint8), length) > 0
    path = bands.path_px(rows, places)
    stretch = path[reached] if counts.any() else path[max(0, best - length // 2) : best + length // 2 + 1]
    return SeenWire(wire, path[_inside(path, film)], float(snr[best]), bool(counts.any()), float(reached.sum()) / bands.rows_per_mm,
                    _peak_contrast(film, bands, stretch, wire), stretch)


def _noise(bands: Bands, ridge: F32, wires: Sequence[Wire], rows: F64, places: F64, length: int) -> F64:
    """Spread of sums over `length` rows where no wire lies, on every row: between the wires, clear of the reach of the filter."""
    clear = np.concatenate([
        _beside(ridge, rows, places[:, k], sign * np.arange(round((KERNEL_MM + 0.5 * wire.diameter_mm) * bands.columns_per_mm),
                                                            round(0.5 * PITCH_MM * bands.columns_per_mm)))
        for k, wire in enumerate(wires) for sign in (-1, 1) if KERNEL_MM + 0.5 * wire.diameter_mm < 0.5 * PITCH_MM
    ] or [ridge[rows.astype(np.intp)]], axis=1)
    sums = ndimage.uniform_filter1d(clear, length, axis=0, mode="constant") * np.sqrt(length)
    return np.asarray(1.4826 * np.median(np.abs(sums - np.median(sums, axis=1, keepdims=True)), axis=1))


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


def _inside(path: F64, film: Film) -> Bool:
    rows, columns = film.density.shape
    return np.asarray((path[:, 0] >= 0) & (path[:, 0] <= columns - 1) & (path[:, 1] >= 0) & (path[:, 1] <= rows - 1))


def _first_may_be_off(bands: Bands, rows: F64, places: F64) -> bool:
    """True when the place where a still thicker wire would lie is off the film or hidden."""
    middle = len(rows) // 2
    place = round(float(2 * places[middle, 0] - places[middle, 1]))
    if not 0 <= place < bands.image.shape[1]:
        return True
    near = bands.known[max(0, int(rows[middle]) - 5) : int(rows[middle]) + 6, place]
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
    fine = np.linspace(0, len(path_px) - 1, max(2, round(len(path_px) * CELL_MM[0] * ppm)))
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
