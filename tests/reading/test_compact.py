"""A compact indication is fitted to what the network takes for it."""

from __future__ import annotations

from types import SimpleNamespace
from typing import cast

import cv2
import numpy as np
import pytest

from rtscan.reading.compact import PLACE_RIM_MM, fit_compact
from rtscan.reading.cut import Cut

PITCH, BLUR, NOISE, RADIUS = 20.0, 2.0, 0.3, 8.0


def cut(swell: float, sure_radius: float | None, patch_radius: float) -> Cut:
    """A pore of radius 8 pixels on a soft swell of the bead that the patch holds too; the network sure of a disc or of nothing."""
    y, x = np.mgrid[0:90, 0:110].astype(float)
    away = np.hypot(x - 55, y - 45)
    pore = np.sqrt(np.maximum(0, 1 - (away / RADIUS) ** 2))
    image = cv2.GaussianBlur(pore.astype(np.float32), (0, 0), BLUR) + swell * np.exp(-(np.hypot(x - 62, y - 52) ** 2) / (2 * 18.0**2))
    image += NOISE * np.random.default_rng(5).standard_normal(image.shape)
    sure = np.zeros(image.shape) if sure_radius is None else 0.95 * (away <= sure_radius)
    nothing = np.zeros(image.shape, bool)
    return cast(Cut, SimpleNamespace(image=image.astype(np.float32), mine=away <= patch_radius, others=nothing, usable=~nothing,
                                     sure=sure.astype(np.float32), noise=NOISE, pitch=PITCH))


def test_a_swell_beside_a_faint_pore_is_no_part_of_it_where_the_network_is_sure_of_the_pore() -> None:
    place = RADIUS + PLACE_RIM_MM / 2 * PITCH
    free, held = fit_compact(cut(0.8, None, 22.0), BLUR, 0.9), fit_compact(cut(0.8, place, 22.0), BLUR, 0.9)
    assert free is not None
    assert held is not None
    assert held.major <= place < 2 * RADIUS < free.major


def test_a_fit_that_runs_beyond_the_place_gives_way_to_the_place_less_its_rim() -> None:
    held = fit_compact(cut(2.5, RADIUS + PLACE_RIM_MM / 2 * PITCH, 22.0), BLUR, 0.0)
    assert held is not None
    assert held.major == pytest.approx(RADIUS, abs=1.0)  # the box of a disc of whole pixels
    assert 2 * held.sigma_major == pytest.approx(0.25 * PITCH)  # PLACE_DOUBT_MM


def test_a_plain_pore_is_fitted_alike_with_the_network_and_without() -> None:
    free, held = (fit_compact(cut(0.0, sure, 10.0), BLUR, 0.9) for sure in (None, RADIUS + PLACE_RIM_MM / 2 * PITCH))
    assert free is not None
    assert held is not None
    assert held.major == pytest.approx(free.major, abs=0.5)  # a fortieth of a millimetre: less film around to tell the level


def test_a_place_that_holds_next_to_nothing_of_the_patch_says_nothing_of_it() -> None:
    alone, beside = (fit_compact(cut(0.8, sure, 22.0), BLUR, 0.1) for sure in (None, 5.0))
    assert alone is not None
    assert beside is not None
    assert beside.major == pytest.approx(alone.major)
