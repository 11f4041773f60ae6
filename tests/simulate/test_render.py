"""Whole films against closed forms: densities, contrasts, sizes in the key, detectability, repeatability."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from rtscan.findings import FilmFacts
from rtscan.knowledge.attenuation import linear_attenuation
from rtscan.simulate.beam import Beam
from rtscan.simulate.files import film_facts, simulate
from rtscan.simulate.key import Key, make_key
from rtscan.simulate.population import random_recipe
from rtscan.simulate.recipe import ExposurePart, FilmPart, ImperfectionPart, IqiPart, PlacePart, Recipe, ScanPart, WeldPart
from rtscan.simulate.render import SimulatedFilm, expose, render

QUIET = ScanPart(lines=0, noise=0, blur_mm=0)
FLAT = {"cap_height_mm": 0.0, "root_height_mm": 0.0, "ripple_mm": 0.0, "roughness": 0.0, "cap_width_mm": 12.0}


def plate(*flaws: ImperfectionPart, **more: object) -> Recipe:
    """A flat 10 mm plate 60 x 34 mm, 200 kV, far source, station 30 in the middle."""
    parts: dict[str, object] = {
        "film": FilmPart(width_mm=60, height_mm=34),
        "scan": QUIET,
        "weld": WeldPart.model_validate(FLAT | {"wall_mm": 10.0}),
        "place": PlacePart(station_at_middle_mm=30),
        "exposure": ExposurePart(kv=200, source_to_film_mm=5000, focal_mm=0.5, object_to_film_mm=0.0),
        "imperfections": flaws,
    }
    return Recipe.model_validate(parts | more)


def key_of(film: SimulatedFilm) -> Key:
    return make_key(film.exposed, film_facts(film, "a.tif", ""))


def density(film: SimulatedFilm) -> np.ndarray:
    return 4.5 * (1 - film.grey / 65535.0)


def test_density_is_the_one_asked_for() -> None:
    """Mean density over the weld; grain 0.028 at 100 um averages out over 2 million pixels, quantisation 0.0001."""
    film = render(plate(film=FilmPart(width_mm=60, height_mm=34, density=2.6)), np.random.default_rng(1))
    assert float(density(film).mean()) == pytest.approx(2.6, abs=0.02)


def test_noise_of_the_film() -> None:
    """Spread of means over 0.1 mm squares at net density 2: granularity times the ratio of square to circle for the spectrum of the
    grain (0.92 by test_noise_against_aperture's integral; 0.89 were it white); 5 %."""
    film = render(plate(film=FilmPart(width_mm=60, height_mm=34, density=2.22, fog=0.22)), np.random.default_rng(1))
    cells = density(film)[: 2 * (680 // 2), : 2 * (1200 // 2)].reshape(340, 2, 600, 2).mean(axis=(1, 3))
    assert float(cells.std()) == pytest.approx(0.028 * 0.92, rel=0.05)


def test_pore_key_and_contrast() -> None:
    """A 2 mm pore: caliper 2 mm x magnification (5000/(5000-5)), width, depth; contrast as the dose law gives for 2 mm of air."""
    film = render(
        plate(ImperfectionPart(type="gas pore", along_mm=30, across_mm=0, depth_mm=5, length_mm=2.0, width_mm=2.0, height_mm=2.0)),
        np.random.default_rng(1),
    )
    item = key_of(film).indications[0]
    seen = item.indication
    assert seen.length_mm == pytest.approx(2.0 * 5000 / 4995, abs=0.03)  # samples of 10 um
    assert seen.width_mm == pytest.approx(seen.length_mm, abs=0.03)
    assert seen.local_width_mm == pytest.approx(seen.length_mm, abs=0.06)
    assert seen.area_mm2 == pytest.approx(np.pi * (seen.length_mm / 2) ** 2, rel=0.02)
    assert (seen.along_mm, seen.across_mm, seen.depth_mm) == pytest.approx((30.0, 0.0, 5.0), abs=0.02)
    assert seen.height_mm == pytest.approx(2.0, abs=0.01)
    exposed = film.exposed
    beam, law = exposed.beam, exposed.law
    n = float(0.05 + 0.10 * 10)
    k = float(law.dose(2.38)) / (float(beam.dose(np.asarray(10.0))) * (1 + n))
    expected = float(law.net_density(np.asarray(k * (float(beam.dose(np.asarray(8.0))) + n * float(beam.dose(np.asarray(10.0))))))) - 2.38
    assert seen.contrast == pytest.approx(expected, rel=0.03)
    assert 0 < item.visible_contrast <= seen.contrast
    measured = gaussian_filter(density(film), 3)
    y, x = round(seen.centre_px[1]), round(seen.centre_px[0])
    rise = measured[y - 4 : y + 5, x - 4 : x + 5].mean() - measured[y - 4 : y + 5, x + 80 : x + 160].mean()
    assert rise == pytest.approx(item.visible_contrast, rel=0.10)  # mean over 0.4 mm of a 2 mm sphere and the blur: 4 %; grain 2 %


def test_detectability_against_drawing_noise() -> None:
    """The ideal observer's value: matched filter output of the true signal over its spread in 300 noise fields made by the room itself."""
    from rtscan.simulate.emulsion import unit_grain

    recipe = plate(ImperfectionPart(type="gas pore", along_mm=30, across_mm=0, depth_mm=5, length_mm=0.6, width_mm=0.6, height_mm=0.6))
    with_flaw, without = (expose(r, np.random.default_rng(4)) for r in (recipe, recipe.model_copy(update={"imperfections": ()})))
    law = with_flaw.law
    signal = law.net_density(with_flaw.dose * without.exposure) - law.net_density(without.dose * without.exposure)
    signal = signal[300:380, 560:640]
    sigma = float(law.grain(np.asarray(2.38)))
    rng = np.random.default_rng(0)
    spread = np.std([np.sum(signal * sigma * unit_grain(signal.shape, 0.05, rng)) for _ in range(300)])
    brute = float(np.sum(signal**2) / spread)
    film = render(recipe, np.random.default_rng(1))
    assert key_of(film).indications[0].detectability == pytest.approx(brute, rel=0.10)  # 300 fields: 4 %; white filter in coloured noise


@pytest.mark.parametrize(
    ("kind", "tone"),
    [
        ("tungsten inclusion", "bright"),
        ("gas pore", "dark"),
        ("isolated slag inclusion", "dark"),
        ("continuous excess penetration", "bright"),
    ],
)
def test_tone(kind: str, tone: str) -> None:
    film = render(plate(ImperfectionPart(type=kind, along_mm=30)), np.random.default_rng(2))
    assert key_of(film).indications[0].indication.tone == tone


@pytest.mark.parametrize(("kev", "share"), [(200.0, 0.66), (316.0, 0.62)])
def test_slag_shows_less_than_a_void(kev: float, share: float) -> None:
    """Reference 1.1: slag of height h is like a void of about 0.66 h at 200 and 0.62 h at 316 keV (iron 7.86 there, steel 7.85 here)."""
    mu = linear_attenuation("carbon steel", np.asarray([kev]))
    beam = Beam(np.asarray([kev]), np.asarray([1.0]), mu, -mu[0] * np.arange(0, 400.05, 0.05))
    assert 1.0 - float(beam.equivalent_steel("slag", np.asarray([1.0]), 10.0)[0]) == pytest.approx(share, abs=0.01)


def test_side_wall_fusion_shows_by_its_angle() -> None:
    """Area conservation (reference 4.3): the same sheet spreads over H |tan lean - tan ray| + W; upright it is narrow and dark."""

    def width(angle: float) -> tuple[float, float]:
        flaw = ImperfectionPart(
            type="lack of side-wall fusion", along_mm=30, side="right", length_mm=20, height_mm=3, width_mm=0.2, depth_mm=5
        )
        weld = WeldPart.model_validate(FLAT | {"wall_mm": 10.0, "bevel_deg": angle})
        item = key_of(render(plate(flaw, weld=weld), np.random.default_rng(3))).indications[0]
        return float(item.indication.width_mm or 0), float(item.indication.height_mm or 0)

    upright, leaning = width(0.0), width(35.0)
    assert leaning[0] > 2.5 * upright[0]
    assert leaning[1] < 0.35 * upright[1]


def test_wire_contrast_and_place() -> None:
    """Each wire of W10 casts its diameter of steel; the widest is found where the key says, by its mean profile over 10 mm."""
    film = render(plate(iqi=(IqiPart(set="W6", across_mm=0.0, wire_length_mm=25, label=False),)), np.random.default_rng(5))
    first = next(o for o in key_of(film).objects if o.says == "W6")
    x0, y0, x1, y1 = (round(v) for v in first.bbox_px)
    profile = density(film)[y0 + 40 : y1 - 40, x0 - 60 : x1 + 60].mean(axis=0)
    assert abs(int(np.argmin(profile)) - 0.5 * (x1 - x0 + 120)) <= 4
    exposed = film.exposed
    n, t = 1.05, 10.0
    ratio = (float(exposed.beam.dose(np.asarray(t + 1.0))) + n * float(exposed.beam.dose(np.asarray(t)))) / (
        float(exposed.beam.dose(np.asarray(t))) * (1 + n)
    )
    expected = 2.38 - float(exposed.law.net_density(np.asarray(ratio * float(exposed.law.dose(2.38)))))
    assert profile.max() - profile.min() == pytest.approx(expected, rel=0.12)  # 1 mm wire, unsharpness 0.09 mm, grain


def test_step_wedge() -> None:
    """Densities behind 6 to 14 mm follow exp(-mu T) through the law, scatter as given."""
    levels = []
    for wall in (6.0, 8.0, 10.0, 12.0, 14.0):
        recipe = plate(
            weld=WeldPart.model_validate(FLAT | {"wall_mm": wall}), exposure=ExposurePart(kv=200, scatter=1.0, source_to_film_mm=5000)
        )
        exposed = expose(recipe, np.random.default_rng(1))
        levels.append(float(np.median(exposed.dose)) / 2.0)
        assert levels[-1] == pytest.approx(float(exposed.beam.dose(np.asarray(wall))), rel=2e-3)
    assert np.all(np.diff(levels) < 0)


def test_detector_is_linear_in_dose() -> None:
    """Dense-dark, 14 bit: mean grey behind 8 and 12 mm in the ratio of the doses, when one exposure is used for both; 1 %."""
    levels, doses = [], []
    for wall in (8.0, 12.0):
        scan = ScanPart(bits=14, grey_is="dose", look="dense-dark", lines=0, noise=0, blur_mm=0)
        film = render(plate(scan=scan, weld=WeldPart.model_validate(FLAT | {"wall_mm": wall})), np.random.default_rng(1))
        assert int(film.grey.max()) < 2**14
        levels.append(float(film.grey.mean()) / film.exposed.exposure)
        doses.append(float(film.exposed.dose.mean()))
    assert levels[0] / levels[1] == pytest.approx(doses[0] / doses[1], rel=0.01)
    assert levels[0] > levels[1]  # more metal is darker


def test_same_seed_same_film_and_keys_differ_by_seed() -> None:
    drawn = random_recipe(3, "DWSI", np.random.default_rng(9))
    recipe = drawn.model_copy(update={"scan": drawn.scan.model_copy(update={"pixels_per_mm": 8.0})})
    first, again, other = (simulate(recipe, np.random.default_rng(s))[0] for s in (1, 1, 2))
    assert np.array_equal(first.grey, again.grey)
    assert not np.array_equal(first.grey, other.grey)
    assert key_of(first) == key_of(again)


def test_two_films_of_one_holder() -> None:
    """Same weld and flaws, other grain: the mean density per 2 mm cell agrees, the pixels do not."""
    recipe = plate(ImperfectionPart(type="gas pore", along_mm=30), pair="two films")
    a, b = simulate(recipe, np.random.default_rng(1))
    assert [i.indication.outline_px for i in key_of(a).indications] == [i.indication.outline_px for i in key_of(b).indications]
    assert np.mean(a.grey == b.grey) < 0.05
    cells = [density(f).reshape(17, 40, 30, 40).mean(axis=(1, 3)) for f in (a, b)]
    assert np.abs(cells[0] - cells[1]).max() < 6 * 0.05 / 40 * 1.5  # spread of a mean of 1600 pixels of 0.05


def test_two_exposures_show_the_depth() -> None:
    """The image of a flaw moves by shift x height / (distance - height) against the film; 20 um."""
    flaw = ImperfectionPart(type="gas pore", along_mm=30, across_mm=0, depth_mm=4, length_mm=1.5, width_mm=1.5, height_mm=1.5)
    exposure = ExposurePart(kv=200, source_to_film_mm=600, focal_mm=0.5, object_to_film_mm=0.0)
    a, b = simulate(plate(flaw, exposure=exposure, pair="two exposures", pair_shift_mm=120), np.random.default_rng(1))
    x = [key_of(f).indications[0].indication.centre_px[0] / 20 for f in (a, b)]
    assert x[0] - x[1] == pytest.approx(120 * 6 / (600 - 6), abs=0.02)


@pytest.mark.slow
@pytest.mark.parametrize("technique", ["SWSI", "DWSI", "panoramic", "DWDI-ellipse", "DWDI-superimposed"])
def test_random_films_hold_together(technique: str) -> None:
    """Outlines on the film, sizes in order, members of groups present: for two random films of every technique."""
    for seed in range(2):
        recipe = random_recipe(3, technique, np.random.default_rng(seed))
        small = recipe.model_copy(update={"scan": recipe.scan.model_copy(update={"pixels_per_mm": 10.0})})
        film = simulate(small, np.random.default_rng(seed))[0]
        key = key_of(film)
        ids = {i.indication.id for i in key.indications}
        for item in key.indications:
            seen = item.indication
            assert seen.length_mm >= seen.width_mm >= seen.local_width_mm > 0
            assert item.detectability >= 0
            assert len(item.true_outline_px) > 2
        assert all(set(g.members) <= ids for g in key.groups)
        assert all(len(arc.centreline_px) > 5 for arc in key.weld.arcs)


def test_stations_of_an_ellipse_follow_the_contract() -> None:
    """Key stations of pores in both walls equal the contract's closed form at their depth's film place; 0.1 mm (depth 0.5 mm)."""
    from rtscan.knowledge.ellipse import DoubleImage, station_mm

    flaws = tuple(
        ImperfectionPart(type="gas pore", along_mm=s, across_mm=0.0, depth_mm=0.5, length_mm=0.9, width_mm=0.9, height_mm=0.9, wall=w)
        for s, w in ((20.0, "source"), (185.0, "source"), (90.0, "film"), (110.0, "film"))
    )
    recipe = Recipe(
        film=FilmPart(width_mm=90, height_mm=80),
        scan=QUIET,
        weld=WeldPart.model_validate(FLAT | {"od_mm": 60.3, "wall_mm": 3.91, "cap_width_mm": 8.0}),
        place=PlacePart(station_at_middle_mm=5.0),
        imperfections=flaws,
        exposure=ExposurePart(
            technique="DWDI-ellipse", source="Se-75", source_to_film_mm=650, object_to_film_mm=3, offset_mm=150, focal_mm=1.0
        ),
    )
    film = render(recipe, np.random.default_rng(1))
    image = DoubleImage(60.3, 650.0, 3.0, 150.0)
    for item, flaw in zip(key_of(film).indications, flaws, strict=True):
        assert item.indication.wall == flaw.wall
        assert item.indication.along_mm == pytest.approx(flaw.along_mm, abs=0.1)
        x = (item.indication.centre_px[0] - 0.5 * (film.grey.shape[1] - 1)) / 20.0
        read = float(station_mm(image.theta(x, flaw.wall), flaw.wall, 60.3, 5.0, 1))
        assert read == pytest.approx(flaw.along_mm, abs=0.35)  # as if on the outside surface: depth 0.5 mm, tan 45 degrees


def test_key_does_not_change_with_grain() -> None:
    recipe = plate(ImperfectionPart(type="wagon tracks", along_mm=30))
    exposed = expose(recipe, np.random.default_rng(1))
    facts = FilmFacts()
    assert make_key(exposed, facts) == make_key(replace(exposed), facts)
