"""Detection curves from hit/miss data: logistic model, a50, a90 and the two a90/95 bounds.

Model (MIL-HDBK-1823A and ASTM E2862, logistic hit/miss): POD(a) = 1 / (1 + exp(-(b0 + b1 x))), x = a or ln a.
a90/95 is the size whose one-sided 95 % lower bound on POD reaches 0.90, once by Wald (delta method on the linear
predictor) and once by the likelihood ratio (profile, chi-square with one degree of freedom at 0.90).

Where hits and misses do not overlap no greatest likelihood exists. Then the penalised likelihood of Firth (Biometrika 80, 1993)
gives the curve and its profile the bound, which is finite and wide: on simulated separated tables it lay above the true a90 in
99 % or more of them (scripts/check_practise.py measures it).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from rtscan.practise.agreement import UNKNOWN, Interval, binomial_bounds

Scale = Literal["linear", "log"]
Kind = Literal["likelihood", "penalised", "none"]
Covariance = tuple[float, float, float]
F64 = NDArray[np.float64]

LOGIT_90 = math.log(9.0)
WALD_Z = 1.6448536269514722
ONE_SIDED_95 = 2.705543454095404
TWO_SIDED_95 = 3.841458820694124
HANDBOOK_TARGETS = 60
"""Targets a hit/miss study should have (MIL-HDBK-1823A)."""
ALL_HIT_TARGETS = 29
"""Hits without a miss that put the exact one-sided 95 % lower bound of POD at 0.90."""


@dataclass(frozen=True)
class HitMiss:
    """Targets by size: float64 (n,) sizes, trials and hits at each. The unit is the caller's (mm, or a signal-to-noise ratio)."""

    size: F64
    trials: F64
    hits: F64

    @property
    def targets(self) -> int:
        """Number of trials in all."""
        return round(float(self.trials.sum()))


@dataclass(frozen=True)
class Curve:
    """A fitted detection curve. Sizes are None where the data cannot place them; `says` tells why in plain sentences.

    `kind` is "likelihood" (the usual fit), "penalised" (hits and misses do not overlap) or "none" (no curve at all).
    `covariance` is (var b0, cov b0 b1, var b1) of the usual fit. The intervals are two-sided 95 % by the likelihood ratio.
    """

    scale: Scale
    kind: Kind
    targets: int
    hits: int
    smallest: float
    largest: float
    intercept: float | None = None
    slope: float | None = None
    covariance: Covariance | None = None
    deviance: float | None = None
    a50: float | None = None
    a90: float | None = None
    a50_interval: Interval = UNKNOWN
    a90_interval: Interval = UNKNOWN
    a90_95_wald: float | None = None
    a90_95_lr: float | None = None
    says: tuple[str, ...] = ()

    def pod(self, size: F64) -> F64:
        """Probability of detection at `size`, same shape. Raises ValueError when there is no curve."""
        if self.intercept is None or self.slope is None:
            raise ValueError("no curve was fitted")
        return _logistic(self.intercept + self.slope * _to_x(size, self.scale))

    @property
    def bound_says(self) -> str:
        """a90/95 by the likelihood ratio in words: beyond the largest target seen it is no more than "larger than that"."""
        if self.a90_95_lr is None or self.a90_95_lr > self.largest:
            return f"> {self.largest:.3g}"
        return f"{self.a90_95_lr:.3g}"

    def wald_lower(self, size: F64) -> F64 | None:
        """One-sided 95 % lower bound of POD at `size` (Wald); None when there is no usual fit."""
        if self.covariance is None or self.intercept is None or self.slope is None:
            return None
        x = _to_x(size, self.scale)
        v00, v01, v11 = self.covariance
        deviation = np.sqrt(np.maximum(v00 + 2 * x * v01 + x**2 * v11, 0.0))
        return _logistic(self.intercept + self.slope * x - WALD_Z * deviation)


def fit_curve(table: HitMiss, scale: Scale = "linear") -> Curve:
    """Fits the logistic curve to `table`; never raises for poor data, `says` tells what is wrong with them.

    Raises ValueError for an empty table, or sizes that are not above zero on the log scale.
    """
    if not table.targets:
        raise ValueError("the table holds no targets")
    if scale == "log" and float(table.size.min()) <= 0:
        raise ValueError("sizes must be above zero on the log scale")
    blank = Curve(scale, "none", table.targets, round(float(table.hits.sum())), float(table.size.min()), float(table.size.max()))
    few = () if blank.targets >= HANDBOOK_TARGETS else (
        f"{blank.targets} targets so far; the handbook asks for {HANDBOOK_TARGETS} before a detection curve is relied on.",)
    if blank.hits in (0, blank.targets) or blank.smallest == blank.largest:
        return _no_curve(blank, table, few)
    return _fitted(blank, table, few)


