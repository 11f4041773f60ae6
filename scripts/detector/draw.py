"""Draws recipes of simulated films for training and scoring: wide variety of clutter first, because that is what fools a reader."""

from __future__ import annotations

from typing import Any, get_args

import numpy as np

from rtscan.simulate.population import random_recipe
from rtscan.simulate.recipe import ArtefactKind, ImperfectionPart, Kind, Recipe

KINDS = get_args(Kind)
COMMON = (
    "gas pore",
    "gas pore",
    "gas pore",
    "clustered porosity",
    "linear porosity",
    "isolated slag inclusion",
    "linear slag inclusion",
    "tungsten inclusion",
    "lack of side-wall fusion",
    "incomplete root penetration",
    "longitudinal crack",
    "transverse crack",
    "elongated cavity",
)
NOT_DRAWN = ("linear misalignment", "excess weld metal", "grinding mark", "stray arc")
FAMILIES = (
    ("gas pore",),
    ("elongated cavity", "worm-hole", "hollow bead", "crater pipe"),
    ("isolated slag inclusion", "linear slag inclusion", "wagon tracks"),
    ("tungsten inclusion", "copper inclusion", "protruding filler wire"),
    ("lack of side-wall fusion", "lack of inter-run fusion", "lack of root fusion"),
    ("incomplete root penetration",),
    ("longitudinal crack", "transverse crack", "crater crack", "branching crack"),
    ("continuous undercut", "intermittent undercut", "shrinkage groove"),
    ("incompletely filled groove", "missed bevel edge"),
    ("root concavity",),
    ("burn-through",),
    ("missed tie-in",),
    ("local excess penetration", "continuous excess penetration", "excess weld metal"),
    ("spatter", "stray arc", "grinding mark"),
    ("linear misalignment",),
)
"""Kinds by type family: a family is as frequent as its number of kinds has a root, when flaws are drawn evenly."""
PIPES = ((60.3, 3.91), (88.9, 5.49), (114.3, 6.02), (168.3, 7.11), (219.1, 8.18), (323.8, 9.53), (406.4, 12.7))
TECHNIQUES = ("SWSI", "DWSI", "panoramic", "DWDI-ellipse", "DWDI-superimposed")


USUAL_SHARE = 0.4
"""Share of films drawn as a yard's films are (`rtscan.simulate.population`); the others are wider than any yard's."""


def draw_recipe(rng: np.random.Generator, clean: bool, name: str) -> Recipe:
    """One film. `clean` films have all the clutter and no imperfection."""
    technique = rng.choice(np.array(TECHNIQUES, dtype=object), p=[0.52, 0.18, 0.12, 0.13, 0.05])
    if rng.random() < USUAL_SHARE:
        level = int(rng.choice([1, 2, 3], p=[0.25, 0.4, 0.35]))
        recipe = random_recipe(level, technique, rng, clean_share=float(clean))
        rougher = min(4.0, float(np.exp(rng.uniform(0.0, np.log(4.0)))) * recipe.weld.roughness)
        weld = recipe.weld.model_copy(update={"roughness": rougher, "lumps": _lumps(rng), "hand": _hand(rng)})
        return recipe.model_copy(update={"name": name, "weld": weld})
    weld = _weld(rng, technique)
    table: dict[str, Any] = {
        "name": name,
        "film": _film(rng, technique, weld),
        "scan": _scan(rng),
        "weld": weld,
        "exposure": _exposure(rng, technique, weld),
        "place": _place(rng, technique),
        "iqi": _iqi(rng),
        "letters": _letters(rng),
        "artefacts": _artefacts(rng),
        "imperfections": [] if clean else _imperfections(rng),
    }
    return Recipe.model_validate(table)


