"""Wires, artefacts, letters and the anatomy: what is drawn, and that the key names it."""

from __future__ import annotations

from typing import get_args

import numpy as np
import pytest

from rtscan.findings import ObjectMark
from rtscan.imperfections import by_term
from rtscan.simulate.anatomy import ALONG_STEP_MM, make_relief
from rtscan.simulate.artefacts import DRAWERS, mark_dose, mark_film
from rtscan.simulate.beads import smooth_noise
from rtscan.simulate.flaws import BUILDERS
from rtscan.simulate.imaging import Raster
from rtscan.simulate.marks import wires_of
from rtscan.simulate.population import ARTEFACTS, WEIGHTS, random_recipe
from rtscan.simulate.recipe import ArtefactKind, ArtefactPart, ImperfectionPart, IqiPart, Kind, LetterPart, Recipe, WeldPart
from rtscan.simulate.render import render
from rtscan.simulate.site import Site

RASTER = Raster(width=500, height=300, pixels_per_mm=10.0, turn_deg=0.0, c0=0.0, z0=0.0)


def test_wire_sets() -> None:
    """ISO 19232-1 sets of seven (published table); ASTM E747 set B from its inch sizes, 0.01 mm."""
    assert [n for n, _ in wires_of(IqiPart(set="W10"))] == list(range(10, 17))
    assert [d for _, d in wires_of(IqiPart(set="13"))] == [0.2, 0.16, 0.125, 0.1, 0.08, 0.063, 0.05]
    inches = [0.010, 0.013, 0.016, 0.020, 0.025, 0.032]
    assert [d for _, d in wires_of(IqiPart(kind="ASTM-wire", set="B"))] == pytest.approx([25.4 * i for i in inches], abs=0.01)


def test_every_kind_is_built_named_and_drawn_at_random() -> None:
    assert set(BUILDERS) == set(get_args(Kind)) == set(WEIGHTS)
    assert set(DRAWERS) == set(get_args(ArtefactKind))
    assert set(ARTEFACTS) | {"dust"} == set(get_args(ArtefactKind))


@pytest.mark.parametrize("kind", get_args(Kind))
def test_flaws_have_a_name_of_the_standard(kind: Kind) -> None:
    """Every flaw carries a term of the vocabulary and its number, lies in the weld or beside it, and has some metal or void in it."""
    weld, rng = WeldPart(wall_mm=10), np.random.default_rng(3)
    relief = make_relief(weld, np.zeros(1200), 0.0, rng)
    for flaw in BUILDERS[kind](ImperfectionPart(type=kind), Site(weld, relief, "source", 10.0, 110.0), rng):
        term = by_term(flaw.type)
        assert term is not None
        assert term.iso6520 == flaw.iso6520
        for body in flaw.bodies:
            assert 0 < body.along < 120
            assert abs(body.across) < 40
            assert -4 < body.depth < 16
            eta, xi = np.mgrid[-body.half_eta : body.half_eta : 60j, -body.half_xi : body.half_xi : 200j]
            chord = body.chord(xi, eta, 0.1, 0.05)
            assert chord.min() >= 0
            assert chord.max() > 0


@pytest.mark.parametrize("kind", get_args(ArtefactKind))
def test_artefacts_mark_the_film_where_they_say(kind: ArtefactKind) -> None:
    """Nothing is drawn outside the box of the key (2 mm for soft edges); something is drawn within."""
    recipe = Recipe(artefacts=(ArtefactPart(kind=kind, along_mm=0.0, across_mm=0.0),))
    plain = np.ones(RASTER.shape, dtype=np.float32)
    dose, before = mark_dose(plain, recipe, RASTER, np.random.default_rng(2), 1.0)
    density = plain.copy()
    after = mark_film(density, recipe, RASTER, np.random.default_rng(2))
    changed = (np.abs(dose - 1) > 0.004) | (np.abs(density - 1) > 0.004)
    marks: tuple[ObjectMark, ...] = (*before, *after)
    assert len(marks) == 1
    assert changed.any()
    x0, y0, x1, y1 = marks[0].bbox_px
    rows, columns = np.nonzero(changed)
    if kind not in ("light leak", "fingerprint"):  # these fade out beyond any box
        assert columns.min() >= x0 - 20
        assert columns.max() <= x1 + 20
        assert rows.min() >= y0 - 20
        assert rows.max() <= y1 + 20


def test_letters_are_bright_and_boxed() -> None:
    recipe = Recipe.model_validate(
        {
            "film": {"width_mm": 60, "height_mm": 40},
            "scan": {"pixels_per_mm": 10},
            "letters": [LetterPart(text="H7", along_mm=10, across_mm=-12).model_dump()],
        }
    )
    film = render(recipe, np.random.default_rng(1))
    mark = next(m for m in film.exposed.marks if m.kind == "letter")
    x0, y0, x1, y1 = (round(v) for v in mark.bbox_px)
    inside, around = film.grey[y0:y1, x0:x1], film.grey[y0:y1, max(x0 - 150, 0) : x0 - 20]
    assert np.percentile(inside, 95) > np.percentile(around, 99.9)


def test_bead_height_and_edges() -> None:
    """A smooth bead is as high and as wide as asked: height 5 % (rounding of the crest); the rounding of 0.3 mm carries the height at which
    the bead counts as ended about 0.4 mm beyond the toe on each side: width 1 mm."""
    weld = WeldPart(wall_mm=10, cap_width_mm=14, cap_height_mm=2.0, ripple_mm=0.01, roughness=0.0, stops_mm=())
    relief = make_relief(weld, np.zeros(900), 0.0, np.random.default_rng(1))
    middle = slice(200, 700)
    assert float(relief.external.height[:, middle].max(axis=0).mean()) == pytest.approx(2.0, rel=0.05)
    assert float((relief.right - relief.left)[middle].mean()) == pytest.approx(14.0, abs=1.0)


def test_ripples_have_their_height() -> None:
    """Peak to valley of the crest line for one drop per pitch: the ripple height asked for, before rounding; 40 to 110 %."""
    weld = WeldPart(wall_mm=10, cap_width_mm=14, cap_height_mm=2.0, ripple_mm=0.2, ripple_pitch_mm=5.0, roughness=0.0, stops_mm=())
    relief = make_relief(weld, np.zeros(900), 0.0, np.random.default_rng(1))
    crest = relief.external.height[:, 200:700].max(axis=0)
    assert 0.4 * 0.2 < float(np.ptp(crest)) < 1.1 * 0.2 * 1.6  # pitch jitter of 15 % makes some seams deeper


def test_smooth_noise_has_unit_spread() -> None:
    curve = smooth_noise(60_000, ALONG_STEP_MM, 5.0, np.random.default_rng(1))
    assert float(curve.std()) == pytest.approx(1.0, abs=0.12)  # 1200 independent lengths, interpolation between nodes


def test_random_recipes_repeat() -> None:
    for level in (1, 2, 3):
        assert random_recipe(level, "DWSI", np.random.default_rng(5)) == random_recipe(level, "DWSI", np.random.default_rng(5))
