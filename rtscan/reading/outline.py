"""Outlines along the toe: the unblurred shape that explains what the film shows.

A compact indication is fitted with an ellipsoid of constant material (thickness falls as the root of 1 − ρ², zero at the toe) blurred by
the
film's unsharpness; the ellipse is its toe. Anything long or irregular is outlined at a level of its own contrast and moved to the toe
of a blurred strip with rounded cross-section of the same width. Half contrast is never taken for the toe: it reads a round pore at
0.87 of its diameter (sphere: thickness at half height lies at ρ = √3/2).

The fit is a damped Gauss-Newton search; height and offset are solved linearly inside it (variable projection, G. Golub and V. Pereyra,
SIAM J. Numer. Anal. 10 (1973) 413). Its covariance gives the noise part of the uncertainty, widened for correlated grain.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy import ndimage

from rtscan.film import F32, F64, Bool

SOFT_BAR = 0.6
SOFT_SHIFT_MM = 0.2
LEAST_SOFT_MM = 1.0
"""A wide soft place is outlined where the network is surer than the bar, moved in by what it adds on the exploration films, and left
alone when less than so wide."""

ROUND = 2.0
"""How much more firmly a body that the noise leaves open is held round than near its first guess (tried on the tuning films)."""
PORE_ROUND = 16.0
"""And of a pore: the logarithm of its length over its width is known to 0.18 (one standard uncertainty) before the picture speaks. Half of
the simulated pores are longer than wide by 13 %, one in twenty by 31 %; without this a streak of the bead below a faint pore became its
tail."""


@dataclass(frozen=True)
class Ellipsoid:
    """Fitted compact shape in pixels: centre, semi-axes (major first), direction of the major axis in radians from the growing column
    towards the growing row; `height` greatest density difference before blur; `sigma_*` standard uncertainties from noise;
    `misfit` the root-mean-square of what is left over the noise."""

    column: float
    row: float
    major: float
    minor: float
    angle: float
    height: float
    sigma_major: float
    sigma_minor: float
    misfit: float

    def outline(self, points: int = 48) -> F64:
        """The toe as a closed polygon, shape (points, 2), (column, row)."""
        t = np.linspace(0, 2 * np.pi, points, endpoint=False)
        x, y = self.major * np.cos(t), self.minor * np.sin(t)
        c, s = np.cos(self.angle), np.sin(self.angle)
        return np.stack([self.column + c * x - s * y, self.row + s * x + c * y], axis=1)


@dataclass(frozen=True)
class _Held:
    """What holds the logarithms of the semi-axes where the picture leaves them open: near their `first` guess, and alike (`round`); both
    weights in the unit of the picture."""

    first: F64
    near: float
    round: float


def fit_ellipsoid(
    image: F32, weight: Bool, start: F64, blur: float, noise: float, correlation: float = 3.0, roundness: float = ROUND
) -> Ellipsoid | None:
    """Fits a blurred ellipsoid to `image` (positive, shape (rows, columns)).

    weight: pixels that count. start: column, row, major, minor (semi-axes), angle. blur: Gaussian sigma of the unsharpness. noise: standard
    deviation of a pixel. correlation: number of pixels over which grain and clutter hang together. All in pixels. roundness: how firmly
    the axes are held alike, `ROUND` to `PORE_ROUND`. None when it runs away.
    """
    p = np.array([start[0], start[1], np.log(max(0.6, start[2])), np.log(max(0.5, start[3])), start[4]])
    stiffness = 0.35 * noise * correlation
    held = _Held(p[2:4].copy(), stiffness, roundness * stiffness)
    damping, cost, state = 1e-2, np.inf, None
    for _ in range(9):
        if state is None:
            state = _residuals(p, image, weight, blur, held)
            cost = float(state @ state)
        jacobian = _jacobian(p, state, image, weight, blur, held)
        normal = jacobian.T @ jacobian
        step = np.linalg.solve(normal + damping * np.diag(np.diag(normal) + 1e-12), -jacobian.T @ state)
        step = np.clip(step, -np.array([2.0, 2.0, 0.4, 0.4, 0.5]), [2.0, 2.0, 0.4, 0.4, 0.5])
        trial = _residuals(p + step, image, weight, blur, held)
        if float(trial @ trial) < cost:
            gain = cost - float(trial @ trial)
            p, state, cost, damping = p + step, trial, float(trial @ trial), damping / 3
            if gain < 1e-4 * cost:
                break
        else:
            damping *= 6
            if damping > 1e3:
                break
    return _as_ellipsoid(p, image, weight, blur, noise, correlation, held)


def _as_ellipsoid(p: F64, image: F32, weight: Bool, blur: float, noise: float, correlation: float, held: _Held) -> Ellipsoid | None:
    state = _residuals(p, image, weight, blur, held)
    height, _ = _linear(_shape(p, image.shape, blur), image, weight)
    inside = 0 <= p[0] < image.shape[1] and 0 <= p[1] < image.shape[0]
    if not inside or height <= 0 or not np.isfinite(state).all():
        return None
    jacobian = _jacobian(p, state, image, weight, blur, held)
    covariance = np.linalg.pinv(jacobian.T @ jacobian) * (noise * correlation) ** 2
    major, minor = float(np.exp(p[2])), float(np.exp(p[3]))
    sigmas = np.sqrt(np.maximum(0.0, np.diag(covariance)[2:4])) * np.array([major, minor])
    angle, order = float(p[4]), (0, 1)
    if minor > major:
        major, minor, angle, order = minor, major, angle + np.pi / 2, (1, 0)
    misfit = float(np.sqrt(np.mean(state[:-3] ** 2))) / max(noise, 1e-9)
    return Ellipsoid(float(p[0]), float(p[1]), major, minor, angle, height, float(sigmas[order[0]]), float(sigmas[order[1]]), misfit)


def _shape(p: F64, size: tuple[int, ...], blur: float) -> F32:
    """The blurred ellipsoid of unit height, sampled twice as finely as the pixels so that small ones keep their volume."""
    rows, columns = np.mgrid[0 : size[0] : 0.5, 0 : size[1] : 0.5]
    x, y = columns - 0.25 - p[0], rows - 0.25 - p[1]
    c, s = np.cos(p[4]), np.sin(p[4])
    rho2 = ((c * x + s * y) / np.exp(p[2])) ** 2 + ((c * y - s * x) / np.exp(p[3])) ** 2
    fine = np.sqrt(np.maximum(0.0, 1.0 - rho2)).astype(np.float32)
    blurred = cv2.GaussianBlur(fine, (0, 0), max(0.4, 2 * blur), borderType=cv2.BORDER_REPLICATE)
    return np.asarray(cv2.resize(blurred, (size[1], size[0]), interpolation=cv2.INTER_AREA), dtype=np.float32)


def _linear(shape: F32, image: F32, weight: Bool) -> tuple[float, float]:
    """Height and offset that fit best."""
    s, v = shape[weight].astype(float), image[weight].astype(float)
    s0, v0 = s.mean(), v.mean()
    height = float(((s - s0) @ (v - v0)) / max(1e-12, (s - s0) @ (s - s0)))
    return height, float(v0 - height * s0)


def _residuals(p: F64, image: F32, weight: Bool, blur: float, held: _Held) -> F64:
    shape = _shape(p, image.shape, blur)
    height, offset = _linear(shape, image, weight)
    misfit = (height * shape + offset - image)[weight].astype(float)
    return np.concatenate([misfit, held.near * (p[2:4] - held.first), [held.round * (p[2] - p[3])]])


def _jacobian(p: F64, state: F64, image: F32, weight: Bool, blur: float, held: _Held) -> F64:
    columns = []
    for k, h in enumerate((0.1, 0.1, 0.03, 0.03, 0.05)):
        q = p.copy()
        q[k] += h
        columns.append((_residuals(q, image, weight, blur, held) - state) / h)
    return np.stack(columns, axis=1)


def toe_half_width(half_width: float, share: float, sigma: float) -> float:
    """Half width of a strip with rounded cross-section (thickness root of 1 − (x/a)²) from the half width at `share` of its greatest
    contrast after a Gaussian blur `sigma` (any one length unit). Thinner than the blur can show: a small positive number."""
    if sigma <= 0:
        return half_width / float(np.sqrt(1 - share * share))
    return float(np.interp(half_width / sigma, *_toe_table(share))) * sigma


_TOE_TABLES: dict[float, tuple[F64, F64]] = {}


def _toe_table(share: float) -> tuple[F64, F64]:
    """Half width at `share` against true half width, both in units of the blur; computed once per share by direct convolution."""
    if share not in _TOE_TABLES:
        x = np.arange(-16.0, 16.0, 0.05)
        kernel = np.exp(-(x**2) / 2)
        true, seen = np.concatenate([np.linspace(0.15, 3.0, 30), np.linspace(3.3, 8.0, 10)]), []
        for a in true:
            profile = np.convolve(np.sqrt(np.maximum(0.0, 1 - (x / a) ** 2)), kernel, mode="same")
            half = profile[len(x) // 2 :] / profile.max()
            seen.append(
                float(
                    np.argmax(half < share)
                    - 1
                    + (half[np.argmax(half < share) - 1] - share)
                    / max(1e-12, half[np.argmax(half < share) - 1] - half[np.argmax(half < share)])
                )
                * 0.05
            )
        far = 40.0
        _TOE_TABLES[share] = (np.append(np.maximum.accumulate(seen), far * np.sqrt(1 - share**2)), np.append(true, far))
    return _TOE_TABLES[share]


def ribbon_outline(mask: Bool, share: float, sigma: float, end_shift: float) -> F64 | None:
    """Outline of a long shape: half widths along its long axis moved to the toe, ends moved by `end_shift`.

    mask: pixels above `share` of the local contrast, shape (rows, columns). Result shape (n, 2), (column, row), closed; None when the
    shape is not long enough to have a direction.
    """
    rows, columns = np.nonzero(mask)
    if len(rows) < 6:
        return None
    centre = np.array([columns.mean(), rows.mean()])
    spread, axes = np.linalg.eigh(np.cov(np.stack([columns, rows])) + 1e-9 * np.eye(2))
    if spread[1] < 2.0 * spread[0]:
        return None
    along, across = axes[:, 1], axes[:, 0]
    offset = np.stack([columns, rows], axis=1) - centre
    t, u = offset @ along, offset @ across
    cell = np.floor(t - t.min()).astype(int)
    count = np.bincount(cell).astype(float)
    low = np.full(len(count), np.inf)
    high = np.full(len(count), -np.inf)
    np.minimum.at(low, cell, u)
    np.maximum.at(high, cell, u)
    known = count > 0
    at = np.flatnonzero(known) + 0.5 + t.min()
    middle, half = (low[known] + high[known]) / 2, (high[known] - low[known] + 1) / 2
    toe = np.array([toe_half_width(float(h), share, sigma) for h in half])
    toe = np.maximum(np.convolve(np.pad(toe, 1, mode="edge"), [0.25, 0.5, 0.25], mode="valid"), 0.3)
    return _ribbon(centre, along, across, at, middle, toe, end_shift)


def _ribbon(centre: F64, along: F64, across: F64, at: F64, middle: F64, toe: F64, end_shift: float) -> F64:
    first, last = at[0] - 0.5 - end_shift, at[-1] + 0.5 + end_shift
    if last - first < 1.0:
        first, last = at.mean() - 0.5, at.mean() + 0.5
    keep = (at > first) & (at < last)
    ends = np.concatenate([[first], at[keep], [last]])
    centre_line = np.interp(ends, at, middle)
    half = np.concatenate([[0.25 * toe[0]], toe[keep], [0.25 * toe[-1]]])
    upper = centre + ends[:, None] * along + (centre_line + half)[:, None] * across
    lower = centre + ends[:, None] * along + (centre_line - half)[:, None] * across
    return np.asarray(np.concatenate([upper, lower[::-1]]))


def soft_place(sure: F32, mine: Bool, pitch: float) -> Bool | None:
    """The pixels of a wide soft place: the greatest connected part of the patch `mine` in which the network is sure, holes filled, its
    rim moved in. None when little is left. All of one shape (rows, columns); pitch: pixels per mm."""
    near = cv2.dilate(mine.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    place = ndimage.binary_fill_holes((sure > SOFT_BAR) & near)
    labels, count = ndimage.label(place, np.ones((3, 3), int))
    if not count:
        return None
    own = labels == 1 + int(np.argmax(np.bincount(labels.ravel())[1:]))
    inside = cv2.distanceTransform(np.pad(own, 1).astype(np.uint8), cv2.DIST_L2, 5)
    shift = SOFT_SHIFT_MM * pitch
    if 2 * (float(inside.max()) - shift) < LEAST_SOFT_MM * pitch:
        return None
    return np.asarray(cv2.GaussianBlur(inside, (0, 0), SOFT_SHIFT_MM * pitch) > shift)[1:-1, 1:-1]
