"""Kappa, Bland-Altman, d', exact bounds: printed examples and formulas worked by hand."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rtscan.practise.agreement import binomial_bounds, cohens_kappa, poisson_interval, sensitivity, size_agreement


def test_kappa_of_the_printed_two_by_two_table() -> None:
    """Tutorial example printed on the web: po 0.70, pe 0.50, kappa 0.40."""
    kappa = cohens_kappa([[20, 5], [10, 15]])
    assert (kappa.agreed, kappa.by_chance, kappa.kappa) == pytest.approx((0.70, 0.50, 0.40), abs=1e-12)
    # Large-sample error by hand (Fleiss, Cohen and Everitt 1969) is 0.12695.
    assert (kappa.interval.low, kappa.interval.high) == pytest.approx((0.40 - 1.96 * 0.12695, 0.40 + 1.96 * 0.12695), abs=2e-4)


def test_kappa_of_the_textbook_three_by_three_table() -> None:
    assert cohens_kappa([[88, 14, 18], [10, 40, 10], [2, 6, 12]]).kappa == pytest.approx(0.4915, abs=1e-4)


def test_kappa_says_when_it_is_not_defined() -> None:
    one_answer = cohens_kappa([[7, 0], [0, 0]])
    assert (one_answer.kappa, one_answer.agreed) == (None, 1.0)
    assert "not defined" in one_answer.says
    assert cohens_kappa([[0, 0], [0, 0]]).count == 0
    lopsided = cohens_kappa([[3, 0], [1, 0]])  # one reader gave one answer throughout
    assert (lopsided.kappa, lopsided.agreed) == (0.0, 0.75)
    perfect = cohens_kappa([[4, 0], [0, 5]])
    assert perfect.kappa == 1.0
    assert perfect.says


@pytest.mark.parametrize(("hits", "trials", "low"), [
    (29, 29, 0.9019), (45, 46, 0.9010), (59, 61, 0.9004), (28, 29, 0.8466), (22, 22, 0.8727)])
def test_exact_one_sided_bounds(hits: int, trials: int, low: float) -> None:
    """Recomputed for the project reference, section 10."""
    assert binomial_bounds(hits, trials, one_sided=True)[0] == pytest.approx(low, abs=5e-5)


def test_exact_bounds_at_the_ends() -> None:
    assert binomial_bounds(29, 29, one_sided=True)[0] == pytest.approx(0.05 ** (1 / 29), abs=1e-12)
    assert binomial_bounds(0, 10)[0] == 0.0
    assert binomial_bounds(10, 10)[1] == 1.0
    assert binomial_bounds(0, 0) == (0.0, 1.0)


def test_poisson_interval_of_the_printed_table() -> None:
    """Garwood's table: 0 events 0 to 3.69, 3 events 0.62 to 8.77, 10 events 4.80 to 18.39."""
    for count, low, high in ((0, 0.0, 3.69), (3, 0.62, 8.77), (10, 4.80, 18.39)):
        interval = poisson_interval(count, 1.0)
        assert (interval.low, interval.high) == pytest.approx((low, high), abs=6e-3)


def test_bland_altman_by_hand() -> None:
    """Differences 0.1, 0.2, 0.3, 0.4, 0.5: mean 0.3, deviation sqrt(0.025); t(0.975, 4) = 2.7764 from the printed table."""
    read = size_agreement([1.1, 2.2, 3.3, 4.4, 5.5], [1, 2, 3, 4, 5])
    deviation = math.sqrt(0.025)
    assert (read.bias_mm, read.spread_mm) == pytest.approx((0.3, deviation))
    assert (read.low_mm, read.high_mm) == pytest.approx((0.3 - 1.96 * deviation, 0.3 + 1.96 * deviation))
    assert read.bias_interval.high == pytest.approx(0.3 + 2.7764 * deviation / math.sqrt(5), abs=1e-4)
    assert read.limit_u_mm == pytest.approx(2.7764 * deviation * math.sqrt(1 / 5 + 1.96**2 / 8), abs=1e-4)
    assert (size_agreement([], []).bias_mm, size_agreement([2.0], [1.5]).bias_mm) == (None, 0.5)


def test_sensitivity_by_hand() -> None:
    """Rates 0.8413 and 0.1587 are one deviation to either side: d' 2, no bias (normal table). Large counts make the correction vanish."""
    even = sensitivity(84134, 100000, 15866, 100000)
    assert (even.d_prime, even.criterion) == pytest.approx((2.0, 0.0), abs=1e-3)
    eager = sensitivity(97725, 100000, 50000, 100000)
    assert (eager.d_prime, eager.criterion) == pytest.approx((2.0, -1.0), abs=1e-3)
    assert sensitivity(3, 4, 0, 0).d_prime is None


def test_sensitivity_interval_matches_the_variance_formula() -> None:
    """At rates of one half the density is 0.39894: variance = 0.25/(n·0.15915) per rate (Gourevitch and Galanter 1967)."""
    read = sensitivity(50, 101, 50, 101)
    rate, half_width = 50.5 / 102, 1.96 * math.sqrt(2 * 0.25 / (102 * 0.159155))
    assert rate == pytest.approx(0.495, abs=1e-3)
    assert read.d_interval.high == pytest.approx(half_width, rel=2e-3)


@given(st.integers(0, 40), st.integers(1, 40), st.integers(0, 40), st.integers(1, 40))
def test_sensitivity_is_always_finite(hits: int, flaws: int, calls: int, clean: int) -> None:
    read = sensitivity(min(hits, flaws), flaws, min(calls, clean), clean)
    assert read.d_prime is not None
    assert math.isfinite(read.d_prime)
    assert read.d_interval.holds(read.d_prime)
