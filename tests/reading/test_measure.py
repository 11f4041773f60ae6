"""Regions with a known outline: sizes, places and uncertainties in mm by formulae, on an oblong strip that lies aslant on the film."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import Polygon

from rtscan.film import Arc, Background, Film, Region, Regions, Strip, Weld
from rtscan.findings import FilmFacts, Indication
from rtscan.job import Job
from rtscan.reading.measure import (
    BEYOND,
    BLUR_DOUBT,
    CRACK_ENDS_MM,
    HIDDEN,
    LINE_BODY,
    MOST_SOFT_MM,
    PART,
    SPRAWL,
    WIDTH_BODY,
    measure,
)
from rtscan.reading.net import KINDS

ROWS, COLUMNS, PITCH, CENTRE_ROW = 240, 900, 16.0, 110.0
TURN = np.deg2rad(25.0)
RUN, RIGHT = np.array([np.cos(TURN), np.sin(TURN)]), np.array([-np.sin(TURN), np.cos(TURN)])
CORNER = np.array([130.0, 40.0])
FIRST_STATION_MM = 300.0
FEATURES = {"blur_px": 2.0, "sigma_length_px": 0.0, "sigma_width_px": 0.0, "fitted": 0.0}


def on_film(points: np.ndarray) -> np.ndarray:
    """Film (x, y) of strip points (column, row): the strip starts at CORNER and runs 25 degrees downwards."""
    return np.asarray(CORNER + points[:, :1] * RUN + points[:, 1:] * RIGHT)


def background(pitch: float | None = PITCH, density: np.ndarray | None = None, stations: bool = True) -> Background:
    rows, columns = np.mgrid[0:ROWS, 0:COLUMNS].astype(float)
    xy = on_film(np.stack([columns.ravel(), rows.ravel()], axis=1)).reshape(ROWS, COLUMNS, 2).astype(np.float32)
    flat = np.full((ROWS, COLUMNS), 2.0, np.float32) if density is None else density.astype(np.float32)
    known = FIRST_STATION_MM + np.arange(COLUMNS) / PITCH if stations and pitch is not None else None
    strip = Strip(0, None, flat, np.ones(flat.shape, bool), np.zeros(flat.shape, bool), xy, CENTRE_ROW, np.full(COLUMNS, 50.0),
                  np.full(COLUMNS, 170.0), pitch, known)
    return Background(strip, flat, np.zeros_like(flat), np.full_like(flat, 0.01))


def weld() -> Weld:
    at = np.arange(0.0, COLUMNS, 50.0)
    lines = [on_film(np.stack([at, np.full_like(at, row)], axis=1)) for row in (CENTRE_ROW, 50.0, 170.0)]
    return Weld((Arc(None, *lines, FIRST_STATION_MM + at / PITCH),), "image")


def ellipse(column: float, row: float, long: float, short: float, degrees: float) -> np.ndarray:
    """Outline in strip pixels, diameters in mm, turned from growing column towards growing row."""
    t, turn = np.linspace(0, 2 * np.pi, 360, endpoint=False), np.deg2rad(degrees)
    u, v = long / 2 * PITCH * np.cos(t), short / 2 * PITCH * np.sin(t)
    return np.stack([column + np.cos(turn) * u - np.sin(turn) * v, row + np.sin(turn) * u + np.cos(turn) * v], axis=1)


def region(outline: np.ndarray, score: float = 20.0, contrast: float = 0.3, tone: str = "dark", **features: float) -> Region:
    return Region(0, tone, outline, score, contrast, 8.0, FEATURES | features)


def measured(*regions: Region, back: Background | None = None, scale_u: float | None = 0.0,
             job: Job | None = None) -> list[Indication]:
    seen = back or background()
    film = Film(FilmFacts(pixels_per_mm=seen.strip.pixels_per_mm, scale_uncertainty=scale_u), np.zeros((4, 6), np.float32),
                np.ones((4, 6), bool))
    return [m.indication for m in measure(Regions(tuple(regions)), (seen,), film, weld(), job or Job())]


@settings(max_examples=40, deadline=None)
@given(st.floats(0.6, 12), st.floats(0.15, 0.9), st.floats(-89, 89), st.floats(150, 700), st.floats(60, 160))
def test_sizes_and_place_are_those_of_the_outline(long: float, share: float, degrees: float, column: float, row: float) -> None:
    one, = measured(region(ellipse(column, row, long, share * long, degrees)))
    assert one.length_mm == pytest.approx(long, rel=1e-3)  # 360 corners on the ellipse
    assert one.width_mm == pytest.approx(share * long, rel=2e-3)
    assert one.local_width_mm == pytest.approx(share * long, rel=0.06)  # found on a raster 24 wide
    assert one.area_mm2 == pytest.approx(np.pi / 4 * share * long**2, rel=1e-3)
    assert one.along_mm == pytest.approx(FIRST_STATION_MM + column / PITCH, abs=1e-3 * long)
    assert one.across_mm == pytest.approx((row - CENTRE_ROW) / PITCH, abs=1e-3 * long)
    assert one.angle_deg == pytest.approx(degrees, abs=1.5)  # corners a degree apart
    assert (one.length_px, one.width_px) == (pytest.approx(long * PITCH, rel=1e-3), pytest.approx(share * long * PITCH, rel=2e-3))


def test_the_outline_lies_on_the_film_where_the_strip_was_taken() -> None:
    outline = ellipse(400.0, 140.0, 5.0, 2.0, 30.0)
    one, = measured(region(outline))
    there = on_film(outline)
    assert one.bbox_px == pytest.approx((*there.min(axis=0), *there.max(axis=0)), abs=0.06)  # told to a tenth of a pixel
    assert one.centre_px == pytest.approx(on_film(np.array([[400.0, 140.0]]))[0], abs=0.05)
    assert Polygon(one.outline_px).symmetric_difference(Polygon(there)).area < 0.005 * Polygon(there).area
    assert len(one.outline_px) <= 160


def test_an_outline_over_the_rim_of_the_strip_goes_on_straight() -> None:
    outline = ellipse(COLUMNS - 10.0, 100.0, 4.0, 2.0, 0.0)
    one, = measured(region(outline))
    assert one.length_mm == pytest.approx(4.0, rel=1e-3)
    assert one.along_mm == pytest.approx(FIRST_STATION_MM + (COLUMNS - 10.0) / PITCH, abs=0.01)
    assert one.bbox_px == pytest.approx((*on_film(outline).min(axis=0), *on_film(outline).max(axis=0)), abs=0.06)


def budget(size: float, noise_px: float, scale_u: float, blur_px: float, *shares_mm: float) -> float:
    """Twice the root of the sum of squares of the table in measure.py; JCGM 100:2008, 5.1."""
    parts = [size * scale_u / 2, np.sqrt(2) / np.sqrt(12) / PITCH, BLUR_DOUBT * blur_px / PITCH, noise_px / PITCH, *shares_mm]
    return 2 * float(np.sqrt(np.sum(np.square(parts))))


CRACK, UNDERCUT, PORE = (f"net_kind_{KINDS.index(k)}" for k in ("crack", "undercut", "pore"))


def test_the_uncertainty_of_a_line_is_the_root_of_the_sum_of_squares_of_its_parts() -> None:
    fit = {"sigma_length_px": 4.0, "sigma_width_px": 1.5, "hidden_px": 12.0, "beyond_px": 20.0, "blur_px": 2.4}
    features = fit | {"net_high": 0.9, CRACK: 0.6, UNDERCUT: 0.2}
    one, = measured(region(ellipse(300.0, 100.0, 6.0, 1.2, 10.0), **features), scale_u=0.03)
    assert one.length_u_mm == pytest.approx(budget(
        6.0, 4.0, 0.03, 2.4, HIDDEN * 12.0 / PITCH, BEYOND * 20.0 / PITCH, CRACK_ENDS_MM * 0.6, LINE_BODY.any * 6,
        LINE_BODY.crack * 0.6 * 6, LINE_BODY.soft * 0.2 * 6, LINE_BODY.unsure * 0.1 * 6), rel=1e-3)
    assert one.width_u_mm == pytest.approx(budget(
        1.2, 1.5, 0.03, 2.4, WIDTH_BODY.any * 1.2, WIDTH_BODY.soft * 0.2 * 1.2, WIDTH_BODY.unsure * 0.1 * 1.2), rel=2e-3)


def test_the_uncertainty_of_a_compact_one_grows_where_it_is_no_pore_and_where_a_pore_sprawls() -> None:
    features = {"fitted": 1.0, "sigma_length_px": 2.0, "blur_px": 2.0, PORE: 0.8}
    one, = measured(region(ellipse(300.0, 100.0, 2.0, 1.2, 10.0), **features))
    stated = budget(2.0, 2.0, 0.0, 2.0, PART * 0.2 * 2.0, SPRAWL * 0.8 * 0.8)
    assert one.length_u_mm == pytest.approx(stated, rel=5e-3)  # the greatest circle is found on a raster


def test_a_piece_in_a_long_sure_place_may_be_longer_but_not_a_pore_in_it() -> None:
    outline, in_place = ellipse(300.0, 100.0, 2.0, 1.2, 10.0), {"fitted": 1.0, "blur_px": 2.0, "beyond_px": 200.0}
    (slag,), (pore,), (alone,) = (measured(region(outline, **f)) for f in (in_place, in_place | {PORE: 0.9}, {"fitted": 1.0, PORE: 0.9}))
    assert (slag.length_u_mm or 0) >= 2 * BEYOND * 200.0 / PITCH
    assert pore.length_u_mm == pytest.approx(alone.length_u_mm)


def test_the_fading_ends_of_a_soft_flaw_are_some_millimetres_however_long_it_is() -> None:
    doubts = []
    for long in (4.0, 12.0, 18.0):
        outline = ellipse(300.0, 100.0, long, 3.0, 0.0)
        (soft,), (plain,) = (measured(region(outline, **f)) for f in ({UNDERCUT: 1.0}, {}))
        doubts.append(np.sqrt((soft.length_u_mm or 0) ** 2 - (plain.length_u_mm or 0) ** 2) / 2)
    assert doubts == pytest.approx([LINE_BODY.soft * 4.0, LINE_BODY.soft * 12.0, MOST_SOFT_MM], rel=1e-2)


@pytest.mark.parametrize("doubt", [{"sigma_length_px": 9.0}, {"sigma_width_px": 9.0}, {"hidden_px": 30.0}, {"blur_px": 6.0}])
def test_more_doubt_never_gives_a_smaller_uncertainty(doubt: dict[str, float]) -> None:
    outline = ellipse(300.0, 100.0, 6.0, 1.2, 10.0)
    (less,), (more,) = measured(region(outline)), measured(region(outline, **doubt))
    assert (more.length_u_mm or 0) >= (less.length_u_mm or 0)
    assert (more.width_u_mm or 0) >= (less.width_u_mm or 0)
    assert (more.length_u_mm, more.width_u_mm) != (less.length_u_mm, less.width_u_mm)


def test_without_a_scale_sizes_are_pixels_and_nothing_is_in_millimetres() -> None:
    one, = measured(region(ellipse(300.0, 100.0, 6.0, 1.2, 10.0)), back=background(None), scale_u=None)
    assert one.length_px == pytest.approx(6.0 * PITCH, rel=1e-3)
    assert one.width_px == pytest.approx(1.2 * PITCH, rel=2e-3)
    for name in ("length_mm", "width_mm", "local_width_mm", "area_mm2", "length_u_mm", "width_u_mm", "along_mm", "across_mm", "height_mm",
                 "clock", "nearest"):
        assert getattr(one, name) is None, name


def test_without_stations_sizes_are_known_and_the_place_is_not() -> None:
    one, = measured(region(ellipse(300.0, 100.0, 6.0, 1.2, 10.0)), back=background(stations=False))
    assert one.length_mm == pytest.approx(6.0, rel=1e-3)
    assert (one.along_mm, one.clock) == (None, None)


def test_numbers_run_along_the_weld_and_name_the_nearest_with_the_metal_between() -> None:
    outlines = [ellipse(600.0, 100.0, 5.0, 2.0, 20.0), ellipse(200.0, 130.0, 1.0, 0.8, 0.0), ellipse(500.0, 60.0, 2.0, 1.0, -50.0),
                ellipse(505.0, 150.0, 2.0, 1.0, 50.0)]
    told = measured(*(region(o) for o in outlines))
    assert [i.id for i in told] == [1, 2, 3, 4]
    assert [(i.along_mm or 0) - FIRST_STATION_MM for i in told] == pytest.approx([c / PITCH for c in (200, 500, 505, 600)], abs=0.01)
    assert (told[1].across_mm or 0) < (told[2].across_mm or 0)
    shapes = [Polygon(outlines[k] / PITCH) for k in (1, 2, 3, 0)]
    for k, one in enumerate(told):
        gaps = {m + 1: shapes[k].distance(other) for m, other in enumerate(shapes) if m != k}
        assert one.nearest is not None
        assert one.nearest.gap_mm == pytest.approx(min(gaps.values()), abs=1e-6)
        assert gaps[one.nearest.id] == pytest.approx(min(gaps.values()), abs=1e-6)


def test_side_and_clock_come_from_the_job_sheet() -> None:
    job = Job.model_validate({"weld": {"od_mm": 200.0, "wall_mm": 8.0}, "location": {"datum_clock": "12:00", "downstream_is": "up"}})
    above, below = measured(region(ellipse(300.0, 80.0, 1.0, 0.8, 0.0)), region(ellipse(350.0, 140.0, 1.0, 0.8, 0.0)), job=job)
    assert (above.side, below.side) == ("downstream", "upstream")
    minutes = round((FIRST_STATION_MM + 300.0 / PITCH) / (np.pi * 200.0) * 720)
    assert above.clock == f"{minutes // 60}:{minutes % 60:02d}"


@pytest.mark.parametrize(("inside", "darker"), [(2.6, True), (2.2, False)])
def test_darker_than_the_parent_metal_beside_it(inside: float, darker: bool) -> None:
    density = np.full((ROWS, COLUMNS), 2.4)
    density[50:170] = 1.8  # the weld is thicker than the parent metal
    density[95:115, 280:320] = inside
    outline = np.array([[280.0, 95.0], [319.0, 95.0], [319.0, 114.0], [280.0, 114.0]])
    assert measured(region(outline), back=background(density=density))[0].darker_than_parent is darker
    assert measured(region(outline, tone="bright"), back=background(density=density))[0].darker_than_parent is None


def test_features_stay_with_their_indication() -> None:
    back = background()
    film = Film(FilmFacts(pixels_per_mm=PITCH), np.zeros((4, 6), np.float32), np.ones((4, 6), bool))
    regions = tuple(region(ellipse(c, 100.0, 1.0, 0.8, 0.0), mark=c) for c in (600.0, 200.0, 400.0))
    told: Any = measure(Regions(regions), (back,), film, weld(), Job())
    assert [m.features["mark"] for m in told] == [200.0, 400.0, 600.0]


def test_nothing_found_is_a_normal_answer() -> None:
    assert measured() == []
    assert measured(region(ellipse(300.0, 100.0, 1.0, 0.8, 0.0)))[0].nearest is None


def test_a_weld_that_grows_against_the_strip_is_measured_alike() -> None:
    back = background()
    turned = replace(back, strip=replace(back.strip, station_mm=np.asarray(back.strip.station_mm)[::-1].copy()))
    one, = measured(region(ellipse(300.0, 100.0, 4.0, 1.0, 0.0)), back=turned)
    assert one.length_mm == pytest.approx(4.0, rel=1e-3)
    assert one.along_mm == pytest.approx(FIRST_STATION_MM + (COLUMNS - 1 - 300.0) / PITCH, abs=0.01)
