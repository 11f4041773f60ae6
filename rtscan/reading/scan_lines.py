"""Lines of the scanner: one or two pixels wide, exactly along a column or row of the scan, from one end of the film to the other.

Nothing in the part is that narrow, that straight and that well aligned: the film's own blur is wider, and a weld leans by more than a
pixel along a film.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from rtscan.film import F32, F64, Bool, Film, Mark


@dataclass(frozen=True)
class ScanLineSettings:
    """A line must stand out in nearly all of `segments` by `least_each` and together by `least` of the spread of all columns."""

    segments: int = 16
    beside_px: tuple[int, int] = (4, 7)
    least: float = 10.0
    least_each: float = 1.0
    least_share: float = 0.9
    most: int = 12


def find_scan_lines(film: Film, usable: Bool, settings: ScanLineSettings) -> tuple[Mark, ...]:
    """One mark per line, columns before rows, in order of place."""
    marks = []
    rows, columns = film.density.shape
    known, shown = usable.astype(np.float32), np.where(usable, film.density, np.float32(0))
    for place in _lines(known, shown, False, settings):
        marks.append(Mark("artefact", np.array([[place, 0.0], [place, rows - 1.0]]), 3.0, "line of the scanner"))
    for place in _lines(known, shown, True, settings):
        marks.append(Mark("artefact", np.array([[0.0, place], [columns - 1.0, place]]), 3.0, "line of the scanner"))
    return tuple(marks)


def _lines(known: F32, shown: F32, turned: bool, settings: ScanLineSettings) -> list[int]:
    """Columns (`turned`: rows) that stand out from their neighbours all along. known: 1 where the film is usable, else 0; shown: its
    density there, else 0."""
    rows, columns = shown.shape[::-1] if turned else shown.shape
    if rows < 4 * settings.segments or columns < 64:
        return []
    size = (settings.segments, columns) if turned else (columns, settings.segments)
    share, total = (cv2.resize(image, size, interpolation=cv2.INTER_AREA) for image in (known, shown))
    share, total = (share.T, total.T) if turned else (share, total)
    mean = total / np.maximum(share, 1e-6)
    near, far = settings.beside_px
    beside = np.mean([np.roll(mean, shift, axis=1) for n in range(near, far + 1) for shift in (-n, n)], axis=0)
    excess = mean - beside
    excess[:, : far + 1] = excess[:, -far - 1 :] = 0.0
    spread = 1.4826 * np.median(np.abs(excess), axis=1, keepdims=True) + 1e-12
    signal = np.where(share > 0.5, excess / spread, np.nan)
    return _standing_out(signal.astype(np.float64), settings)


def _standing_out(signal: F64, settings: ScanLineSettings) -> list[int]:
    """Columns whose signal is strong, of one sign in nearly all segments, and no wider than two pixels."""
    known = np.isfinite(signal)
    filled = np.where(known, signal, 0.0)
    count = np.maximum(known.sum(axis=0), 1)
    level = filled.sum(axis=0) / np.sqrt(count)
    agrees = (filled * np.sign(level) > settings.least_each).sum(axis=0) / count
    # Beyond two pixels to either side a scanner line is gone; an image of the part is not.
    wide = np.maximum(np.abs(np.roll(level, 3)), np.abs(np.roll(level, -3)))
    peak = (np.abs(level) >= np.abs(np.roll(level, 1))) & (np.abs(level) > np.abs(np.roll(level, -1)))
    fine = (np.abs(level) > settings.least) & (agrees >= settings.least_share) & (wide < 0.3 * np.abs(level)) & peak
    places: NDArray[np.intp] = np.flatnonzero(fine & (known.mean(axis=0) > 0.7))
    strongest = places[np.argsort(-np.abs(level[places]), kind="stable")[: settings.most]]
    return sorted(int(place) for place in strongest)
