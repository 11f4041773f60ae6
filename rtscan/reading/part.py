"""Part: which candidates of one long place are pieces of one indication, and which are neighbours that the network sees as one.

Two pieces belong together when a way leads between them on which the residual does not sink, or when they lie in line: the gaps of a
line are `trace`'s concern. Worm-holes side by side, parallel lines and a pore beside a line are neighbours.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from rtscan.film import F32, F64, Bool
from rtscan.reading.candidates import Candidate, Search

SADDLE_SHARE = 0.5
"""Between neighbours the residual sinks below this share of the weaker one's own."""
SINKS_BY_NOISE = 0.5
"""And by this many times the spread of a grid pixel (twice that of the smoothed residual): grain alone makes gaps in a faint line."""
SMOOTH = 1
"""Which of the smoothed residuals is looked at."""
IN_LINE_DEG, BESIDE_MM = 30.0, 0.3
"""The gap between two in line leads off from their directions by no more than either."""
LONG_ASPECT, LONG_MM = 2.0, 1.0
"""A patch this long has a direction."""


@dataclass(frozen=True)
class _Patch:
    """The outline of a patch (float64 (n, 2), (column, row) on the grid), its direction (unit vector, None for compact ones), middle
    residual, and its rows and columns within the box of the place."""

    points: F64
    direction: F64 | None
    height: float
    rows: NDArray[np.int64]
    columns: NDArray[np.int64]


def parted(search: Search, members: list[int], place: Bool) -> list[list[int]]:
    """The candidates of a place (bool, on the grid), by number in the search, in clusters of those that belong together; each in the order
    given, strongest first."""
    if len(members) == 1:
        return [members]
    sign = np.float32(1.0 if search.candidates[members[0]].tone == "dark" else -1.0)
    rows, columns = np.flatnonzero(place.any(axis=1)), np.flatnonzero(place.any(axis=0))
    box = (slice(int(rows[0]), int(rows[-1]) + 1), slice(int(columns[0]), int(columns[-1]) + 1))
    residual = sign * search.smooth[SMOOTH]
    image = np.where(place[box], residual[box], -np.inf)
    noise = float(np.median(search.grid.noise[box][place[box]]))
    patches = {k: _patch(search.candidates[k], residual, (box[0].start, box[1].start), image.shape, search.grid.per_mm) for k in members}
    cluster = {k: k for k in members}
    for a, b in combinations(members, 2):
        if cluster[a] == cluster[b]:
            continue
        one, other = patches[a], patches[b]
        if _bridged(one, other, image, noise) or _in_line(one, other, search.grid.per_mm):
            old, new = cluster[b], cluster[a]
            cluster = {k: new if c == old else c for k, c in cluster.items()}
    return [[k for k in members if cluster[k] == c] for c in dict.fromkeys(cluster[k] for k in members)]


def _patch(c: Candidate, residual: F32, corner: tuple[int, int], shape: tuple[int, ...], per_mm: float) -> _Patch:
    contours, _ = cv2.findContours(np.pad(c.mask, 1).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    points = max(contours, key=len).reshape(-1, 2) + np.array([c.left - 1.0, c.top - 1.0])
    rows, columns = np.nonzero(c.mask)
    at = np.stack([columns, rows]).astype(float)
    spread, axes = np.linalg.eigh(np.cov(at).astype(np.float64) + np.eye(2) / 12) if at.shape[1] > 2 else (np.ones(2), np.eye(2))
    long = np.sqrt(12 * spread[1]) >= LONG_MM * per_mm and spread[1] >= LONG_ASPECT**2 * spread[0]
    height = float(np.median(residual[rows + c.top, columns + c.left]))
    rows, columns = rows + c.top - corner[0], columns + c.left - corner[1]
    inside = (rows >= 0) & (rows < shape[0]) & (columns >= 0) & (columns < shape[1])
    return _Patch(points, np.asarray(axes[:, 1], dtype=np.float64) if long else None, height, rows[inside], columns[inside])


def _bridged(a: _Patch, b: _Patch, image: F32, noise: float) -> bool:
    """Whether a way leads from one to the other within the place on which the residual does not sink clearly."""
    weaker = min(a.height, b.height)
    labels, _ = ndimage.label(image > min(SADDLE_SHARE * weaker, weaker - SINKS_BY_NOISE * noise), structure=np.ones((3, 3)))
    first, second = (np.unique(labels[p.rows, p.columns]) for p in (a, b))
    return bool(np.intersect1d(first[first > 0], second).size)


def _in_line(a: _Patch, b: _Patch, per_mm: float) -> bool:
    """Whether every one of the two that has a direction points across the gap at the other; compact ones alone are not in line."""
    directions = [p.direction for p in (a, b) if p.direction is not None]
    gaps = np.hypot(*(a.points[:, None] - b.points[None]).transpose(2, 0, 1))
    i, j = np.unravel_index(int(gaps.argmin()), gaps.shape)
    gap = b.points[j] - a.points[i]
    free = max(BESIDE_MM * per_mm, float(np.hypot(*gap)) * float(np.sin(np.deg2rad(IN_LINE_DEG))))
    return bool(directions) and all(abs(float(d[0] * gap[1] - d[1] * gap[0])) <= free for d in directions)
