"""Scratches are found and no flaw, wire or letter is taken for one."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter

from rtscan.film import Film, Mark
from rtscan.findings import FilmFacts
from rtscan.job import Job
from rtscan.reading.marks import find_marks
from rtscan.reading.scratches import ScratchSettings, find_scratches

PER_MM = 20.0
ROWS, COLUMNS = 700, 1500
WELD_ROW, HALF_CAP = 380, 110
FILM_BLUR_PX = 1.3
"""0.065 mm: the inherent unsharpness of Ir-192 (0.23 mm in tables) as a standard deviation, near the film."""
SCANNER_BLUR_PX = 0.7
GRAIN = 0.03


def plate() -> np.ndarray:
    """Density of a plate 2.8 and a domed cap, before blur and grain; less is brighter."""
    rows = np.arange(ROWS, dtype=np.float64)[:, None]
    cap = np.sqrt(np.clip(1 - ((rows - WELD_ROW) / HALF_CAP) ** 2, 0, 1))
    return np.repeat(2.8 - 0.6 * cap, COLUMNS, axis=1)


def film_of(metal: np.ndarray, on_film: np.ndarray | None = None, seed: int = 3, film_blur_px: float = FILM_BLUR_PX) -> Film:
    """Blur and grain the radiograph, lay what is on the film over it, blur all by the scanner."""
    density = gaussian_filter(metal, film_blur_px) + GRAIN * np.random.default_rng(seed).normal(size=metal.shape)
    density = gaussian_filter(density if on_film is None else density + on_film, SCANNER_BLUR_PX)
    facts = FilmFacts(width_px=metal.shape[1], height_px=metal.shape[0], pixels_per_mm=PER_MM)
    return Film(facts, density.astype(np.float32), np.ones(density.shape, dtype=bool))


def line(points: list[tuple[float, float]], width_px: int = 1) -> np.ndarray:
    """A line of strength 1, drawn eight times finer."""
    canvas = np.zeros((ROWS, COLUMNS), dtype=np.uint8)
    fixed = np.round((np.array(points) + 0.5) * 16).astype(np.int32)
    cv2.polylines(canvas, [fixed[:, None, :]], False, (255,), width_px, cv2.LINE_AA, 4)
    return canvas.astype(np.float64) / 255


def scratches(film: Film, wires: tuple[Mark, ...] = ()) -> tuple[Mark, ...]:
    return find_scratches(film, film.valid, wires, ScratchSettings())


ACROSS = [(600.0, 120.0), (660.0, 400.0), (700.0, 640.0)]
"""Over the whole bead and into the plate on both sides."""


def test_a_clean_film_has_none() -> None:
    assert scratches(film_of(plate())) == ()


@pytest.mark.parametrize("strength", [0.4, -0.4])
def test_a_scratch_across_the_weld_is_found_to_its_ends(strength: float) -> None:
    (mark,) = scratches(film_of(plate(), strength * line(ACROSS)))
    assert mark.kind == "scratch"
    assert ("dark" if strength > 0 else "light") in mark.says
    # Points lie half a millimetre apart; the end may be one such step short, and one block of a millimetre is cut off.
    assert mark.path_px[:, 1].min() == pytest.approx(120, abs=1.5 * PER_MM)
    assert mark.path_px[:, 1].max() == pytest.approx(640, abs=1.5 * PER_MM)
    wanted = np.interp(mark.path_px[:, 1], [120, 400, 640], [600, 660, 700])
    # Followed at a pitch of two pixels.
    assert np.abs(mark.path_px[:, 0] - wanted).max() < 3.0


def test_a_scratch_is_a_line_and_hides_nothing() -> None:
    marks = find_marks(film_of(plate(), 0.4 * line(ACROSS)), Job())
    assert [mark.kind for mark in marks.marks] == ["scratch"]
    assert not marks.hidden.any()
    assert marks.lines[line(ACROSS) > 0.5].mean() > 0.9
    # No wider than half a millimetre: a pore of a millimetre under it stays visible.
    assert marks.lines.sum() < 0.5 * PER_MM * 540


def test_a_light_scratch_within_the_bead_is_found() -> None:
    assert len(scratches(film_of(plate(), -0.4 * line([(500, 350), (760, 420)])))) == 1


def test_a_dark_line_within_the_bead_is_left_for_the_reader_however_sharp() -> None:
    film = film_of(plate(), 0.4 * line([(500, 350), (760, 420)]))
    assert scratches(film) == ()


def flaw(kind: str) -> np.ndarray:
    """Density change of sharp linear flaws before any blur."""
    rows, columns = np.mgrid[:ROWS, :COLUMNS].astype(np.float64)
    within = (np.abs(rows - WELD_ROW) < 0.9 * HALF_CAP).astype(np.float64)
    if kind == "transverse crack":
        return 0.8 * line([(700, 290), (712, 330), (703, 380), (715, 430), (708, 480)])
    if kind == "crack into the parent metal":
        fade = np.clip((560 - rows) / 200, 0, 1)
        return np.asarray(0.8 * fade * line([(700, 290), (712, 380), (705, 560)]))
    if kind == "even crack from toe to toe and two millimetres on":
        return 0.8 * line([(700, WELD_ROW - HALF_CAP - 40), (708, WELD_ROW + HALF_CAP + 40)])
    if kind == "longitudinal crack":
        return 0.8 * line([(x, WELD_ROW + 9 * np.sin(x / 31) + 5 * np.sin(x / 11)) for x in range(300, 1100, 5)])
    if kind == "even longitudinal crack through a tack":
        tack = np.exp(-(((columns - 700) / 60) ** 4) - ((rows - WELD_ROW) / 60) ** 4)
        return np.asarray(0.8 * line([(500, WELD_ROW), (900, WELD_ROW + 4)]) - 0.5 * tack)
    if kind == "even longitudinal crack on a curved wall":
        return np.asarray(0.8 * line([(300, WELD_ROW), (740, WELD_ROW + 4)]) - 1.2 * ((columns - 740) / COLUMNS) ** 2)
    if kind == "lack of fusion":
        return 0.6 * line([(300, 330), (900, 332)], 2)
    if kind == "toe crack":
        return 0.8 * line([(x, WELD_ROW - HALF_CAP + 3 * np.sin(x / 17)) for x in range(300, 800, 5)])
    if kind == "lack of penetration":
        return 0.5 * line([(0, WELD_ROW), (COLUMNS, WELD_ROW)], 4)
    if kind == "protruding filler wire":
        return -1.0 * line([(700, 360), (860, 420)], 20)
    if kind == "tungsten":
        return np.asarray(-1.5 * ((np.abs(columns - 700) < 9) & (np.abs(rows - 380) < 5) & (within > 0)))
    raise ValueError(kind)


FLAWS = ["transverse crack", "even crack from toe to toe and two millimetres on", "crack into the parent metal", "longitudinal crack",
         "even longitudinal crack through a tack", "even longitudinal crack on a curved wall", "lack of fusion", "toe crack",
         "lack of penetration", "protruding filler wire", "tungsten"]


@pytest.mark.parametrize("kind", FLAWS)
@pytest.mark.parametrize("blur_px", [FILM_BLUR_PX, 0.45])
def test_no_flaw_is_a_scratch(kind: str, blur_px: float) -> None:
    """Also on the sharpest of films: 0.45 pixels is the inherent unsharpness at 150 kV, 0.0013 kV^0.8 = 0.072 mm."""
    assert scratches(film_of(plate() + flaw(kind), film_blur_px=blur_px)) == ()


def test_two_parallel_thin_bright_lines_at_the_distance_of_wires_are_none() -> None:
    lines = line([(500, 100), (520, 600)]) + line([(600, 100), (620, 600)])
    assert scratches(film_of(plate(), -0.4 * lines)) == ()


def test_a_thin_bright_line_along_known_wires_is_one_more_of_them() -> None:
    film = film_of(plate(), -0.4 * line([(500, 100), (505, 600)]))
    wire = Mark("wire", np.array([[300.0, 100.0], [305.0, 600.0]]), 8.0, "wire")
    assert scratches(film, wires=(wire,)) == ()
    assert len(scratches(film)) == 1


@pytest.mark.parametrize("shape", [(20, 300), (1, 1), (300, 20)])
def test_tiny_films_have_none(shape: tuple[int, int]) -> None:
    film = Film(FilmFacts(pixels_per_mm=PER_MM), np.zeros(shape, dtype=np.float32), np.ones(shape, dtype=bool))
    assert scratches(film) == ()


@settings(max_examples=8, deadline=None)
@given(st.integers(0, 3), st.booleans())
def test_turning_and_mirroring_the_film_turns_the_scratch(turns: int, mirrored: bool) -> None:
    film = film_of(plate(), 0.4 * line(ACROSS))
    turned = np.rot90(film.density[:, ::-1] if mirrored else film.density, turns)
    other = Film(film.facts, np.ascontiguousarray(turned), np.ones(turned.shape, dtype=bool))
    assert len(scratches(other)) == 1
