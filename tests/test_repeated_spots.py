"""From a film with a processor's roller marks to the sheet: they are objects where they lie, not pores."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from rtscan.job import load_job
from rtscan.pipeline import read_film
from rtscan.reading.load import load_films
from rtscan.simulate.files import write_film
from rtscan.simulate.recipe import Recipe
from rtscan.simulate.render import render

pytestmark = pytest.mark.slow


def test_roller_spots_are_objects_where_they_lie(tmp_path: Path) -> None:
    """Four spots of 1.2 mm, 32 mm apart, and one pore; boxes within 0.3 mm (an outline's own doubt) of the spots."""
    recipe = Recipe.model_validate({
        "name": "rollers", "film": {"width_mm": 160.0, "height_mm": 60.0, "density": 2.5}, "weld": {"wall_mm": 10.0},
        "exposure": {"technique": "SWSI", "source": "x-ray", "kv": 170.0, "source_to_film_mm": 700.0},
        "imperfections": [{"type": "gas pore", "along_mm": 75.0, "length_mm": 1.5}],
    })
    files = write_film(render(recipe, np.random.default_rng(5)), tmp_path)
    job = load_job(files.job)
    film = load_films(files.film, job)[0]
    per_mm = film.pixels_per_mm or 0.0
    spots = [(round((22 + 32 * k) * per_mm), film.density.shape[0] // 2 + round(2 * per_mm)) for k in range(4)]
    pressed = np.zeros_like(film.density)
    for spot in spots:
        cv2.circle(pressed, spot, round(0.6 * per_mm), 0.15, -1)
    pressed = cv2.GaussianBlur(pressed, (0, 0), 0.1 * per_mm)
    sheet = read_film(replace(film, density=film.density + pressed), job, None).worksheet
    boxes = [o.bbox_px for o in sheet.objects if "equal steps" in o.says]
    middles = [((x0 + x1) / 2, (y0 + y1) / 2) for x0, y0, x1, y1 in boxes]
    assert len(middles) == 4
    assert np.array(sorted(middles)) == pytest.approx(np.array(spots), abs=0.3 * per_mm)
    centres = [i.centre_px for i in sheet.indications if i.centre_px is not None]
    assert centres, "the pore went with the spots"
    assert all(np.hypot(x - u, y - v) > 0.8 * per_mm for x, y in centres for u, v in spots)
