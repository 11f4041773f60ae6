"""From a drawn strip to measured, named indications."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from rtscan.film import Arc, Film, Strip, Weld
from rtscan.findings import FilmFacts, Indication
from rtscan.job import Job
from rtscan.reading.background import estimate_background
from rtscan.reading.classify import classify
from rtscan.reading.features import surroundings
from rtscan.reading.filters import detection_grid
from rtscan.reading.measure import measure
from rtscan.reading.net import OUTPUTS, look
from rtscan.reading.quality.contrast import Contrast
from rtscan.reading.segment import SegmentSettings, segment

ROWS, COLUMNS, PITCH = 460, 2400, 20.0
PORE = (1200.0, 230.0, 12.0)


@pytest.fixture(scope="module")
def strip() -> Strip:
    rng = np.random.default_rng(8)
    rows, columns = np.mgrid[0:ROWS, 0:COLUMNS].astype(np.float32)
    metal = 0.8 / (1 + np.exp(-(120 - np.abs(rows - 230)) / 8))
    body = np.sqrt(np.maximum(0, 1 - ((columns - PORE[0]) ** 2 + (rows - PORE[1]) ** 2) / PORE[2] ** 2)).astype(np.float32)
    grain = cv2.GaussianBlur(rng.standard_normal((ROWS, COLUMNS)).astype(np.float32), (0, 0), 0.8) * 0.04
    density = (2.8 - metal + 0.5 * cv2.GaussianBlur(body, (0, 0), 2.0) + grain).astype(np.float32)
    ok = np.ones((ROWS, COLUMNS), bool)
    return Strip(
        0,
        None,
        density,
        ok,
        np.zeros_like(ok),
        np.stack([columns, rows], axis=2),
        230.0,
        np.full(COLUMNS, 110.0),
        np.full(COLUMNS, 350.0),
        PITCH,
        np.arange(COLUMNS) / PITCH,
    )


@pytest.fixture(scope="module")
def named(strip: Strip) -> tuple[Indication, ...]:
    facts = FilmFacts(pixels_per_mm=PITCH, scale_uncertainty=0.01)
    film = Film(facts, strip.density, strip.usable)
    x = np.arange(0.0, COLUMNS, 100.0)
    line = [np.stack([x, np.full_like(x, y)], axis=1) for y in (230.0, 110.0, 350.0)]
    weld = Weld((Arc(None, line[0], line[1], line[2], x / PITCH),), "image")
    backgrounds = (estimate_background(strip),)
    return classify(measure(segment(backgrounds, 0.1), backgrounds, film, weld, Job(), Contrast(0.5, 0.1, 0.1, "3 wires")))


def test_the_pore_is_found_measured_and_named(named: tuple[Indication, ...]) -> None:
    pore = next(i for i in named if i.centre_px and np.hypot(i.centre_px[0] - PORE[0], i.centre_px[1] - PORE[1]) < 3)
    assert (pore.tone, pore.iso6520) == ("dark", "2011")
    true = 2 * PORE[2] / PITCH
    assert pore.length_mm == pytest.approx(true, abs=0.12)  # the target for 50 µm pixels
    assert pore.length_u_mm is not None
    assert abs((pore.length_mm or 0) - true) <= pore.length_u_mm
    assert (pore.along_mm, pore.across_mm) == (pytest.approx(60.0, abs=0.1), pytest.approx(0.0, abs=0.1))
    assert pore.height_mm == pytest.approx(1.0, rel=0.25)  # contrast 0.5 at 0.5 a millimetre
    assert pore.why.startswith("Dark, ")
    assert (pore.confidence or 0) + sum(a.confidence for a in pore.alternatives) == pytest.approx(
        1.0, abs=0.2
    )  # rest: under 0.03 each


def test_grain_alone_gives_few_calls(named: tuple[Indication, ...]) -> None:
    assert len(named) <= 3


def test_the_same_strip_gives_the_same_regions(strip: Strip) -> None:
    background = (estimate_background(strip),)
    one, other = (segment(background, 0.1, SegmentSettings(bar=0.5)) for _ in range(2))
    assert [r.score for r in one.regions] == [r.score for r in other.regions]


def test_the_network_answers_with_probabilities(strip: Strip) -> None:
    background = estimate_background(strip)
    grid = detection_grid(background)
    seen = look(grid, surroundings(background, grid))
    assert seen.shape == (len(OUTPUTS), *grid.residual.shape)
    assert seen.min() >= 0
    assert seen.max() <= 1 + 1e-5