def _no_curve(blank: Curve, table: HitMiss, few: tuple[str, ...]) -> Curve:
    low, high = binomial_bounds(blank.hits, blank.targets, one_sided=True)
    if blank.hits == blank.targets:
        reason = f"Every target was hit, so no curve can be drawn; the probability of detection here is above {low:.2f} (95 %, exact)."
    elif blank.hits == 0:
        reason = f"No target was hit, so no curve can be drawn; the probability of detection here is below {high:.2f} (95 %, exact)."
    else:
        reason = (f"All targets have the same size, so no curve can be drawn; {blank.hits} of {blank.targets} were hit: "
                  f"probability of detection above {low:.2f} (95 %, exact).")
    bound = _all_hit_bound(table) if blank.hits == blank.targets else None
    if bound is not None:
        reason += f" The smallest {ALL_HIT_TARGETS} targets alone put a90/95 at or below {bound:.3g}, if larger is never harder to see."
    return replace(blank, a90_95_lr=bound, says=(reason, *few))


def _all_hit_bound(table: HitMiss) -> float | None:
    """Size of the 29th smallest target when all were hit: POD there is at least the mean over the 29, whose exact bound is 0.90."""
    order = np.argsort(table.size, kind="stable")
    count = np.cumsum(table.trials[order])
    enough = np.flatnonzero(count >= ALL_HIT_TARGETS)
    return float(table.size[order][enough[0]]) if enough.size else None


def _fitted(blank: Curve, table: HitMiss, few: tuple[str, ...]) -> Curve:
    x = _to_x(table.size, blank.scale)
    separated = _separated(x, table)
    fit = _fit_penalised(x, table) if separated else _fit_likelihood(x, table)
    curve = replace(
        blank, kind="penalised" if separated else "likelihood", intercept=fit.b0, slope=fit.b1, covariance=fit.covariance,
        deviance=fit.deviance)
    notes = list(few)
    if separated:
        notes.insert(0, "Hits and misses do not overlap in size, so no ordinary fit exists; the curve is a penalised one, "
                        "its bound wide on purpose.")
    if fit.b1 <= 0:
        return replace(curve, says=("Larger targets were not hit more often than smaller ones: no a50 or a90 can be given.", *notes))
    profile = _Profile(x, table, fit, penalised=separated)
    a90_x = (LOGIT_90 - fit.b0) / fit.b1
    curve = replace(
        curve, a50=_from_x(-fit.b0 / fit.b1, blank.scale), a90=_from_x(a90_x, blank.scale),
        a50_interval=profile.interval(0.0, -fit.b0 / fit.b1, TWO_SIDED_95, blank.scale),
        a90_interval=profile.interval(LOGIT_90, a90_x, TWO_SIDED_95, blank.scale),
        a90_95_wald=_wald_bound(fit, a90_x, blank.scale),
        a90_95_lr=_from_x(profile.limit(LOGIT_90, a90_x, ONE_SIDED_95, +1), blank.scale))
    if curve.a50 is not None and curve.a50 <= 0:
        notes.insert(0, "So few were missed that a50 lies below the smallest target seen.")
        curve = replace(curve, a50=None, a50_interval=Interval(None, curve.a50_interval.high))
    return replace(curve, says=(*_bound_notes(curve), *notes))


def _bound_notes(curve: Curve) -> tuple[str, ...]:
    if curve.a90_95_lr is None:
        return (f"These targets set no a90/95; take it as beyond the largest one seen ({curve.largest:.3g}) until there are more.",)
    if curve.a90_95_lr > curve.largest:
        return (f"a90/95 lies beyond the largest target seen ({curve.largest:.3g}): an extrapolation, read it as \"larger than that\".",)
    return ()


@dataclass(frozen=True)
class _Fit:
    b0: float
    b1: float
    covariance: Covariance | None
    deviance: float | None
    top: float


def _fit_likelihood(x: F64, table: HitMiss) -> _Fit:
    from statsmodels.genmod.families import Binomial
    from statsmodels.genmod.generalized_linear_model import GLM

    middle, spread = float(x.mean()), float(x.std())
    design = np.column_stack([np.ones_like(x), (x - middle) / spread])
    counts = np.column_stack([table.hits, table.trials - table.hits])
    result = GLM(counts, design, family=Binomial()).fit(tol=1e-12, maxiter=200)
    back = np.array([[1.0, -middle / spread], [0.0, 1.0 / spread]])
    b0, b1 = back @ result.params
    v = back @ result.cov_params() @ back.T
    covariance = (float(v[0, 0]), float(v[0, 1]), float(v[1, 1]))
    return _Fit(float(b0), float(b1), covariance, float(result.deviance), _log_likelihood(b0 + b1 * x, table))


