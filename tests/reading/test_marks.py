"""Marks are found where they were drawn, and no flaw is taken for a mark."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from rtscan.film import Film, Marks
from rtscan.findings import FilmFacts
from rtscan.job import Job
from rtscan.reading.lead import LeadSettings, _is_domed, _sharpness
from rtscan.reading.load import load_films
from rtscan.reading.marks import find_marks

REAL = Path(__file__).resolve().parents[3] / "shared" / "real" / "films"
PER_MM = 20.0
ROWS, COLUMNS = 900, 2200
WELD_ROW, HALF_CAP = 500, 110
FILM_BLUR_PX = 4.0
"""0.2 mm: the inherent and geometric blur of everything that is not on the film itself."""


def plate() -> np.ndarray:
    """Density of a plate 2.8 and a domed cap, before blur and grain; less is brighter."""
    rows = np.arange(ROWS, dtype=np.float64)[:, None]
    cap = np.sqrt(np.clip(1 - ((rows - WELD_ROW) / HALF_CAP) ** 2, 0, 1))
    return np.repeat(2.8 - 0.5 * cap, COLUMNS, axis=1)


def film_of(clean: np.ndarray, on_film: np.ndarray | None = None, seed: int = 2) -> Film:
    """Blur and grain the radiograph, then lay what is on the film itself over it."""
    density = gaussian_filter(clean, FILM_BLUR_PX) + 0.03 * np.random.default_rng(seed).normal(size=clean.shape)
    if on_film is not None:
        density = density + gaussian_filter(on_film, 0.7)
    facts = FilmFacts(width_px=COLUMNS, height_px=ROWS, pixels_per_mm=PER_MM)
    return Film(facts, density.astype(np.float32), np.ones(density.shape, dtype=bool))


def marks_of(film: Film, **sections: dict[str, object]) -> Marks:
    return find_marks(film, Job.model_validate(sections))


def kinds(marks: Marks) -> list[str]:
    return [mark.kind for mark in marks.marks]


def with_text(clean: np.ndarray, text: str, x: int, y: int, lead: float = 1.4) -> np.ndarray:
    """Lead letters about 9 mm high with strokes of 1.8 mm, `lead` less density."""
    canvas = np.zeros(clean.shape, dtype=np.uint8)
    cv2.putText(canvas, text, (x, y), cv2.FONT_HERSHEY_SIMPLEX, 8.0, 1, 36)
    return np.where(canvas > 0, clean - lead, clean)


def test_a_clean_weld_has_no_marks() -> None:
    marks = marks_of(film_of(plate()))
    assert kinds(marks) == []
    assert not marks.hidden.any()
    assert not marks.lines.any()


def test_lead_letters_are_hidden_and_the_weld_is_not() -> None:
    clean = with_text(plate(), "A 1 7", 300, 300)
    drawn = clean < plate() - 0.1
    marks = marks_of(film_of(clean))
    assert kinds(marks) == ["letter"] * 3
    assert marks.hidden[drawn].mean() > 0.97
    assert not marks.hidden[WELD_ROW - HALF_CAP : WELD_ROW + HALF_CAP].any()


def test_a_letter_cut_by_the_edge_of_the_film_is_found() -> None:
    clean = with_text(plate(), "B", 600, 90)
    assert "letter" in kinds(marks_of(film_of(clean)))


@pytest.mark.parametrize(("power", "domed"), [(1.0, True), (0.0, False)])
def test_a_drop_of_a_bead_is_as_sharp_as_lead_but_domed(power: float, domed: bool) -> None:
    """A dome and an even plate of the same outline, 2.4 by 3.6 mm in the cells of 0.2 mm of the search, under the same blur."""
    y, x = np.mgrid[-20:21, -20:21]
    inside = np.clip(1 - (x / 6.0) ** 2 - (y / 9.0) ** 2, 0, 1)
    bright = gaussian_filter(0.4 * np.where(inside > 0, inside**power, 0.0), 0.6).astype(np.float32)
    slope = np.hypot(*np.gradient(gaussian_filter(bright, 0.8)))
    slope = cv2.dilate(slope.astype(np.float32), np.ones((3, 3), np.uint8))
    shape = bright > 0.1
    sharp = _sharpness(shape, bright, slope, np.zeros_like(shape))
    assert sharp >= LeadSettings().least_sharpness
    assert _is_domed(shape, bright, slope, sharp, LeadSettings()) == domed


def with_stencil(clean: np.ndarray, x: int, y: int, turn_deg: float, lead: float = 0.5) -> tuple[np.ndarray, np.ndarray]:
    """A lead plate of 16 × 13 mm about (x, y), digits and a row of holes cut through; the density with it, and where the plate is."""
    cell = np.zeros(clean.shape, dtype=np.uint8)
    cv2.rectangle(cell, (x - 160, y - 130), (x + 160, y + 130), 1, -1)
    cut = cell.copy()
    cv2.putText(cut, "25", (x - 120, y + 70), cv2.FONT_HERSHEY_SIMPLEX, 6.0, 0, 26)
    for k in range(5):
        cv2.circle(cut, (x - 120 + 60 * k, y - 105), 12, 0, -1)
    turn = cv2.getRotationMatrix2D((float(x), float(y)), turn_deg, 1.0)
    whole, cut = (cv2.warpAffine(c, turn, clean.shape[::-1], flags=cv2.INTER_NEAREST) > 0 for c in (cell, cut))
    return np.where(cut, clean - lead, clean), whole


@pytest.mark.parametrize("turn_deg", [0.0, 7.0, -20.0])
def test_a_number_plate_over_the_weld_is_hidden_whole(turn_deg: float) -> None:
    clean, whole = with_stencil(plate(), 900, WELD_ROW, turn_deg)
    marks = marks_of(film_of(clean))
    assert kinds(marks) == ["marker"]
    assert marks.hidden[whole].mean() > 0.98
    beside = cv2.dilate(whole.astype(np.uint8), np.ones((61, 61), np.uint8)) == 0  # 1.5 mm: the mark is grown by 0.6 and drawn to 0.2
    assert not marks.hidden[beside].any()


def test_a_number_plate_cut_by_the_edge_of_the_film_is_hidden() -> None:
    clean, whole = with_stencil(plate(), 1500, 60, 0.0)
    assert marks_of(film_of(clean)).hidden[whole].mean() > 0.95


def test_a_short_weld_between_sharp_toes_is_no_plate() -> None:
    clean = np.full((ROWS, COLUMNS), 3.0)
    clean[400:560, 900:1300] = 2.4  # 20 × 8 mm; its ends fade over 4 mm, its toes over 0.7 mm
    clean = gaussian_filter(gaussian_filter(clean, (0, 40)), (14, 0))
    assert not marks_of(film_of(clean)).hidden.any()


@pytest.mark.parametrize("side", ["left", "right", "top", "bottom"])
@pytest.mark.parametrize("level", [4.2, 0.6])
def test_a_border_is_hidden_to_its_depth(side: str, level: float) -> None:
    on_film = np.zeros((ROWS, COLUMNS))
    inward = {"left": on_film.T, "right": on_film.T[::-1], "top": on_film, "bottom": on_film[::-1]}[side]
    inward[:18] = level - 2.8
    marks = marks_of(film_of(plate(), on_film))
    assert kinds(marks) == ["border"]
    hidden = {"left": marks.hidden.T, "right": marks.hidden.T[::-1], "top": marks.hidden, "bottom": marks.hidden[::-1]}[side]
    assert hidden[:18].all()
    # The step is hidden with some pixels to spare, not more than a millimetre.
    assert not hidden[18 + 20 :].any()


def test_a_slanted_border_is_hidden() -> None:
    on_film = np.zeros((ROWS, COLUMNS))
    depth = 8 + 24 * np.arange(ROWS) / ROWS
    border = np.arange(COLUMNS)[None, :] < depth[:, None]
    on_film[border] = 1.5
    marks = marks_of(film_of(plate(), on_film))
    assert kinds(marks) == ["border"]
    assert marks.hidden[border].mean() > 0.99


def with_wires(clean: np.ndarray, x: float, count: int, spacing_mm: float = 5.0, lean: float = 0.0) -> tuple[np.ndarray, list[float]]:
    """Wires of the set W10 (0.40 mm, each next thinner by the tenth root of ten), 35 mm long across the weld; chord of a round wire."""
    out, places = clean.copy(), []
    rows, columns = np.mgrid[:ROWS, :COLUMNS].astype(np.float64)
    for number in range(count):
        place = x + number * spacing_mm * PER_MM
        radius = 0.5 * 0.40 * 10 ** (-0.1 * number) * PER_MM
        off = columns - place - lean * (rows - WELD_ROW)
        chord_mm = 2 * np.sqrt(np.clip(radius**2 - off**2, 0, None)) / PER_MM
        out -= 0.6 * chord_mm * (np.abs(rows - WELD_ROW) < 350)
        places.append(place)
    return out, places


@pytest.mark.parametrize("lean", [0.0, 0.06, -0.15])
def test_wires_are_lines_not_hidden(lean: float) -> None:
    clean, places = with_wires(plate(), 800.0, 7, lean=lean)
    marks = marks_of(film_of(clean), iqi={"kind": "ISO-wire", "set": "W10"})
    wires = [mark for mark in marks.marks if mark.kind == "wire"]
    assert len(wires) >= 4
    assert wires[0].says.startswith("wire W10 ")
    assert wires[3].says.startswith("wire W13 ")
    for mark, place in zip(wires, places, strict=False):
        along, at = mark.path_px[:, 1], mark.path_px[:, 0]
        order = np.argsort(along)
        here = float(np.interp(WELD_ROW, along[order], at[order]))
        # Blocks are 0.2 mm wide.
        assert here == pytest.approx(place, abs=0.25 * PER_MM)
    assert not marks.hidden.any()
    assert marks.lines[WELD_ROW, round(places[0])]


def test_a_set_with_a_bent_third_wire_is_found() -> None:
    """Bent aside by 1 mm and back. That it may fall far below the second is shown by film 0065 among the real ones."""
    clean, places = with_wires(plate(), 800.0, 7)
    straight = plate()
    at = round(places[2])
    clean[:, at - 20 : at + 21] = straight[:, at - 20 : at + 21]
    rows, columns = np.mgrid[:ROWS, :COLUMNS].astype(np.float64)
    off = columns - at - 20 * np.sin((rows - WELD_ROW) / 110)
    chord_mm = 2 * np.sqrt(np.clip((0.126 * PER_MM) ** 2 - off**2, 0, None)) / PER_MM
    clean -= 0.6 * chord_mm * (np.abs(rows - WELD_ROW) < 350)
    marks = marks_of(film_of(clean), iqi={"kind": "ISO-wire", "set": "W10"})
    assert kinds(marks).count("wire") >= 4


@pytest.mark.parametrize("second", [1.0, 0.7])
def test_two_scratches_at_the_pitch_of_the_wires_are_no_set(second: float) -> None:
    clean = plate()
    clean[150:850, 800:806] -= 0.25
    clean[150:850, 900:906] -= 0.25 * second
    assert "wire" not in kinds(marks_of(film_of(clean)))


def test_three_random_bright_lines_are_no_wires() -> None:
    clean = plate()
    for x in (500, 573, 790):
        clean[150:850, x : x + 6] -= 0.25
    assert "wire" not in kinds(marks_of(film_of(clean)))


def flaw_film() -> tuple[Film, np.ndarray]:
    """Pores from 0.6 to 4 mm, a crack, lack of penetration as long as the film, slag, tungsten; and where they are."""
    clean, flaws = plate(), np.zeros((ROWS, COLUMNS), dtype=np.float32)
    rows, columns = np.mgrid[:ROWS, :COLUMNS].astype(np.float64)
    for x, size in ((200, 0.6), (400, 1.5), (650, 2.5), (950, 4.0)):
        radius = 0.5 * size * PER_MM
        flaws += 0.4 * np.sqrt(np.clip(1 - ((columns - x) ** 2 + (rows - 450) ** 2) / radius**2, 0, 1)) * size
    crack = np.abs(rows - 540 - 8 * np.sin(columns / 23) - 4 * np.sin(columns / 7)) < 2
    flaws += 0.8 * (crack & (columns > 1200) & (columns < 1800))
    flaws += 0.7 * ((np.abs(rows - WELD_ROW) < 10) & (columns < COLUMNS))
    slag = gaussian_filter(np.random.default_rng(8).normal(size=(ROWS, COLUMNS)), 12) > 0.0
    flaws += 0.5 * (slag & (np.abs(rows - 570) < 18) & (np.abs(columns - 1900) < 90))
    tungsten = (np.abs(columns - 1450) < 14) & (np.abs(rows - 440) < 10)
    return film_of(clean + flaws - 1.2 * tungsten), (flaws > 0.05) | tungsten


def test_no_flaw_is_taken_for_a_mark() -> None:
    film, flaws = flaw_film()
    marks = marks_of(film)
    assert kinds(marks) == []
    assert not marks.hidden[flaws].any()


@pytest.mark.parametrize("turned", [False, True])
def test_a_line_of_the_scanner_is_a_line_and_a_long_straight_flaw_is_not(turned: bool) -> None:
    rows = slice(None)
    lined = film_of(plate()).density.copy()
    place = (480, rows) if turned else (rows, 900)
    lined[place] += 0.04
    film = Film(FilmFacts(width_px=COLUMNS, height_px=ROWS, pixels_per_mm=PER_MM), lined, np.ones(lined.shape, dtype=bool))
    marks = marks_of(film)
    assert kinds(marks) == ["artefact"]
    assert marks.marks[0].says == "line of the scanner"
    assert marks.lines[place].all()
    assert not marks.hidden.any()
    # Lack of penetration one millimetre wide, exactly along a row and as long as the film, is blurred like the rest of the part.
    flaw = plate()
    flaw[480:500] += 0.2
    assert kinds(marks_of(film_of(flaw))) == []
    # So is a gap of two pixels.
    flaw = plate()
    flaw[480:482] += 1.0
    assert kinds(marks_of(film_of(flaw))) == []


def test_handwriting_is_an_artefact_and_the_same_shape_of_metal_is_not() -> None:
    ink = np.zeros((ROWS, COLUMNS), dtype=np.uint8)
    cv2.ellipse(ink, (120, 760), (50, 80), 10, 0, 330, 1, 24)
    on_film = 1.2 * ink.astype(np.float64)
    marks = marks_of(film_of(plate(), on_film))
    assert kinds(marks) == ["artefact"]
    assert "handwriting" in marks.marks[0].says
    assert marks.hidden[ink > 0].mean() > 0.95
    # A groove of that shape in the plate goes through the blur of the film.
    assert kinds(marks_of(film_of(plate() + on_film))) == []


@pytest.mark.real
@pytest.mark.slow
@pytest.mark.skipif(not REAL.is_dir(), reason="the real films lie beside the repository in shared/real; not there")
def test_marks_of_the_real_films() -> None:
    """As seen by eye: a wire set on every film; the lead plate of the wires or letters on all; ink on at least four of five."""
    job = Job.model_validate({"film": {"pixels_per_mm": 24.81}})
    wires, lead, ink = [], [], []
    for path in sorted(REAL.glob("*.png")):
        (film,) = load_films(path, job)
        found = kinds(find_marks(film, job))
        wires += [path.stem] * (found.count("wire") >= 3)
        lead += [path.stem] * ("letter" in found or "marker" in found)
        ink += [path.stem] * ("artefact" in found)
    assert len(wires) == 18
    assert len(lead) == 18
    assert {"W0003_0059", "W0003_0061", "W0003_0062", "W0003_0065"} <= set(ink)


def test_a_picture_smaller_than_the_step_of_the_search_has_marks_of_its_own_shape() -> None:
    film = Film(FilmFacts(pixels_per_mm=500.0), np.full((60, 90), 2.0, np.float32), np.ones((60, 90), bool))
    assert find_marks(film, Job()).hidden.shape == (60, 90)
