"""Follow both edges of a weld at fine resolution, starting from the coarse ribbon.

Only a band of rows round the ribbon is looked at, averaged to about 90 rows per weld width, so a large film costs little.
The edge is the outermost clear fall of density into the weld: the toe of the cap, not the side of a brighter root bead.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, gaussian_filter1d, median_filter

from rtscan.film import F32, F64, Bool
from rtscan.reading.ribbon import Reduced, Ribbon

ROWS_PER_WIDTH = 90
OUTWARD, INWARD = 0.45, 0.3
"""How far from the coarse edge the fine one is sought, as a share of the weld width."""
CLEAR_SLOPE = 0.3
"""A slope of this share of the steepest in the window is a full edge: a cap toe beside a bright root bead is that faint."""
OUTWARD_BONUS = 0.4
BROAD_SHARE = 0.1
"""Spread, as a share of the weld width, over which a slope is the blurred weld of the other wall rather than an edge."""
TOE_SHARE = 0.1
"""How far outside the steepest slope the bend of the toe may lie, as a share of the weld width."""
STRAY_WIDTHS, STRAY_COST = 0.15, 0.6
"""Going astray from the edge's own trend by this share of the width costs one half of this much, and no more than this."""


LEAST_EVIDENCE = 0.35
"""Evidence below which the weld does not show at a place (1.5 is perfect)."""


@dataclass(frozen=True)
class Course:
    """A weld followed along a film, in film pixels of the searched orientation.

    at, upper, lower
        float64 (n,): place along the film, and the two edges across it. `turned`: along is y and across is x.
    step_upper, step_lower
        Median density fall into the weld at each edge.
    blur_px
        Width of the edges: the median step divided by the median steepest slope, film pixels.
    score
        The evidence of the ribbon it came from.
    """

    at: F64
    upper: F64
    lower: F64
    step_upper: float
    step_lower: float
    blur_px: float
    score: float
    turned: bool

    @property
    def width(self) -> float:
        """Median distance of the edges, film pixels."""
        return float(np.median(self.lower - self.upper))

    @property
    def middle(self) -> F64:
        """Midway between the edges, film pixels."""
        return 0.5 * (self.upper + self.lower)


def follow_edges(density: F32, usable: Bool, reduced: Reduced, ribbon: Ribbon, over_blurred: bool = False) -> Course:
    """Refine a coarse ribbon on the full film. `over_blurred`: the blurred weld of the other wall lies under this one."""
    source, mask = (density.T, usable.T) if reduced.turned else (density, usable)
    upper, lower = ribbon.upper * reduced.across_px, ribbon.lower * reduced.across_px
    width = float(np.median(lower - upper))
    band = _Band.cut(source, mask, upper, lower, width)
    at = band.at()
    coarse_at: F64 = (np.arange(len(upper), dtype=np.float64) + 0.5) * reduced.along_px - 0.5
    edges, steps, slopes = [], [], []
    for line, sense in ((upper, -1.0), (lower, 1.0)):
        start = np.interp(at, coarse_at, gaussian_filter1d(line - 0.5, 3.0, mode="nearest"))
        rows, slope = band.follow((start - band.first_row) / band.pitch - 0.5, sense, width / band.pitch, over_blurred)
        edges.append((rows + 0.5) * band.pitch - 0.5 + band.first_row)
        steps.append(band.step(rows, sense, width / band.pitch))
        slopes.append(slope / band.pitch)
    blur = float(np.median([s / max(g, 1e-9) for s, g in zip(steps, slopes, strict=True)]))
    seen = slice(*_visible(at, coarse_at, ribbon.evidence, width))
    return Course(at[seen], edges[0][seen], edges[1][seen], steps[0], steps[1], blur, ribbon.score, reduced.turned)


def _visible(at: F64, coarse_at: F64, evidence: F64, width: float) -> tuple[int, int]:
    """First and last-plus-one place where the weld shows; an end is cut only where it is lost for more than half a width."""
    shows = np.flatnonzero(median_filter(evidence, 5, mode="nearest") > LEAST_EVIDENCE)
    if len(shows) < 2:
        return 0, len(at)
    first, last = coarse_at[shows[0]], coarse_at[shows[-1]]
    begin = 0 if first - at[0] < 0.5 * width else int(np.searchsorted(at, first))
    end = len(at) if at[-1] - last < 0.5 * width else int(np.searchsorted(at, last))
    return (begin, end) if end - begin >= 8 else (0, len(at))


