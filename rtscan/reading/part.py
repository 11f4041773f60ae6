"""Part: which candidates of one long place are pieces of one indication, and which are neighbours that the network sees as one.

Two pieces belong together when a way leads between them on which the residual does not sink, or when they lie in line: the gaps of a
line are `trace`'s concern. Worm-holes side by side, parallel lines and a pore beside a line are neighbours; so is a line that
crosses the others, which must not be lost in them.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import Any

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
CROSS_DEG, CROSS_MM, CORRIDOR_MM = 55.0, 1.5, 0.6
"""A patch so long that runs so steeply across the weld is a line by itself where the place reaches as far along the weld beside it: a
transverse crack in slag or concavity. It takes what lies so near to its axis. Looked at on two
tuning films."""


@dataclass(frozen=True)
class _Patch:
    """The outline of a patch (float64 (n, 2), (column, row) on the grid), its direction (unit vector, None for compact ones), its length
    (pixels), middle residual, and its rows and columns within the box of the place."""

    points: F64
    direction: F64 | None
    length: float
    height: float
    rows: NDArray[np.int64]
    columns: NDArray[np.int64]


def parted(search: Search, members: list[int], place: Bool) -> list[list[int]]:
    """The candidates of a place (bool, on the grid), by number in the search, in clusters of those that belong together; each in the order
    given, strongest first."""
    if len(members) == 1:
        return [members]
    patches, image, noise = _laid_out(search, members, place)
    cluster = {k: k for k in members}
    for a, b in combinations(members, 2):
        if cluster[a] == cluster[b]:
            continue
        one, other = patches[a], patches[b]
        if _bridged(one, other, image, noise) or _in_line(one, other, search.grid.per_mm):
            old, new = cluster[b], cluster[a]
            cluster = {k: new if c == old else c for k, c in cluster.items()}
    return [[k for k in members if cluster[k] == c] for c in dict.fromkeys(cluster[k] for k in members)]


def crossing(search: Search, members: list[int], place: Bool) -> list[tuple[list[int], Bool]]:
    """The lines of a place (bool, on the grid) that run across the weld where more of it runs along: the candidates of each, and the
    part of the place along its axis."""
    if len(members) == 1:
        return []
    patches, _, _ = _laid_out(search, members, place)
    per_mm, steep = search.grid.per_mm, float(np.sin(np.deg2rad(CROSS_DEG)))
    upright = {k: d for k in members if (d := patches[k].direction) is not None and abs(d[1]) > steep}
    lines: list[tuple[list[int], Bool]] = []
    for k, direction in upright.items():
        if patches[k].length < CROSS_MM * per_mm or any(k in line for line, _ in lines):
            continue
        body = _held(place & _corridor(patches[k], direction, place.shape, CORRIDOR_MM * per_mm), search.candidates[k])
        beside = [j for j in members if j != k and not _mostly(search.candidates[j], body)]
        if body.any() and _along(place & ~body, [search.candidates[j] for j in beside if j not in upright]) >= CROSS_MM * per_mm:
            lines.append(([k, *(j for j in members if j != k and j not in beside)], body))
    return lines


def less_line(place: Bool, body: Bool, per_mm: float) -> Bool:
    """What a line across the weld leaves of a place: the parts that run along the weld, the gap that the line cuts between them closed."""
    margin = int(body.sum(axis=1).max()) + round(CROSS_MM * per_mm)
    rest = np.pad(place & ~body, ((0, 0), (margin, margin))).astype(np.uint8)
    along = cv2.morphologyEx(rest, cv2.MORPH_OPEN, np.ones((1, round(CROSS_MM * per_mm)), np.uint8))
    closed = cv2.morphologyEx(along, cv2.MORPH_CLOSE, np.ones((1, 2 * (margin // 2) + 1), np.uint8))
    return np.asarray(place & (closed[:, margin:-margin] > 0))


def _corridor(patch: _Patch, direction: F64, shape: tuple[int, ...], half: float) -> Bool:
    """All of the grid (bool, shape) within `half` pixels of the axis of a patch."""
    rows, columns = np.mgrid[: shape[0], : shape[1]]
    middle = patch.points.mean(axis=0)
    return np.asarray(np.abs((columns - middle[0]) * direction[1] - (rows - middle[1]) * direction[0]) <= half)


def _held(place: Bool, c: Candidate) -> Bool:
    """The connected part of a place that holds most of a candidate; nothing where none holds any of it."""
    labels, _ = ndimage.label(place, structure=np.ones((3, 3)))
    counts = np.bincount(_under(labels, c), minlength=2)
    return np.asarray(labels == 1 + int(counts[1:].argmax())) if counts[1:].any() else np.zeros_like(place)


def _along(rest: Bool, others: list[Candidate]) -> int:
    """How far along the weld, in pixels, the longest connected part of a place reaches that holds most of a candidate."""
    labels, _ = ndimage.label(rest, structure=np.ones((3, 3)))
    boxes = ndimage.find_objects(labels)
    held = [int(np.bincount(_under(labels, c), minlength=2).argmax()) for c in others]
    return max((boxes[k - 1][1].stop - boxes[k - 1][1].start for k in held if k), default=0)


def _mostly(c: Candidate, body: Bool) -> bool:
    return bool(_under(body, c).mean() > 0.5)


def _under(image: NDArray[Any], c: Candidate) -> NDArray[Any]:
    """The values of a picture of the grid under a patch."""
    return np.asarray(image[c.top : c.top + c.mask.shape[0], c.left : c.left + c.mask.shape[1]][c.mask])


def _laid_out(search: Search, members: list[int], place: Bool) -> tuple[dict[int, _Patch], F32, float]:
    """The patches of a place, its residual (positive towards the tone, in the box of the place, -inf outside it) and its noise."""
    sign = np.float32(1.0 if search.candidates[members[0]].tone == "dark" else -1.0)
    rows, columns = np.flatnonzero(place.any(axis=1)), np.flatnonzero(place.any(axis=0))
    box = (slice(int(rows[0]), int(rows[-1]) + 1), slice(int(columns[0]), int(columns[-1]) + 1))
    residual = sign * search.smooth[SMOOTH]
    image = np.where(place[box], residual[box], -np.inf)
    noise = float(np.median(search.grid.noise[box][place[box]]))
    patches = {k: _patch(search.candidates[k], residual, (box[0].start, box[1].start), image.shape, search.grid.per_mm) for k in members}
    return patches, image, noise


def _patch(c: Candidate, residual: F32, corner: tuple[int, int], shape: tuple[int, ...], per_mm: float) -> _Patch:
    contours, _ = cv2.findContours(np.pad(c.mask, 1).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    points = max(contours, key=len).reshape(-1, 2) + np.array([c.left - 1.0, c.top - 1.0])
    rows, columns = np.nonzero(c.mask)
    at = np.stack([columns, rows]).astype(float)
    spread, axes = np.linalg.eigh(np.cov(at).astype(np.float64) + np.eye(2) / 12) if at.shape[1] > 2 else (np.ones(2), np.eye(2))
    length = float(np.sqrt(12 * spread[1]))
    long = length >= LONG_MM * per_mm and spread[1] >= LONG_ASPECT**2 * spread[0]
    height = float(np.median(residual[rows + c.top, columns + c.left]))
    rows, columns = rows + c.top - corner[0], columns + c.left - corner[1]
    inside = (rows >= 0) & (rows < shape[0]) & (columns >= 0) & (columns < shape[1])
    return _Patch(points, np.asarray(axes[:, 1], dtype=np.float64) if long else None, length, height, rows[inside], columns[inside])


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
