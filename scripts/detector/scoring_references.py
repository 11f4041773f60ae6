"""Two plain detectors from general libraries, told where the weld is, scored on the same films."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from rtscan.film import Background

LOG, MEDIAN = "LoG blobs", "median + 5 sigma"
PER_MM = 10
"""Pixels per mm they work on."""


def reference_boxes(backgrounds: Sequence[Background], pixels_per_mm: float) -> dict[str, list[np.ndarray]]:
    """For each reference the places it calls, each float (n, 2), (x, y) in film pixels: Laplacian-of-Gaussian blobs on a flattened picture,
    and a median background with a 5-sigma threshold and labelling."""
    boxes: dict[str, list[np.ndarray]] = {LOG: [], MEDIAN: []}
    for background in backgrounds:
        step = max(1, round(pixels_per_mm / PER_MM))
        density, xy = background.strip.density[::step, ::step], background.strip.film_xy[::step, ::step]
        boxes[LOG] += _blobs(density, xy)
        boxes[MEDIAN] += _above_median(density, xy)
    return boxes


def _blobs(density: np.ndarray, xy: np.ndarray) -> list[np.ndarray]:
    from scipy import ndimage

    flat = density - cv2.blur(density, (81, 1), borderType=cv2.BORDER_REFLECT)
    layers = np.stack([-(s**2) * ndimage.gaussian_laplace(flat, s) for s in (1.5, 2.5, 4.0, 6.0)])
    best = (layers / (1.4826 * np.median(np.abs(layers), axis=(1, 2), keepdims=True))).max(axis=0)
    peaks = np.argwhere((best == ndimage.maximum_filter(best, 9)) & (best > 6))
    return [xy[max(0, r - 3) : r + 4, max(0, c - 3) : c + 4].reshape(-1, 2) for r, c in peaks]


def _above_median(density: np.ndarray, xy: np.ndarray) -> list[np.ndarray]:
    from scipy import ndimage

    rest = cv2.GaussianBlur(density - ndimage.median_filter(density, size=(1, 121), mode="reflect"), (0, 0), 1.0)
    labels, _ = ndimage.label(rest > 5 * 1.4826 * np.median(np.abs(rest)))
    sizes = np.bincount(labels.ravel())
    return [xy[box].reshape(-1, 2) for k, box in enumerate(ndimage.find_objects(labels), start=1) if box is not None and sizes[k] >= 6]


def scored_boxes(truths: Sequence[np.ndarray], boxes: Sequence[np.ndarray], margin_px: float) -> tuple[set[int], int]:
    """(truths found, one a box; boxes that meet none). A box, grown by the margin, meets a truth whose outline has a point in it."""
    found: set[int] = set()
    false = 0
    for box in boxes:
        low, high = box.min(axis=0) - margin_px, box.max(axis=0) + margin_px
        hits = [k for k, points in enumerate(truths) if ((points >= low) & (points <= high)).all(axis=1).any()]
        free = [k for k in hits if k not in found]
        false += not hits
        if free:
            found.add(free[0])
    return found, false