@dataclass(frozen=True)
class _Band:
    """The rows round the weld, averaged: density (rows, columns) at `pitch` film pixels a row, `along` a column."""

    density: F32
    first_row: int
    pitch: float
    along: float

    @staticmethod
    def cut(source: F32, mask: Bool, upper: F64, lower: F64, width: float) -> _Band:
        first = max(0, int(upper.min() - width))
        last = min(source.shape[0], int(lower.max() + width) + 1)
        pitch = max(1, round(width / ROWS_PER_WIDTH))
        rows, columns = max(2, (last - first) // pitch), max(2, source.shape[1] // (2 * pitch))
        crop = np.ascontiguousarray(source[first : first + rows * pitch, : columns * 2 * pitch])
        weight = np.ascontiguousarray(mask[first : first + rows * pitch, : columns * 2 * pitch], dtype=np.float32)
        share = cv2.resize(weight, (columns, rows), interpolation=cv2.INTER_AREA)
        mean = cv2.resize(crop * weight, (columns, rows), interpolation=cv2.INTER_AREA)
        known = share > 0.3
        return _Band(_fill(np.where(known, mean / np.maximum(share, 1e-6), 0).astype(np.float32), known), first, pitch, 2 * pitch)

    def at(self) -> F64:
        return np.asarray((np.arange(self.density.shape[1]) + 0.5) * self.along - 0.5, dtype=np.float64)

    def follow(self, start: F64, sense: float, width: float, over_blurred: bool) -> tuple[F64, float]:
        """The row of the toe per column (sense -1: density falls downwards, the upper edge) and the median slope at the edge.

        The toe is taken midway between the steepest slope and the sharpest bend outside it: of a blurred step the bend lies too far
        out, of a blurred corner the slope lies too far in.
        """
        outermost = round(OUTWARD * width)
        offsets = np.arange(-outermost, round(INWARD * width) + 1)
        picked = self.beside(start, offsets, sense)
        soft = gaussian_filter(picked, (max(1.0, 0.02 * width), 2.0), mode="nearest")
        fall = -np.gradient(soft, axis=0)
        asked = fall + np.gradient(gaussian_filter(picked, (BROAD_SHARE * width, 2.0), mode="nearest"), axis=0) if over_blurred else fall
        strongest = gaussian_filter1d(asked.max(axis=0), 12.0, mode="nearest")
        bonus = 0.0 if over_blurred else OUTWARD_BONUS
        merit = np.clip(asked / np.maximum(CLEAR_SLOPE * strongest, 1e-9), -1, 1) + np.linspace(bonus, 0.0, len(offsets))[:, None]
        path = _single_path(merit.astype(np.float32))
        stray = (offsets[:, None] - sense * (start - _trend(start - sense * offsets[path]))[None, :]) / (STRAY_WIDTHS * width)
        path = _single_path((merit - STRAY_COST * np.minimum(0.5 * stray * stray, 1.0)).astype(np.float32))
        steepest = _snap(asked.astype(np.float32), path.astype(np.float64))
        bend = _bend_outside(np.gradient(fall, axis=0), steepest, max(2, round(TOE_SHARE * width)))
        toe = median_filter(0.5 * (steepest + bend), 9, mode="nearest") - outermost
        return start - sense * gaussian_filter1d(toe, 2.0, mode="nearest"), float(np.median(fall[path, np.arange(len(path))]))

    def beside(self, start: F64, offsets: NDArray[np.int64], sense: float) -> F32:
        """Density at `offsets` rows inwards of a line, (offsets, columns), linear between rows."""
        rows = np.clip(start[None, :] - sense * offsets[:, None], 0, self.density.shape[0] - 1.001)
        low = np.floor(rows).astype(np.int64)
        share = (rows - low).astype(np.float32)
        columns = np.arange(self.density.shape[1])[None, :]
        return np.asarray(self.density[low, columns] * (1 - share) + self.density[low + 1, columns] * share, dtype=np.float32)

    def step(self, rows: F64, sense: float, width: float) -> float:
        """Median fall of density from just outside the edge to just inside it."""
        reach = max(2, round(0.15 * width))
        columns = np.arange(len(rows))
        outside = np.clip(np.round(rows + sense * reach), 0, self.density.shape[0] - 1).astype(np.int64)
        inside = np.clip(np.round(rows - sense * reach), 0, self.density.shape[0] - 1).astype(np.int64)
        return float(np.median(self.density[outside, columns] - self.density[inside, columns]))


def _fill(density: F32, known: Bool) -> F32:
    """Unknown places (letters, border) take the mean of their surroundings, so that they make no edge."""
    if known.all():
        return density
    weight = known.astype(np.float32)
    for size in (9, 31, 91):
        near = cv2.blur(density * weight, (size, size))
        share = cv2.blur(weight, (size, size))
        density = np.where(known | (share < 1e-3), density, near / np.maximum(share, 1e-3)).astype(np.float32)
        known = known | (share >= 1e-3)
        weight = known.astype(np.float32)
    return density


def _single_path(merit: F32, move: int = 2, cost: float = 0.12) -> NDArray[np.int64]:
    """The row per column that gathers most merit, moving at most `move` rows a column."""
    rows, columns = merit.shape
    shifts = np.arange(-move, move + 1)
    costs = (-cost * np.abs(shifts)).astype(np.float32)
    padded = np.full(rows + 2 * move, -np.inf, np.float32)
    neighbours = sliding_window_view(padded, 2 * move + 1)
    total = merit[:, 0].copy()
    came_by = np.zeros((columns, rows), np.int8)
    for column in range(1, columns):
        padded[move:-move] = total
        candidates = neighbours + costs
        choice = candidates.argmax(axis=1)
        came_by[column] = shifts[choice]
        total = candidates[np.arange(rows), choice] + merit[:, column]
    path = np.zeros(columns, np.int64)
    path[-1] = int(total.argmax())
    for column in range(columns - 1, 0, -1):
        path[column - 1] = path[column] + came_by[column, path[column]]
    return path


def _trend(place: F64, degree: int = 3) -> F64:
    """The smooth course that most of an edge follows: a cubic by reweighted least squares."""
    at = np.linspace(-1.0, 1.0, len(place))
    basis = np.polynomial.legendre.legvander(at, degree)
    weight = np.ones_like(place)
    fit = place
    for _ in range(8):
        factors, *_ = np.linalg.lstsq(basis * weight[:, None], place * weight, rcond=None)
        fit = basis @ factors
        miss = np.abs(place - fit)
        weight = 1.0 / (1.0 + (miss / max(1.0, float(np.median(miss)))) ** 2)
    return np.asarray(fit, dtype=np.float64)


def _bend_outside(bend: F64, steepest: F64, reach: int) -> F64:
    """Row of the sharpest bend at or up to `reach` rows before the steepest slope, per column."""
    columns = np.arange(len(steepest))
    rows = np.clip(np.round(steepest)[None, :] - np.arange(reach + 1)[:, None], 0, bend.shape[0] - 1).astype(np.int64)
    return np.asarray(rows[bend[rows, columns[None, :]].argmax(axis=0), columns], dtype=np.float64)


def _snap(slope: F32, place: F64, reach: int = 2) -> F64:
    """Move each place to the steepest slope within `reach` rows, to a part of a row by a parabola."""
    columns = np.arange(len(place))
    near = np.clip(place[None, :] + np.arange(-reach, reach + 1)[:, None], 1, slope.shape[0] - 2).astype(np.int64)
    top = near[slope[near, columns[None, :]].argmax(axis=0), columns]
    before, here, after = slope[top - 1, columns], slope[top, columns], slope[top + 1, columns]
    bend = before - 2 * here + after
    shift = np.where(bend < 0, 0.5 * (before - after) / np.where(bend < 0, bend, 1.0), 0.0)
    return np.asarray(top + np.clip(shift, -0.5, 0.5), dtype=np.float64)
