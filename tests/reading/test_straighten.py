"""The strip is the film seen along the weld: exact maps both ways, densities against scipy's spline interpolation."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter, map_coordinates

from rtscan.film import Arc, Film, Marks, Weld
from rtscan.findings import FilmFacts
from rtscan.reading.straighten import straighten, to_film, to_strip

ROWS, COLUMNS, PER_MM = 340, 620, 12.0


def film_of(density: np.ndarray) -> Film:
    facts = FilmFacts(width_px=density.shape[1], height_px=density.shape[0], pixels_per_mm=PER_MM)
    return Film(facts, density.astype(np.float32), np.ones(density.shape, dtype=bool))


def curved_arc(bow_px: float, lean: float, reverse: bool = False) -> Arc:
    """A weld 60 pixels wide, bowed and leaning, points every 5 pixels."""
    x = np.linspace(20.0, COLUMNS - 20.0, 117)
    y = 170.0 + lean * (x - 310.0) + bow_px * (1 - ((x - 310.0) / 290.0) ** 2)
    centre = np.stack([x, y], axis=1)
    run = np.gradient(centre, axis=0)
    run /= np.hypot(*run.T)[:, None]
    right = 30.0 * np.stack([-run[:, 1], run[:, 0]], axis=1)
    left, rightmost = centre - right, centre + right
    if reverse:
        return Arc(None, centre[::-1].copy(), rightmost[::-1].copy(), left[::-1].copy())
    return Arc(None, centre, left, rightmost)


def no_marks(film: Film) -> Marks:
    nothing = np.zeros(film.density.shape, dtype=bool)
    return Marks((), nothing, nothing.copy())


def smooth_picture() -> np.ndarray:
    return gaussian_filter(np.random.default_rng(5).normal(size=(ROWS, COLUMNS)), 2.5)


@given(bow=st.floats(-25, 25), lean=st.floats(-0.2, 0.2), reverse=st.booleans())
@settings(max_examples=15, deadline=None)
def test_film_to_strip_undoes_strip_to_film(bow: float, lean: float, reverse: bool) -> None:
    film = film_of(np.zeros((ROWS, COLUMNS)))
    (strip,) = straighten(film, Weld((curved_arc(bow, lean, reverse),), "image"), no_marks(film))
    rng = np.random.default_rng(1)
    points = rng.uniform((0, 0), (strip.density.shape[1] - 1, strip.density.shape[0] - 1), size=(60, 2))
    # Newton's method on a map that is linear between columns: only rounding is left.
    np.testing.assert_allclose(to_strip(strip, to_film(strip, points)), points, atol=1e-6)


@given(bow=st.floats(-25, 25), lean=st.floats(-0.2, 0.2))
@settings(max_examples=10, deadline=None)
def test_a_strip_tells_where_its_points_lie_on_the_film(bow: float, lean: float) -> None:
    """Against the exact map, which is linear across and along, over the rim too: the strip holds places as float32 (6e-5 near 600), and
    beyond the last row the slope of the last pixel is carried on for 3 pixels."""
    film = film_of(np.zeros((ROWS, COLUMNS)))
    (strip,) = straighten(film, Weld((curved_arc(bow, lean),), "image"), no_marks(film))
    high, wide = strip.density.shape
    points = np.random.default_rng(2).uniform((0, -3), (wide - 1, high + 2), size=(200, 2))
    np.testing.assert_allclose(strip.on_film(points), to_film(strip, points), atol=1e-3)
    whole = np.array([[0.0, 0.0], [wide - 1.0, high - 1.0], [17.0, 5.0]])
    np.testing.assert_array_equal(strip.on_film(whole), strip.film_xy[whole[:, 1].astype(int), whole[:, 0].astype(int)])


def test_every_strip_pixel_holds_the_film_density_at_its_place() -> None:
    picture = smooth_picture()
    film = film_of(picture)
    (strip,) = straighten(film, Weld((curved_arc(18.0, 0.1),), "image"), no_marks(film))
    inside = strip.usable
    expected = map_coordinates(picture, [strip.film_xy[..., 1], strip.film_xy[..., 0]], order=5, mode="nearest")
    # Remapping rounds places to 1/32 pixel; the steepest slope of this picture is 0.09 per pixel, so 0.003 is the rounding.
    worst = np.abs(strip.density - expected)[inside].max()
    assert worst < 0.006 * np.abs(picture).max() / 0.2
    assert np.corrcoef(strip.density[inside], expected[inside])[0, 1] > 0.9999


def test_strip_rows_and_columns_are_film_pixels_apart() -> None:
    film = film_of(np.zeros((ROWS, COLUMNS)))
    (strip,) = straighten(film, Weld((curved_arc(0.0, 0.15),), "image"), no_marks(film))
    xy = strip.film_xy.astype(np.float64)
    # float32 places near 600 are exact to 6e-5 pixels.
    np.testing.assert_allclose(np.hypot(*np.moveaxis(np.diff(xy, axis=0), -1, 0)), 1.0, atol=2e-4)
    np.testing.assert_allclose(np.hypot(*np.moveaxis(np.diff(xy, axis=1), -1, 0)), 1.0, atol=2e-3)


def test_growing_row_is_to_the_right_of_the_growing_station() -> None:
    film = film_of(np.zeros((ROWS, COLUMNS)))
    for reverse in (False, True):
        (strip,) = straighten(film, Weld((curved_arc(0.0, 0.0, reverse),), "image"), no_marks(film))
        along = strip.film_xy[0, -1] - strip.film_xy[0, 0]
        across = strip.film_xy[-1, 0] - strip.film_xy[0, 0]
        # x right, y down: right of a run (1, 0) is (0, 1).
        assert along[0] * across[1] - along[1] * across[0] > 0
        assert strip.right_row.mean() > strip.centre_row > strip.left_row.mean()


def test_edges_keep_their_distance_from_the_centreline() -> None:
    film = film_of(np.zeros((ROWS, COLUMNS)))
    (strip,) = straighten(film, Weld((curved_arc(20.0, 0.0),), "image"), no_marks(film))
    # The edges were drawn 30 pixels off on the same normals; smoothing the corners of the polyline moves them by far less than this.
    np.testing.assert_allclose(strip.centre_row - strip.left_row, 30.0, atol=0.15)
    np.testing.assert_allclose(strip.right_row - strip.centre_row, 30.0, atol=0.15)


def test_hidden_saturated_and_off_film_places_are_not_usable() -> None:
    film = film_of(np.zeros((ROWS, COLUMNS)))
    film.valid[:, 300:310] = False
    marks = no_marks(film)
    marks.hidden[:, 400:410] = True
    marks.lines[:, 200:203] = True
    (strip,) = straighten(film, Weld((curved_arc(0.0, 0.0),), "image"), marks)
    x, y = strip.film_xy[..., 0], strip.film_xy[..., 1]
    assert not strip.usable[(x > 300) & (x < 309)].any()
    assert not strip.usable[(x > 400) & (x < 409)].any()
    assert not strip.usable[(y < -1) | (y > ROWS)].any()
    assert strip.lines[(x > 200.6) & (x < 201.4)].all()
    assert not strip.lines[(x < 198) | (x > 205)].any()


@pytest.mark.parametrize("station", [None, 40.0])
def test_stations_run_with_the_columns(station: float | None) -> None:
    arc = curved_arc(0.0, 0.0)
    if station is not None:
        arc = Arc(None, arc.centreline_px, arc.left_edge_px, arc.right_edge_px, np.linspace(station, station + 580.0 / PER_MM, 117))
    film = film_of(np.zeros((ROWS, COLUMNS)))
    (strip,) = straighten(film, Weld((arc,), "image"), no_marks(film))
    if station is None:
        assert strip.station_mm is None
    else:
        assert strip.station_mm is not None
        np.testing.assert_allclose(strip.station_mm, 40.0 + np.arange(len(strip.station_mm)) / PER_MM, atol=0.02)
