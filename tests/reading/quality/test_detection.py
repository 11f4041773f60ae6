"""The detection limit: paths by formula, and how it moves with noise, contrast and blur. Planted trials: `scripts/planted_flaws`."""

from __future__ import annotations

from math import pi

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rtscan.film import Background, Strip
from rtscan.reading.quality.contrast import Contrast
from rtscan.reading.quality.detection import LINE_MM, WIDEST_MM, detection_limit, line_path, pore_path

PPM = 20.0


def background(noise: float, rows: int = 300, columns: int = 900) -> Background:
    """A flat weld 10 mm wide on parent metal, white noise, oblong."""
    residual = np.random.default_rng(1).normal(0, noise, (rows, columns)).astype(np.float32)
    level = np.full((rows, columns), 2.5, np.float32)
    yes, no = np.ones((rows, columns), bool), np.zeros((rows, columns), bool)
    xy = np.stack(np.meshgrid(np.arange(columns), np.arange(rows)), axis=2).astype(np.float32)
    edge = np.full(columns, 0.0)
    strip = Strip(0, None, level + residual, yes, no, xy, rows / 2, edge + rows / 2 - 100, edge + rows / 2 + 100, PPM,
                  np.arange(columns) / PPM)
    return Background(strip, level, residual, np.full((rows, columns), noise, np.float32))


@given(st.floats(0.3, 3.0), st.floats(0.04, 0.2))
@settings(max_examples=20, deadline=None)
def test_pore_path_keeps_its_volume(diameter: float, blur: float) -> None:
    """Volume of a sphere, pi d^3 / 6; 3 % for the sampling of the smallest."""
    assert pore_path(diameter, blur, 20.0).sum() / 20.0**2 == pytest.approx(pi * diameter**3 / 6, rel=0.03)


def test_line_path_keeps_its_volume() -> None:
    assert line_path(0.4, 0.1, 20.0).sum() / 20.0**2 == pytest.approx(pi * 0.4**2 / 4 * LINE_MM, rel=0.03)


def limit(noise: float = 0.03, per_mm: float = 0.25, blur_mm: float = 0.07) -> float:
    found = detection_limit([background(noise)], Contrast(per_mm, 0.1, blur_mm, "test"))
    assert found is not None
    assert found.pore_mm is not None
    assert len(found.along_mm) == len(found.pore_along_mm) > 5
    return found.pore_mm


def test_more_noise_less_contrast_more_blur_hide_more() -> None:
    assert limit(noise=0.06) > 1.1 * limit()
    assert limit(per_mm=0.125) > 1.1 * limit()
    assert limit(blur_mm=0.25) > limit()


def test_only_the_ratio_of_contrast_and_noise_counts() -> None:
    assert limit(noise=0.06, per_mm=0.5) == pytest.approx(limit(), rel=1e-3)


def test_unknown_without_contrast_or_scale() -> None:
    assert detection_limit([background(0.03)], None) is None
    assert detection_limit([], Contrast(0.2, 0.1, 0.1, "test")) is None


def test_what_a_storm_hides_is_told_as_the_widest_of_all_and_not_as_unknown() -> None:
    """Else the rule that asks what the film could have shown would have nothing to ask."""
    found = detection_limit([background(3.0)], Contrast(0.01, 0.1, 0.1, "test"))
    assert found is not None
    assert (found.pore_mm, found.line_width_mm) == (pytest.approx(WIDEST_MM), pytest.approx(WIDEST_MM))


def lines_limit(noisy: Background) -> float:
    found = detection_limit([noisy], Contrast(0.25, 0.1, 0.07, "test"))
    assert found is not None
    assert found.line_width_mm is not None
    return found.line_width_mm


def test_ripples_along_the_weld_hide_lines_and_one_long_line_does_not() -> None:
    plain, rippled, flawed = (background(0.03, columns=2000) for _ in range(3))
    rows = np.arange(300)[:, None]
    rippled.residual[...] += 0.03 * np.sin(2 * np.pi * rows / (0.9 * PPM)).astype(np.float32)
    flawed.residual[148:153, 300:400] += 0.2  # 5 of 100 mm: within the loud fifth that is left out
    assert lines_limit(rippled) > 1.2 * lines_limit(plain)
    assert lines_limit(flawed) == pytest.approx(lines_limit(plain), rel=0.1)  # the shares of a few stretches move
