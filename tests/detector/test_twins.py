"""A film and its sound twin differ by the flaws alone, so that what a flaw does can be laid on another film."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from samples import MOVED, net_samples

RESIDUAL = MOVED.index(0)


@pytest.mark.slow
def test_twins_differ_where_the_flaws_are() -> None:
    """Film 2 of the training draw: 12 indications on one strip, none of them shading the whole of it."""
    (sample,) = net_samples(71001, 2, 0.15, False)
    added = np.abs(sample.added[RESIDUAL].astype(np.float32))
    flaw = sample.flaw > 0
    beyond = cv2.dilate(flaw.astype(np.uint8), np.ones((61, 61), np.uint8)) == 0  # 3 mm from every flaw
    assert len(sample.table) == 12
    assert np.percentile(added[beyond], 99) < 0.3  # units of the noise; the background follows large flaws a little beyond them
    assert np.percentile(added[flaw], 90) > 2.0