def evenly_flawed(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """The film with other flaws: several, of kinds as frequent as each other, so that naming sees enough of the rare ones."""
    share = np.sqrt([len(kinds) for kinds in FAMILIES])
    chosen = rng.choice(len(FAMILIES), 3 + int(rng.poisson(3.0)), p=share / share.sum())
    parts = tuple(ImperfectionPart(type=kinds[int(rng.integers(len(kinds)))]) for kinds in (FAMILIES[k] for k in chosen))
    return recipe.model_copy(update={"imperfections": parts})


def _weld(rng: np.random.Generator, technique: str) -> dict[str, Any]:
    if technique == "SWSI":
        wall, od = float(np.exp(rng.uniform(np.log(4), np.log(32)))), None
    else:
        few = {"DWDI-ellipse": 2, "DWDI-superimposed": 2}.get(technique, len(PIPES))
        first = 0 if few == 2 else 2
        od, wall = PIPES[int(rng.integers(first, first + min(few, len(PIPES) - first)))]
    rough = float(rng.choice([0.4, 1.0, 1.8, 2.8, 4.0], p=[0.12, 0.2, 0.3, 0.25, 0.13]))
    ground = bool(rng.random() < 0.08)
    return {
        "od_mm": od,
        "wall_mm": round(wall, 2),
        "preparation": str(rng.choice(["V", "V", "U", "J", "X", "square" if wall < 6 else "V"])),
        "bevel_deg": float(rng.uniform(20, 37)),
        "gap_mm": float(rng.uniform(0.5, 3.5)),
        "land_mm": float(rng.uniform(0.5, 2.0)),
        "mismatch_mm": float(rng.normal(0, 0.6)) if rng.random() < 0.3 else 0.0,
        "cap_height_mm": float(rng.uniform(0.3, 3.2)),
        "root_width_mm": float(rng.uniform(2.5, 8.0)),
        "root_height_mm": float(np.clip(rng.normal(0.8, 0.8), -0.6, 3.5)),
        "cap_passes": int(rng.choice([1, 1, 2, 3, 4])),
        "ripple_mm": float(np.clip(rng.gamma(2, 0.09), 0, 0.9)),
        "ripple_pitch_mm": float(np.exp(rng.uniform(np.log(0.9), np.log(8)))),
        "roughness": rough,
        "root_uneven": float(np.exp(rng.uniform(-0.7, 0.9))),
        "lumps": _lumps(rng),
        "hand": _hand(rng),
        "toe_mm": float(np.exp(rng.uniform(np.log(0.2), np.log(0.7)))),
        "tacks_mm": tuple(float(s) for s in rng.uniform(0, 240, int(rng.integers(1, 5)))) if rng.random() < 0.25 else (),
        "ground": ground,
        "stops_mm": None if rng.random() < 0.5 else tuple(float(s) for s in rng.uniform(0, 240, int(rng.integers(0, 4)))),
        "material": str(rng.choice(["carbon steel", "stainless steel"], p=[0.8, 0.2])),
    }


def _lumps(rng: np.random.Generator) -> float:
    """Sound stretches of real films vary half as much again over 1 to 5 mm as beads without lumps do."""
    return float(rng.uniform(0.03, 0.25)) if rng.random() < 0.7 else 0.0


def _hand(rng: np.random.Generator) -> float:
    """One bead in two is laid steadily; of the real films two in eighteen are as coarse as 1."""
    return float(rng.uniform(0.15, 1.0)) if rng.random() < 0.5 else 0.0


def _film(rng: np.random.Generator, technique: str, weld: dict[str, Any]) -> dict[str, Any]:
    double = technique.startswith("DWDI")
    width = float(rng.uniform(70, 110)) if double else float(rng.uniform(110, 200))
    return {
        "width_mm": width,
        "height_mm": float(rng.uniform(60, 80)) if double else float(rng.uniform(45, 62) + 0.5 * weld["wall_mm"]),
        "class": str(rng.choice(["C1", "C3", "C4", "C5", "C6"])),
        "density": float(np.clip(rng.normal(2.6, 0.45), 1.2, 3.8)),
        "density_at": str(rng.choice(["weld", "parent"], p=[0.8, 0.2])),
        "border_mm": float(rng.choice([0.0, 0.0, 0.6, 1.5])),
        "uneven": float(rng.choice([0.0, 0.1, 0.3, 0.6])),
        "ends": float(rng.choice([0.0, 0.0, -0.3, -0.6, 0.4])),
        "mottle_mm": float(rng.uniform(0.035, 0.09)),
        "mottle_share": float(rng.uniform(0.3, 0.75)),
        "grain_skew": float(rng.uniform(0.0, 0.035)),
    }


def _scan(rng: np.random.Generator) -> dict[str, Any]:
    light = rng.random() < 0.15
    return {
        "pixels_per_mm": float(rng.choice([20.0, 20.0, 24.81, 16.0, 12.0])),
        "bits": 16 if light else int(rng.choice([8, 12, 16, 16])),
        "grey_is": "light" if light else "density",
        "look": str(rng.choice(["dense-bright", "dense-bright", "dense-dark"])),
        "lines": float(rng.choice([0.0, 0.002, 0.006, 0.015])),
        "noise": float(rng.choice([0.002, 0.004, 0.01])),
        "blur_mm": float(rng.uniform(0.03, 0.12)),
        "dust": int(rng.choice([0, 0, 3, 10, 25])),
        "glare": float(np.exp(rng.uniform(np.log(3e-6), np.log(6e-4)))) if rng.random() < 0.5 else 0.0,
        "log_ripple": float(rng.uniform(0.02, 0.12)) if rng.random() < 0.4 else 0.0,
    }


def _exposure(rng: np.random.Generator, technique: str, weld: dict[str, Any]) -> dict[str, Any]:
    through = weld["wall_mm"] * (1 if technique in ("SWSI", "panoramic") else 2)
    source = "x-ray" if rng.random() < 0.55 else str(rng.choice(["Ir-192", "Se-75"]))
    exposure: dict[str, Any] = {
        "technique": technique,
        "source": source,
        "focal_mm": float(rng.choice([0.4, 1.0, 2.0, 3.0])),
        "object_to_film_mm": float(rng.uniform(0, 6)),
    }
    if source == "x-ray":
        exposure["kv"] = float(np.clip((90 + 8.0 * through) * rng.uniform(0.85, 1.25), 70, 420))
    if technique == "DWDI-ellipse":
        exposure["source_to_film_mm"] = float(rng.uniform(600, 800))
        exposure["offset_mm"] = float(rng.uniform(0.18, 0.3)) * exposure["source_to_film_mm"]
    elif technique in ("SWSI", "DWDI-superimposed"):
        exposure["source_to_film_mm"] = float(rng.uniform(500, 1000))
    return exposure


def _place(rng: np.random.Generator, technique: str) -> dict[str, Any]:
    turned = float(rng.choice([0.0, 90.0], p=[0.9, 0.1])) if not technique.startswith("DWDI") else float(rng.choice([0.0, 90.0]))
    return {
        "angle_deg": turned + float(rng.normal(0, 2.5)) * float(rng.random() < 0.6),
        "off_middle_mm": float(rng.normal(0, 4)),
        "bow_mm": float(rng.choice([0.0, 0.0, 2.0, -3.0])),
        "waviness_mm": float(rng.choice([0.0, 0.3, 0.8])),
    }


def _iqi(rng: np.random.Generator) -> list[dict[str, Any]]:
    if rng.random() < 0.25:
        return []
    astm = rng.random() < 0.3
    wire_set = str(rng.choice(["A", "B"] if astm else ["W6", "W10", "W10", "W13"]))
    return [
        {
            "kind": "ASTM-wire" if astm else "ISO-wire",
            "set": wire_set,
            "along_mm": float(rng.uniform(-60, 60)),
            "side": str(rng.choice(["film", "source"])),
            "wire_length_mm": int(rng.choice([25, 50, 50])),
        }
    ]


def _letters(rng: np.random.Generator) -> list[dict[str, Any]]:
    out = []
    for _ in range(int(rng.choice([0, 1, 2, 3]))):
        side = float(rng.choice([-1.0, 1.0]))
        out.append(
            {
                "text": "".join(rng.choice(list("ABCDEFHKLN0123456789"), int(rng.integers(1, 6)))),
                "along_mm": float(rng.uniform(-80, 80)),
                "across_mm": side * float(rng.uniform(13, 25)),
                "height_mm": float(rng.uniform(5, 10)),
                "plate": bool(rng.random() < 0.2),
                "turn_deg": float(rng.normal(0, 4)),
            }
        )
    return out + _stencils(rng)


def _stencils(rng: np.random.Generator) -> list[dict[str, Any]]:
    """On one film in eight a row of numbers cut through lead plates, on or beside the weld."""
    if rng.random() >= 0.125:
        return []
    first, across = int(rng.integers(0, 12)), float(rng.uniform(-18, 18))
    return [
        {
            "text": str(5 * (first + k)),
            "along_mm": (k - 1) * 50.0 + float(rng.uniform(-20, 20)),
            "across_mm": across + float(rng.normal(0, 1)),
            "height_mm": float(rng.uniform(5.5, 8)),
            "lead_mm": float(rng.uniform(0.6, 1.8)),
            "turn_deg": float(rng.normal(0, 4)),
            "stencil": True,
        }
        for k in range(3)
    ]


def _artefacts(rng: np.random.Generator) -> list[dict[str, Any]]:
    kinds = [str(k) for k in get_args(ArtefactKind)]
    return [{"kind": str(rng.choice(kinds)), "strength": float(np.exp(rng.normal(-0.3, 0.5)))} for _ in range(int(rng.poisson(1.2)))]


def _imperfections(rng: np.random.Generator) -> list[dict[str, Any]]:
    free = [k for k in KINDS if k not in NOT_DRAWN]
    count = 1 + int(rng.poisson(3.5))
    chosen = [str(rng.choice(COMMON)) if rng.random() < 0.55 else str(rng.choice(free)) for _ in range(count)]
    return [
        {"type": k} | ({"length_mm": float(np.exp(rng.normal(np.log(0.55), 0.5)))} if k == "gas pore" and rng.random() < 0.5 else {})
        for k in chosen
    ]
