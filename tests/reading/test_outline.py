"""The toe of blurred shapes is found again."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from rtscan.film import F32
from rtscan.reading.outline import PORE_ROUND, ROUND, Ellipsoid, fit_ellipsoid, ribbon_outline, soft_place, toe_half_width


@pytest.mark.parametrize(("major", "minor", "blur"), [(8.0, 8.0, 2.0), (10.0, 6.0, 2.0), (6.0, 5.0, 1.0)])
def test_the_fit_finds_the_axes_before_blur(major: float, minor: float, blur: float) -> None:
    fine = 8
    y, x = np.mgrid[0 : 50 * fine, 0 : 60 * fine] / fine + 0.5 / fine - 0.5
    body = np.sqrt(np.maximum(0, 1 - ((x - 30.3) / major) ** 2 - ((y - 24.6) / minor) ** 2)).astype(np.float32)
    seen = cv2.resize(cv2.GaussianBlur(body, (0, 0), blur * fine), (60, 50), interpolation=cv2.INTER_AREA)
    image = (seen + 0.01 * np.random.default_rng(1).standard_normal(seen.shape)).astype(np.float32)
    start = np.array([31.0, 24.0, 0.8 * major, 0.8 * minor, 0.1])
    fit = fit_ellipsoid(image, np.ones(image.shape, bool), start, blur, 0.01)
    assert fit is not None
    assert (fit.column, fit.row) == (pytest.approx(30.3, abs=0.1), pytest.approx(24.6, abs=0.1))
    assert fit.major == pytest.approx(major, abs=0.3)  # a tenth of the blur and a few per cent at signal to noise 100
    assert fit.minor == pytest.approx(minor, abs=0.3)
    assert fit.height == pytest.approx(1.0, abs=0.08)


def test_a_streak_under_a_faint_pore_is_not_its_tail() -> None:
    y, x = np.mgrid[0:60, 0:60].astype(float)
    pore = np.sqrt(np.maximum(0, 1 - np.hypot(x - 30, y - 30) ** 2 / 8**2))
    streak = 0.6 * np.exp(-(((x - 31) / 5) ** 2) / 2) * np.exp(-(((y - 38) / 18) ** 2) / 2)
    image = cv2.GaussianBlur((pore + streak).astype(np.float32), (0, 0), 2.0)
    image += (0.3 * np.random.default_rng(3).standard_normal(image.shape)).astype(np.float32)
    free, held = (_fitted(image, 30.0, 30.0, 8.0, roundness) for roundness in (ROUND, PORE_ROUND))
    assert free.major / free.minor > 1.5
    assert held.major / held.minor < 1.35
    assert held.major - 8 < 0.6 * (free.major - 8)


def test_a_plain_long_body_is_told_long_though_it_be_held_round() -> None:
    y, x = np.mgrid[0:60, 0:60].astype(float)
    body = np.sqrt(np.maximum(0, 1 - ((x - 30) / 12) ** 2 - ((y - 30) / 6) ** 2)).astype(np.float32)
    image = cv2.GaussianBlur(body, (0, 0), 2.0) + (0.02 * np.random.default_rng(4).standard_normal(body.shape)).astype(np.float32)
    fit = _fitted(image.astype(np.float32), 30.0, 30.0, 8.0, PORE_ROUND, noise=0.02)
    assert fit.major == pytest.approx(12, abs=0.5)
    assert fit.minor == pytest.approx(6, abs=0.5)


def _fitted(image: F32, column: float, row: float, size: float, roundness: float, noise: float = 0.3) -> Ellipsoid:
    start = np.array([column, row, size, size, 0.1])
    fit = fit_ellipsoid(image, np.ones(image.shape, bool), start, 2.0, noise, roundness=roundness)
    assert fit is not None
    return fit


def test_half_contrast_of_a_rounded_strip_lies_at_root_three_quarters_of_its_toe() -> None:
    assert toe_half_width(0.866, 0.5, 0.0) == pytest.approx(1.0, abs=1e-3)  # thickness root of 1 - x²: half at x = root 3/4
    assert toe_half_width(20.0 * np.sqrt(0.75), 0.5, 1.0) == pytest.approx(20.0, rel=0.02)  # blur small beside the width


def test_a_ribbon_keeps_the_length_of_a_bar() -> None:
    mask = np.zeros((40, 120), bool)
    mask[18:24, 20:100] = True
    outline = ribbon_outline(mask, 0.4, 1.0, 0.0)
    assert outline is not None
    assert np.ptp(outline[:, 0]) == pytest.approx(80.0, abs=1.0)
    assert ribbon_outline(np.ones((5, 5), bool), 0.4, 1.0, 0.0) is None


def test_a_soft_place_is_its_greatest_part_filled_and_moved_in() -> None:
    rows, columns = np.mgrid[0:160, 0:300]
    sure = np.where(np.hypot((rows - 80) / 50, (columns - 120) / 80) < 1, 0.9, 0.1).astype(np.float32)
    sure[75:85, 100:130] = 0.2  # a hole
    sure[70:90, 250:270] = 0.9  # another place
    body = soft_place(sure, np.ones(sure.shape, bool), 20.0)
    assert body is not None
    assert np.ptp(np.flatnonzero(body.any(axis=0))) == pytest.approx(2 * 80 - 2 * 0.2 * 20, abs=3)  # pixels: one on each side
    assert body[80, 115]
    assert not body[80, 260]


def test_a_narrow_or_unsure_place_is_no_soft_place() -> None:
    sure = np.zeros((60, 200), np.float32)
    assert soft_place(sure, np.ones(sure.shape, bool), 20.0) is None
    sure[20:40, 20:180] = 0.9  # 1 mm wide, 0.6 mm once moved in
    assert soft_place(sure, np.ones(sure.shape, bool), 20.0) is None
