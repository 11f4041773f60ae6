"""A straight edge on the film at full resolution: where it lies, how high its step is, and how blurred.

Every pixel beside the edge is taken with its own distance from the line (no interpolation, which would blur), gathered in bins of a
quarter pixel, and a blurred step (Gaussian, so an error function) with a straight slope under it is fitted.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rtscan.film import F64, Bool, Film

BIN_PX = 0.25
STEPS = 40
SIGMA_PX = (0.2, 60.0)
"""Blur that a fit may end at: below, the pixel itself hides it."""


@dataclass(frozen=True)
class Edge:
    """One fitted edge, lengths in pixels, the normal pointing to the left of the line seen along it on the screen (x right, y down).

    offset, sigma
        Where the middle of the step lies along the normal, and its Gaussian blur (the pixel's own width in it).
    sigma_u
        Standard error of `sigma` by the scatter of the fit.
    step
        Density on the side of the normal less that on the other, and `step_u` its standard error.
    misfit
        Root mean square of what the fit leaves, over the step.
    """

    offset: float
    sigma: float
    sigma_u: float
    step: float
    step_u: float
    misfit: float


def pixels_beside(film: Film, usable: Bool, start: F64, end: F64, reach_px: float) -> tuple[F64, F64, F64]:
    """Place along the line from `start` to `end` (x, y), distance along its normal, and density of each usable pixel within reach, less
    what of the density changes along the line."""
    along = end - start
    length = float(np.hypot(*along))
    along = along / max(length, 1e-9)
    normal = np.array([along[1], -along[0]])
    rows, columns = film.density.shape
    points = np.array([start, end])
    low = np.maximum(np.floor(points.min(axis=0) - reach_px), 0).astype(int)
    high = np.minimum(np.ceil(points.max(axis=0) + reach_px) + 1, [columns, rows]).astype(int)
    y, x = np.mgrid[low[1] : max(high[1], low[1]), low[0] : max(high[0], low[0])]
    window = (slice(low[1], max(high[1], low[1])), slice(low[0], max(high[0], low[0])))
    t = (x - start[0]) * along[0] + (y - start[1]) * along[1]
    u = (x - start[0]) * normal[0] + (y - start[1]) * normal[1]
    near = (np.abs(u) <= reach_px) & (t >= 0) & (t <= length) & usable[window]
    return t[near], u[near], _levelled(t[near] / max(length, 1e-9), u[near] / reach_px, film.density[window][near].astype(np.float64))


def _levelled(t: F64, u: F64, density: F64) -> F64:
    """Density less a cubic along the line (t from 0 to 1), fitted with step and slope across it. Without this a shading along an edge that
    lies nearly along the pixels would pass for a change across it."""
    if len(t) < 50:
        return density
    centred = 2 * t - 1
    along = np.stack([centred, centred**2 - 1 / 3, centred**3], axis=1)
    design = np.concatenate([along, np.sign(u)[:, None], u[:, None], np.ones((len(u), 1))], axis=1)
    weights = np.linalg.lstsq(design, density, rcond=None)[0]
    return np.asarray(density - along @ weights[:3], dtype=np.float64)


def fit_edge(u: F64, density: F64, sigma_px: float = 1.5, most_px: float = SIGMA_PX[1]) -> Edge | None:
    """Fits pixels at distances `u` from a line, from a blur of `sigma_px` on and to `most_px` at most; None when too few, or when no step
    is found within them."""
    places, means, counts = _binned(u, density)
    if len(places) < 12 or counts.sum() < 60:
        return None
    from scipy.special import ndtr

    reach = float(np.abs(places).max())
    half = np.array([places < 0, places > 0])
    start = float(means[half[1]].mean() - means[half[0]].mean()) if half.any(axis=1).all() else 0.0
    guess = np.array([0.0, np.log(sigma_px), start, float(np.average(means, weights=counts)) - 0.5 * start, 0.0])
    weight = np.sqrt(counts)
    damping, cost = 1e-2, np.inf
    residual, jacobian = _model(guess, places, means, ndtr)
    cost = float(((weight * residual) ** 2).sum())
    for _ in range(STEPS):
        left = jacobian * weight[:, None]
        normal = left.T @ left
        change = np.linalg.solve(normal + damping * np.diag(np.diag(normal) + 1e-12), left.T @ (weight * residual))
        trial = guess + np.clip(change, [-2.0, -0.5, -np.inf, -np.inf, -np.inf], [2.0, 0.5, np.inf, np.inf, np.inf])
        trial[1] = np.clip(trial[1], np.log(SIGMA_PX[0]), np.log(most_px))
        tried, slopes = _model(trial, places, means, ndtr)
        lower = float(((weight * tried) ** 2).sum())
        if lower < cost:
            done = cost - lower < 1e-7 * cost
            guess, residual, jacobian, cost, damping = trial, tried, slopes, lower, 0.3 * damping
            if done:
                break
        else:
            damping *= 4.0
            if damping > 1e8:
                break
    if abs(guess[0]) > 0.7 * reach:
        return None
    return _edge(guess, jacobian * weight[:, None], cost, residual)


def step_at(u: F64, density: F64, sigma_px: float) -> tuple[float, float]:
    """Step and its standard error for an edge known to lie at distance 0 with a known blur; (0, inf) from too few pixels."""
    places, means, counts = _binned(u, density)
    if len(places) < 12:
        return 0.0, np.inf
    from scipy.special import ndtr

    weight = np.sqrt(counts)
    design = np.stack([np.asarray(ndtr(places / sigma_px)), np.ones_like(places), places], axis=1) * weight[:, None]
    values, *_ = np.linalg.lstsq(design, means * weight, rcond=None)
    variance = float(((means * weight - design @ values) ** 2).sum()) / (len(places) - 3)
    return float(values[0]), float(np.sqrt(np.linalg.pinv(design.T @ design)[0, 0] * variance))


def _binned(u: F64, density: F64) -> tuple[F64, F64, F64]:
    bins: NDArray[np.intp] = np.floor(u / BIN_PX).astype(np.intp)
    bins -= bins.min() if len(bins) else 0
    counts = np.bincount(bins).astype(np.float64)
    held = counts > 0
    return np.bincount(bins, u)[held] / counts[held], np.bincount(bins, density)[held] / counts[held], counts[held]


def _model(guess: F64, u: F64, means: F64, ndtr: np.ufunc) -> tuple[F64, F64]:
    """What the blurred step leaves of the bins, and its derivatives by place, log blur, step, level and slope."""
    sigma = np.exp(guess[1])
    z = (u - guess[0]) / sigma
    share = np.asarray(ndtr(z), dtype=np.float64)
    bell = np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi)
    model = guess[2] * share + guess[3] + guess[4] * u
    jacobian = np.stack([-guess[2] * bell / sigma, -guess[2] * bell * z, share, np.ones_like(u), u], axis=1)
    return means - model, jacobian


def _edge(guess: F64, left: F64, cost: float, residual: F64) -> Edge:
    variance = cost / max(len(residual) - 5, 1)
    spread = np.sqrt(np.maximum(np.diag(np.linalg.pinv(left.T @ left)) * variance, 0.0))
    sigma = float(np.exp(guess[1]))
    misfit = float(np.sqrt((residual**2).mean())) / max(abs(float(guess[2])), 1e-9)
    return Edge(float(guess[0]), sigma, sigma * float(spread[1]), float(guess[2]), float(spread[2]), misfit)
