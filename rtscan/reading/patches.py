"""Patches of grid pixels: what `candidates` cuts out, takes away and looks for in the network's answer.

A patch is (top, left, mask): a bool box (across, along) and where its first pixel lies on the detection grid.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from scipy import ndimage

from rtscan.film import F32, Bool

Patch = tuple[int, int, Bool]

PLACE_BARS = (0.4, 0.2)
"""Probabilities of the network that make a place: the sure ones first, then those that hold no sure one."""
PLACE_LEAST_MM2 = 0.08
SPECK_SHARE, OPEN_SHARE = 0.2, 0.6
"""A place is open when patches of at least this share of its size leave this share of it uncovered."""
HALO = 2
"""Grid pixels by which the network's places reach beyond the flaw."""
COMPACT_ASPECT = 2.0
TAIL_SHARE = 0.6
"""Arms thinner than this share of a patch's greatest inner circle are tails."""


def component(above: Bool, row: int, column: int, top: int, left: int) -> Patch | None:
    """The connected part of `above` that holds (row, column), cut to its box; (top, left) is where the window lies in the grid."""
    labels, _ = ndimage.label(above)
    label = int(labels[row, column])
    if label == 0:
        return None
    mine = labels == label
    rows, columns = np.flatnonzero(mine.any(axis=1)), np.flatnonzero(mine.any(axis=0))
    return top + int(rows[0]), left + int(columns[0]), mine[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]


def aspect(mask: Bool) -> float:
    """Long over short side of the least box round a patch."""
    contours, _ = cv2.findContours(np.pad(mask, 1).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    _, (width, height), _ = cv2.minAreaRect(max(contours, key=len))
    return (max(width, height) + 1.0) / (min(width, height) + 1.0)


def without_tails(patch: Patch, row: int, column: int) -> Patch:
    """The patch less arms thinner than its body, where a compact body with (row, column) is left: a pore on a faint line, or beside
    clutter. A patch of even width stays as it is."""
    top, left, mask = patch
    if aspect(mask) < COMPACT_ASPECT:
        return patch
    padded = np.pad(mask, 1).astype(np.uint8)
    reach = int(TAIL_SHARE * float(cv2.distanceTransform(padded, cv2.DIST_L2, 5).max()))
    if reach < 1:
        return patch
    body = cv2.morphologyEx(padded, cv2.MORPH_OPEN, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1,) * 2)) > 0
    kept = component(body[1:-1, 1:-1], row - top, column - left, top, left)
    return kept if kept is not None and aspect(kept[2]) < COMPACT_ASPECT else patch


def open_places(seen: F32, usable: Bool, found: Sequence[Patch], per_mm: float) -> list[Patch]:
    """Places that the network sees (probabilities `seen` on the grid) and the patches found leave mostly open: wide soft flaws, of which a
    filter sees only the rim, and long weak ones, of which it sees specks."""
    done = np.zeros(seen.shape, dtype=bool)
    places = []
    for bar in PLACE_BARS:
        labels, _ = ndimage.label((seen > bar) & usable, structure=np.ones((3, 3)))
        for label, box in enumerate(ndimage.find_objects(labels), start=1):
            mask = labels[box] == label
            new = mask.sum() >= PLACE_LEAST_MM2 * per_mm**2 and not done[box][mask].any()
            done[box] |= mask
            corner = (int(box[0].start), int(box[1].start))
            near = [p for p in found if _meet(corner, mask, p)] if new else []
            if new and covered(corner, mask, near, SPECK_SHARE) <= 1.0 - OPEN_SHARE:
                places.append((*corner, mask))
    return places


def _meet(corner: tuple[int, int], mask: Bool, patch: Patch) -> bool:
    """Whether two boxes come within `HALO` of one another."""
    top, left = patch[0] - corner[0], patch[1] - corner[1]
    rows, columns = patch[2].shape
    return bool(-rows < top + HALO < mask.shape[0] + 2 * HALO and -columns < left + HALO < mask.shape[1] + 2 * HALO)


def covered(corner: tuple[int, int], mask: Bool, found: Sequence[Patch], least_share: float = 0.0) -> float:
    """Share of a place (its first pixel at `corner`) that patches hold which are `least_share` of it or more, each grown by `HALO`: the
    network sees a place a little larger than it is."""
    held = np.zeros((mask.shape[0] + 2 * HALO, mask.shape[1] + 2 * HALO), dtype=np.uint8)
    grown = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * HALO + 1,) * 2)
    for top, left, patch in found:
        wide = cv2.dilate(np.pad(patch, HALO).astype(np.uint8), grown) > 0
        if wide.sum() >= least_share * mask.sum():
            paste(held, (corner[0] - HALO, corner[1] - HALO), (top - HALO, left - HALO, wide))
    return float(held[HALO:-HALO, HALO:-HALO][mask].mean())


def paste(picture: np.ndarray, corner: tuple[int, int], patch: Patch) -> None:
    """Sets what a patch covers of a picture (its first pixel at `corner` on the grid) to one."""
    top, left, mask = patch[0] - corner[0], patch[1] - corner[1], patch[2]
    rows = slice(max(0, top), min(picture.shape[0], top + mask.shape[0]))
    columns = slice(max(0, left), min(picture.shape[1], left + mask.shape[1]))
    if rows.start < rows.stop and columns.start < columns.stop:
        picture[rows, columns] |= mask[rows.start - top : rows.stop - top, columns.start - left : columns.stop - left]


def taken_out(residual: F32, sign: float, found: Sequence[tuple[Patch, float | None]], grow: int, window: int) -> F32:
    """The residual without some finds, each a patch and, for lines, a direction in degrees: spots go to zero, a line loses its own running
    middle over `window` pixels, so that a pore on or beside it stays. Patches are grown by `grow` pixels."""
    left_over = residual.copy()
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * grow + 1,) * 2)
    for patch, direction in found:
        top, left = max(0, patch[0] - 2 * grow), max(0, patch[1] - 2 * grow)
        box = (slice(top, patch[0] + patch[2].shape[0] + 2 * grow), slice(left, patch[1] + patch[2].shape[1] + 2 * grow))
        gone = np.zeros(left_over[box].shape, dtype=np.uint8)
        paste(gone, (top, left), patch)
        level = left_over[box] if direction is None else _running_middle(left_over[box], sign, direction, window)
        left_over[box] = np.where(cv2.dilate(gone, disc) > 0, left_over[box] - level, left_over[box])
    return left_over


def _running_middle(image: F32, sign: float, direction_deg: float, window: int) -> F32:
    """Running middle along a direction, never on the other tone's side."""
    half, angle = window // 2, np.deg2rad(direction_deg)
    right, down = round(half * float(np.cos(angle))), round(half * float(np.sin(angle)))
    footprint = np.zeros((2 * abs(down) + 1, 2 * abs(right) + 1), dtype=np.uint8)
    middle = (abs(right), abs(down))
    cv2.line(footprint, (middle[0] - right, middle[1] - down), (middle[0] + right, middle[1] + down), 1)
    return np.asarray(sign * np.maximum(sign * ndimage.median_filter(image, footprint=footprint, mode="nearest"), 0), dtype=np.float32)
