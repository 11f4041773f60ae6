"""Measured features of a candidate: plain numbers with names, for the ranking of candidates and for the naming of types.

All lengths in mm of the film plane (nominal where the scale is unknown), all contrasts in units of the local noise or of the candidate's
own contrast, so that gain and offset of an uncalibrated film do not matter. Signs are turned so that the candidate itself is positive.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from rtscan.film import F32, F64, Background, Bool
from rtscan.reading.candidates import SUPPORT_SIGMAS_MM, Candidate, Search
from rtscan.reading.filters import Grid

Features = dict[str, float]


@dataclass(frozen=True)
class Surroundings:
    """What every candidate of a strip is compared with, on the detection grid.

    left, right: rows of the weld edges, shape (along,); flawfree: density without flaws; film_sigma: spread from pixel to pixel;
    typical_noise: median of the noise map; slope: change of the flaw-free density per mm across.
    """

    left: F64
    right: F64
    flawfree: F32
    slope: F32
    film_sigma: float
    typical_noise: float
    contrast_of_weld: float


def surroundings(background: Background, grid: Grid) -> Surroundings:
    """Weld edges, flaw-free density and noise levels on the detection grid."""
    strip = background.strip
    rows, columns = grid.residual.shape
    at = (np.arange(columns) + 0.5) / grid.factor[1] - 0.5
    left, right = (np.interp(at, np.arange(len(edge)), edge) * grid.factor[0] for edge in (strip.left_row, strip.right_row))
    flawfree = np.asarray(cv2.resize(background.flawfree, (columns, rows), interpolation=cv2.INTER_AREA), dtype=np.float32)
    slope = cv2.Sobel(cv2.GaussianBlur(flawfree, (0, 0), 2), cv2.CV_32F, 0, 1, ksize=3) * np.float32(grid.per_mm / 8.0)
    detail = grid.residual - cv2.GaussianBlur(grid.residual, (0, 0), 1.0)
    used = grid.usable if grid.usable.any() else np.ones_like(grid.usable)
    film_sigma = float(1.4826 * np.median(np.abs(detail[used]))) or 1e-6
    weld_contrast = float(np.percentile(flawfree[used], 90) - np.percentile(flawfree[used], 10)) or 1e-6
    return Surroundings(
        left, right, flawfree, np.asarray(slope, dtype=np.float32), film_sigma, float(np.median(grid.noise[used])), weld_contrast
    )


def candidate_features(search: Search, around: Surroundings) -> list[Features]:
    """One mapping per candidate, in the order of the search, always with the same names."""
    alone = [_alone(c, search, around) for c in search.candidates]
    return [a | n for a, n in zip(alone, _neighbourhood(search), strict=True)]


def _alone(c: Candidate, search: Search, around: Surroundings) -> Features:
    grid = search.grid
    shape = _shape(c.mask, grid.per_mm)
    place = _place(c, search, around)
    tone = _tones(c, search)
    strongest = max(max(c.profile), 1e-6)
    filters = {f"filter_{k}": min(2.0, max(-2.0, p / strongest)) for k, p in enumerate(c.profile)}
    noise = float(grid.noise[c.row, c.column])
    own = {
        "snr": c.snr,
        "is_line": float(c.shape == "line"),
        "size_mm": c.size_mm,
        "width_of_filter_mm": c.width_mm,
        "contrast_over_noise": c.contrast / noise,
        "dark": float(c.tone == "dark"),
        "strongest": strongest,
        "clutter": noise / around.film_sigma,
        "noise_here": noise / around.typical_noise,
        "contrast_of_weld": c.contrast / around.contrast_of_weld,
    }
    return own | shape | place | tone | filters | _finest(c, grid) | _seen(c, search)


def _finest(c: Candidate, grid: Grid) -> Features:
    """Detail finer than radiation draws, on the patch and one grid pixel round it: the patch's own tone, either tone, and either tone
    over the patch's contrast."""
    top, left = max(0, c.top - 1), max(0, c.left - 1)
    box = (slice(top, c.top + c.mask.shape[0] + 1), slice(left, c.left + c.mask.shape[1] + 1))
    inside = np.zeros(grid.fine[box].shape, dtype=np.uint8)
    inside[c.top - top : c.top - top + c.mask.shape[0], c.left - left : c.left - left + c.mask.shape[1]] = c.mask
    values = grid.fine[box][cv2.dilate(inside, np.ones((3, 3), np.uint8)) > 0]
    high = float(np.percentile(np.abs(values), 90))
    own = float(np.percentile(values if c.tone == "dark" else -values, 75))
    noise = float(grid.noise[c.row, c.column])
    return {"fine_own": own, "fine_high": high, "fine_over_contrast": high * noise / c.contrast}


