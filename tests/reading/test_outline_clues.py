"""Clues of an outlined region, on drawn shapes whose answer follows from how they are drawn."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from rtscan.film import Background, Strip
from rtscan.reading.candidates import Search
from rtscan.reading.features import Features
from rtscan.reading.filters import Grid
from rtscan.reading.net import KINDS, OUTPUTS, TONES
from rtscan.reading.outline_clues import RESOLUTION_MM, outline_clues

ROWS, COLUMNS, PITCH = 240, 560, 20.0
Y, X = np.mgrid[0:ROWS, 0:COLUMNS].astype(float)
FACTOR = 0.5


def background(residual: np.ndarray, left: float = 20.0, right: float = 220.0) -> Background:
    blank = np.zeros((ROWS, COLUMNS), dtype=np.float32)
    edges = (np.full(COLUMNS, left), np.full(COLUMNS, right))
    xy = np.stack([X, Y], axis=2).astype(np.float32)
    strip = Strip(0, None, blank, blank == 0, blank > 0, xy, 120.0, *edges, PITCH, None)
    return Background(strip, blank, residual.astype(np.float32), blank + 0.01)


def search(seen: np.ndarray | None = None) -> Search:
    shape = (int(ROWS * FACTOR), int(COLUMNS * FACTOR))
    blank = np.zeros(shape, dtype=np.float32)
    grid = Grid(blank, blank + 1, blank, blank == 0, blank > 0, PITCH * FACTOR, (FACTOR, FACTOR))
    answer = np.full((len(OUTPUTS), *shape), 1 / len(KINDS), dtype=np.float32) if seen is None else seen
    return Search(grid, answer, (), (), ())


def slot(half_mm: float = 0.4, path: np.ndarray | None = None, first: int = 130, last: int = 430) -> np.ndarray:
    """A long slot along the columns with straight sides, blurred by 0.1 mm as film is; `path` its middle row in every column."""
    middle = np.full(COLUMNS, 120.0) if path is None else path
    sharp = (np.abs(Y - middle[None]) <= half_mm * PITCH) & (first <= X) & (last >= X)
    return np.asarray(cv2.GaussianBlur(sharp.astype(np.float32), (0, 0), 0.1 * PITCH))


def outline_of(image: np.ndarray) -> np.ndarray:
    contours, _ = cv2.findContours((image > 0.3).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return np.asarray(max(contours, key=len)[:, 0], dtype=np.float64)


def clues(image: np.ndarray, **edges: float) -> Features:
    return outline_clues(background(image, **edges), search(), outline_of(image), "dark")


def test_a_straight_slot() -> None:
    told = clues(slot())
    assert told["wander_mm"] == pytest.approx(RESOLUTION_MM, abs=0.01)  # no more than the step of the samples
    assert told["half_width_mm"] == pytest.approx(0.8, abs=0.1)  # at half its height a blurred slot is as wide as it is; two steps
    assert told["width_spread"] < 0.1
    assert told["flat_top"] > 0.7  # blur of 0.1 mm moves the levels 0.25 and 0.75 by 0.07 mm each on each side: 0.66 over 0.94


def test_a_winding_line_wanders_by_the_root_mean_square_of_its_path() -> None:
    wave = 8.0 * np.sin(2 * np.pi * (np.arange(COLUMNS) - 130) / 150.0)  # two whole periods: 0.4 mm / sqrt 2
    told = clues(slot(0.3, 120.0 + wave))
    assert told["wander_mm"] == pytest.approx(0.4 / np.sqrt(2), rel=0.15)  # a straight fit takes a part of a sine
    assert told["wander_mm"] > 5 * clues(slot(0.3))["wander_mm"]


def test_a_ridge_with_sloping_sides_is_less_flat_than_a_slot() -> None:
    roof = np.clip(1 - np.abs(Y - 120) / 12.0, 0, None) * ((X >= 130) & (X <= 430))
    assert clues(roof)["flat_top"] == pytest.approx(1 / 3, abs=0.08)  # a triangle: a quarter of its base over three quarters; two steps


def test_a_tapering_line_fades_towards_its_ends() -> None:
    fading = np.clip(1 - np.abs(X - 280) / 170.0, 0, None) * slot()
    assert clues(fading)["ends_over_middle"] < 0.75 < clues(slot())["ends_over_middle"]


@pytest.mark.parametrize(("above", "sign"), [(True, 1.0), (False, -1.0)])
def test_the_sharp_side_is_told_from_the_middle_of_the_weld(above: bool, sign: float) -> None:
    """Dark strip whose edge is a step on one side and a slope on the other; the weld's middle below it, then above it."""
    strip = np.clip((132 - Y) / 20.0, 0, 1) * (Y >= 112) * ((X >= 130) & (X <= 430))  # steep where rows are small
    left, right = (100.0, 230.0) if above else (5.0, 130.0)
    assert np.sign(clues(strip, left=left, right=right)["outer_edge"]) == sign


