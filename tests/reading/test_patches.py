"""Patches: tails, places left open, and what stays when a find is taken out. Expected values follow from the drawn shapes."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from rtscan.reading.patches import aspect, component, open_places, taken_out, without_tails

ROWS, COLUMNS, PER_MM = 60, 300, 10.0


def disc(radius: int, row: int = 30, column: int = 60, rows: int = ROWS, columns: int = COLUMNS) -> np.ndarray:
    picture = np.zeros((rows, columns), np.uint8)
    cv2.circle(picture, (column, row), radius, 1, -1)
    return picture > 0


def test_a_pore_loses_the_faint_line_it_lies_on() -> None:
    mask = disc(6)
    mask[29:32, 20:110] = True
    found = component(mask, 30, 60, 0, 0)
    assert found is not None
    assert aspect(found[2]) > 5
    top, left, kept = without_tails(found, 30, 60)
    assert kept.shape[0] == 13  # as the disc
    assert kept.shape[1] <= 15  # and stubs of the tails
    assert (top, left + kept.shape[1] // 2) == (24, 60)


def test_a_line_of_even_width_keeps_its_length() -> None:
    mask = np.zeros((ROWS, COLUMNS), bool)
    mask[28:33, 20:110] = True
    found = component(mask, 30, 60, 0, 0)
    assert found is not None
    assert without_tails(found, 30, 60)[2].shape == (5, 90)


def test_a_place_with_specks_in_it_is_open_and_a_filled_one_is_not() -> None:
    seen = np.where(disc(15), np.float32(0.9), np.float32(0.0))
    speck, whole = (25, 55, np.ones((3, 3), bool)), (16, 46, np.ones((29, 29), bool))
    (place,) = open_places(seen, np.ones(seen.shape, bool), [speck], PER_MM)
    assert (place[0], place[1], place[2].shape) == (15, 45, (31, 31))
    assert open_places(seen, np.ones(seen.shape, bool), [whole], PER_MM) == []


def test_a_doubtful_place_counts_only_where_no_sure_one_lies_in_it() -> None:
    seen = np.where(disc(15), np.float32(0.3), np.float32(0.0))
    assert len(open_places(seen, np.ones(seen.shape, bool), [], PER_MM)) == 1
    seen[25:35, 55:65] = 0.9
    (place,) = open_places(seen, np.ones(seen.shape, bool), [], PER_MM)
    assert place[2].shape == (10, 10)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_pore_on_a_line_stays_when_the_line_is_taken_out(sign: float) -> None:
    residual = np.zeros((ROWS, COLUMNS), np.float32)
    residual[28:33] = 1.0
    residual[disc(4, column=150)] = 3.0
    line = (28, 0, np.ones((5, COLUMNS), bool))
    left = sign * taken_out(np.float32(sign) * residual, sign, [(line, 0.0)], 2, 30)
    assert left[30, 150] == pytest.approx(2.0)  # three less the line's one
    assert abs(left[28:33, :100]).max() == 0.0  # nothing of the line


def test_a_spot_taken_out_leaves_nothing() -> None:
    residual = disc(5).astype(np.float32)
    assert taken_out(residual, 1.0, [((25, 55, np.ones((11, 11), bool)), None)], 0, 30).max() == 0.0