def _fit_penalised(x: F64, table: HitMiss) -> _Fit:
    from scipy.optimize import minimize

    middle, spread = float(x.mean()), float(x.std())
    u = (x - middle) / spread

    def cost(b: F64) -> float:
        return -_penalised(u, b[0] + b[1] * u, table)

    result = minimize(cost, [0.0, 1.0], method="Nelder-Mead", tol=1e-10)
    b1 = float(result.x[1]) / spread
    b0 = float(result.x[0]) - b1 * middle
    return _Fit(b0, b1, None, None, _penalised(x, b0 + b1 * x, table))


def _separated(x: F64, table: HitMiss) -> bool:
    hit, missed = x[table.hits > 0], x[table.hits < table.trials]
    return bool(missed.max() <= hit.min() or hit.max() <= missed.min())


def _log_likelihood(z: F64, table: HitMiss) -> float:
    return float((table.hits * z - table.trials * np.logaddexp(0.0, z)).sum())


def _penalised(x: F64, z: F64, table: HitMiss) -> float:
    """Log likelihood plus half the log determinant of the information (Jeffreys prior). Same maximum for any shift of x."""
    p = _logistic(z)
    w = table.trials * p * (1 - p)
    total = float(w.sum())
    if total < 1e-300:
        return -1e6
    middle = float((w * x).sum()) / total
    determinant = total * float((w * (x - middle) ** 2).sum())
    return _log_likelihood(z, table) + 0.5 * math.log(max(determinant, 1e-300))


@dataclass(frozen=True)
class _Profile:
    """The profile (penalised) likelihood of the size at which the linear predictor has a given value."""

    x: F64
    table: HitMiss
    fit: _Fit
    penalised: bool

    def drop(self, logit: float, at: float) -> float:
        """Twice the fall of the log likelihood when POD(at) is held at `logit` and the slope is free but not negative."""
        away = self.x - at
        if self.penalised:
            return 2 * (self.fit.top - self._best_penalised(logit, away))
        slope = self._best_slope(logit, away)
        return 2 * (self.fit.top - _log_likelihood(logit + slope * away, self.table))

    def _best_slope(self, logit: float, away: F64) -> float:
        from scipy.optimize import brentq

        def score(slope: float) -> float:
            return float(((self.table.hits - self.table.trials * _logistic(logit + slope * away)) * away).sum())

        if score(0.0) <= 0:
            return 0.0
        high = max(self.fit.b1, 1e-9)
        while score(high) > 0 and high < 1e9 * self.fit.b1:
            high *= 2
        return float(brentq(score, 0.0, high, xtol=1e-12 * high, rtol=1e-12)) if score(high) < 0 else high

    def _best_penalised(self, logit: float, away: F64) -> float:
        from scipy.optimize import minimize_scalar

        def cost(log_slope: float) -> float:
            return -_penalised(away, logit + math.exp(log_slope) * away, self.table)

        near = math.log(self.fit.b1)
        return -float(minimize_scalar(cost, bounds=(near - 8, near + 4), method="bounded", options={"xatol": 1e-6}).fun)

    def limit(self, logit: float, start: float, level: float, direction: int) -> float | None:
        """Where the drop passes `level`, going from `start` in `direction`; None when it never does."""
        from scipy.optimize import brentq

        step = 0.1 / self.fit.b1
        inner = start
        for _ in range(70):
            outer = start + direction * step
            if self.drop(logit, outer) > level:
                return float(brentq(lambda at: self.drop(logit, at) - level, min(inner, outer), max(inner, outer), xtol=1e-9, rtol=1e-10))
            inner, step = outer, step * 1.3
        return None

    def interval(self, logit: float, start: float, level: float, scale: Scale) -> Interval:
        low, high = self.limit(logit, start, level, -1), self.limit(logit, start, level, +1)
        sizes = [None if x is None or (x <= 0 and scale == "linear") else _from_x(x, scale) for x in (low, high)]
        return Interval(sizes[0], sizes[1])


def _wald_bound(fit: _Fit, start: float, scale: Scale) -> float | None:
    from scipy.optimize import brentq

    if fit.covariance is None or fit.b1 <= WALD_Z * math.sqrt(fit.covariance[2]):
        return None
    v00, v01, v11 = fit.covariance

    def short(x: float) -> float:
        return fit.b0 + fit.b1 * x - WALD_Z * math.sqrt(max(v00 + 2 * v01 * x + v11 * x * x, 0.0)) - LOGIT_90

    far = next((x for x in (start + 0.1 * 2.0**k / fit.b1 for k in range(60)) if short(x) > 0), None)
    return None if far is None else _from_x(float(brentq(short, start, far, xtol=1e-12)), scale)


def _logistic(z: F64) -> F64:
    from scipy.special import expit

    return np.asarray(expit(z), dtype=np.float64)


def _to_x(size: F64, scale: Scale) -> F64:
    return np.log(size) if scale == "log" else size


def _from_x(x: float | None, scale: Scale) -> float | None:
    if x is None or scale == "linear":
        return x
    return math.exp(x) if x < 700 else None
