"""What of a flaw shows: its true outline and calipers before blur, its contrast, and how well an ideal observer sees it."""

from __future__ import annotations

import cv2
import numpy as np

from rtscan.film import F32, F64
from rtscan.simulate.beam import inherent_unsharpness_mm
from rtscan.simulate.emulsion import grain_shape, white_density_mm
from rtscan.simulate.images import add_patch, gaussian
from rtscan.simulate.imaging import Patch
from rtscan.simulate.render import SLIT_SIGMA, Exposed, SeenFlaw
from rtscan.simulate.scanner import BLUR_SIGMA_PER_FWHM, noise_at

OUTLINE_SHARE = 0.004
"""Share of the greatest thickness below which a smooth flank counts as its toe."""


def outline_of(seen: SeenFlaw) -> tuple[list[F64], F32, int]:
    """Outlines (film pixels, float64 (n, 2)) of the true shape, longest first, its mask, and the mask's samples per pixel."""
    shown = [p for p in seen.patches if p.body.outlined] or list(seen.patches)
    over = max(p.over for p in shown)
    if len(shown) == 1:
        patch = shown[0]
        mask = (patch.fine > OUTLINE_SHARE * patch.fine.max()).astype(np.uint8)
        x0, y0 = patch.x0, patch.y0
    else:
        x0, y0 = seen.x0, seen.y0
        mask = np.zeros((seen.sharp.shape[0] * over, seen.sharp.shape[1] * over), dtype=np.uint8)
        for patch in shown:
            _stamp(mask, patch, x0, y0, over)
    lines, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    out = [(line[:, 0, :].astype(np.float64) + 0.5) / over - 0.5 + np.asarray([x0, y0]) for line in lines]
    return sorted(out, key=len, reverse=True), mask, over


def _stamp(mask: F32, patch: Patch, x0: int, y0: int, over: int) -> None:
    own = (patch.fine > OUTLINE_SHARE * patch.fine.max()).astype(np.uint8)
    if patch.over != over:
        own = cv2.resize(own, None, fx=over / patch.over, fy=over / patch.over, interpolation=cv2.INTER_NEAREST)
    top, left = (patch.y0 - y0) * over, (patch.x0 - x0) * over
    target = mask[top : top + own.shape[0], left : left + own.shape[1]]
    np.maximum(target, own[: target.shape[0], : target.shape[1]], out=target)


def calipers(points: F64, sample_mm: float) -> tuple[float, float, float]:
    """Greatest and least caliper of a convex outline of sample centres, and the angle of the greatest, in (-90, 90]."""
    if points.shape[0] < 3:
        return sample_mm, sample_mm, 0.0
    turns = np.deg2rad(np.arange(0.0, 180.0, 0.5))
    spread = points @ np.vstack([np.cos(turns), np.sin(turns)])
    caliper = spread.max(axis=0) - spread.min(axis=0)
    far = points[:, None, :] - points[None, :, :]
    distance = np.hypot(far[..., 0], far[..., 1])
    i, j = np.unravel_index(int(np.argmax(distance)), distance.shape)
    edges = np.diff(np.vstack([points, points[:1]]), axis=0)
    normals = np.column_stack([-edges[:, 1], edges[:, 0]]) / np.maximum(np.hypot(edges[:, 0], edges[:, 1]), 1e-12)[:, None]
    across = points @ normals.T
    least = min(float((across.max(axis=0) - across.min(axis=0)).min()), float(caliper.min()))
    angle = float(np.rad2deg(np.arctan2(points[i, 1] - points[j, 1], points[i, 0] - points[j, 0])))
    angle = (angle + 90.0) % 180.0 - 90.0
    return float(distance[i, j]) + sample_mm, least + sample_mm, 90.0 if angle == -90.0 else angle


