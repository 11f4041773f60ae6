"""Simulated films for the quality tests: one fit film and its spoiled sisters, made once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rtscan.film import Film, Marks, Strip, Weld
from rtscan.findings import Quality
from rtscan.job import Job, load_job
from rtscan.reading.load import load_films
from rtscan.reading.marks import find_marks
from rtscan.reading.quality import Indicator, check_film, read_indicator
from rtscan.reading.straighten import straighten
from rtscan.reading.weld_band import find_weld
from rtscan.simulate.files import simulate, write_film
from rtscan.simulate.recipe import Recipe

FIT: dict[str, Any] = {
    "film": {"width_mm": 110.0, "height_mm": 76.0, "density": 2.8}, "weld": {"wall_mm": 8.0}, "iqi": [{"set": "W10"}],
    "exposure": {"technique": "SWSI", "source": "x-ray", "kv": 160.0, "source_to_film_mm": 700.0},
    "testing": {"standard": "iso-17636-1", "class": "A"},
}


@dataclass(frozen=True)
class Checked:
    """A film with everything seen of it."""

    film: Film
    job: Job
    marks: Marks
    weld: Weld | None
    strips: tuple[Strip, ...]
    indicator: Indicator
    quality: Quality

    def failed(self) -> set[str]:
        return {c.name for c in self.quality.checks if c.required and c.result == "fail"}


def look(path: Path, job: Job) -> Checked:
    film = load_films(path, job)[0]
    marks = find_marks(film, job)
    weld = find_weld(film, job, marks)
    strips = straighten(film, weld, marks) if weld else ()
    indicator = read_indicator(film, job, weld, marks, strips)
    return Checked(film, job, marks, weld, strips, indicator, check_film(film, job, weld, marks, strips, indicator))


@pytest.fixture(scope="session")
def make(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Checked]:
    """`make(overrides of job keys, **recipe sections)`: simulates, loads and checks a film; the same call gives the same film once made."""
    folder = tmp_path_factory.mktemp("films")
    known: dict[str, Checked] = {}

    def made(job: dict[str, Any] | None = None, seed: int = 3, **sections: Any) -> Checked:
        key = repr((job, seed, sections))
        if key not in known:
            recipe = {name: dict(part) if isinstance(part, dict) else part for name, part in FIT.items()}
            for name, part in sections.items():
                recipe[name] = {**recipe.get(name, {}), **part} if isinstance(part, dict) else part
            name = f"film{len(known)}"
            written = write_film(simulate(Recipe.model_validate({"name": name, **recipe}), np.random.default_rng(seed))[0], folder)
            known[key] = look(written.film, load_job(folder / f"{name}.job.toml", job))
        return known[key]

    return made
