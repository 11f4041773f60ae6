"""Limits of the testing standards. Numbers are check values of the project's physics reference, each with its source there."""

from __future__ import annotations

import pytest

from rtscan.knowledge import testing


def test_luminance_32() -> None:
    """ISO 5580 from memory."""
    assert testing.viewer_luminance_cd_m2(2.0) == pytest.approx(3000)
    assert testing.viewer_luminance_cd_m2(4.0) == pytest.approx(100_000)


def test_density_variation_33() -> None:
    limit = testing.density_variation(2.5)
    assert (limit.min, limit.max) == (pytest.approx(2.125, abs=0.01), pytest.approx(3.25, abs=0.01))
    assert limit.unverified


@pytest.mark.parametrize(("standard", "testing_class", "source", "least", "greatest", "unverified"), [
    ("asme-v", None, "x-ray", 1.8, 4.0, False), ("asme-v", None, "Ir-192", 2.0, 4.0, False), ("asme-v", None, "", 2.0, 4.0, False),
    ("iso-17636-1", "A", "Se-75", 2.0, 4.5, True), ("iso-17636-1", "B", "x-ray", 2.3, 4.5, True),
    ("api-1104", None, "Ir-192", 1.8, 4.0, True),
])
def test_density_limits(standard: str, testing_class: str | None, source: str, least: float, greatest: float, unverified: bool) -> None:
    limit = testing.density_limits(standard, testing_class, source)
    assert limit is not None
    assert (limit.min, limit.max, limit.unverified) == (least, greatest, unverified)


def test_digital_detectors_have_no_density() -> None:
    assert testing.density_limits("iso-17636-2", "B", "x-ray") is None


def test_unsharpness_47_50_51() -> None:
    """Ug by formula; Ui at 180 kV from a training problem ("0.08"); quadrature."""
    assert testing.geometric_unsharpness_mm(3, 12, 600) == pytest.approx(0.060, rel=0.01)
    assert testing.inherent_unsharpness_mm("x-ray", 180) == pytest.approx(0.0828, rel=0.01)
    assert testing.total_unsharpness_mm(0.263, 0.157) == pytest.approx(0.306, rel=0.005)
    assert testing.inherent_unsharpness_mm("x-ray") is None
    assert testing.inherent_unsharpness_mm("", None) is None


@pytest.mark.parametrize(("thickness_mm", "limit_mm"), [
    (40, 0.51), (60, 0.76), (90, 1.02), (120, 1.78), (49.9, 0.51), (50, 0.76), (75, 0.76), (75.1, 1.02), (100, 1.02), (100.1, 1.78),
])
def test_asme_unsharpness_48(thickness_mm: float, limit_mm: float) -> None:
    """T-274.2, film interpretation participant notes: under 2 in, 2 to 3, over 3 to 4, over 4."""
    assert testing.asme_ug_limit(thickness_mm).max == limit_mm


def test_iso_distance_49() -> None:
    for testing_class, least in (("A", 78.6), ("B", 157.2)):
        assert testing.iso_least_distance(2, 12, testing_class).min == pytest.approx(least, rel=0.001)


def test_iso_resolution_and_noise() -> None:
    """ISO 17636-2 from memory; film classes give the same ratios (reference, section 2.1)."""
    assert testing.resolution_limit("A", 10.0).max == 0.13
    assert testing.resolution_limit("B", 8.1).max == 0.08
    assert testing.resolution_limit("B", 500).max == 0.20
    noise = testing.snr_n_limit("B", "x-ray", 120, 10)
    assert noise is not None
    assert noise.min == 120
    assert testing.snr_n_limit("B", "unheard of", None, 10) is None
    assert testing.snr_n_limit("A", "x-ray", None, 10) is None
    assert testing.snr_n_of_film_class("C4") == pytest.approx(65.1, rel=0.005)  # 28
    assert testing.snr_n_of_film_class("C9") is None


def test_grain_in_a_pixel_30_31() -> None:
    """A 100 um circle has the area of an 88.62 um square; 0.028 there is 0.0496 in a 50 um pixel."""
    assert testing.granularity(1.0, 0.08862) == pytest.approx(1.0, rel=5e-4)
    assert testing.granularity(0.028, 0.050) == pytest.approx(0.0496, rel=0.005)


def test_scanner_resolution_78() -> None:
    assert testing.nyquist_pixel_mm(4.2) == pytest.approx(0.119, abs=0.001)
    limit = testing.pitch_limits_um("x-ray", 150)
    assert limit is not None
    assert (limit.min, limit.max) == (30, 85)
    assert testing.pitch_limits_um("", None) is None


def test_thickness_ratio() -> None:
    assert (testing.thickness_ratio_limit("A").max, testing.thickness_ratio_limit("B").max) == (1.2, 1.1)


def test_sources_are_understood_as_written() -> None:
    assert [testing.source_name(s) for s in ("IR192", "ir-192", "X-ray", "Se 75", "candle")] == ["Ir-192", "Ir-192", "x-ray", "Se-75", ""]