def test_a_line_that_follows_the_toe_keeps_its_distance() -> None:
    told = clues(slot(0.3))
    assert told["toe_spread_mm"] == pytest.approx(told["middle_spread_mm"]) == pytest.approx(RESOLUTION_MM, abs=0.01)
    assert told["middle_gap_mm"] == pytest.approx(0.0, abs=0.05)


def test_an_ellipse_is_one_and_a_cross_is_none() -> None:
    ellipse = cv2.GaussianBlur((((X - 280) / 60) ** 2 + ((Y - 120) / 30) ** 2 <= 1).astype(np.float32), (0, 0), 2.0)
    bar = cv2.GaussianBlur(((np.abs(X - 280) <= 6) & (np.abs(Y - 120) <= 60)).astype(np.float32), (0, 0), 2.0)
    cross = np.maximum(slot(0.3, first=220, last=340), bar)
    assert clues(ellipse)["off_ellipse"] < 0.05 < 0.2 < clues(cross)["off_ellipse"]
    assert clues(cross)["half_solidity"] < 0.6 < 0.9 < clues(ellipse)["half_solidity"]


def test_gain_does_not_matter_and_a_bright_one_is_a_dark_one_turned() -> None:
    image = slot(0.3, 120.0 + 6 * np.sin(np.arange(COLUMNS) / 30.0))
    dark = clues(image)
    for scaled, tone in ((7.0 * image, "dark"), (-image, "bright")):
        told = outline_clues(background(scaled), search(), outline_of(image), tone)
        assert told == pytest.approx(dark, rel=1e-3, abs=1e-3)  # float32


def test_the_networks_opinion_counts_where_it_sees_the_region() -> None:
    seen = np.full((len(OUTPUTS), int(ROWS * FACTOR), int(COLUMNS * FACTOR)), 1e-6, dtype=np.float32)
    slag, pore = len(TONES) + KINDS.index("slag"), len(TONES) + KINDS.index("pore")
    seen[0, :, 60:140], seen[slag, :, 60:140] = 0.9, 0.9
    seen[pore, :, 140:] = 1.0  # where no dark region is seen
    told = outline_clues(background(slot()), search(seen), outline_of(slot()), "dark")
    assert told[f"log_kind_{KINDS.index('slag')}"] == pytest.approx(np.log(0.901), abs=0.02)
    assert told[f"log_kind_{KINDS.index('pore')}"] < -6.5


@pytest.mark.parametrize("corner", [(0.0, 0.0), (COLUMNS - 2.0, ROWS - 2.0), (COLUMNS + 3.0, -4.0)])
def test_a_speck_at_the_rim_has_clues_too(corner: tuple[float, float]) -> None:
    speck = np.array(corner) + np.array([[0.0, 0.0], [2.0, 0.0], [2.0, 1.5], [0.0, 1.5]])
    told = outline_clues(background(np.zeros((ROWS, COLUMNS))), search(), speck, "dark")
    assert np.isfinite(list(told.values())).all()
