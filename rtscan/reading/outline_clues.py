"""Clues to the type, measured at full resolution on an outlined region: how its ridge runs, its cross-section, its ends, its place beside
the toe, and the network's opinion over the whole outline.

The region is turned so that its long axis lies along the columns, sampled every `STEP_MM`. The ridge is the path of most contrast inside
the outline (dynamic programming); what is told of it uses only the columns where it is strong, so that a tail traced into the grain does
not count. All lengths in mm, contrasts in units of the region's own.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from rtscan.film import F32, F64, Background, Bool
from rtscan.reading.background import NOMINAL_PIXELS_PER_MM
from rtscan.reading.candidates import Search
from rtscan.reading.features import Features
from rtscan.reading.net import KINDS, TONES

STEP_MM = 0.05
RIM_MM = 0.8
ALONG_MM, ACROSS_MM = 0.4, 0.1
"""Smoothing (Gaussian sigma) along and across the ridge."""
STRONG_SHARE = 0.4
"""A column is strong when its crest reaches this share of the 80th percentile of all."""
RESOLUTION_MM = STEP_MM / 12**0.5
"""Standard uncertainty of a place known to one step."""
LEAST_LIKELY = 1e-3
PROFILE_MM = 1.5


@dataclass(frozen=True)
class _Turned:
    """`image` above its surroundings and `inside` the outline, both (across, along), every `STEP_MM`; `x`, `y` strip pixels of each
    place; `outward` +1 where growing rows lead straight away from the middle of the weld, −1 towards it, 0 along it."""

    image: F32
    inside: Bool
    x: F32
    y: F32
    outward: float


@dataclass(frozen=True)
class _Ridge:
    """Along the columns: row and crest of the ridge; `strong` columns; `rows` in steps."""

    rows: NDArray[np.intp]
    crest: F64
    strong: Bool


def outline_clues(background: Background, search: Search, outline: F64, tone: str) -> Features:
    """Clues of the region of `tone` with `outline`, (n, 2) strip pixels (column, row)."""
    pitch = background.strip.pixels_per_mm or NOMINAL_PIXELS_PER_MM
    turned = _turn(background, outline, pitch, 1.0 if tone == "dark" else -1.0)
    ridge = _ridge(turned)
    return (
        _run(ridge)
        | _section(turned, ridge)
        | _beside_toe(turned, ridge, background, pitch)
        | _body(turned)
        | _opinion(search, outline, tone)
    )


def _turn(background: Background, outline: F64, pitch: float, sign: float) -> _Turned:
    (cx, cy), (width, height), angle = cv2.minAreaRect(outline.astype(np.float32))
    if width < height:
        width, height, angle = height, width, angle - 90.0
    turn = np.deg2rad((angle + 90.0) % 180.0 - 90.0)
    along, across = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    step = STEP_MM * pitch
    t = (np.arange(max(9, int(width / step) + 1)) * step)[None]
    t = t - t.mean()
    half = int((height / 2 + RIM_MM * pitch) / step)
    u = (np.arange(-half, half + 1) * step)[:, None]
    x = (cx + t * along[0] + u * across[0]).astype(np.float32)
    y = (cy + t * along[1] + u * across[1]).astype(np.float32)
    rows, columns = background.residual.shape
    left, top = (int(np.clip(v.min() - 1, 0, size - 2)) for v, size in ((x, columns), (y, rows)))
    cut = np.float32(sign) * background.residual[top : max(top + 2, int(y.max()) + 3), left : max(left + 2, int(x.max()) + 3)]
    image = cv2.remap(cut, x - left, y - top, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    mask = np.zeros(cut.shape, dtype=np.uint8)
    cv2.fillPoly(mask, [np.round((outline - [left, top]) * 16).astype(np.int32)], 255, shift=4)
    inside = cv2.remap(mask, x - left, y - top, cv2.INTER_LINEAR) > 127
    if not inside.any():
        inside[half, :] = True
    outside = ~_grown(inside, 13, 13)
    level = float(np.median(image[outside])) if outside.any() else 0.0
    k = int(np.clip(round(cx), 0, len(background.strip.left_row) - 1))
    middle = 0.5 * float(background.strip.left_row[k] + background.strip.right_row[k])
    outward = float(np.sign(cy - middle) * across[1])
    return _Turned(np.asarray(image - np.float32(level), dtype=np.float32), np.asarray(inside), x, y, outward)


def _grown(mask: Bool, rows: int, columns: int) -> Bool:
    return np.asarray(cv2.dilate(mask.astype(np.uint8), np.ones((rows, columns), np.uint8)) > 0)


def _ridge(turned: _Turned) -> _Ridge:
    """The path of most contrast inside the outline, at most one row a column (Viterbi)."""
    columns = turned.image.shape[1]
    along = min(ALONG_MM / STEP_MM, columns / 6)
    smooth = ndimage.gaussian_filter(turned.image, (ACROSS_MM / STEP_MM, along), mode="nearest")
    band = _grown(turned.inside, 9, 1)
    band[:, ~band.any(axis=0)] = True
    gain = np.where(band, smooth, smooth.min() - np.ptp(smooth))
    cost = 0.5 * max(float(smooth[turned.inside].std()), 1e-9)
    rows = _best_path(np.asarray(gain.T, dtype=np.float32), cost)
    crest = np.maximum(smooth[rows, np.arange(columns)], 1e-9).astype(np.float64)
    return _Ridge(rows, crest, np.asarray(crest >= STRONG_SHARE * np.percentile(crest, 80)))


def _best_path(gain: F32, cost: float) -> NDArray[np.intp]:
    """For every step (first axis) the place that gathers the most gain on the way, moving at most one place a step for `cost`."""
    steps, places = gain.shape
    came = np.zeros((steps, places), dtype=np.int8)
    held = np.full(places + 2, -np.inf, dtype=np.float32)  # the best so far between two walls
    best = held[1:-1]
    best[:] = gain[0]
    for k in range(1, steps):
        up, down = held[:-2] - cost, held[2:] - cost
        side = np.maximum(up, down)
        came[k] = (side > best) * np.where(up > down, -1, 1)
        np.maximum(best, side, out=best)
        best += gain[k]
    path = np.zeros(steps, dtype=np.intp)
    path[-1] = int(np.argmax(best))
    for k in range(steps - 1, 0, -1):
        path[k - 1] = path[k] + came[k, path[k]]
    return path


def _run(ridge: _Ridge) -> Features:
    """How straight and even the strong part of the ridge runs, and how it ends."""
    x, y = np.flatnonzero(ridge.strong) * STEP_MM, ridge.rows[ridge.strong] * STEP_MM
    crest = ridge.crest[ridge.strong]
    off = y - np.polyval(np.polyfit(x, y, 1, w=np.sqrt(crest)), x) if len(x) > 4 else np.zeros(len(x))
    fine = y - ndimage.gaussian_filter1d(y, 1.0 / STEP_MM, mode="nearest")
    first, last = np.flatnonzero(ridge.strong)[[0, -1]]
    tenths = np.interp(np.linspace(first, last, 10), np.arange(len(ridge.crest)), ridge.crest)
    wander, jag = (float(np.hypot(np.sqrt(np.average(v**2, weights=crest)), RESOLUTION_MM)) for v in (off, fine))
    return {
        "wander_mm": wander,
        "jag_mm": jag,
        "strength_spread": float(ridge.crest.std() / ridge.crest.mean()),
        "ends_over_middle": float(tenths[[0, 1, -2, -1]].mean() / tenths[3:-3].mean()),
        "one_end": float(abs(np.log(tenths[:5].mean() / tenths[5:].mean()))),
    }


def _section(turned: _Turned, ridge: _Ridge) -> Features:
    """The cross-section: local widths along the ridge, and the profile averaged over its strong columns."""
    reach = round(PROFILE_MM / STEP_MM)
    columns = np.arange(len(ridge.rows))
    rows = np.clip(ridge.rows[None] + np.arange(-reach, reach + 1)[:, None], 0, len(turned.image) - 1)
    flat = turned.image[rows, columns[None]]
    held = np.where(_grown(turned.inside, 5, 1)[rows, columns[None]], ndimage.gaussian_filter1d(flat, 5.0, axis=1, mode="nearest"), 0.0)
    width = np.maximum(held, 0.0).sum(axis=0)[ridge.strong] * STEP_MM / ridge.crest[ridge.strong]
    profile = ndimage.gaussian_filter1d(np.average(flat[:, ridge.strong], axis=1, weights=ridge.crest[ridge.strong]), 1.0)
    profile = profile / max(float(profile[reach - 4 : reach + 5].max()), 1e-9)
    slope = np.gradient(profile) / STEP_MM
    rise, fall = max(float(slope[: reach + 1].max()), 0.1), max(float(-slope[reach:].min()), 0.1)
    w25, w50, w75 = (_width_at(profile, level) for level in (0.25, 0.5, 0.75))
    return {
        "half_width_mm": w50,
        "flat_top": w75 / max(w25, STEP_MM),
        "width_spread": float(width.std() / max(float(width.mean()), 1e-9)),
        "steepest_per_mm": max(rise, fall),
        "outer_edge": float(np.log(fall / rise)) * turned.outward,
    }


def _width_at(profile: F64, level: float) -> float:
    """Width in mm of the middle hump above a level."""
    middle, below = len(profile) // 2, profile < level
    up = int(np.argmax(below[middle:])) if below[middle:].any() else middle
    down = int(np.argmax(below[middle::-1])) if below[middle::-1].any() else middle
    return max(1, up + down - 1) * STEP_MM


def _beside_toe(turned: _Turned, ridge: _Ridge, background: Background, pitch: float) -> Features:
    """How steadily the ridge keeps its distance from the nearer toe and from the middle of the weld, and how far off the middle it is."""
    at = np.flatnonzero(ridge.strong)
    x, y = turned.x[ridge.rows[at], at], turned.y[ridge.rows[at], at]
    column = np.clip(np.round(x).astype(int), 0, len(background.strip.left_row) - 1)
    gaps = (y - background.strip.left_row[column]) / pitch, (background.strip.right_row[column] - y) / pitch
    near = min(gaps, key=lambda gap: float(np.median(gap)))
    middle = (gaps[0] - gaps[1]) / 2
    return {
        "toe_spread_mm": float(np.hypot(near.std(), RESOLUTION_MM)),
        "middle_gap_mm": float(abs(np.median(middle))),
        "middle_spread_mm": float(np.hypot(middle.std(), RESOLUTION_MM)),
    }


def _body(turned: _Turned) -> Features:
    """The region as a patch at levels of its own contrast: how far from an ellipse, how hollow, how flat on top."""
    smooth = ndimage.gaussian_filter(turned.image, 2.0)
    top = float(np.percentile(smooth[turned.inside], 95))
    near = _grown(turned.inside, 9, 9)
    high, half, low = (_largest((smooth > level * top) & near, turned.inside) for level in (0.75, 0.5, 0.3))
    contours, _ = cv2.findContours(half.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    contour = max(contours, key=len, default=np.zeros((0, 1, 2), dtype=np.int32))
    if len(contour) < 8:
        return {"off_ellipse": 0.0, "half_solidity": 1.0, "plateau": float(high.sum() / max(1, low.sum()))}
    (ex, ey), axes, angle = cv2.fitEllipse(contour)
    turn = np.deg2rad(angle)
    frame = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    radius = np.hypot(*((contour[:, 0] - np.array([ex, ey])) @ frame / np.maximum(np.array(axes) / 2, 0.5)).T)
    return {
        "off_ellipse": float(radius.std()),
        "half_solidity": float(cv2.contourArea(contour) / max(cv2.contourArea(cv2.convexHull(contour)), 1.0)),
        "plateau": float(high.sum() / max(1, low.sum())),
    }


def _largest(above: Bool, inside: Bool) -> Bool:
    """The connected part of `above` that shares most with `inside`."""
    _, labels = cv2.connectedComponents(above.astype(np.uint8), connectivity=4)
    counts = np.bincount(labels[above & inside], minlength=2)
    return np.asarray((labels == int(counts[1:].argmax()) + 1) & above)


def _opinion(search: Search, outline: F64, tone: str) -> Features:
    """The network's kinds over the outline: mean of the logarithm of their probabilities, weighted by how sure it is that a region of
    this tone lies there."""
    down, right = search.grid.factor
    on_grid = (outline + 0.5) * np.array([right, down]) - 0.5
    left, top = np.maximum(0, np.floor(on_grid.min(axis=0)).astype(int) - 1)
    right_end, bottom = np.floor(on_grid.max(axis=0)).astype(int) + 3
    seen = search.seen[:, top:bottom, left:right_end]
    mask = np.zeros(seen.shape[1:], dtype=np.uint8)
    corners = [np.round((on_grid - [left, top]) * 16).astype(np.int32)]
    cv2.fillPoly(mask, corners, 1, shift=4)
    cv2.polylines(mask, corners, True, 1, 1, shift=4)
    weight = (seen[TONES.index(tone)] + 1e-4) * mask
    if not weight.any():
        return {f"log_kind_{k}": -float(np.log(len(KINDS))) for k in range(len(KINDS))}
    pooled = (np.log(seen[len(TONES) :] + LEAST_LIKELY) * weight).sum(axis=(1, 2)) / weight.sum()
    return {f"log_kind_{k}": float(v) for k, v in enumerate(pooled)}
