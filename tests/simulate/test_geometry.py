"""The closed form of double-image geometry against the ray tracer, and the tracer against first principles."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rtscan.job import LocationSection
from rtscan.knowledge.ellipse import COVERED_SINE, DoubleImage, covered, station_mm
from rtscan.simulate.geometry import Geometry, growth, trace
from rtscan.simulate.recipe import ExposurePart, FilmPart, PlacePart, Recipe, WeldPart


def ellipse(od: float = 60.3, wall: float = 3.91, distance: float = 650.0, gap: float = 3.0, offset: float = 120.0) -> Recipe:
    return Recipe(
        film=FilmPart(width_mm=120, height_mm=100),
        weld=WeldPart(od_mm=od, wall_mm=wall),
        place=PlacePart(station_at_middle_mm=0.0),
        exposure=ExposurePart(
            technique="DWDI-ellipse", source="Se-75", source_to_film_mm=distance, object_to_film_mm=gap, offset_mm=offset
        ),
    )


@settings(max_examples=60, deadline=None)
@given(od=st.floats(20, 120), distance=st.floats(300, 900), gap=st.floats(0, 10), offset=st.floats(0, 250), sine=st.floats(-0.9, 0.9))
def test_closed_form_against_straight_lines(od: float, distance: float, gap: float, offset: float, sine: float) -> None:
    """A line from the source through the point on the circle meets the film where the closed form says; exact."""
    image = DoubleImage(od, distance, gap, offset)
    theta = float(np.arcsin(sine))
    for wall in ("film", "source"):
        x = 0.5 * od * np.sin(theta)
        height = gap + 0.5 * od * (1 - np.cos(theta) if wall == "film" else 1 + np.cos(theta))
        share = distance / (distance - height)
        assert float(image.x_mm(theta, wall)) == pytest.approx(x * share, abs=1e-9)
        assert float(image.y_mm(theta, wall, 2.0)) == pytest.approx((offset + 2.0) * share, rel=1e-12)


@settings(max_examples=60, deadline=None)
@given(od=st.floats(20, 120), distance=st.floats(300, 900), gap=st.floats(0, 10), sine=st.floats(-0.9, 0.9))
def test_theta_is_the_inverse(od: float, distance: float, gap: float, sine: float) -> None:
    """x to theta and back. Up to |sin| 0.9 both walls are met by one ray each on this side of the limb for these distances."""
    image, theta = DoubleImage(od, distance, gap), float(np.arcsin(sine))
    for wall in ("film", "source"):
        assert float(image.theta(float(image.x_mm(theta, wall)), wall)) == pytest.approx(theta, abs=1e-7)


def test_beyond_the_limb_is_nan_and_not_covered() -> None:
    image = DoubleImage(60.3, 650.0)
    theta = image.theta(np.asarray([0.0, 40.0]), "film")
    assert np.isnan(theta[1])
    assert covered(theta).tolist() == [True, False]
    assert covered(np.asarray([np.arcsin(COVERED_SINE) + 1e-6])).tolist() == [False]


def test_contract_formula() -> None:
    """x = M (OD/2) sin(theta), M = F / (F - g - (OD/2)(1 - cos theta)) and (1 + cos theta): the contract's own words, one value each."""
    image = DoubleImage(60.3, 700.0, 2.0)
    theta = np.deg2rad(40.0)
    film = 700 / (700 - 2 - 30.15 * (1 - np.cos(theta))) * 30.15 * np.sin(theta)
    source = 700 / (700 - 2 - 30.15 * (1 + np.cos(theta))) * 30.15 * np.sin(theta)
    assert float(image.x_mm(theta, "film")) == pytest.approx(film)
    assert float(image.x_mm(theta, "source")) == pytest.approx(source)


@pytest.mark.parametrize("wall", ["film", "source"])
def test_ray_tracer_agrees_with_the_closed_form(wall: str) -> None:
    """Stations of the traced outside surfaces equal the closed form at every film coordinate of the covered part; 1 um."""
    recipe = ellipse()
    geometry = trace(recipe)
    image = DoubleImage(60.3, 650.0, 3.0, 120.0)
    side = "film" if wall == "film" else "source"
    surface = next(s for s in geometry.surfaces if s.wall == wall and s.side == "external")
    theta = image.theta(geometry.c, side)
    ok = covered(theta)
    expected = station_mm(theta[ok], side, 60.3, 0.0, geometry.frame("source").sense)
    got = np.mod(surface.station[ok], np.pi * 60.3)
    assert np.abs((got - expected + 50) % (np.pi * 60.3) - 50).max() < 1e-3
    rays = 120.0 * (1 - surface.tau[ok]) / surface.tau[ok]  # where the weld plane z = 0 is seen: offset (1 - 1/tau)
    centre = image.y_mm(theta[ok], side) - 120.0 / (1 / 1.0)
    assert rays == pytest.approx(np.abs(centre), abs=1e-3)