def _seen(c: Candidate, search: Search) -> Features:
    """What the network says of the patch: mean and greatest of each output, the first two being dark and bright."""
    patch = search.seen[:, c.top : c.top + c.mask.shape[0], c.left : c.left + c.mask.shape[1]][:, c.mask]
    own, other = (0, 1) if c.tone == "dark" else (1, 0)
    mean = patch.mean(axis=1)
    kinds = {f"net_kind_{k}": float(m) for k, m in enumerate(mean[2:])}
    return {
        "net_mean": float(mean[own]),
        "net_most": float(patch[own].max()),
        "net_high": float(np.percentile(patch[own], 75)),
        "net_other": float(patch[other].max()),
    } | kinds


def _shape(mask: Bool, per_mm: float) -> Features:
    """Size and outline of the patch: caliper box, area, greatest inner circle, direction, roughness, straightness."""
    padded = np.pad(mask, 1).astype(np.uint8)
    contours, _ = cv2.findContours(padded, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    contour = max(contours, key=len)
    (_, (width, height), angle) = cv2.minAreaRect(contour)
    long, short = max(width, height) + 1.0, min(width, height) + 1.0
    direction = angle if width >= height else angle - 90.0
    area = float(mask.sum())
    hull = cv2.contourArea(cv2.convexHull(contour)) + 0.5 * len(contour) + 1.0
    inner = float(cv2.distanceTransform(padded, cv2.DIST_L2, 3).max())
    perimeter = cv2.arcLength(contour, True) + 4.0
    return {
        "length_mm": long / per_mm,
        "breadth_mm": short / per_mm,
        "aspect": long / short,
        "area_mm2": area / per_mm**2,
        "inner_width_mm": 2 * inner / per_mm,
        "fill": area / (long * short),
        "solidity": min(1.0, area / hull),
        "roughness": perimeter**2 / (4 * np.pi * area),
        "length_over_inner": long / (2 * inner),
        "angle_deg": abs((direction + 90.0) % 180.0 - 90.0),
    }


def _place(c: Candidate, search: Search, around: Surroundings) -> Features:
    """Where it lies on the weld, and what the flaw-free picture does there."""
    grid = search.grid
    rows, columns = np.nonzero(c.mask)
    row, column = float(rows.mean()) + c.top, float(columns.mean()) + c.left
    k = min(len(around.left) - 1, max(0, round(column)))
    left, right = around.left[k], around.right[k]
    half = max(1e-6, (right - left) / 2)
    r, q = min(grid.residual.shape[0] - 1, round(row)), k
    window = (slice(max(0, r - 10), r + 11), slice(max(0, q - 10), q + 11))
    patch = (slice(c.top, c.top + c.mask.shape[0]), slice(c.left, c.left + c.mask.shape[1]))
    return {
        "across_share": abs(row - (left + right) / 2) / half,
        "inside_toe_mm": min(row - left, right - row) / grid.per_mm,
        "from_middle_mm": abs(row - (left + right) / 2) / grid.per_mm,
        "half_weld_mm": half / grid.per_mm,
        "slope": abs(float(around.slope[r, q])) / around.film_sigma,
        "level": float(around.flawfree[r, q] - np.median(around.flawfree[:, q])) / around.contrast_of_weld,
        "from_end_mm": min(column, grid.residual.shape[1] - 1 - column) / grid.per_mm,
        "unusable_near": float(1.0 - grid.usable[window].mean()),
        "on_lines": float(grid.lines[patch][c.mask].mean()),
        "extends_out": max(0.0, float(left - c.top), float(c.top + c.mask.shape[0] - right)) / grid.per_mm,
    }


def _tones(c: Candidate, search: Search) -> Features:
    """How grey is spread over the patch and its rim: evenness, edge sharpness, flanks, rim of the other tone."""
    grid = search.grid
    sign = 1.0 if c.tone == "dark" else -1.0
    margin = max(3, round((0.3 + SUPPORT_SIGMAS_MM[c.support]) * grid.per_mm))
    top, left = max(0, c.top - margin), max(0, c.left - margin)
    box = (slice(top, c.top + c.mask.shape[0] + margin), slice(left, c.left + c.mask.shape[1] + margin))
    image = sign * search.smooth[max(0, c.support - 1)][box]
    inside = np.zeros(image.shape, dtype=np.uint8)
    inside[c.top - top : c.top - top + c.mask.shape[0], c.left - left : c.left - left + c.mask.shape[1]] = c.mask
    rim = cv2.dilate(inside, np.ones((2 * margin + 1, 2 * margin + 1), np.uint8)) - cv2.dilate(inside, np.ones((3, 3), np.uint8))
    values = image[inside > 0]
    rim_values = image[rim > 0] if rim.any() else np.zeros(1, dtype=np.float32)
    gradient = np.hypot(cv2.Sobel(image, cv2.CV_32F, 1, 0, ksize=3), cv2.Sobel(image, cv2.CV_32F, 0, 1, ksize=3)) / 8.0
    edge = cv2.dilate(inside, np.ones((3, 3), np.uint8)) - cv2.erode(inside, np.ones((3, 3), np.uint8))
    upper, lower = _flanks(image, np.asarray(rim, dtype=np.uint8), inside)
    return {
        "evenness": float(values.mean()) / c.contrast,
        "unevenness": float(values.std()) / c.contrast,
        "edge_per_mm": float(gradient[edge > 0].mean()) * grid.per_mm / c.contrast,
        "rim_mean": float(rim_values.mean()) / c.contrast,
        "rim_low": float(np.percentile(rim_values, 5)) / c.contrast,
        "rim_high": float(np.percentile(rim_values, 95)) / c.contrast,
        "flank_step": abs(upper - lower) / c.contrast,
        "flank_low": min(upper, lower) / c.contrast,
    }


def _flanks(image: F32, rim: NDArray[np.uint8], inside: NDArray[np.uint8]) -> tuple[float, float]:
    """Mean of the rim on the two sides of the patch's long axis."""
    rows, columns = np.nonzero(inside)
    centre = np.array([rows.mean(), columns.mean()])
    spread = np.cov(np.stack([rows, columns])) if len(rows) > 2 else np.eye(2)
    across = np.linalg.eigh(spread + 1e-6 * np.eye(2))[1][:, 0]
    rr, cc = np.nonzero(rim)
    if len(rr) == 0:
        return 0.0, 0.0
    side = (rr - centre[0]) * across[0] + (cc - centre[1]) * across[1]
    values = image[rr, cc]
    one, other = values[side > 0], values[side <= 0]
    return (float(one.mean()) if one.size else 0.0), (float(other.mean()) if other.size else 0.0)


def _neighbourhood(search: Search) -> list[Features]:
    """Company: how many others lie near, of the same and of the other tone, and how many continue the same line along the weld."""
    found = search.candidates
    if not found:
        return []
    per_mm = search.grid.per_mm
    at = np.array([[c.row, c.column] for c in found], dtype=float) / per_mm
    snr = np.array([c.snr for c in found])
    dark = np.array([c.tone == "dark" for c in found])
    apart = np.abs(at[:, None, :] - at[None, :, :])
    distance = np.hypot(apart[..., 0], apart[..., 1])
    other = ~np.eye(len(found), dtype=bool)
    same = (dark[:, None] == dark[None, :]) & other
    rivals = (snr[None, :] > 0.5 * snr[:, None]) & same
    opposite = (dark[:, None] != dark[None, :]) & (distance < 2.0)
    row_mates = rivals & (apart[..., 0] < 0.6) & (apart[..., 1] < 20.0)
    ahead = np.where(same & (distance < 3.0), snr[None, :], 0.0).max(axis=1)
    return [
        {"near_3mm": float(n3), "near_10mm": float(n10), "row_mates": float(m), "opposite": float(o) / s, "same_strength": float(a) / s}
        for n3, n10, m, o, a, s in zip(
            (rivals & (distance < 3.0)).sum(axis=1),
            (rivals & (distance < 10.0)).sum(axis=1),
            row_mates.sum(axis=1),
            np.where(opposite, snr[None, :], 0.0).max(axis=1),
            ahead,
            snr,
            strict=True,
        )
    ]
