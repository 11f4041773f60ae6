"""From a film whose ends are too thin to the sheet, the verdict and the joined weld: nothing seen there is lost, nothing accepted."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from rtscan.acceptance.library import load_criteria
from rtscan.filmset.join import FilmReading, join_weld
from rtscan.job import load_job
from rtscan.pipeline import read_film
from rtscan.reading.load import load_films
from rtscan.simulate.files import write_film
from rtscan.simulate.recipe import Recipe
from rtscan.simulate.render import render

pytestmark = pytest.mark.slow


def test_a_pore_beyond_the_diagnostic_length(tmp_path: Path) -> None:
    """The film shows stations 10 to 230; the exposure falls to 0.35 of the middle's at its ends, where a pore of 2.5 mm lies at 17."""
    recipe = Recipe.model_validate({
        "name": "thin-ends", "film": {"width_mm": 220.0, "height_mm": 76.0, "density": 2.8, "ends": -0.65}, "weld": {"wall_mm": 8.0},
        "exposure": {"technique": "SWSI", "source": "x-ray", "kv": 160.0, "source_to_film_mm": 700.0}, "iqi": [{"set": "W10"}],
        "testing": {"standard": "iso-17636-1", "class": "A"},
        "imperfections": [{"type": "gas pore", "along_mm": 17.0, "length_mm": 2.5}],
    })
    files = write_film(render(recipe, np.random.default_rng(3)), tmp_path)
    job = load_job(files.job)
    sheet = read_film(load_films(files.film, job)[0], job, load_criteria("iso-10675-1-level-3")).worksheet
    assert sheet.quality.readable
    (arc,) = sheet.weld.arcs
    assert arc.station_from_mm is not None
    assert arc.station_to_mm is not None
    assert 20 < arc.station_from_mm < 60
    assert 180 < arc.station_to_mm < 220
    assert arc.station_mm[0] == pytest.approx(10.0, abs=1.5)  # the whole picture is still told
    beyond = [i for i in sheet.indications if i.along_mm is not None and abs(i.along_mm - 17.0) < 3]
    assert beyond, "the pore beyond the diagnostic length is lost"
    assert "outside the diagnostic length" in beyond[0].note
    assert beyond[0].result != "accept"
    assert "outside the covered weld" in sheet.verdict_says
    joined = join_weld("S-1", [FilmReading("A", sheet)])
    assert joined.covered_mm == pytest.approx(arc.station_to_mm - arc.station_from_mm)
    assert any("outside the diagnostic length" in i.note for i in joined.indications)
