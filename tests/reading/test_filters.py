"""The detection grid and what it keeps of the scan's own pixels."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter

from rtscan.reading.filters import finest

ROWS, COLUMNS = 240, 700
SIZE = (350, 120)


def drawn(sigma_px: float, seed: int = 5) -> np.ndarray:
    """Grain 0.01 with a dark line of crest 0.1 along row 120, blurred to `sigma_px`."""
    line = np.zeros((ROWS, COLUMNS))
    line[120, 100:600] = 1.0
    line = gaussian_filter(line, (sigma_px, 0))
    grain = 0.01 * np.random.default_rng(seed).normal(size=line.shape)
    return (0.1 * line / line.max() + grain).astype(np.float32)


def of_line(sigma_px: float) -> float:
    """The median over the line of the finest detail of its grid row (the scan has twice as many rows)."""
    fine = finest(drawn(sigma_px), SIZE, np.ones(SIZE[::-1], dtype=bool), (20.0, 100.0))
    return float(np.median(fine[59:62, 60:290].max(axis=0)))


def test_a_scratch_stands_out_and_a_blurred_line_of_the_same_height_does_not() -> None:
    # A scan blur of 0.8 pixel against 0.2 mm unsharpness at 20 pixels per mm; grain alone gives about 1, the most of three rows 1.5.
    assert of_line(0.8) > 4.0
    assert of_line(4.0) < 2.0


def test_detail_is_signed_and_nothing_is_said_of_unusable_places() -> None:
    usable = np.ones(SIZE[::-1], dtype=bool)
    usable[:, :100] = False
    bright = finest(-drawn(0.8), SIZE, usable, (20.0, 100.0))
    assert np.median(bright[59:62, 120:290].min(axis=0)) < -4.0
    assert not bright[:, :100].any()
