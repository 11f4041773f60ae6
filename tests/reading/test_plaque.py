"""Hole plaques found on simulated films: place against the recipe, holes against the plate's own thickness, and never one where none is."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rtscan.film import F64, Film, PlaqueOnFilm
from rtscan.job import Job, load_job
from rtscan.knowledge.iqi import plaque
from rtscan.reading.load import load_films
from rtscan.reading.marks import find_marks
from rtscan.simulate.files import simulate, write_film
from rtscan.simulate.recipe import Recipe
from rtscan.simulate.render import SimulatedFilm

pytestmark = pytest.mark.slow
FILM: dict[str, Any] = {
    "film": {"width_mm": 104.0, "height_mm": 72.0, "density": 2.6}, "weld": {"wall_mm": 8.0}, "testing": {"standard": "asme-v"},
    "exposure": {"technique": "SWSI", "source": "x-ray", "kv": 160.0, "source_to_film_mm": 700.0},
}
CASES = [
    ({"set": "12", "across_mm": 22.0, "turn_deg": 4.0}, {}),
    ({"set": "15", "across_mm": -23.0, "along_mm": 12.0, "turn_deg": 177.0}, {"scan": {"look": "dense-dark", "bits": 12}}),
    ({"set": "17", "along_mm": -30.0, "across_mm": 2.0, "turn_deg": 94.0, "shim_mm": 2.0}, {}),
    ({"set": "10", "across_mm": 22.0, "along_mm": -20.0, "turn_deg": -8.0, "label": False}, {"place": {"angle_deg": -6.0}}),
    ({"set": "25", "across_mm": 22.0, "turn_deg": -176.0, "side": "film"}, {"scan": {"pixels_per_mm": 25.0}}),
    ({"set": "5", "across_mm": -22.0, "along_mm": 5.0}, {}),
]


def made(folder: Path, indicator: dict[str, Any] | None, sections: dict[str, Any], letters: tuple[dict[str, Any], ...] = (),
         **keys: Any) -> tuple[Film, Job, SimulatedFilm]:
    recipe = {**FILM, **sections, "name": "p", "letters": letters, "iqi": [] if indicator is None else [{"kind": "hole", **indicator}]}
    simulated = simulate(Recipe.model_validate(recipe), np.random.default_rng(5))[0]
    written = write_film(simulated, folder)
    job = load_job(folder / "p.job.toml", {f"iqi.{key}": value for key, value in keys.items()})
    return load_films(written.film, job)[0], job, simulated


def true_plate(simulated: SimulatedFilm) -> tuple[F64, F64, float]:
    """Centre (x, y), unit vector towards the end with the holes, and pixels per mm on the part, all from the recipe."""
    iqi, raster, geometry = simulated.recipe.iqi[0], simulated.exposed.raster, simulated.exposed.geometry
    weld, gap = simulated.recipe.weld, simulated.recipe.exposure.object_to_film_mm
    height = gap if iqi.side == "film" else gap + weld.wall_mm + weld.cap_height_mm
    centre = np.array(raster.to_px(raster.c0 + iqi.along_mm, raster.z0 + (iqi.across_mm or 0.0)))
    turn = np.deg2rad(iqi.turn_deg)
    ahead = np.array(raster.to_px(raster.c0 + iqi.along_mm + np.cos(turn), raster.z0 + (iqi.across_mm or 0.0) + np.sin(turn)))
    axis = (ahead - centre) / np.hypot(*(ahead - centre))
    return centre, axis, raster.pixels_per_mm * geometry.source_to_film / (geometry.source_to_film - height)


def found(film: Film, job: Job) -> PlaqueOnFilm | None:
    return find_marks(film, job).plaque


@pytest.mark.parametrize(("indicator", "sections"), CASES)
def test_plate_and_holes_lie_where_they_were_put(tmp_path: Path, indicator: dict[str, Any], sections: dict[str, Any]) -> None:
    """Corners and plain holes within 0.15 mm (0.1 mm along a short end, and the turn), a hole as deep as the plate is thick."""
    film, job, simulated = made(tmp_path, indicator, sections)
    seen, drawing = found(film, job), plaque(indicator["set"])
    assert seen is not None
    assert drawing is not None
    centre, axis, per_mm = true_plate(simulated)
    across = np.array([-axis[1], axis[0]])
    a, b = 0.5 * drawing.length_mm * per_mm * axis, 0.5 * drawing.width_mm * per_mm * across
    corners = np.array([centre - a - b, centre + a - b, centre + a + b, centre - a + b])
    assert np.hypot(*(seen.corners_px - corners).T).max() < 0.15 * per_mm
    for hole, (name, diameter, place) in zip(seen.holes, drawing.holes, strict=True):
        assert (hole.name, hole.diameter_mm) == (name, diameter)
        if hole.snr > 8:
            assert np.hypot(*(hole.centre_px - centre - place * per_mm * axis)) < 0.15 * per_mm
        # Twice the noise, twice what the best of the places near adds, and 15 % for the shading under plate and hole.
        assert abs(hole.contrast - seen.step) < 4 * hole.contrast_u + 0.15 * seen.step
    assert max(hole.snr for hole in seen.holes) > 6


def test_the_plate_takes_what_its_thickness_of_steel_takes(tmp_path: Path) -> None:
    """Density without grain, with and without the plaque, 0.8 mm within and without its long side: the true step there (the scatter that
    the plate takes away as well lies on both sides). 10 % for the noise of four sides and their different densities."""
    from rtscan.simulate.render import expose

    film, job, simulated = made(tmp_path, CASES[0][0], {})
    seen = found(film, job)
    assert seen is not None
    plated, exposure = simulated.exposed, simulated.exposed.exposure
    bare = expose(simulated.recipe.model_copy(update={"iqi": ()}), np.random.default_rng(5).spawn(2)[0])
    lost = plated.law.net_density(exposure * bare.dose) - plated.law.net_density(exposure * plated.dose)
    middle, (centre, axis, _) = 0.5 * (seen.corners_px[0] + seen.corners_px[1]), true_plate(simulated)
    inwards = 16 * np.array([-axis[1], axis[0]]) * np.sign((centre - middle) @ np.array([-axis[1], axis[0]]))
    (xi, yi), (xo, yo) = (np.round(middle + way * inwards).astype(int) for way in (1, -1))
    assert plated.thickness[yi, xi] - bare.thickness[yi, xi] == pytest.approx(0.0125 * 25.4, abs=1e-3)  # No. 12 is 0.0125 in (E1025)
    assert seen.step == pytest.approx(float(lost[yi, xi] - lost[yo, xo]), rel=0.10)


@pytest.mark.parametrize(("letters", "sections"), [
    ((), {}),
    (({"text": "AB123", "along_mm": 0.0, "across_mm": 24.0, "plate": True, "height_mm": 7.0},), {}),
    (({"text": "12345678", "along_mm": -10.0, "across_mm": -24.0, "stencil": True, "height_mm": 6.5, "lead_mm": 0.4},), {}),
    ((), {"artefacts": [{"kind": "double-exposed corner"}, {"kind": "screen dirt"}, {"kind": "water spot"}]}),
    ((), {"weld": {"wall_mm": 8.0, "tacks_mm": [100.0, 130.0], "ripple_mm": 0.6, "roughness": 2.0}}),
])
def test_no_plaque_is_invented(tmp_path: Path, letters: tuple[dict[str, Any], ...], sections: dict[str, Any]) -> None:
    film, job, _ = made(tmp_path, None, sections, letters, kind="hole", set="12")
    assert found(film, job) is None


def test_a_plate_of_another_size_is_not_the_one_named(tmp_path: Path) -> None:
    """No. 80 is 57 mm long and 25 mm wide."""
    film, job, _ = made(tmp_path, {"set": "80", "across_mm": 20.0}, {}, set="15")
    assert found(film, job) is None


def test_one_end_under_lead(tmp_path: Path) -> None:
    """Three sides and a plain hole are enough; holes under lead say nothing."""
    letter = {"text": "HH", "along_mm": -18.0, "across_mm": 22.0, "height_mm": 9.0, "plate": False}
    film, job, simulated = made(tmp_path, {"set": "15", "across_mm": 22.0}, {}, (letter,))
    seen = found(film, job)
    assert seen is not None
    assert np.hypot(*(seen.corners_px.mean(axis=0) - true_plate(simulated)[0])) < 10.0


def test_a_plaque_beside_the_weld_is_no_flaw(tmp_path: Path) -> None:
    """Its long edge runs into the toe, which without the marks is called undercut there; nothing else is on this film."""
    from rtscan.pipeline import read_film

    film, job, _ = made(tmp_path, {"set": "12", "across_mm": 12.0, "along_mm": 5.0, "turn_deg": 175.0}, {})
    reading = read_film(film, job, None)
    assert reading.marks.plaque is not None
    assert reading.worksheet.indications == ()


def test_marks_hide_edges_and_holes_but_not_the_plate(tmp_path: Path) -> None:
    film, job, _ = made(tmp_path, CASES[0][0], {})
    marks = find_marks(film, job)
    assert marks.plaque is not None
    assert [m.says for m in marks.marks if "plaque" in m.says] == [
        "hole plaque No. 12 of the image quality indicator", "hole 4T of the hole plaque No. 12", "hole 1T of the hole plaque No. 12",
        "hole 2T of the hole plaque No. 12"]
    x, y = np.round(marks.plaque.corners_px).astype(int).T
    assert marks.hidden[y, x].all()
    assert all(marks.hidden[tuple(np.round(hole.centre_px[::-1]).astype(int))] for hole in marks.plaque.holes)
    between = np.round(0.5 * (marks.plaque.holes[0].centre_px + marks.plaque.holes[1].centre_px)).astype(int)
    assert not marks.hidden[between[1], between[0]]