def contrast_of(seen: SeenFlaw, exposed: Exposed) -> tuple[float, float, float]:
    """Greatest density difference before blur, after blur, and the detectability."""
    recipe, raster = exposed.recipe, exposed.raster
    rows, columns = seen.sharp.shape
    margin = int(np.ceil(4 + 3 * _soft_sigma(exposed)))
    x0, y0 = max(seen.x0 - margin, 0), max(seen.y0 - margin, 0)
    x1, y1 = min(seen.x0 + columns + margin, raster.width), min(seen.y0 + rows + margin, raster.height)
    if x1 - x0 < 2 or y1 - y0 < 2:
        return 0.0, 0.0, 0.0
    window = (slice(y0, y1), slice(x0, x1))
    signals = [_placed(metal, seen, x0, y0, (y1 - y0, x1 - x0)) for metal in (seen.sharp, seen.blurred)]
    with_it = exposed.thickness[window]
    dose = exposed.dose[window] * exposed.exposure
    share = exposed.exposure * exposed.field[window].astype(np.float64)
    plain = share * (exposed.beam.dose(np.maximum(with_it - signals[1] + signals[0], 0.0)) - exposed.beam.dose(with_it - signals[1]))
    soft = (share * (exposed.beam.dose(with_it) - exposed.beam.dose(with_it - signals[1]))).astype(np.float32)
    soft = gaussian(soft, _soft_sigma(exposed))
    without = np.maximum(dose - soft, 1e-6)
    base = exposed.law.net_density(without)
    sharp_d = exposed.law.net_density(np.maximum(without + plain, 1e-9)) - base
    soft_d = exposed.law.net_density(dose) - base
    noise = float(np.mean(exposed.law.grain(base)))
    white = float(np.mean(noise_at(base + exposed.fog, recipe.scan)))
    top = recipe.scan.density_max - exposed.fog
    detect = _detectability(np.where(base < top, soft_d, 0.0), noise, white, exposed)
    return float(np.abs(sharp_d).max()), float(np.abs(soft_d).max()), detect


def _placed(metal: F32, seen: SeenFlaw, x0: int, y0: int, shape: tuple[int, int]) -> F64:
    out = np.zeros(shape, dtype=np.float32)
    add_patch(out, metal, seen.x0 - x0, seen.y0 - y0)
    return out.astype(np.float64)


def _soft_sigma(exposed: Exposed) -> float:
    """Blur after the metal, pixels: inherent unsharpness and scanner."""
    scan = exposed.recipe.scan
    return float(
        np.hypot(SLIT_SIGMA * inherent_unsharpness_mm(exposed.recipe.exposure), scan.blur_mm * BLUR_SIGMA_PER_FWHM) * scan.pixels_per_mm
    )


def _detectability(signal: F64, granularity: float, white: float, exposed: Exposed) -> float:
    """sqrt(sum |S|^2 / NPS) over the spectrum of the patch: grain (seen through the scanner's blur) and white scanner noise.

    Source: the ideal observer for a known signal in stationary Gaussian noise (Wiener spectrum matched filter).
    """
    scan = exposed.recipe.scan
    pitch = 1.0 / scan.pixels_per_mm
    rows, columns = (int(cv2.getOptimalDFTSize(n)) for n in signal.shape)
    spectrum = np.abs(np.fft.rfft2(signal, (rows, columns))) ** 2
    f2 = (np.fft.fftfreq(rows, pitch)[:, None]) ** 2 + (np.fft.rfftfreq(columns, pitch)[None, :]) ** 2
    spot, drag = ((width * BLUR_SIGMA_PER_FWHM * 2 * np.pi) ** 2 for width in (scan.blur_mm, scan.drag_mm))
    down = np.exp(-drag * (np.fft.fftfreq(rows, pitch)[:, None]) ** 2)
    shape = grain_shape(exposed.recipe.film)
    grain = (granularity * white_density_mm(shape) / pitch) ** 2 * shape.power(f2) * np.exp(-spot * f2)
    step = (scan.density_max / 2**scan.bits) ** 2 / 12.0
    noise = (grain + white**2 + scan.lines**2) * down + step
    weight = np.full(spectrum.shape[1], 2.0)
    weight[0] = 1.0
    if columns % 2 == 0:
        weight[-1] = 1.0
    return float(np.sqrt(np.sum(spectrum / noise * weight) / (rows * columns)))
