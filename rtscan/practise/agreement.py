"""Agreement and sensitivity: exact binomial and Poisson bounds, Cohen's kappa, Bland-Altman, d' and bias."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Interval:
    """Limits of an interval; None where the data set no limit."""

    low: float | None
    high: float | None

    def holds(self, value: float) -> bool:
        """True when `value` lies inside; an open end holds everything."""
        return (self.low is None or self.low <= value) and (self.high is None or value <= self.high)


UNKNOWN = Interval(None, None)


@dataclass(frozen=True)
class Kappa:
    """Cohen's kappa with its large-sample 95 % interval (Fleiss, Cohen and Everitt 1969); None where it is not defined."""

    count: int
    agreed: float | None
    by_chance: float | None
    kappa: float | None
    interval: Interval
    says: str = ""


@dataclass(frozen=True)
class SizeAgreement:
    """Bland-Altman of read minus true size, mm: bias, spread, limits of agreement, each with its 95 % interval."""

    count: int
    bias_mm: float | None
    spread_mm: float | None
    bias_interval: Interval
    low_mm: float | None
    high_mm: float | None
    limit_u_mm: float | None
    says: str = ""


@dataclass(frozen=True)
class Sensitivity:
    """Signal detection over grading units: d' (how well flaws stand out for the reader) and the criterion c.

    c below zero: calls too readily; above zero: too reluctantly. Rates use the log-linear correction (Hautus 1995), the
    interval of d' the variance of Gourevitch and Galanter (1967).
    """

    hits: int
    with_flaw: int
    false_calls: int
    without_flaw: int
    d_prime: float | None
    d_interval: Interval
    criterion: float | None
    says: str = ""


def binomial_bounds(hits: int, trials: int, one_sided: bool = False) -> tuple[float, float]:
    """Exact (Clopper-Pearson) bounds of a proportion: two-sided 95 %, or each one-sided 95 %. (0, 1) without trials."""
    from scipy.stats import beta

    if trials == 0:
        return 0.0, 1.0
    tail = 0.05 if one_sided else 0.025
    low = float(beta.ppf(tail, hits, trials - hits + 1)) if hits else 0.0
    high = float(beta.ppf(1 - tail, hits + 1, trials - hits)) if hits < trials else 1.0
    return low, high


def poisson_interval(count: int, exposure: float) -> Interval:
    """Exact two-sided 95 % interval (Garwood 1936) of a rate from `count` events in `exposure` units."""
    from scipy.stats import chi2

    if exposure <= 0:
        return UNKNOWN
    low = float(chi2.ppf(0.025, 2 * count)) / 2 if count else 0.0
    return Interval(low / exposure, float(chi2.ppf(0.975, 2 * count + 2)) / 2 / exposure)


def cohens_kappa(table: Sequence[Sequence[int]]) -> Kappa:
    """Kappa of a square table of counts (rows: truth or first reader; columns: second reader)."""
    total = sum(map(sum, table))
    if total == 0:
        return Kappa(0, None, None, None, UNKNOWN, "nothing to compare")
    agreed = sum(table[k][k] for k in range(len(table))) / total
    by_chance = sum(sum(table[k]) * sum(row[k] for row in table) for k in range(len(table))) / total**2
    if by_chance == 1:
        says = "both sides gave one and the same answer throughout: kappa is not defined, agreement is complete"
        return Kappa(total, agreed, by_chance, None, UNKNOWN, says)
    import numpy as np
    from statsmodels.stats.inter_rater import cohens_kappa as reference

    with np.errstate(divide="ignore", invalid="ignore"):  # the test statistic, not used here, is 0/0 when one side gave one answer
        result = reference(np.asarray(table, dtype=np.float64))
    if not math.isfinite(result.var_kappa) or result.var_kappa <= 0:
        return Kappa(total, agreed, by_chance, float(result.kappa), UNKNOWN, "too few answers for an interval")
    interval = Interval(max(float(result.kappa_low), -1.0), min(float(result.kappa_upp), 1.0))
    return Kappa(total, agreed, by_chance, float(result.kappa), interval, "few answers: the interval is rough" if total < 20 else "")


def size_agreement(read_mm: Sequence[float], true_mm: Sequence[float]) -> SizeAgreement:
    """Bland-Altman comparison of paired sizes. Standard error of the limits: Bland and Altman (1999), s²(1/n + 1.96²/(2(n−1)))."""
    from scipy.stats import t

    differences = [r - a for r, a in zip(read_mm, true_mm, strict=True)]
    n = len(differences)
    if n == 0:
        return SizeAgreement(0, None, None, UNKNOWN, None, None, None, "no sizes to compare")
    bias = sum(differences) / n
    if n == 1:
        return SizeAgreement(1, bias, None, UNKNOWN, None, None, None, "one size only: no spread")
    spread = math.sqrt(sum((d - bias) ** 2 for d in differences) / (n - 1))
    quantile = float(t.ppf(0.975, n - 1))
    half = quantile * spread / math.sqrt(n)
    limit_u = quantile * spread * math.sqrt(1 / n + 1.96**2 / (2 * (n - 1)))
    return SizeAgreement(n, bias, spread, Interval(bias - half, bias + half), bias - 1.96 * spread, bias + 1.96 * spread, limit_u,
                         "few sizes: the limits are rough" if n < 10 else "")


def sensitivity(hits: int, with_flaw: int, false_calls: int, without_flaw: int) -> Sensitivity:
    """d' and criterion from counts of grading units. None when either kind of unit is missing."""
    from scipy.stats import norm

    counts = (hits, with_flaw, false_calls, without_flaw)
    if not with_flaw or not without_flaw:
        return Sensitivity(*counts, None, UNKNOWN, None, "needs units with and without a flaw")
    hit_rate, false_rate = (hits + 0.5) / (with_flaw + 1), (false_calls + 0.5) / (without_flaw + 1)
    z_hit, z_false = float(norm.ppf(hit_rate)), float(norm.ppf(false_rate))
    variance = (hit_rate * (1 - hit_rate) / ((with_flaw + 1) * float(norm.pdf(z_hit)) ** 2)
                + false_rate * (1 - false_rate) / ((without_flaw + 1) * float(norm.pdf(z_false)) ** 2))
    d_prime, half = z_hit - z_false, 1.96 * math.sqrt(variance)
    return Sensitivity(*counts, d_prime, Interval(d_prime - half, d_prime + half), -(z_hit + z_false) / 2)
