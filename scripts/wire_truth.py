"""The simulator's truth of a wire: its own image laid over the developed film without wires.

The film is exposed with and without the wires; the difference is the image of each wire. It is laid over the developed film without
wires, at its place and beside it: the spread of what it collects there is the noise (grain, scanner, ripples, roughness).
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np

from rtscan.job import load_job
from rtscan.reading.load import load_films
from rtscan.simulate.files import write_film
from rtscan.simulate.recipe import Recipe
from rtscan.simulate.render import Exposed, develop, expose


def wire_truth(made: Recipe, part: Callable[[], np.random.Generator], grain: np.random.Generator, folder: Path) -> list[float]:
    """Signal-to-noise of each wire of a recipe, thickest first. `part` gives the generator that the film's own part was drawn with, anew at
    each call, so that all have one bead. Files of the film's own name are written into `folder`: call this before the film is written."""
    # Letters and uneven exposure are drawn after the wires, and so would differ between the two.
    bare_film = made.model_copy(update={"iqi": (), "letters": (), "film": made.film.model_copy(update={"uneven": 0.0})})
    silent = tuple(i.model_copy(update={"label": False}) for i in made.iqi)
    wires, bare = (expose(r, part()) for r in (bare_film.model_copy(update={"iqi": silent}), bare_film))
    written = write_film(develop(bare, grain), folder)
    return truth(wires, bare, load_films(written.film, load_job(written.job))[0].density)


def truth(wires: Exposed, bare: Exposed, blank: np.ndarray) -> list[float]:
    """Signal-to-noise of each wire, thickest first; `blank` is the developed film without them, density (rows, columns)."""
    signal = as_scanned(bare, bare.exposure) - as_scanned(wires, bare.exposure)
    ppm = wires.raster.pixels_per_mm
    marks = [mark for mark in wires.marks if mark.kind == "wire"]
    return [reach(signal, blank, mark.bbox_px, ppm) for mark in (marks[::-1] if marks and marks[0].says.startswith("ASTM") else marks)]


def as_scanned(exposed: Exposed, exposure: float) -> np.ndarray:
    """Density without noise as the scanner sees it: held at its greatest density, blurred by its spot."""
    scan = exposed.recipe.scan
    density = np.minimum(exposed.law.net_density(exposure * exposed.dose) + exposed.fog, scan.density_max).astype(np.float32)
    return cv2.GaussianBlur(density, (0, 0), max(0.01, scan.blur_mm / 2.3548 * exposed.raster.pixels_per_mm))


def reach(signal: np.ndarray, blank: np.ndarray, box: tuple[float, float, float, float], ppm: float) -> float:
    """Best signal-to-noise of one wire over 10 mm: its true image laid over the film without it, at its place and up to 12 mm beside it."""
    x0, y0, x1, y1 = box
    if y1 - y0 < x1 - x0:
        signal, blank, (x0, y0, x1, y1) = signal.T, blank.T, (y0, x0, y1, x1)
    length, margin, side = int(10 * ppm), int(0.8 * ppm), int(12 * ppm)
    left, right = max(0, round(x0) - margin), min(signal.shape[1], round(x1) + margin)
    signal = np.where(beside_line(signal, x0, x1, y0, y1, margin), signal, 0)
    best = 0.0
    if right - left <= 2 * margin:
        return best  # off the film
    for top in range(max(0, round(y0)), min(signal.shape[0], round(y1)) - length + 1, length // 4):
        rows = slice(top, top + length)
        pattern = np.maximum(signal[rows, left:right], 0)
        pattern = pattern - pattern.mean(axis=1, keepdims=True)
        low, high = max(0, left - side), min(signal.shape[1], right + side)
        field = blank[rows, low:high] - cv2.blur(blank[rows, low:high], (2 * int(1.5 * ppm) + 1, 1))
        answers = cv2.matchTemplate(np.ascontiguousarray(field), np.ascontiguousarray(pattern), cv2.TM_CCORR)[0]
        noise = 1.4826 * np.median(np.abs(answers - np.median(answers)))
        best = max(best, float((pattern**2).sum() / max(noise, 1e-9)))
    return best


def beside_line(signal: np.ndarray, x0: float, x1: float, y0: float, y1: float, margin: int) -> np.ndarray:
    """True within `margin` of the diagonal of a box that holds more of the signal: a leaning wire without its neighbours."""
    rows, columns = np.ogrid[: signal.shape[0], : signal.shape[1]]
    share = (rows - y0) / max(y1 - y0, 1.0)
    both = [np.abs(columns - (a + (b - a) * share)) <= margin for a, b in ((x0, x1), (x1, x0))]
    return max(both, key=lambda near: float(np.abs(signal[near]).sum()))
