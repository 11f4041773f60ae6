"""Marks of film, processing, handling and scan. Those made before development act on the dose, the others on the density."""

from __future__ import annotations

import numpy as np

from rtscan.film import F32
from rtscan.findings import ObjectMark
from rtscan.simulate.imaging import Raster
from rtscan.simulate.recipe import Recipe


def mark_dose(dose: F32, recipe: Recipe, raster: Raster, rng: np.random.Generator) -> tuple[F32, tuple[ObjectMark, ...]]:
    """Marks that act before development; returns the dose with them, and their objects."""
    return dose, ()


def mark_film(density: F32, recipe: Recipe, raster: Raster, rng: np.random.Generator) -> tuple[ObjectMark, ...]:
    """Marks on the developed film and of the scanner, drawn into the density in place."""
    marks: list[ObjectMark] = []
    if recipe.film.border_mm > 0:
        marks += _border(density, recipe, raster, rng)
    return tuple(marks)


def _border(density: F32, recipe: Recipe, raster: Raster, rng: np.random.Generator) -> list[ObjectMark]:
    wide = recipe.film.border_mm * raster.pixels_per_mm
    rows, columns = density.shape
    level = np.float32(recipe.scan.density_max + 0.3)
    sizes = [max(int(wide * rng.uniform(0.6, 1.2)), 1) for _ in range(4)]
    density[: sizes[0]], density[rows - sizes[1] :] = level, level
    density[:, : sizes[2]], density[:, columns - sizes[3] :] = level, level
    boxes = [
        (0.0, 0.0, columns - 1.0, sizes[0] - 1.0),
        (0.0, float(rows - sizes[1]), columns - 1.0, rows - 1.0),
        (0.0, 0.0, sizes[2] - 1.0, rows - 1.0),
        (float(columns - sizes[3]), 0.0, columns - 1.0, rows - 1.0),
    ]
    return [ObjectMark("border", box, "scan border") for box in boxes]
