"""Draws the films of a practice session: which are clean, unfit, wrongly marked or a pair, and what lies in the others."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from rtscan.film import F32
from rtscan.findings import FilmFacts
from rtscan.imperfections import by_term
from rtscan.job import Job, Technique
from rtscan.knowledge.testing import density_limits
from rtscan.practise.fitness import Fitness, fitness_of, hidden_share
from rtscan.practise.levels import Level, Levels
from rtscan.reading.quality.indicator import required_wire
from rtscan.simulate.files import film_facts, job_text
from rtscan.simulate.key import Key, KeyIndication, make_key, weld_facts
from rtscan.simulate.population import ARTEFACTS, WEIGHTS, random_recipe
from rtscan.simulate.recipe import ArtefactPart, ImperfectionPart, Recipe
from rtscan.simulate.render import Exposed, SimulatedFilm, develop, expose
from rtscan.simulate.scanner import grey_to_density

MARKERS_WRONG = "markers missing or wrong"
UNFIT = ("density too low", "density too high", "unsharp", "weld not all on the film")
ROUND = frozenset({"pore", "metal"})
_TRIES = 4
_WITHIN = 1.6
"""A detectability within this factor of the one aimed at is taken."""


@dataclass(frozen=True)
class Plan:
    """What one film of the session is for. `unfit` and `markers` ("complete", "missing", "wrong") are the truth about it."""

    name: str
    flawed: bool
    unfit: str = ""
    markers: str = "complete"
    pair: bool = False


@dataclass(frozen=True)
class DealtFilm:
    """A film with its key; `unfit` says why it may not be judged, worked from the film made; `second` is the other film of a pair."""

    plan: Plan
    film: SimulatedFilm
    key: Key
    unfit: tuple[str, ...]
    fitness: Fitness
    second: SimulatedFilm | None = None


@dataclass(frozen=True)
class Focus:
    """Weight of an imperfection family and of a size class in the drawing; 1 for what is not listed. See focus.py for the rule."""

    family: Mapping[str, float]
    faint: float = 1.0


def plan_session(level: Level, count: int, rng: np.random.Generator) -> tuple[Plan, ...]:
    """Roles in fixed numbers, dealt in random order; rounding favours the flawed films."""
    unfit, faults = _share(level.unfit, count), _share(level.marker_faults, count)
    clean, pairs = _share(level.clean, count), _share(level.pairs, count)
    order = list(map(int, rng.permutation(count)))
    plans = {k: Plan(f"film-{k + 1:0{max(len(str(count)), 2)}d}", True) for k in range(count)}
    taken = iter(order)
    first = int(rng.integers(len(UNFIT)))
    for number, k in enumerate(next(taken) for _ in range(min(unfit, count))):
        plans[k] = replace(plans[k], unfit=UNFIT[(first + number) % len(UNFIT)])
    rest = list(taken)
    for k in rest[:faults]:
        fault = "missing" if rng.random() < 0.5 else "wrong"
        plans[k] = replace(plans[k], markers=fault, unfit=MARKERS_WRONG)
    rest = rest[faults:]
    for k in rest[:clean]:
        plans[k] = replace(plans[k], flawed=False)
    for k in rest[max(len(rest) - pairs, 0):]:
        plans[k] = replace(plans[k], pair=True)
    return tuple(plans[k] for k in range(count))


def _share(share: float, count: int) -> int:
    """The number of films of a role; a role that the level has gets at least one film of ten or more."""
    return max(round(share * count), 1 if share > 0.02 and count >= 10 else 0)


def draw_films(
    plans: Sequence[Plan], level: Level, levels: Levels, techniques: Sequence[Technique], criteria: str, focus: Focus,
    rng: np.random.Generator,
) -> Iterator[DealtFilm]:
    """Makes the films one by one, each from its own stream of `rng`."""
    for k, (plan, child) in enumerate(zip(plans, rng.spawn(len(plans)), strict=True)):
        technique = techniques[k % len(techniques)]
        recipe = _set_up(plan, level, technique, criteria, child)
        aims = _aims(level, focus, child) if plan.flawed else ()
        kinds = _kinds(len(aims), level, levels, focus, child)
        recipe = recipe.model_copy(update={"imperfections": _placed(kinds, recipe, child), "artefacts": _artefacts(plan, level, child)})
        yield _made(plan, recipe, aims, level, child)


def _set_up(plan: Plan, level: Level, technique: Technique, criteria: str, rng: np.random.Generator) -> Recipe:
    """Weld, exposure, film, scan and markers, without imperfections."""
    base = random_recipe(level.set_up, technique, rng, 0, 1.0).model_dump(mode="json", by_alias=True)
    number = int(rng.integers(100, 900))
    turned = 45 < base["place"]["angle_deg"] < 135
    along, across = (base["film"]["height_mm"], base["film"]["width_mm"])[:: 1 if turned else -1]
    base["name"], base["weld"]["name"] = plan.name, f"PW-{number}"
    base["scan"] |= {"bits": 16, "grey_is": "density", "look": "dense-bright", "pixels_per_mm": 20.0}
    base["film"] |= {"density": round(float(rng.uniform(2.5, 3.0)), 2), "class": "C3"}
    base["testing"] = {"standard": "iso-17636-1", "class": "A"}
    base["exposure"] |= _exposure(technique, base["weld"]["wall_mm"], rng)
    base["acceptance"] = {"criteria": criteria}
    base["letters"] = _letters(plan, number, along, across, technique.startswith("DWDI"), rng)
    if not base["iqi"]:
        base["iqi"] = [{"set": "W10" if base["weld"]["wall_mm"] > 5 else "W13", "side": "film", "along_mm": 0.2 * along}]
    long = technique.startswith("DWDI") or across >= 70  # the label on the film, beyond the images of the weld
    base["iqi"][0] |= {"wire_length_mm": 50 if long else 25, "across_mm": 0.0}
    _make_unfit(base, plan.unfit)
    return Recipe.model_validate(base)


def _exposure(technique: Technique, wall_mm: float, rng: np.random.Generator) -> dict[str, Any]:
    """A source that shows the wire of class A: x-rays no harder than needed, or selenium behind 8 mm or more. Checked on the film made."""
    through = wall_mm * (2 if technique.startswith("DW") else 1)
    if through >= 8 and rng.random() < 0.4:
        return {"source": "Se-75", "focal_mm": 1.5}
    kv = (95 + 8.2 * through) * float(rng.uniform(0.85, 1.0))
    return {"source": "x-ray", "kv": round(min(max(kv, 100.0), 400.0)), "focal_mm": 1.0}


def _letters(plan: Plan, number: int, along: float, across: float, double: bool, rng: np.random.Generator) -> list[dict[str, Any]]:
    """The name in the middle of the lower edge, location markers at both ends (not on double images); the indicator has its label above."""
    shown = number if plan.markers == "complete" else number + (10 if rng.random() < 0.5 else 1)
    edge = 0.5 * across - 7.0
    places = (("0", -0.42), ("1", 0.42)) if not double else ()
    name = [{"text": f"PW-{shown}", "along_mm": 0.0, "across_mm": edge, "height_mm": 7.0}] if plan.markers != "missing" else []
    return [*name, *({"text": text, "along_mm": at * along, "across_mm": edge, "height_mm": 6.0} for text, at in places)]


def _make_unfit(base: dict[str, Any], unfit: str) -> None:
    if unfit == "density too low":
        base["film"]["density"] = 1.1
    elif unfit == "density too high":
        base["film"]["density"], base["scan"]["density_max"] = 4.6, 5.2
    elif unfit == "unsharp":
        base["exposure"]["unsharpness_mm"] = 1.2
    elif unfit == "weld not all on the film":
        turned = 45 < base["place"]["angle_deg"] < 135
        base["place"]["off_middle_mm"] = 0.5 * (base["film"]["width_mm"] if turned else base["film"]["height_mm"]) - 1.5


def _aims(level: Level, focus: Focus, rng: np.random.Generator) -> tuple[float, ...]:
    """Detectability aimed at for each imperfection, even on the log scale; the focus on faint ones squeezes it downwards."""
    low, high = map(math.log, level.detectability)
    count = int(rng.integers(level.imperfections[0], level.imperfections[1] + 1))
    return tuple(math.exp(low + (high - low) * float(rng.random()) ** max(focus.faint, 1.0)) for _ in range(count))


def _kinds(count: int, level: Level, levels: Levels, focus: Focus, rng: np.random.Generator) -> tuple[str, ...]:
    names: tuple[str, ...] = level.types or tuple(WEIGHTS)
    weights = np.array([WEIGHTS[n] * focus.family.get(_family(n), 1.0) for n in names], dtype=np.float64)
    if count and rng.random() < level.confusing:
        pairs = [p for p in levels.confusing_pairs if not level.types or set(p) & set(names)]
        pair = pairs[int(rng.integers(len(pairs)))]
        return (*pair[:count], *map(str, rng.choice(names, max(count - 2, 0), p=weights / weights.sum())))
    return tuple(map(str, rng.choice(names, count, p=weights / weights.sum())))


def _family(kind: str) -> str:
    entry = by_term("linear slag inclusion" if kind == "wagon tracks" else kind)
    return entry.family if entry else ""


def _placed(kinds: Sequence[str], recipe: Recipe, rng: np.random.Generator) -> tuple[ImperfectionPart, ...]:
    """One stretch of weld per imperfection, so that they do not lie over one another; on double images the simulator places them."""
    if recipe.exposure.technique.startswith("DWDI"):
        return tuple(ImperfectionPart.model_validate({"type": k, "wall": "film" if rng.random() < 0.5 else "source"}) for k in kinds)
    turned = 45 < recipe.place.angle_deg < 135
    along = (recipe.film.height_mm if turned else recipe.film.width_mm) - 30.0
    slot = along / max(len(kinds), 1)
    starts = [recipe.place.station_at_middle_mm - along / 2 + slot * (k + float(rng.uniform(0.3, 0.7))) for k in range(len(kinds))]
    around = None if recipe.weld.od_mm is None else math.pi * recipe.weld.od_mm
    return tuple(ImperfectionPart.model_validate({"type": kind, "along_mm": round(s % around if around else s, 2)})
                 for kind, s in zip(kinds, starts, strict=True))


def _artefacts(plan: Plan, level: Level, rng: np.random.Generator) -> tuple[ArtefactPart, ...]:
    count = int(rng.integers(level.nuisances[0], level.nuisances[1] + 1))
    if plan.pair:
        count = max(count, 1)
    return tuple(ArtefactPart.model_validate({"kind": str(k), "strength": round(float(rng.uniform(0.6, 1.5)), 2)})
                 for k in rng.choice(ARTEFACTS, count))


def _made(plan: Plan, recipe: Recipe, aims: Sequence[float], level: Level, rng: np.random.Generator) -> DealtFilm:
    """Exposes the film, again and again with sizes changed, until every imperfection is about as detectable as aimed at."""
    seed = int(rng.integers(2**63))
    recipe = recipe if plan.unfit in UNFIT else _fit_to_judge(recipe, seed)
    exposed = expose(recipe, np.random.default_rng(seed))
    for _ in range(_TRIES if recipe.imperfections and not plan.unfit else 0):
        key = make_key(exposed, FilmFacts())
        parts = tuple(_nearer(part, [i for i in key.indications if i.recipe == line], aim, level.smallest_mm, recipe.weld.wall_mm)
                      for line, (part, aim) in enumerate(zip(exposed.recipe.imperfections, aims, strict=True)))
        if parts == exposed.recipe.imperfections:
            break
        exposed = expose(recipe.model_copy(update={"imperfections": parts}), np.random.default_rng(seed))
    film = develop(exposed, rng)
    second = None
    if plan.pair:
        plain = exposed.recipe.model_copy(update={"artefacts": (), "name": f"{recipe.name}b"})
        second = develop(replace(exposed, recipe=plain), rng)
    key = make_key(film.exposed, film_facts(film, f"{plan.name}.tif", ""))
    fitness, found = _fitness(film.exposed, hidden_share(film.exposed, key.weld, density_of(film)))
    unfit = tuple(dict.fromkeys((*((plan.unfit,) if plan.unfit else ()), *found)))
    return DealtFilm(plan, film, key, unfit, fitness, second)


def density_of(film: SimulatedFilm) -> F32:
    """The density of a simulated film by the calibration of its own scan."""
    table = np.asarray(grey_to_density(film.recipe.scan), dtype=np.float64)
    order = np.argsort(table[:, 0])
    return np.asarray(np.interp(film.grey, table[order, 0], table[order, 1]), dtype=np.float32)


def _fitness(exposed: Exposed, hidden: float = 0.0) -> tuple[Fitness, tuple[str, ...]]:
    """The fitness of an exposed film and what its testing standard finds wrong."""
    job = Job.model_validate(tomllib.loads(job_text(SimulatedFilm(np.zeros((1, 1), np.uint16), exposed))))
    required, limits = required_wire(job), density_limits("iso-17636-1", job.testing.class_, job.exposure.source)
    fitness = replace(fitness_of(exposed, weld_facts(exposed), required.number if required else None), hidden=hidden)
    return fitness, fitness.reasons((limits and limits.min) or 0.0, (limits and limits.max) or math.inf)


def _fit_to_judge(recipe: Recipe, seed: int) -> Recipe:
    """The recipe with density and source changed until its testing standard has nothing against the film; as far as three tries go."""
    for _ in range(3):
        fitness, wrong = _fitness(expose(recipe.model_copy(update={"imperfections": ()}), np.random.default_rng(seed)))
        if not wrong:
            break
        recipe = _better(recipe, fitness, wrong)
    return recipe


def _better(recipe: Recipe, fitness: Fitness, wrong: tuple[str, ...]) -> Recipe:
    film, exposure = recipe.film, recipe.exposure
    if "density too low" in wrong and "density too high" in wrong:
        exposure = exposure.model_copy(update={"source": "Ir-192"})
    elif "density too low" in wrong:
        film = film.model_copy(update={"density": min(film.density + 2.15 - fitness.least, 3.8), "ends": 0.0, "uneven": 0.0})
    elif "density too high" in wrong:
        film = film.model_copy(update={"density": max(film.density - (fitness.greatest - 4.2), 2.3), "ends": 0.0, "uneven": 0.0})
    if "wire not seen" in wrong:
        through = recipe.weld.wall_mm * (2 if exposure.technique.startswith("DW") else 1)
        film = film.model_copy(update={"class_": "C2"})
        exposure = exposure.model_copy(update={"source": "x-ray", "kv": min(max(90 + 6.5 * through, 100.0), 400.0), "focal_mm": 0.8})
    return recipe.model_copy(update={"film": film, "exposure": exposure})


def _nearer(part: ImperfectionPart, items: Sequence[KeyIndication], aim: float, smallest_mm: float, wall_mm: float) -> ImperfectionPart:
    """The part changed towards the detectability aimed at, by its height, a single round one by all its sizes; itself when near enough.

    A single imperfection shorter than the level allows is drawn at the level's smallest length.
    """
    if not items:
        return part
    best = max(items, key=lambda i: i.detectability)
    shown, ratio = best.indication, aim / max(best.detectability, 1e-3)
    length = shown.length_mm or smallest_mm
    if len(items) == 1 and length < smallest_mm:
        return part.model_copy(update={"length_mm": round(1.05 * smallest_mm, 3)})
    if 1 / _WITHIN < ratio < _WITHIN:
        return part
    wanted = length * min(max(math.sqrt(ratio), 0.25), 4.0)
    if len(items) == 1 and _family(part.type) in ROUND and smallest_mm < wanted < 0.6 * wall_mm:
        return part.model_copy(update={"length_mm": round(wanted, 3), "width_mm": None, "height_mm": None})
    return part.model_copy(update={"height_mm": round(min(max((shown.height_mm or 0.5) * ratio, 0.04), 0.6 * wall_mm), 3)})
