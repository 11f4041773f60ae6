"""Simulated films, coarsely scanned, with the weld of the answer key laid over the reduced picture: what the weld network learns from."""

from __future__ import annotations

import json
import os
import tempfile
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from draw import draw_recipe

from rtscan.job import Job, load_job
from rtscan.reading.load import load_films
from rtscan.reading.weld_sight import reduced_picture
from rtscan.simulate.recipe import Recipe

COARSE_PIXELS_PER_MM = 5.0


@dataclass(frozen=True)
class WeldSample:
    """One film: `picture` float16 and `known` (rows, columns); `arcs` bool (1 or 2, rows, columns), two for an ellipse."""

    picture: np.ndarray
    known: np.ndarray
    arcs: np.ndarray


def weld_sample(seed: int, number: int) -> WeldSample:
    """Film `number` of the draw, with more variety of size and place than the films for detection have."""
    from rtscan.simulate.files import write_film
    from rtscan.simulate.render import render

    rng = np.random.default_rng([seed, 5, number])
    recipe = _varied(draw_recipe(rng, bool(rng.random() < 0.3), f"film-{number:05d}"), rng)
    folder = "/dev/shm" if os.path.isdir("/dev/shm") else None
    with tempfile.TemporaryDirectory(dir=folder) as place:
        files = write_film(render(recipe, rng), Path(place))
        key = json.loads(files.key.read_text(encoding="utf-8"))
        told = load_job(files.job)
        job = Job.model_validate({"film": {"pixels_per_mm": told.film.pixels_per_mm, "look": told.film.look}})
        film = load_films(files.film, job)[0]
    picture, known = reduced_picture(film.density, film.valid)
    scale = np.array(picture.shape[::-1]) / np.array(film.density.shape[::-1])
    on_film = [arc for arc in key["weld"]["arcs"] if arc["left_edge_px"]]
    arcs = np.stack([_filled(arc, scale, picture.shape) for arc in on_film]) if on_film else np.zeros((1, *picture.shape), dtype=bool)
    if recipe.exposure.technique != "DWDI-ellipse":
        arcs = arcs.any(axis=0, keepdims=True)
    return WeldSample(picture.astype(np.float16), known, arcs)


def _varied(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """The recipe scanned coarsely, on a film of other proportions, laid askew now and then."""
    table = recipe.model_dump(by_alias=True)
    double = recipe.exposure.technique.startswith("DWDI")
    table["scan"]["pixels_per_mm"] = COARSE_PIXELS_PER_MM
    table["film"]["width_mm"] *= float(rng.uniform(0.8, 1.3) if double else rng.uniform(0.6, 1.8))
    table["film"]["height_mm"] *= float(rng.uniform(0.9, 1.3) if double else rng.choice([rng.uniform(0.8, 1.3), rng.uniform(1.2, 2.5)]))
    table["place"]["angle_deg"] += float(rng.normal(0, 6)) * float(rng.random() < 0.3)
    table["place"]["off_middle_mm"] += float(rng.normal(0, 8)) * float(rng.random() < 0.4)
    table["exposure"]["source_to_film_mm"] = table["exposure"].get("source_to_film_mm")
    return Recipe.model_validate({k: v for k, v in table.items() if v is not None})


def _filled(arc: dict[str, list[list[float]]], scale: np.ndarray, shape: tuple[int, ...]) -> np.ndarray:
    ring = np.concatenate([np.array(arc["left_edge_px"], float), np.array(arc["right_edge_px"], float)[::-1]]) * scale
    picture = np.zeros(shape, dtype=np.uint8)
    cv2.fillPoly(picture, [np.round(ring * 16).astype(np.int32)], 1, shift=4)
    return picture > 0
