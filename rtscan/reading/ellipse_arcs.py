"""Find both arcs of an elliptical exposure at once by their common shape, where the pipe's diameter and limits are known.

Both arcs lie at `middle +- half the opening x cos(theta)` along the pipe axis, theta from the distance to the axis. Two numbers, the
middle and the opening, place both arcs: far fewer than a free path, so faint arcs, lead over an arc and a strong root edge disturb little.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rtscan.film import F32, F64
from rtscan.reading.ribbon import Reduced, Ribbon, RibbonSettings, evidence_table, widths_of

STEEPEST_SINE = 0.93
LEAST_OPENING_WIDTHS, GREATEST_OPENING = 0.6, 0.5
"""Least opening of the ellipse in weld widths; greatest half opening in pipe radii."""


@dataclass(frozen=True)
class PipeInPicture:
    """The pipe in a reduced picture whose columns run across it: axis (column), radius (columns), and the lean of its
    cross-section (rows a column)."""

    axis: float
    radius: float
    lean: float


def find_arcs(reduced: Reduced, pipe: PipeInPicture, scale: float, settings: RibbonSettings) -> tuple[Ribbon, ...]:
    """The upper and the lower arc with the most evidence together; empty when the picture is too small for two."""
    widths = widths_of(reduced, settings)[::2]
    table = evidence_table(reduced, widths, scale)
    columns = np.arange(reduced.density.shape[1])
    sine = (columns + 0.5 - pipe.axis) / pipe.radius
    on_pipe = np.flatnonzero(np.abs(sine) <= STEEPEST_SINE)
    if len(on_pipe) < 6:
        return ()
    cosine = np.sqrt(1 - sine[on_pipe] ** 2)
    lean = pipe.lean * (on_pipe + 0.5 - pipe.axis)
    best: tuple[float, tuple[int, int, int, int]] = (-np.inf, (0, 0, 0, 0))
    rows = reduced.density.shape[0]
    widest = max(3, min(rows // 3, round(GREATEST_OPENING * pipe.radius * reduced.along_px / reduced.across_px)))
    margin = widest + int(np.abs(lean).max()) + 2
    padded = np.ascontiguousarray(np.pad(table[:, :, on_pipe], ((0, 0), (margin, margin), (0, 0)), constant_values=-1.0).transpose(2, 0, 1))
    for half in range(2, widest):
        up, down = (_sums(padded, rows, margin, lean + sense * half * cosine) for sense in (-1, 1))
        for number, width in enumerate(widths):
            if 2 * half < LEAST_OPENING_WIDTHS * width:
                continue
            near = slice(max(0, number - 1), number + 2)
            together = up[number] + down[near].max(axis=0)
            row = int(together.argmax())
            if together[row] > best[0]:
                best = (float(together[row]), (half, row, number, near.start + int(down[near, row].argmax())))
    half, row, first, second = best[1]
    return tuple(
        _ribbon(table, widths, columns, on_pipe, row, kind, lean + sense * half * cosine) for sense, kind in ((-1, first), (1, second))
    )


def _sums(padded: F32, rows: int, margin: int, offset: F64) -> F32:
    """Mean evidence (width, middle row) along a course of rows offset from the middle."""
    total = np.zeros((padded.shape[1], rows), np.float32)
    for column, shift in enumerate(np.round(offset).astype(np.int64)):
        total += padded[column, :, margin + shift : margin + shift + rows]
    return total / np.float32(len(offset))


def _ribbon(
    table: F32, widths: NDArray[np.int64], columns: NDArray[np.int64], on_pipe: NDArray[np.int64], row: int, kind: int, offset: F64
) -> Ribbon:
    """The arc as a ribbon over all columns; off the pipe it goes on straight and shows nothing."""
    centre = np.interp(columns, on_pipe, row + offset)
    evidence = np.zeros(len(columns))
    place = np.clip(np.round(row + offset), 0, table.shape[1] - 1).astype(np.int64)
    evidence[on_pipe] = table[kind, place, on_pipe]
    half = 0.5 * float(widths[kind])
    return Ribbon(centre - half, centre + half, float(evidence[on_pipe].mean()), evidence)
