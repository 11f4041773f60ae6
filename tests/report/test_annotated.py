"""The annotated image: what is drawn where, and that it can be read."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from rtscan import findings as say
from rtscan.film import Film
from rtscan.report.annotate import draw_annotated, draw_figure
from rtscan.report.crops import crop
from rtscan.report.display import film_picture, stretched
from rtscan.report.ink import GROUP, SCHEME, draw_text, paper, png_bytes, text_size, wrapped
from rtscan.report.labels import LabelSpace
from rtscan.report.ruler import length_label, nice_step, ticks
from rtscan.report.weld_frame import frames, place_px

MakeSheet = Callable[..., say.Worksheet]
MakeFilm = Callable[[say.Worksheet], Film]


def film_of(density: np.ndarray, per_mm: float | None = 10.0) -> Film:
    rows, columns = density.shape
    facts = say.FilmFacts("a.tif", width_px=columns, height_px=rows, pixels_per_mm=per_mm)
    return Film(facts, density.astype(np.float32), np.ones(density.shape, bool))


# --- colours --------------------------------------------------------------------------------------------------------------

# Projection of linear RGB to what a protanope and a deuteranope see: Viénot, Brettel and Mollon, Color Research and Application 24 (1999)
# 243, as the product of their LMS matrices (from memory; rows sum to one, so that greys stay grey, which is checked below).
PROTAN = np.array([[0.11238, 0.88762, 0.0], [0.11238, 0.88762, 0.0], [0.00401, -0.00401, 1.0]])
DEUTAN = np.array([[0.29275, 0.70725, 0.0], [0.29275, 0.70725, 0.0], [-0.02234, 0.02234, 1.0]])


def seen(colour: tuple[int, int, int], blindness: np.ndarray) -> np.ndarray:
    """8-bit colour as a colour-blind reader sees it, in the eye-even steps of sRGB."""
    linear = (np.array(colour) / 255) ** 2.2
    return np.asarray(np.clip(blindness @ linear, 0, 1) ** (1 / 2.2) * 255)


@pytest.mark.parametrize("blindness", [np.eye(3), PROTAN, DEUTAN])
def test_results_can_be_told_apart_by_everybody(blindness: np.ndarray) -> None:
    """45 of 255 apart is far above the 10 or so that a screen shows safely; style and letter carry the meaning anyway."""
    assert blindness.sum(axis=1) == pytest.approx([1, 1, 1], abs=1e-6)
    colours = [seen(scheme.colour, blindness) for scheme in (*SCHEME.values(), GROUP)]
    assert min(np.linalg.norm(a - b) for k, a in enumerate(colours) for b in colours[:k]) > 45


def test_style_and_letter_alone_tell_the_results_apart() -> None:
    schemes = list(SCHEME.values())
    assert len({(s.dashes, s.width) for s in schemes}) == len({s.letter for s in schemes}) == len(schemes)


def test_png_keeps_greys_and_colours(make_sheet: MakeSheet, make_film: MakeFilm) -> None:
    """136 greys: at most one step of 255/135 off, rounded; colours to the nearest of twelve steps to black or white."""
    sheet = make_sheet(5)
    canvas = draw_annotated(make_film(sheet), sheet)
    read = np.asarray(Image.open(io.BytesIO(png_bytes(canvas))).convert("RGB")).astype(int)
    grey = np.ptp(canvas, axis=2) == 0
    off = np.abs(read - canvas.astype(int)).max(axis=2)
    assert off[grey].max() <= 1
    assert np.percentile(off[~grey], 95) < 40


# --- the film as a picture --------------------------------------------------------------------------------------------------


def test_denser_metal_is_brighter_and_places_map() -> None:
    density = np.full((120, 400), 3.0)
    density[:, 200:] = 1.5  # less density on the film: more metal
    picture = film_picture(film_of(density), 200, 200, 100)
    assert picture.scale == 0.5
    assert picture.grey[:, 140:].mean() > picture.grey[:, :60].mean() + 80
    # the centre of film pixel 0 lies a quarter pixel left of the centre of picture pixel 0, which covers pixels 0 and 1
    assert picture.place(np.array([[0.0, 0.0], [1.0, 3.0]])) == pytest.approx(np.array([[-0.25, -0.25], [0.25, 1.25]]))


def test_faint_flaw_stays_visible_beside_a_thick_weld() -> None:
    """A pore of 0.05 D on a weld 1.5 D brighter than the plate: at least 10 grey steps, where a plain stretch over 1.5 D gives 7.

    Both over the 215 steps that are left when the ends are kept from black and white.
    """
    y, x = np.mgrid[:400, :1600]
    density = 3.0 - 1.5 * np.exp(-(((y - 200) / 80.0) ** 4)) + 0.05 * (np.hypot(x - 800, y - 200) < 15)
    grey = film_picture(film_of(density), 1600, 400, 100).grey.astype(float)
    assert grey[200, 850] - grey[200, 800] >= 10


@pytest.mark.parametrize("shape", [(1, 1), (1, 50), (50, 1), (3, 2000)])
def test_odd_films_are_drawn(shape: tuple[int, int]) -> None:
    film = film_of(np.full(shape, 2.0), None)
    canvas = draw_annotated(film, say.Worksheet(film=film.facts))
    assert canvas.dtype == np.uint8
    assert canvas.shape[2] == 3


def test_gaps_in_the_density_do_no_harm() -> None:
    density = np.full((60, 200), 2.0)
    density[10:20, 10:20] = np.nan
    density[30, 30] = np.inf
    assert film_picture(film_of(density), 100, 100, 50).grey.shape == (30, 100)
    assert crop(film_of(density), (5.0, 5.0, 25.0, 25.0), 90, 60).grey.shape == (60, 90)


# --- ruler and weld frame ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("least", "units", "step"), [
    (0.7, "mm", 1.0), (1.0, "mm", 1.0), (1.1, "mm", 2.0), (21, "mm", 50.0), (5.1, "mm", 10.0),
    (1.5, "in", 25.4 / 16), (13, "in", 25.4), (26, "in", 50.8), (60, "in", 127.0),
])
def test_nice_step(least: float, units: str, step: float) -> None:
    assert nice_step(least, units) == pytest.approx(step)


def test_length_labels() -> None:
    assert [length_label(v, "mm") for v in (0.0, 20.0, 2.5)] == ["0", "20", "2.5"]
    assert [length_label(v * 25.4, "in") for v in (1, 0.0625, 2.5)] == ["1", "0.0625", "2.5"]


def test_ticks_start_again_at_the_datum() -> None:
    major = [(round(at, 3), label) for at, label, is_major in ticks(478.0, 521.0, 10.0, "mm", 500.9) if is_major]
    assert major == [(480.0, "480"), (490.0, "490"), (500.0, ""), (500.9, "0"), (510.9, "10"), (520.9, "20")]
    assert [label for _, label, is_major in ticks(-3.0, 11.0, 5.0, "mm", None) if is_major] == ["0", "5", "10"]
    assert len(ticks(0.0, 25.4, 25.4, "in", None)) == 5  # quarters of an inch
    assert [round(at, 2) for at, _, _ in ticks(0.0, 2.0, 2.0, "mm", None)] == [0.0, 0.5, 1.0, 1.5, 2.0]


def arc_of(points: np.ndarray, first: float | None, last: float | None, stations: tuple[float, ...] = ()) -> say.WeldFacts:
    path = tuple((float(x), float(y)) for x, y in points)
    return say.WeldFacts("W", 500.0, arcs=(say.WeldArc(None, path, path, path, first, last, stations),), joint="girth")


def test_stations_follow_a_bent_weld() -> None:
    """A quarter circle of 1000 px radius at 10 px/mm (100 mm): 50 mm from its start lies at the angle 50 / 100.

    It runs to the right and up the picture with its centre below and left, so its right-hand side is the outside of the bend.
    """
    turn = np.linspace(0, np.pi / 2, 400)
    weld = arc_of(np.column_stack([1000 * np.sin(turn), 1000 * np.cos(turn)]), 100.0, 100.0 + 50 * np.pi)
    (frame,) = frames(weld, 10.0)
    at = frame.at(np.array([150.0]), 30.0)[0]
    assert at == pytest.approx([1030 * np.sin(0.5), 1030 * np.cos(0.5)], abs=0.5)  # half a pixel: chords of 400 points


def test_stations_past_the_datum() -> None:
    """From 480 past the datum (500) to 20: 490 lies a quarter of the way, 10 three quarters."""
    weld = arc_of(np.array([[0.0, 50.0], [400.0, 50.0]]), 480.0, 20.0)
    arcs = frames(weld, 10.0)
    for station, x in ((490.0, 100.0), (10.0, 300.0)):
        place = place_px(say.Indication(1, along_mm=station, across_mm=2.0), arcs, 500.0, 10.0)
        assert place == pytest.approx([x, 70.0])
    assert place_px(say.Indication(1, along_mm=250.0), arcs, 500.0, 10.0) is None


def test_given_stations_count_where_they_are_uneven() -> None:
    weld = arc_of(np.array([[0.0, 0.0], [100.0, 0.0], [200.0, 0.0]]), 0.0, 20.0, (0.0, 15.0, 20.0))
    assert frames(weld, 10.0)[0].at(np.array([15.0]))[0] == pytest.approx([100.0, 0.0])


def test_points_beyond_the_diagnostic_length_are_told_apart() -> None:
    points = np.column_stack([np.arange(0.0, 500.0, 100.0), np.zeros(5)])
    weld = arc_of(points, 15.0, 35.0, (0.0, 10.0, 20.0, 30.0, 40.0))
    assert frames(weld, 10.0)[0].judged.tolist() == [False, False, True, True, False]
    assert frames(arc_of(points, 480.0, 20.0, (480.0, 490.0, 0.0, 10.0, 20.0)), 10.0)[0].judged.all()  # past the datum
    assert frames(arc_of(points, 0.0, 40.0), 10.0)[0].judged.all()


@pytest.mark.parametrize("points", [[], [[1.0, 1.0]], [[1.0, 1.0], [1.0, 1.0]]])
def test_a_weld_that_is_no_line_has_no_frame(points: list[list[float]]) -> None:
    assert frames(arc_of(np.array(points).reshape(-1, 2), None, None), 10.0) == ()


# --- labels -----------------------------------------------------------------------------------------------------------------

BOXES = st.tuples(st.integers(0, 700), st.integers(0, 300), st.integers(4, 150), st.integers(4, 60)).map(
    lambda b: (float(b[0]), float(b[1]), float(b[0] + b[2]), float(b[1] + b[3])))


@settings(max_examples=40, deadline=None)
@given(st.lists(BOXES, min_size=1, max_size=25))
def test_labels_keep_clear_of_marks_and_of_each_other(boxes: list[say.Box]) -> None:
    space = LabelSpace(400, 900)
    for box in boxes:
        space.take_box(box)
    taken = list(boxes)
    for box in boxes:
        spot = space.place(box, 40, 20)
        if spot is None:
            continue
        label = (*spot, spot[0] + 40, spot[1] + 20)
        assert min(label) >= 0
        assert label[2] <= 904  # the last cell may stand over the edge
        assert label[3] <= 404
        for other in taken:
            assert label[2] <= other[0] or other[2] <= label[0] or label[3] <= other[1] or other[3] <= label[1]
        taken.append(label)


def test_words_wrap_and_are_cut() -> None:
    lines = wrapped("one two three four five six seven eight " * 3, 20, 200, 2)
    assert len(lines) == 2
    assert all(text_size(line, 20)[0] <= 200 for line in lines)
    assert lines[1].endswith("…")
    assert text_size(wrapped("w" * 500, 20, 200, 1)[0], 20)[0] <= 200


def test_text_off_the_canvas_is_cut_not_an_error() -> None:
    canvas = paper(20, 30)
    for at in ((-5, -5), (25, 10), (100, 100), (-500, 3)):
        draw_text(canvas, "text\n\x00\x1b", at, 14)
    assert canvas.shape == (20, 30, 3)


# --- crops ------------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("centre", [(300, 100), (5, 5), (795, 195)])
def test_crop_shows_the_place_at_the_stated_scale(centre: tuple[int, int]) -> None:
    """A dark disc of 2 mm: found in the crop where left, top and scale say, its area π·(10 px)² to 3 % (edge pixels)."""
    y, x = np.mgrid[:200, :800]
    cx, cy = centre
    film = film_of(1.0 + 1.0 * (np.hypot(x - cx, y - cy) <= 10))
    piece = crop(film, (cx - 10.0, cy - 10.0, cx + 10.0, cy + 10.0), 300, 200)
    dark = np.argwhere(piece.grey < 128)
    expected = ((np.array([cx, cy]) - [piece.left_px, piece.top_px]) * piece.scale - 0.5) if centre == (300, 100) else None
    if expected is not None:
        assert dark.mean(axis=0)[::-1] == pytest.approx(expected, abs=0.7)
        assert len(dark) == pytest.approx(np.pi * 10**2 * piece.scale**2, rel=0.03)
    assert len(dark) > 0
    assert piece.tick_px == pytest.approx(float(piece.tick_says.split()[0]) * 10 * piece.scale)


def test_stretched_is_dense_bright() -> None:
    ramp = np.linspace(1.0, 3.0, 100, dtype=np.float32)[None].repeat(5, axis=0)
    grey = stretched(ramp).astype(int)
    assert np.all(np.diff(grey[0]) <= 0)
    assert grey[0, 0] - grey[0, -1] > 200


# --- the whole --------------------------------------------------------------------------------------------------------------


def test_the_lines_stand_round_the_indication_and_leave_it_free(make_sheet: MakeSheet, make_film: MakeFilm) -> None:
    sheet = make_sheet(1, 400, 1400)
    only = replace(sheet.indications[0], result="reject")
    sheet = replace(sheet, indications=(only,), objects=(), groups=())
    film = make_film(sheet)
    picture = film_picture(film, 2600, 2600, 1500)
    figure = draw_annotated(film, sheet).astype(int)
    colour = np.abs(figure - SCHEME["reject"].colour).sum(axis=2) < 40
    film_left = np.argwhere((figure == 0).all(axis=2))
    assert colour.sum() > 200
    assert film_left.size
    assert picture.scale == pytest.approx(1500 / 1400)
    inside = draw_figure(film, replace(sheet, indications=(), findings=()))
    assert inside.shape[1] == draw_figure(film, sheet).shape[1]


def test_same_input_same_picture(make_sheet: MakeSheet, make_film: MakeFilm) -> None:
    sheet = make_sheet(9)
    film = make_film(sheet)
    assert np.array_equal(draw_annotated(film, sheet), draw_annotated(film, sheet))


@pytest.mark.parametrize("units", ["mm", "in"])
@pytest.mark.parametrize(("count", "rows", "columns", "per_mm"), [(0, 300, 900, 5.0), (40, 400, 1500, 10.0), (12, 1400, 420, 10.0)])
def test_any_shape_and_number(
    make_sheet: MakeSheet, make_film: MakeFilm, count: int, rows: int, columns: int, per_mm: float, units: str
) -> None:
    sheet = make_sheet(count, rows, columns, per_mm)
    canvas = draw_annotated(make_film(sheet), sheet, units)
    assert canvas.shape[1] <= 4400
    assert canvas.shape[0] <= 4400


def test_strange_worksheets_are_drawn(make_sheet: MakeSheet, make_film: MakeFilm) -> None:
    """No scale, no weld, outlines off the film or of one point, names with line breaks, a verdict of 3000 letters."""
    sheet = make_sheet(5)
    film = make_film(sheet)
    odd = (
        replace(sheet.indications[0], outline_px=((1.0, 1.0),), bbox_px=(1.0, 1.0, 1.0, 1.0)),
        replace(sheet.indications[1], outline_px=((-900.0, -50.0), (9000.0, -50.0), (9000.0, 9000.0))),
        replace(sheet.indications[2], outline_px=(), bbox_px=None, along_mm=90.0),
        replace(sheet.indications[3], outline_px=(), bbox_px=None, along_mm=None, type="a\n\x00b" * 99),
        replace(sheet.indications[4], length_mm=None, width_mm=None, length_px=30.0, along_mm=None),
    )
    draw_annotated(film, replace(sheet, indications=odd, verdict_says="x" * 3000, verdict="unreadable"))
    bare = replace(sheet, indications=odd, weld=say.WeldFacts(), film=replace(sheet.film, pixels_per_mm=None, file="\u202e\n'<>"))
    draw_annotated(replace(film, facts=bare.film), bare)
