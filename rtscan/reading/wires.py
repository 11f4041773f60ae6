"""Marks of the wires of an image quality indicator: thin, bright, straight, parallel, evenly spaced, thinner one by one.

No single wire is trusted: scratches, rolled edges and ripples make bright lines too. The film is averaged into blocks about a
millimetre along and a fifth of one across the wires, a line filter gives every block a signal-to-noise ratio (clipped, so that a letter or
a tungsten chip does not pass for a line), and sums along all slopes find lines. A set is a row of at least three at one distance.

This is quick and needs no job sheet: it says where wires lie. Which of them count as seen is for `quality/wires.py`.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.ndimage import maximum_filter, uniform_filter1d

from rtscan.film import F32, F64, Bool, Film, Mark
from rtscan.job import IqiSection

ASSUMED_PIXELS_PER_MM = 20.0
CLEAR_AFTER_A_GAP = 1.0
MOST_LINES = 400


@dataclass(frozen=True)
class WireSettings:
    """Lengths in mm. Spacing: 5 mm in the wire sets of ISO 19232-1 and 5.08 mm in those of ASTM E747, times the magnification."""

    block_mm: float = 1.5
    pitch_mm: float = 0.2
    steepest: float = 0.3
    slope_step: float = 0.02
    window_mm: float = 15.0
    clip: float = 3.0
    least_mean: float = 0.7
    least_thickest: float = 1.5
    spacing_mm: tuple[float, float] = (4.6, 6.3)
    longest_mm: float = 62.0
    off_row_mm: float = 0.35
    least_wires: int = 3
    least_total: float = 4.2
    most_wires: int = 7
    faint: float = 3.0
    mask_mm: float = 0.7


@dataclass(frozen=True)
class _Blocks:
    """Line signal-to-noise per block, (blocks along the wires, places across), and which are known."""

    signal: F32
    known: Bool
    block_px: float
    pitch_px: float
    turned: bool


@dataclass(frozen=True)
class _Line:
    """A straight bright line in blocks: place across at mid-height of the picture, slope (places per block), rows, mean signal."""

    place: float
    slope: float
    first: int
    last: int
    mean: float

    def at(self, row: F64 | float, middle: float) -> F64:
        return np.asarray(self.place + self.slope * (np.asarray(row, dtype=np.float64) - middle), dtype=np.float64)


def find_wires(film: Film, usable: Bool, iqi: IqiSection, settings: WireSettings) -> tuple[Mark, ...]:
    """The wires of the most convincing set on the film, thickest first; empty when there is none."""
    scale = film.pixels_per_mm or ASSUMED_PIXELS_PER_MM
    best: list[_Line] = []
    where: _Blocks | None = None
    for turned in (False, True):
        blocks = _blocks(film.density, usable, scale, turned, settings)
        row = _best_row(_lines(blocks, scale, settings), blocks, scale, settings)
        if sum(line.mean for line in row) > sum(line.mean for line in best):
            best, where = row, blocks
    if where is None or not best:
        return ()
    wires = _completed(best, where, scale, settings)
    if (wires[0].last - wires[0].first) * where.block_px > settings.longest_mm * scale:
        return ()
    return tuple(_mark(wire, number, where, scale, iqi, settings) for number, wire in enumerate(wires))


def _blocks(density: F32, usable: Bool, scale: float, turned: bool, settings: WireSettings) -> _Blocks:
    """Average the film, filter for bright lines, divide by the local spread."""
    along, across = density.shape if not turned else density.shape[::-1]
    rows, columns = max(4, round(along / (settings.block_mm * scale))), max(16, round(across / (settings.pitch_mm * scale)))
    size = (rows, columns) if turned else (columns, rows)
    mean = cv2.resize(density, size, interpolation=cv2.INTER_AREA).astype(np.float32)
    share = cv2.resize(usable.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    if turned:
        mean, share = np.ascontiguousarray(mean.T), np.ascontiguousarray(share.T)
    wide = max(1, round(0.4 / settings.pitch_mm))
    soft = uniform_filter1d(mean, wide, axis=1)
    gap = wide + 1
    near, far = ((0.5 * (np.roll(soft, n, axis=1) + np.roll(soft, -n, axis=1)) - soft) for n in (gap, 2 * gap))
    # A broad ridge or hollow dips four times as much over twice the distance; this leaves nothing of it, and all of a thin line.
    dip = (near - (far - near) / 3).astype(np.float32)
    unknown = cv2.dilate((share < 0.99).astype(np.uint8), np.ones((1, 4 * gap + 3), np.uint8)).astype(bool)
    unknown[:, : 3 * gap] = unknown[:, -3 * gap :] = True
    typical = 1.4826 * np.median(np.abs(dip), axis=1, keepdims=True) + 1e-9
    spread = 1.2533 * cv2.blur(np.minimum(np.abs(dip), 6 * typical).astype(np.float32), (round(20 / settings.pitch_mm) | 1, 1))
    signal = np.clip(dip / np.maximum(spread, 0.5 * typical), -settings.clip, settings.clip)
    return _Blocks(np.where(unknown, 0, signal).astype(np.float32), ~unknown, along / rows, across / columns, turned)


def _lines(blocks: _Blocks, scale: float, settings: WireSettings) -> list[_Line]:
    """Local best straight lines of `window_mm`, by mean signal, strongest first."""
    rows, columns = blocks.signal.shape
    window = min(rows, max(4, round(settings.window_mm * scale / blocks.block_px)))
    ratio = blocks.block_px / blocks.pitch_px
    slopes = np.arange(-settings.steepest, settings.steepest + 1e-9, settings.slope_step) * ratio
    margin = int(np.ceil(settings.steepest * ratio * rows / 2)) + 1
    wide_signal = np.pad(blocks.signal, ((0, 0), (margin, margin)))
    wide_known = np.pad(blocks.known.astype(np.float32), ((0, 0), (margin, margin)))
    best = np.full((rows - window + 1, columns), -np.inf, np.float32)
    best_slope = np.zeros_like(best)
    for slope in slopes:
        shift = margin + np.round(slope * (np.arange(rows) + 0.5 - rows / 2)).astype(np.int64)
        index = shift[:, None] + np.arange(columns)
        level = _window_mean(np.take_along_axis(wide_signal, index, 1), np.take_along_axis(wide_known, index, 1), window)
        better = level > best
        best[better], best_slope[better] = level[better], slope
    apart = max(3, round(1.2 * scale / blocks.pitch_px) | 1)
    peak = (best == maximum_filter(best, (2 * window + 1, apart))) & (best >= settings.least_mean)
    places = zip(*np.nonzero(peak), strict=True)
    found = [_Line(float(c), float(best_slope[r, c]), int(r), int(r) + window, float(best[r, c])) for r, c in places]
    return _without_doubles(sorted(found, key=lambda line: (-line.mean, line.place)), rows / 2, 0.8 * scale / blocks.pitch_px)


def _without_doubles(lines: list[_Line], middle: float, apart: float) -> list[_Line]:
    """Of lines that lie on one another only the strongest."""
    kept: list[_Line] = []
    for line in lines[:MOST_LINES]:
        height = 0.5 * (line.first + line.last) - middle
        if all(abs(line.place + line.slope * height - other.place - other.slope * height) > apart for other in kept):
            kept.append(line)
    return kept


def _window_mean(signal: F32, known: F32, window: int) -> F32:
    """Mean of the known blocks over `window` rows; 0 where fewer than half are known."""
    total = np.cumsum(np.pad(signal, ((1, 0), (0, 0))), axis=0, dtype=np.float32)
    count = np.cumsum(np.pad(known, ((1, 0), (0, 0))), axis=0, dtype=np.float32)
    total, count = total[window:] - total[:-window], count[window:] - count[:-window]
    return np.where(count >= 0.5 * window, total / np.maximum(count, 1), 0).astype(np.float32)


def _best_row(lines: list[_Line], blocks: _Blocks, scale: float, settings: WireSettings) -> list[_Line]:
    """The evenly spaced row of parallel lines with the greatest sum of signals, thickest first; empty when none convinces."""
    per_mm = scale / blocks.pitch_px
    best: list[_Line] = []
    for anchor in [line for line in lines if line.mean >= settings.least_thickest][:60]:
        profile = _profile(anchor, blocks)
        for spacing in np.arange(settings.spacing_mm[0], settings.spacing_mm[1], 0.1) * per_mm:
            for sense in (-1, 1):
                row = _row_from(anchor, sense * float(spacing), profile, settings.off_row_mm * per_mm, settings)
                seen = sum(wire.mean >= settings.least_mean for wire in row)
                if seen >= settings.least_wires and sum(w.mean for w in row) > max(settings.least_total, sum(w.mean for w in best)):
                    best = row
    return best


def _row_from(anchor: _Line, spacing: float, profile: F64, reach: float, settings: WireSettings) -> list[_Line]:
    """The row that begins with `anchor`: ever thinner lines at even distances, dark between; one that hides is stepped over."""
    row = [anchor]
    hidden = False
    while len(row) < settings.most_wires:
        step = (row[-1].place - anchor.place) / (len(row) - 1) if len(row) > 1 else spacing
        at, mean = _peak_near(profile, row[-1].place + step, reach)
        if not _follows(row[-1], at, mean, settings.least_mean, profile):
            after, beyond = _peak_near(profile, row[-1].place + 2 * step, reach)
            if hidden or len(row) < 2 or not _follows(row[-1], after, beyond, CLEAR_AFTER_A_GAP, profile):
                break
            hidden, at, mean = True, 0.5 * (row[-1].place + after), 0.0
            row.append(_Line(at, anchor.slope, anchor.first, anchor.last, mean))
            at, mean = after, beyond
        row.append(_Line(at, anchor.slope, anchor.first, anchor.last, mean))
    return row[: settings.most_wires]


def _follows(wire: _Line, at: float, mean: float, least: float, profile: F64) -> bool:
    """Whether the line at a place is strong enough, no stronger than the wire before it, and apart from it."""
    middle = round(min(max(0.5 * (at + wire.place), 0.0), len(profile) - 1.0))
    return least <= mean <= wire.mean + 0.3 and float(profile[middle]) <= 0.5 * mean


def _profile(line: _Line, blocks: _Blocks) -> F64:
    """Mean signal of the parallels of a line over its rows, by their place, float64 (places,)."""
    rows = np.arange(line.first, line.last)
    shift = np.round(line.slope * (rows + 0.5 - blocks.signal.shape[0] / 2)).astype(np.int64)
    index = np.clip(np.arange(blocks.signal.shape[1]) + shift[:, None], 0, blocks.signal.shape[1] - 1)
    return np.asarray(blocks.signal[rows[:, None], index].mean(axis=0), dtype=np.float64)


def _peak_near(profile: F64, wanted: float, reach: float) -> tuple[float, float]:
    """Place and height of the highest value within `reach` of a place; height -inf off the picture."""
    low, high = max(0, int(np.ceil(wanted - reach))), min(len(profile) - 1, int(np.floor(wanted + reach)))
    if low > high:
        return wanted, -np.inf
    at = low + int(profile[low : high + 1].argmax())
    return float(at), float(profile[at])


def _completed(row: list[_Line], blocks: _Blocks, scale: float, settings: WireSettings) -> list[_Line]:
    """The row with all wires as long as the longest of the clear ones, a thicker one before it and faint ones after it."""
    middle = blocks.signal.shape[0] / 2
    spans = [_span(line, blocks, middle) for line in row[:3]]
    first, last = min(s[0] for s in spans), max(s[1] for s in spans)
    wires = [_Line(line.place, line.slope, first, last, line.mean) for line in row]
    step = (row[-1].place - row[0].place) / (len(row) - 1)
    reach = settings.off_row_mm * scale / blocks.pitch_px
    profile = _profile(_Line(0.0, row[0].slope, first, last, 0.0), blocks)
    while len(wires) < settings.most_wires:
        before, mean = _peak_near(profile, wires[0].place - step, 2 * reach)
        if mean < 0.8 * row[0].mean:
            break
        wires.insert(0, _Line(before, row[0].slope, first, last, mean))
    while len(wires) < settings.most_wires:
        place, mean = _peak_near(profile, wires[-1].place + step, reach)
        if mean * np.sqrt(last - first) < settings.faint:
            break
        wires.append(_Line(place, row[0].slope, first, last, mean))
    return wires


def _along(line: _Line, blocks: _Blocks, middle: float) -> F64:
    """Signal along a line in all rows, the best of three neighbouring places, float64 (rows,)."""
    rows = np.arange(blocks.signal.shape[0])
    place = np.round(line.at(rows.astype(np.float64) + 0.5, middle)).astype(np.int64)
    near = np.clip(place[:, None] + np.array([-1, 0, 1]), 0, blocks.signal.shape[1] - 1)
    return np.asarray(blocks.signal[rows[:, None], near].max(axis=1), dtype=np.float64)


def _span(line: _Line, blocks: _Blocks, middle: float) -> tuple[int, int]:
    """First and last-plus-one block where the line goes on past its window; gaps of up to a quarter of it are bridged."""
    seen: Bool = uniform_filter1d(_along(line, blocks, middle), 3) > 1.0
    gap = max(4, (line.last - line.first) // 2)
    first, last = line.first, line.last
    while first > 0 and seen[max(0, first - gap) : first].any():
        first = max(0, first - gap) + int(np.flatnonzero(seen[max(0, first - gap) : first])[0])
    while last < len(seen) and seen[last : last + gap].any():
        last = last + int(np.flatnonzero(seen[last : last + gap])[-1]) + 1
    return first, last


def _mark(wire: _Line, number: int, blocks: _Blocks, scale: float, iqi: IqiSection, settings: WireSettings) -> Mark:
    """A wire in film pixels."""
    ends = np.array([wire.first, wire.last], dtype=np.float64)
    across = (wire.at(ends, blocks.signal.shape[0] / 2) + 0.5) * blocks.pitch_px - 0.5
    along = ends * blocks.block_px - 0.5
    path = np.stack([along, across] if blocks.turned else [across, along], axis=1)
    return Mark("wire", path, settings.mask_mm * scale, _wire_name(number, iqi))


def _wire_name(number: int, iqi: IqiSection) -> str:
    """What the sheet says of wire `number` of the set, 0 the thickest."""
    letters, digits = iqi.set.rstrip("0123456789"), iqi.set[len(iqi.set.rstrip("0123456789")) :]
    if letters.upper() == "W" and digits:
        return f"wire W{int(digits) + number} of the image quality indicator"
    return f"wire {number + 1} of the image quality indicator, from the thickest seen"
