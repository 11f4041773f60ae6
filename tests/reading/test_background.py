"""The flaw-free estimate follows the weld and leaves flaws in the residual."""

from __future__ import annotations

import numpy as np

from rtscan.film import Strip
from rtscan.reading.background import estimate_background

ROWS, COLUMNS, PITCH = 240, 1600, 10.0


def _strip(extra: np.ndarray, usable: np.ndarray | None = None) -> Strip:
    rng = np.random.default_rng(3)
    rows, columns = np.mgrid[0:ROWS, 0:COLUMNS].astype(np.float32)
    weld = 2.5 - 0.8 / (1 + np.exp(-(70 - np.abs(rows - 120)) / 4)) + 0.3 * np.sin(columns / 400)
    density = (weld + 0.02 * rng.standard_normal((ROWS, COLUMNS)) + extra).astype(np.float32)
    edge = np.full(COLUMNS, 50.0), np.full(COLUMNS, 190.0)
    xy = np.stack([columns, rows], axis=2)
    ok = np.ones((ROWS, COLUMNS), bool) if usable is None else usable
    return Strip(0, None, density, ok, np.zeros_like(ok), xy, 120.0, *edge, PITCH, np.arange(COLUMNS) / PITCH)


def test_a_lack_of_penetration_line_as_long_as_the_film_survives() -> None:
    line = np.zeros((ROWS, COLUMNS), np.float32)
    line[112:128] = 0.25
    found = estimate_background(_strip(line))
    middle = found.residual[int(found.strip.centre_row) - 4 : int(found.strip.centre_row) + 4]
    assert middle.mean() > 0.6 * 0.25  # most of its contrast is left; rounding of the opened profile takes some


def test_a_pore_keeps_its_contrast_and_sound_weld_has_none() -> None:
    pore = np.zeros((ROWS, COLUMNS), np.float32)
    pore[100:110, 800:810] = 0.4
    found = estimate_background(_strip(pore))
    top = 120 - int(found.strip.centre_row)
    assert 0.34 < found.residual[102 - top : 108 - top, 802:808].mean() < 0.46  # within 15 % of 0.4
    assert abs(np.median(found.residual)) < 0.003  # grain is 0.02; the median of 300,000 pixels is far finer
    assert 0.015 < np.median(found.noise) < 0.03  # the grain put in is 0.02


def test_unusable_places_have_no_residual() -> None:
    usable = np.ones((ROWS, COLUMNS), bool)
    usable[:, :60] = False
    found = estimate_background(_strip(np.zeros((ROWS, COLUMNS), np.float32), usable))
    assert not found.residual[:, :60].any()
