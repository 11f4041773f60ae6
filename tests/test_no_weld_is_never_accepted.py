"""A film on which no weld was found has an empty list of indications; nobody may turn that into an acceptance."""

from __future__ import annotations

import numpy as np
import pytest

from rtscan.acceptance.library import load_criteria
from rtscan.film import Film
from rtscan.findings import FilmFacts
from rtscan.job import Job
from rtscan.pipeline import ReadSettings, read_film


@pytest.mark.parametrize("judge_anyway", [False, True])
def test_judged_anyway_and_vouched_for(judge_anyway: bool) -> None:
    density = (2.5 + 0.02 * np.random.default_rng(4).normal(size=(300, 900))).astype(np.float32)
    film = Film(FilmFacts(pixels_per_mm=12.0, density_calibrated=True), density, np.ones(density.shape, dtype=bool))
    job = Job.model_validate({"film": {"pixels_per_mm": 12.0, "quality_vouched_by": "the reader"}, "weld": {"wall_mm": 10.0}})
    reading = read_film(film, job, load_criteria("iso-10675-1-level-2"), ReadSettings(judge_anyway=judge_anyway))
    assert reading.weld is None
    assert reading.worksheet.verdict == "unreadable"
