"""A simulated weld is rejected, the stated stretches are repaired, and it is judged again."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from rtscan.acceptance.judge import judge
from rtscan.acceptance.library import load_criteria
from rtscan.acceptance.situation import Situation, situation_from_job
from rtscan.findings import FilmFacts, LocationFacts, Worksheet
from rtscan.job import Job
from rtscan.repair.compare import compare
from rtscan.repair.plan import make_plan
from rtscan.repair_records import RepairPlan
from rtscan.simulate.key import make_key
from rtscan.simulate.recipe import ImperfectionPart, Recipe
from rtscan.simulate.render import expose

LENGTH_MM = 200.0
FLAWS = (
    {"type": "gas pore", "along_mm": 22.0, "across_mm": 1.0, "depth_mm": 4.0, "length_mm": 0.8, "width_mm": 0.8, "height_mm": 0.8},
    {"type": "linear slag inclusion", "along_mm": 58.0, "across_mm": 2.0, "depth_mm": 6.0, "length_mm": 26.0, "width_mm": 1.2},
    {"type": "longitudinal crack", "along_mm": 136.0, "across_mm": -1.0, "depth_mm": 6.0, "length_mm": 12.0, "width_mm": 0.3},
    {"type": "gas pore", "along_mm": 176.0, "across_mm": -2.0, "depth_mm": 5.0, "length_mm": 0.9, "width_mm": 0.9, "height_mm": 0.9},
)


def _recipe(flaws: tuple[dict[str, object], ...]) -> Recipe:
    return Recipe.model_validate({
        "name": "R", "film": {"width_mm": 220, "height_mm": 50}, "scan": {"pixels_per_mm": 8},
        "weld": {"name": "BF-R1", "wall_mm": 12.0, "joint": "plate", "stops_mm": [], "process": "111"},
        "exposure": {"source_to_film_mm": 600.0, "object_to_film_mm": 1.0}, "place": {"station_at_middle_mm": 100.0},
        "location": {"datum": "left end"}, "imperfections": list(flaws),
    })


def _read_by_key(recipe: Recipe) -> Worksheet:
    """The reading of a perfect reader: the answer key of the film, without the depth, which one film does not show."""
    key = make_key(expose(recipe, np.random.default_rng(4)), FilmFacts(file="R.tif", pixels_per_mm=8.0))
    weld = replace(key.weld, name="BF-R1", length_mm=LENGTH_MM, wall_mm=12.0, joint="plate", cap_width_mm=14.0,
                   location=LocationFacts("left end", stations_from_datum=True))
    indications = tuple(replace(k.indication, depth_mm=None, length_u_mm=0.2, width_u_mm=0.2, confidence=1.0) for k in key.indications)
    return Worksheet(film=key.film, weld=weld, indications=indications, groups=key.groups)


def _situation(sheet: Worksheet) -> Situation:
    job = Job.model_validate({"weld": {"wall_mm": 12.0, "joint": "plate", "length_mm": LENGTH_MM, "layers": "multi", "cap_width_mm": 14.0}})
    return situation_from_job(job, sheet, "mm")


def _outside(flaw: ImperfectionPart, plan: RepairPlan) -> bool:
    return not any(s.from_mm <= (flaw.along_mm or math.nan) <= s.to_mm for s in plan.stretches)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["api-1104", "iso-10675-1-level-2"])
def test_the_stated_stretches_make_the_weld_acceptable_again(name: str) -> None:
    """Slag of 26 mm and a crack are rejected by both criteria; single pores of 0.8 and 0.9 mm in 12 mm are accepted by both."""
    criteria = load_criteria(name)
    recipe = _recipe(FLAWS)
    before = _read_by_key(recipe)
    judged = judge(before, criteria, _situation(before))
    assert judged.verdict == "reject"
    plan = make_plan(judged)
    assert len(plan.stretches) == 2
    assert plan.stretches[0].from_mm < 45
    assert plan.stretches[0].to_mm > 71
    kept = tuple(f for f in recipe.imperfections if _outside(f, plan))
    assert [f.type for f in kept] == ["gas pore", "gas pore"]  # sound metal and harmless pores stay
    after = _read_by_key(recipe.model_copy(update={"imperfections": kept}))
    again = judge(after, criteria, _situation(after))
    assert not [f for f in again.findings if f.result == "reject"]
    assert again.verdict == "accept"
    found = compare(judged, again)
    assert found.removed_gone
    assert len(found.still_there) == 2
    assert found.new == ()
