"""Compact: the fit of an unblurred ellipsoid to the patch of a compact candidate, and what the fit knows of its own doubt."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from rtscan.film import F64, Bool
from rtscan.reading.cut import Cut
from rtscan.reading.features import Features
from rtscan.reading.outline import PORE_ROUND, ROUND, Ellipsoid, fit_ellipsoid

LARGEST_FIT = 44
"""Greatest side in pixels of a patch that is fitted pixel by pixel."""


def fit_compact(cut: Cut, blur: float, pore: float) -> Ellipsoid | None:
    """The ellipsoid that explains a patch best; None where none does.

    blur: Gaussian sigma of the unsharpness in strip pixels. pore: the network's share of pores over the patch, 0 to 1.
    """
    if cut.mine.sum() < 3:
        return None
    contours, _ = cv2.findContours(cut.mine.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    ((_, _), (width, height), angle) = cv2.minAreaRect(max(contours, key=len))
    rows, columns = np.nonzero(cut.mine)
    long, short = max(width, height) + 1.0, min(width, height) + 1.0
    direction = np.deg2rad(angle if width >= height else angle + 90.0)
    squeeze = [
        max(0.35 * long, float(np.sqrt(max(0.0, (long / 2) ** 2 - (1.2 * blur) ** 2)))),
        max(0.3 * short, float(np.sqrt(max(0.0, (short / 2) ** 2 - (1.2 * blur) ** 2)))),
    ]
    start = np.array([columns.mean(), rows.mean(), squeeze[0], squeeze[1], direction])
    weight = cut.usable & ~(cut.others & ~cut.mine)
    if weight.sum() < 12:
        return None
    step = max(1, -(-max(cut.image.shape) // LARGEST_FIT))
    fit = _fit_coarsely(cut, weight, start, blur, step, ROUND + pore * (PORE_ROUND - ROUND))
    if fit is None or fit.major > 1.6 * long or fit.major < 0.15 * long:
        return None
    return fit


def _fit_coarsely(cut: Cut, weight: Bool, start: F64, blur: float, step: int, roundness: float) -> Ellipsoid | None:
    """The fit on every `step`-th pixel (area means), given back in strip pixels: large shapes do not need every pixel."""
    if step == 1:
        return fit_ellipsoid(cut.image, weight, start, blur, cut.noise, roundness=roundness)
    rows, columns = (n // step * step for n in cut.image.shape)
    image = np.asarray(
        cv2.resize(cut.image[:rows, :columns], (columns // step, rows // step), interpolation=cv2.INTER_AREA), dtype=np.float32
    )
    counts = weight[step // 2 : rows : step, step // 2 : columns : step][: image.shape[0], : image.shape[1]]
    shift = (step - 1) / 2
    coarse = np.array([(start[0] - shift) / step, (start[1] - shift) / step, start[2] / step, start[3] / step, start[4]])
    if counts.sum() < 12:
        return None
    fit = fit_ellipsoid(image, counts, coarse, blur / step, cut.noise / step, roundness=roundness)
    if fit is None:
        return None
    return replace(
        fit,
        column=fit.column * step + shift,
        row=fit.row * step + shift,
        major=fit.major * step,
        minor=fit.minor * step,
        sigma_major=fit.sigma_major * step,
        sigma_minor=fit.sigma_minor * step,
    )


def fit_doubt(fit: Ellipsoid, pitch: float) -> Features:
    return {
        "height": fit.height,
        "sigma_length_px": float(np.hypot(2 * fit.sigma_major, _shape_doubt(fit.major, pitch))),
        "sigma_width_px": float(np.hypot(2 * fit.sigma_minor, _shape_doubt(fit.minor, pitch))),
        "misfit": fit.misfit,
        "fitted": 1.0,
    }


def _shape_doubt(semi_axis: float, pitch: float) -> float:
    """Standard uncertainty in pixels of a diameter because the body is not an ellipsoid: 0.04 mm and 5 % (errors on the tuning films)."""
    return 0.04 * pitch + 0.05 * 2 * semi_axis
