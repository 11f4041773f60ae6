"""Find bright ribbons (more metal between two edges) that cross a film from end to end, on a reduced image.

A weld is a ribbon: along its whole length the film is denser (darker) outside both edges than inside. The search is a
shortest path over (centre row, width) per column: every state is scored by the density step at its two edges, steps may
move and widen slowly. Slow shading is taken out of a step by comparing it with the difference one window further out.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from rtscan.film import F32, F64, Bool

ALONG_PER_ACROSS = 3
"""A reduced pixel is this many times longer along the ribbon than across it."""


@dataclass(frozen=True)
class RibbonSettings:
    """Least and greatest ribbon width in reduced rows, and what a change of course or of width costs."""

    least_width: int = 6
    greatest_width: int = 70
    widths: int = 14
    rows_per_step: int = 2
    turn_cost: float = 0.06
    widen_cost: float = 0.15


@dataclass(frozen=True)
class Reduced:
    """A film reduced for the search, ribbons running along the columns.

    density, known: (rows, columns), known is False where nothing of the film is usable. `across_px` and `along_px` are the
    film pixels in one reduced pixel. `turned`: rows of this image are columns of the film.
    """

    density: F32
    known: Bool
    across_px: float
    along_px: float
    turned: bool


@dataclass(frozen=True)
class Ribbon:
    """One ribbon in a reduced image: per column its upper and lower edge (rows, between pixels: 0 is the top of row 0).

    `score` is the mean evidence per column, 1.5 at most; `evidence` (columns,) its course.
    """

    upper: F64
    lower: F64
    score: float
    evidence: F64


def reduce_film(density: F32, usable: Bool, across_px: int, turned: bool, along_per_across: float = ALONG_PER_ACROSS) -> Reduced:
    """Average blocks of `across_px` rows by `along_per_across` times as many columns; only usable pixels count."""
    height, width = density.shape
    along, across = (height, width) if turned else (width, height)
    rows, columns = max(1, round(across / across_px)), max(1, round(along / (across_px * along_per_across)))
    size = (rows, columns) if turned else (columns, rows)
    weight = cv2.resize(usable.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    total = cv2.resize(np.where(usable, density, np.float32(0)), size, interpolation=cv2.INTER_AREA)
    known = weight > 0.3
    mean = np.where(known, total / np.maximum(weight, 1e-6), 0).astype(np.float32)
    if turned:
        mean, known = np.ascontiguousarray(mean.T), np.ascontiguousarray(known.T)
    return Reduced(mean, known, across / rows, along / columns, turned)


def halves(reduced: Reduced) -> tuple[Reduced, Reduced]:
    """Every other column, and the columns between: one to find a ribbon in, one to see whether it is really there."""
    first, second = (
        Reduced(np.ascontiguousarray(reduced.density[:, start::2]), np.ascontiguousarray(reduced.known[:, start::2]), reduced.across_px,
                2 * reduced.along_px, reduced.turned)
        for start in (0, 1)
    )
    return first, second


def confirmation(reduced: Reduced, ribbon: Ribbon, scale: float) -> float:
    """Mean evidence of a ribbon in columns it was not found in: nearly 0 where it only followed the grain."""
    columns = min(reduced.density.shape[1], len(ribbon.upper))
    widths = np.round(ribbon.lower - ribbon.upper).astype(np.int64)[:columns]
    kinds, kind = np.unique(widths, return_inverse=True)
    table = evidence_table(reduced, kinds, scale)
    rows = np.clip(np.round(ribbon.upper[:columns]).astype(np.int64) + widths // 2, 0, table.shape[1] - 1)
    return float(table[kind, rows, np.arange(columns)].mean())


def step_table(reduced: Reduced, window: int) -> tuple[F32, F32, Bool]:
    """Density above minus below every row boundary.

    Returns the plain step, the step with a steady slope taken out, and whether enough of both sides is known; each
    (rows + 1, columns). With the means o2, o1 | i1, i2 of four windows outwards and inwards, a slope gives
    (o2 - i2) = 3 (o1 - i1), so (o1 - i1) - (o2 - i2) / 3 is blind to it and keeps two thirds of a step.
    """
    known = reduced.known
    rows = known.shape[0]
    sums = np.zeros((rows + 1, known.shape[1]), np.float32)
    counts = np.zeros_like(sums)
    np.cumsum(np.where(known, reduced.density, 0), axis=0, out=sums[1:])
    np.cumsum(known, axis=0, out=counts[1:])
    at = np.arange(rows + 1)

    def window_mean(start: int, stop: int) -> tuple[F32, F32]:
        low, high = np.clip(at + start, 0, rows), np.clip(at + stop, 0, rows)
        count = counts[high] - counts[low]
        return (sums[high] - sums[low]) / np.maximum(count, 1), count

    outer, n_outer = window_mean(-window, 0)
    inner, n_inner = window_mean(0, window)
    outer_far, n_outer_far = window_mean(-2 * window, -window)
    inner_far, n_inner_far = window_mean(window, 2 * window)
    enough = max(1.0, 0.4 * window)
    near = np.minimum(n_outer, n_inner) >= enough
    far = near & (np.minimum(n_outer_far, n_inner_far) >= enough)
    step = np.where(near, outer - inner, 0).astype(np.float32)
    level = np.where(far, step - (outer_far - inner_far) / 3, step / 2).astype(np.float32)
    return step, level, near


def contrast_scale(reduced: Reduced) -> float:
    """The density step that counts as a clear edge on this film (a high percentile of the steps there are)."""
    _, level, near = step_table(reduced, 4)
    return float(np.percentile(np.abs(level[near]), 92)) if near.any() else 0.0


def widths_of(reduced: Reduced, settings: RibbonSettings) -> NDArray[np.int64]:
    """The widths tried, in rows, growing by a constant factor."""
    greatest = max(settings.least_width + 1, min(settings.greatest_width, round(0.8 * reduced.density.shape[0])))
    return np.unique(np.round(np.geomspace(settings.least_width, greatest, settings.widths)).astype(np.int64))


def evidence_table(reduced: Reduced, widths: NDArray[np.int64], scale: float) -> F32:
    """Evidence (width, centre row, column) in [-1, 1.5]: both edges bright inwards; the weaker edge counts again."""
    rows, columns = reduced.density.shape
    table = np.full((len(widths), rows, columns), -1.0, np.float32)
    centre = np.arange(rows)
    for index, width in enumerate(widths):
        step, level, _ = step_table(reduced, max(2, round(0.3 * float(width))))
        edge = np.tanh((0.5 * step + 0.75 * level) / np.float32(scale))
        upper = centre - width // 2
        lower = upper + width
        inside = (upper >= -(width // 3)) & (lower <= rows + width // 3)
        top, bottom = edge[np.clip(upper, 0, rows)], -edge[np.clip(lower, 0, rows)]
        table[index][inside] = (0.5 * (top + bottom) + 0.5 * np.minimum(top, bottom))[inside]
    return table


def _best_path(table: F32, settings: RibbonSettings) -> tuple[NDArray[np.int64], NDArray[np.int64], float]:
    """Dynamic programme over the columns: width index and centre row per column, and the mean evidence less the costs."""
    kinds, rows, columns = table.shape
    reach = settings.rows_per_step
    turn = (-settings.turn_cost * np.abs(np.arange(-reach, reach + 1))).astype(np.float32)
    widen = (-settings.widen_cost * np.abs(np.arange(-1, 2))).astype(np.float32)
    total = table[:, :, 0].copy()
    came_row, came_kind = np.zeros((columns, kinds, rows), np.int8), np.zeros((columns, kinds, rows), np.int8)
    for column in range(1, columns):
        best, came_row[column] = _best_shift(total, turn)
        widened, came_kind[column] = _best_shift(best.T, widen, transposed=True)
        total = widened + table[:, :, column]
    kind, row = (int(i) for i in np.unravel_index(int(total.argmax()), total.shape))
    score = float(total[kind, row]) / columns
    kind_at, row_at = np.zeros(columns, np.int64), np.zeros(columns, np.int64)
    for column in range(columns - 1, -1, -1):
        kind_at[column], row_at[column] = kind, row
        if column:
            kind += int(came_kind[column, kind, row])
            row += int(came_row[column, kind, row])
    return kind_at, row_at, score


def _best_shift(total: F32, costs: F32, transposed: bool = False) -> tuple[F32, NDArray[np.int8]]:
    """For every place the best of its neighbours along the last axis, less the cost of the shift, and the shift to it.

    `transposed`: `total` comes turned, results go back turned.
    """
    reach = len(costs) // 2
    padded = np.full((total.shape[0], total.shape[1] + 2 * reach), -np.inf, np.float32)
    padded[:, reach:-reach] = total
    best = padded[:, : total.shape[1]] + costs[0]
    shift = np.full(total.shape, -reach, np.int8)
    for number in range(1, len(costs)):
        other = padded[:, number : number + total.shape[1]] + costs[number]
        better = other > best
        np.copyto(best, other, where=better)
        np.copyto(shift, np.int8(number - reach), where=better)
    return (best.T, shift.T) if transposed else (best, shift)


def hollowness(reduced: Reduced, ribbon: Ribbon) -> float:
    """How far a ribbon grows dark again between its edges: 0 as bright as at the edges, 1 as dark as outside (two ribbons, or a tube)."""
    width = ribbon.lower - ribbon.upper
    places = np.concatenate([[-0.12, -0.08], np.linspace(0.1, 0.9, 17), [1.08, 1.12]])
    rows = np.clip(np.round(ribbon.upper + places[:, None] * width - 0.5), 0, reduced.density.shape[0] - 1).astype(np.int64)
    profile = np.median(reduced.density[rows, np.arange(rows.shape[1])], axis=1)
    outside = max(float(profile[:2].mean()), float(profile[-2:].mean()))
    inside = profile[2:-2]
    left, right = np.minimum.accumulate(inside), np.minimum.accumulate(inside[::-1])[::-1]
    return float((inside - np.maximum(left, right)).max()) / max(outside - float(inside.min()), 1e-9)


def evenness(reduced: Reduced, ribbon: Ribbon) -> float:
    """The smaller of a ribbon's two density steps over the larger, 0 to 1: the end of a plate beside air has very uneven ones."""
    width = ribbon.lower - ribbon.upper
    places = np.array([-0.15, 0.15, 0.85, 1.15])[:, None]
    rows = np.clip(np.round(ribbon.upper + places * width - 0.5), 0, reduced.density.shape[0] - 1).astype(np.int64)
    outer, inner, last, beyond = np.median(reduced.density[rows, np.arange(rows.shape[1])], axis=1)
    steps = sorted([float(outer - inner), float(beyond - last)])
    return max(0.0, steps[0]) / max(steps[1], 1e-9)


def find_ribbons(reduced: Reduced, scale: float, count: int, settings: RibbonSettings) -> tuple[Ribbon, ...]:
    """The `count` best ribbons, best first, none over another by more than a quarter of its width."""
    if scale <= 0 or reduced.density.shape[1] < 4 or reduced.density.shape[0] < settings.least_width:
        return ()
    widths = widths_of(reduced, settings)
    table = evidence_table(reduced, widths, scale)
    columns = np.arange(table.shape[2])
    rows = np.arange(table.shape[1])[:, None]
    found = []
    for _ in range(count):
        kind, row, score = _best_path(table, settings)
        upper = row - widths[kind] // 2
        lower = upper + widths[kind]
        found.append(Ribbon(upper.astype(np.float64), lower.astype(np.float64), score, table[kind, row, columns].astype(np.float64)))
        for index, width in enumerate(widths):
            over = np.minimum(rows - width // 2 + width, lower) - np.maximum(rows - width // 2, upper)
            table[index][over > 0.25 * np.minimum(width, widths[kind])] = -1.0
    return tuple(found)
