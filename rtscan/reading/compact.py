"""Compact: the fit of an unblurred ellipsoid to the patch of a compact candidate, and what the fit knows of its own doubt."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from rtscan.film import F64, Bool
from rtscan.reading.cut import Cut
from rtscan.reading.features import Features
from rtscan.reading.outline import PORE_ROUND, ROUND, Ellipsoid, fit_ellipsoid

PLACE_BAR, CORE_BAR, LEAST_KEPT, AROUND_MM = 0.4, 0.7, 0.25, 0.6
"""Where the network is surer than the first, somewhere surer than the second, and sees such a share of the patch, a compact one is fitted
to that part alone and to what lies so near to the place: else soft bead beside a faint pore becomes a part of it."""
PLACE_RIM_MM, PLACE_DOUBT_MM = 0.5, 0.25
"""By so much the network's place is longer than the indication (exploration films); a fit longer than the place has run away into the bead,
and the place less its rim is taken, its size known to the second."""
LARGEST_FIT = 44
"""Greatest side in pixels of a patch that is fitted pixel by pixel."""


def fit_compact(cut: Cut, blur: float, pore: float) -> Ellipsoid | None:
    """The ellipsoid that explains a patch best; None where none does.

    blur: Gaussian sigma of the unsharpness in strip pixels. pore: the network's share of pores over the patch, 0 to 1.
    """
    if cut.mine.sum() < 3:
        return None
    place = _place(cut)
    mine = cut.mine if place is None else cut.mine & place
    _, long, short, direction = _box(mine)
    rows, columns = np.nonzero(mine)
    squeeze = [
        max(0.35 * long, float(np.sqrt(max(0.0, (long / 2) ** 2 - (1.2 * blur) ** 2)))),
        max(0.3 * short, float(np.sqrt(max(0.0, (short / 2) ** 2 - (1.2 * blur) ** 2)))),
    ]
    start = np.array([columns.mean(), rows.mean(), squeeze[0], squeeze[1], direction])
    weight = cut.usable & ~(cut.others & ~cut.mine)
    if place is not None:
        reach = 2 * round(AROUND_MM * cut.pitch) + 1
        weight &= cv2.dilate(place.astype(np.uint8), cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach))) > 0
    if weight.sum() < 12:
        return None
    step = max(1, -(-max(cut.image.shape) // LARGEST_FIT))
    fit = _fit_coarsely(cut, weight, start, blur, step, ROUND + pore * (PORE_ROUND - ROUND))
    if fit is not None and place is not None and 2 * fit.major > _box(place)[1]:
        return _less_rim(fit, place, cut.pitch)
    if fit is None or fit.major > 1.6 * long or fit.major < 0.15 * long:
        return None
    return fit


def _place(cut: Cut) -> Bool | None:
    """The place that the network sees under a patch, where it is sure somewhere and sees a fair share of the patch."""
    seen = cut.sure > PLACE_BAR
    kept = cut.mine & seen
    if not (cut.sure[cut.mine] > CORE_BAR).any() or kept.sum() < max(3, LEAST_KEPT * cut.mine.sum()):
        return None
    _, labels = cv2.connectedComponents(seen.astype(np.uint8), connectivity=8)
    return np.asarray(labels == int(np.bincount(labels[kept]).argmax()))


def _box(mask: Bool) -> tuple[F64, float, float, float]:
    """Middle (column, row), long and short side and direction (radians) of the least box round a mask."""
    contours, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    (middle, (width, height), angle) = cv2.minAreaRect(max(contours, key=len))
    direction = float(np.deg2rad(angle if width >= height else angle + 90.0))
    return np.array(middle), max(width, height) + 1.0, min(width, height) + 1.0, direction


def _less_rim(fit: Ellipsoid, place: Bool, pitch: float) -> Ellipsoid:
    """The network's place less its rim, for a fit that ran away into the bead beside."""
    middle, long, short, direction = _box(place)
    rim, doubt = PLACE_RIM_MM / 2 * pitch, PLACE_DOUBT_MM / 2 * pitch
    major, minor = (max(0.5 * side - rim, 0.25 * side) for side in (long, short))
    return replace(fit, column=middle[0], row=middle[1], major=major, minor=minor, angle=direction, sigma_major=doubt, sigma_minor=doubt)


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
