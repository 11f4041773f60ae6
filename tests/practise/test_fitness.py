"""Fitness of a simulated film: required wires of the standard as the outside check, density as asked of the recipe."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from rtscan.practise.fitness import Fitness, fitness_of, hidden_share, thinnest_wire_seen
from rtscan.simulate.key import weld_facts
from rtscan.simulate.recipe import Recipe
from rtscan.simulate.render import Exposed, expose

pytestmark = pytest.mark.slow


def exposed(**changes: dict[str, Any]) -> Exposed:
    base: dict[str, Any] = {
        "film": {"class": "C3", "density": 2.6, "width_mm": 120, "height_mm": 60}, "weld": {"wall_mm": 10.0},
        "scan": {"pixels_per_mm": 20.0},
        "exposure": {"source": "x-ray", "kv": 170, "source_to_film_mm": 700, "focal_mm": 1.0}, "iqi": [{"set": "W10", "along_mm": 20}]}
    for section, values in changes.items():
        base[section] = base[section] | values
    return expose(Recipe.model_validate(base), np.random.default_rng(1))


def test_a_good_film_shows_the_wire_of_its_class_and_a_poor_one_does_not() -> None:
    """ISO 17636-1 table B.1, 10 mm, class A: W13 (from memory, as in the reference): x-rays on fine film show it."""
    good = thinnest_wire_seen(exposed())
    assert good is not None
    assert good >= 13
    poor = thinnest_wire_seen(exposed(exposure={"source": "Co-60"}, film={"class": "C6"}))
    assert poor is None or poor < 13


def test_unsharpness_and_coarse_film_cost_wires() -> None:
    sharp = thinnest_wire_seen(exposed()) or 0
    assert (thinnest_wire_seen(exposed(exposure={"unsharpness_mm": 1.0})) or 0) < sharp
    assert (thinnest_wire_seen(exposed(film={"class": "C6"})) or 0) <= sharp


def test_density_is_measured_over_the_weld_and_beside_it() -> None:
    """Density 2.6 is aimed at in the middle of the weld: the least lies there, the greatest in the thinner parent metal."""
    film = exposed()
    fitness = fitness_of(film, weld_facts(film), 13)
    assert 2.2 < fitness.least < 2.75
    assert fitness.greatest > 2.6
    thin = exposed(film={"density": 1.1})
    assert fitness_of(thin, weld_facts(thin), 13).least < 1.3


def test_reasons_are_words_of_the_answer_sheet() -> None:
    from rtscan.practise.answer import REASONS

    bad = Fitness(1.0, 5.0, None, 13).reasons(2.0, 4.5)
    assert bad == ("density too low", "density too high", "wire not seen")
    assert set(bad) <= set(REASONS)
    assert Fitness(2.0, 4.5, 13, 13).reasons(2.0, 4.5) == ()
    assert Fitness(2.0, 4.5, None, None).reasons(2.0, 4.5) == ()


def test_a_patch_over_the_weld_hides_its_share() -> None:
    film = exposed()
    weld = weld_facts(film)
    even = (film.law.net_density(film.exposure * film.dose.astype(np.float64)) + film.recipe.film.fog).astype(np.float32)
    assert hidden_share(film, weld, even) == 0.0
    blackened = even.copy()
    blackened[:, : blackened.shape[1] // 5] += 1.0
    assert hidden_share(film, weld, blackened) == pytest.approx(0.2, abs=0.02)  # a fifth of an even, straight weld; edges of 4 px
    assert Fitness(2.5, 3.0, 13, 13, 0.2).reasons(2.0, 4.5) == ("marks over the weld",)
