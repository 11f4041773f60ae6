"""The rules of a match, here alone.

A call finds a truth of the same tone when its outline meets the truth's outline grown by `GROW_MM`; one to one, best overlap first. The
outline of a group (the convex hull of its members) finds the truths of its tone whose middle it holds, when those truths, grown, fill at
least `GROUP_FILL` of it. A call that meets a truth which another call has found is a second call, neither found nor false; one that meets
no truth is false. A false call lies on a mark of film or set-up when its middle lies in the mark's box.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

GROW_MM = 0.5
GROUP_FILL = 0.15


@dataclass(frozen=True)
class Outline:
    """One tone and outline, float64 (n, 2), (x, y) in film pixels."""

    tone: str | None
    points: np.ndarray


@dataclass(frozen=True)
class Matches:
    """`pairs`: truth to the call that finds it, by place in the lists; `second`: calls that meet only truths found by other calls;
    `false`: calls that meet no truth."""

    pairs: dict[int, int]
    second: tuple[int, ...]
    false: tuple[int, ...]


def matched(truths: Sequence[Outline], calls: Sequence[Outline], pixels_per_mm: float) -> Matches:
    """One call for one truth, best overlap first; ties by place in the lists."""
    grow = round(GROW_MM * pixels_per_mm)
    overlaps = [(-size, k, j) for k, truth in enumerate(truths) for j, call in enumerate(calls)
                if call.tone == truth.tone and (size := overlap_px(truth.points, call.points, grow))]
    pairs: dict[int, int] = {}
    used: set[int] = set()
    for _, k, j in sorted(overlaps):
        if k not in pairs and j not in used:
            pairs[k] = j
            used.add(j)
    touching = {j for _, _, j in overlaps}
    return Matches(pairs, tuple(sorted(touching - used)), tuple(j for j in range(len(calls)) if j not in touching))


def overlap_px(truth: np.ndarray, call: np.ndarray, grow: int) -> int:
    """Pixels that the call shares with the truth grown by `grow` pixels."""
    gap = np.maximum(call.min(axis=0) - truth.max(axis=0), truth.min(axis=0) - call.max(axis=0))
    if gap.max() > grow + 2:
        return 0
    low, high = np.minimum(truth.min(axis=0), call.min(axis=0)), np.maximum(truth.max(axis=0), call.max(axis=0))
    corner = np.floor(low).astype(int) - grow - 2
    size = np.ceil(high).astype(int) + grow + 3 - corner
    return int((_filled(truth, corner, size, grow) & _filled(call, corner, size, 0)).sum())


def found_by_group(truths: Sequence[Outline], members: Sequence[Outline], pixels_per_mm: float) -> set[int]:
    """The truths that one called group finds, by place in the list."""
    grow = round(GROW_MM * pixels_per_mm)
    hull = cv2.convexHull(np.concatenate([m.points for m in members]).astype(np.float32))[:, 0]
    tones = {m.tone for m in members}
    held = [k for k, t in enumerate(truths) if t.tone in tones and _holds(hull, t.points)]
    corner = np.floor(hull.min(axis=0)).astype(int) - 1
    size = np.ceil(hull.max(axis=0)).astype(int) + 2 - corner
    inside = _filled(hull.astype(np.float64), corner, size, 0)
    covered = np.zeros_like(inside)
    for k in held:
        covered |= _filled(truths[k].points, corner, size, grow)
    return set(held) if (covered & inside).sum() >= GROUP_FILL * inside.sum() else set()


def _holds(hull: np.ndarray, points: np.ndarray) -> bool:
    x, y = points.mean(axis=0)
    return bool(cv2.pointPolygonTest(hull, (float(x), float(y)), False) >= 0)


def _filled(outline: np.ndarray, corner: np.ndarray, size: np.ndarray, grow: int) -> np.ndarray:
    """The outline filled, and grown, on a picture of `size` (columns, rows) whose first pixel is `corner`; bool (rows, columns)."""
    picture = np.zeros((int(size[1]) + 2 * grow, int(size[0]) + 2 * grow), dtype=np.uint8)
    corners = np.round((outline - corner + grow) * 16).astype(np.int32)
    cv2.fillPoly(picture, [corners], 1, shift=4)
    cv2.polylines(picture, [corners], True, 1, 1, shift=4)
    grown = cv2.dilate(picture, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * grow + 1,) * 2)) if grow else picture
    return np.asarray(grown[grow : grow + int(size[1]), grow : grow + int(size[0])] > 0)


def mark_under(centre_px: tuple[float, float] | None, objects: Sequence[dict[str, Any]]) -> str | None:
    """Kind of the mark whose box holds the point, the smallest box where there are several; None where there is none."""
    if centre_px is None:
        return None
    x, y = centre_px
    boxes = [(o["bbox_px"], o["kind"]) for o in objects]
    held = [((b[2] - b[0]) * (b[3] - b[1]), str(kind)) for b, kind in boxes if b[0] <= x <= b[2] and b[1] <= y <= b[3]]
    return min(held)[1] if held else None
