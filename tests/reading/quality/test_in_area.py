"""Marks in the area of interest: the weld and 5 mm of parent metal on either side, where the film is judged. Places are written down."""

from __future__ import annotations

import numpy as np
import pytest

from rtscan.film import Arc, Film, Mark, Marks, Weld
from rtscan.findings import FilmFacts, ObjectKind
from rtscan.reading.quality.in_area import marks_in_area
from rtscan.reading.straighten import straighten

PPM, ROWS, COLUMNS = 10.0, 400, 1200
"""A weld 6 mm wide along row 200: the area of interest is rows 120 to 280."""


@pytest.mark.parametrize(("kind", "corners", "inside"), [
    ("letter", ((300, 240), (360, 330)), True),
    ("letter", ((300, 300), (360, 380)), False),
    ("letter", ((300, 100), (700, 300)), True),  # its outline runs round the area
    ("letter", ((900, 180), (960, 220)), False),  # beyond what is judged
    ("wire", ((500, 20), (500, 380)), True),
    ("scratch", ((100, 130), (600, 130)), True),
    ("scratch", ((100, 100), (600, 100)), False),
    ("border", ((5, 5), (1195, 5)), False),
])
def test_a_mark_is_listed_where_it_reaches_into_the_area(kind: ObjectKind, corners: tuple[tuple[int, int], ...], inside: bool) -> None:
    shape = (ROWS, COLUMNS)
    film = Film(FilmFacts(pixels_per_mm=PPM), np.full(shape, 2.8, np.float32), np.ones(shape, bool))
    x = np.linspace(0, COLUMNS - 1, 121)
    line = np.stack([x, np.full(121, 200.0)], axis=1)
    side = np.array([0.0, 30.0])
    weld = Weld((Arc(None, line, line - side, line + side, x / PPM, np.ones(121, bool)),), "image")
    (x0, y0), (x1, y1) = corners
    path = np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)] if kind == "letter" else corners, dtype=np.float64)
    marks = Marks((Mark(kind, path, 4.0, ""),), np.zeros(shape, bool), np.zeros(shape, bool))
    (strip,) = straighten(film, weld, marks)
    judged = np.arange(strip.density.shape[1]) < 800
    assert bool(marks_in_area(marks, [strip], [judged])) is inside