def test_walls_run_in_opposite_senses_half_a_circumference_apart() -> None:
    geometry = trace(ellipse())
    film, source = geometry.frame("film"), geometry.frame("source")
    assert film.sense == -source.sense
    assert abs(film.middle - source.middle) == pytest.approx(np.pi * 60.3 / 2)


def test_opening_of_the_published_problem() -> None:
    """[66] OD 51, gap 3, b 10, opening 5, L1 675 -> offset 187.5: the near edges of the two images then lie about 5 mm apart.

    The formula is S = L1 (b + opening) / L2, L2 = OD + gap = 54, similar triangles with the source-side weld at L1; 3 % as it takes the two
    walls as points at OD distance.
    """
    image = DoubleImage(51.0, 675.0 + 54.0, 3.0, 187.5)
    shift = image.opening_mm()
    assert shift - 10 == pytest.approx(5.0, abs=0.8)


TECHNIQUES = [
    (WeldPart(wall_mm=12), ExposurePart(technique="SWSI", source_to_film_mm=600)),
    (WeldPart(od_mm=168.3, wall_mm=7.11), ExposurePart(technique="DWSI", source_to_film_mm=300, offset_mm=60)),
    (WeldPart(od_mm=323.9, wall_mm=9.53), ExposurePart(technique="panoramic")),
    (WeldPart(od_mm=323.9, wall_mm=9.53), ExposurePart(technique="SWSI", source_to_film_mm=600)),
    (WeldPart(od_mm=60.3, wall_mm=5.54), ExposurePart(technique="DWDI-superimposed", source_to_film_mm=700)),
]


@pytest.mark.parametrize(("weld", "exposure"), TECHNIQUES)
def test_projection_and_tables_agree(weld: WeldPart, exposure: ExposurePart) -> None:
    """A point of either surface projects to a film coordinate whose traced ray meets the surface at that very station; 1 um."""
    geometry = trace(Recipe(weld=weld, exposure=exposure))
    for surface in geometry.surfaces:
        if exposure.technique == "DWSI" and surface.wall == "source":
            continue
        middle = geometry.frame(surface.wall).middle
        stations = middle + np.linspace(-18, 18, 9)
        c, z = geometry.project(stations, 3.0, 0.0 if surface.side == "external" else weld.wall_mm, surface.wall)
        ok = np.isfinite(surface.station)
        assert np.interp(c, geometry.c[ok], surface.station[ok]) == pytest.approx(stations, abs=1e-3)
        tau = np.interp(c, geometry.c[ok], surface.tau[ok])
        across = (exposure.offset_mm + tau * (z - exposure.offset_mm)) * geometry.frame(surface.wall).sense
        assert across == pytest.approx(3.0, abs=1e-3)


def test_wall_path_is_the_chord() -> None:
    """Under the middle ray a pipe shows two walls, a plate one, a panoramic one; at a limb chord the two circles' chords subtract."""
    assert _middle(trace(ellipse())) == pytest.approx(2 * 3.91, abs=1e-5)  # table step 0.05 mm
    assert _middle(trace(Recipe(weld=WeldPart(wall_mm=12)))) == pytest.approx(12, abs=1e-5)
    panoramic = trace(Recipe(weld=WeldPart(od_mm=323.9, wall_mm=9.53), exposure=ExposurePart(technique="panoramic")))
    assert panoramic.wall_path == pytest.approx(9.53, abs=1e-9)


def _middle(geometry: Geometry) -> float:
    return float(np.interp(0.0, geometry.c, geometry.wall_path))


def test_parallax_of_two_exposures() -> None:
    """Reference 7.1: height d above the film, source moved by a, image moves by b = a d / (t - d); exact on plate."""
    a, t, d = 100.0, 700.0, 20.0
    places = []
    for shift in (-50.0, 50.0):
        recipe = Recipe(weld=WeldPart(wall_mm=30), exposure=ExposurePart(source_to_film_mm=t, object_to_film_mm=0, shift_mm=shift))
        geometry = trace(recipe)
        c, _ = geometry.project(recipe.place.station_at_middle_mm, 0.0, 30.0 - d, "source")
        places.append(float(c))
    assert places[0] - places[1] == pytest.approx(a * d / (t - d), rel=1e-9)  # 2.941 mm


@pytest.mark.parametrize(
    ("location", "expected"),
    [
        ({"downstream_is": "up", "direction": "clockwise"}, "right"),
        ({"downstream_is": "right", "direction": "clockwise"}, "down"),
        ({"downstream_is": "up", "direction": "anticlockwise"}, "left"),
        ({"downstream_is": "up", "seen_from": "inside"}, "left"),
        ({"downstream_is": "up", "looking": "upstream", "direction": "anticlockwise"}, "right"),
        ({"downstream_is": "down"}, "left"),
    ],
)
def test_growing_direction(location: dict[str, str], expected: str) -> None:
    """Contract: clockwise stations grow in the downstream_is direction turned a quarter clockwise; inside the other way."""
    assert growth(LocationSection.model_validate(location)) == expected
