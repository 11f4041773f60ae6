"""Random films: what welds, set-ups, flaws and nuisances a level holds. For practice sets and for training.

Level 1: even films, straight weld, plain bead, clear flaws. Level 2: usual films of a yard, most nuisances. Level 3: hard: faint flaws,
coarse beads, turned and bowed welds, poor films, dense-dark scans, everything at once. Shares are choices of the project, written here.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from rtscan.job import Technique
from rtscan.simulate.recipe import Recipe

PIPES = (
    (60.3, 3.91),
    (60.3, 5.54),
    (88.9, 5.49),
    (114.3, 6.02),
    (168.3, 7.11),
    (219.1, 8.18),
    (273.1, 9.27),
    (323.9, 9.53),
    (406.4, 12.7),
    (508.0, 12.7),
)
WEIGHTS: dict[str, float] = {
    "gas pore": 14,
    "uniformly distributed porosity": 3,
    "clustered porosity": 5,
    "linear porosity": 4,
    "elongated cavity": 4,
    "worm-hole": 4,
    "hollow bead": 2,
    "crater pipe": 3,
    "isolated slag inclusion": 8,
    "linear slag inclusion": 6,
    "wagon tracks": 3,
    "tungsten inclusion": 7,
    "copper inclusion": 1,
    "protruding filler wire": 2,
    "lack of side-wall fusion": 6,
    "lack of inter-run fusion": 3,
    "lack of root fusion": 5,
    "missed tie-in": 2,
    "incomplete root penetration": 6,
    "root concavity": 4,
    "continuous excess penetration": 3,
    "local excess penetration": 3,
    "burn-through": 3,
    "continuous undercut": 4,
    "intermittent undercut": 4,
    "shrinkage groove": 2,
    "incompletely filled groove": 2,
    "missed bevel edge": 2,
    "longitudinal crack": 6,
    "transverse crack": 4,
    "crater crack": 3,
    "branching crack": 2,
    "spatter": 4,
    "stray arc": 2,
    "grinding mark": 2,
    "excess weld metal": 1,
    "linear misalignment": 2,
}
ARTEFACTS = (
    "scratch",
    "crimp mark",
    "static",
    "roller marks",
    "fingerprint",
    "water spot",
    "screen mark",
    "light leak",
    "handwriting",
    "double-exposed corner",
    "pressure mark",
    "screen dirt",
    "bromide streaks",
)
HALF_VALUE_KV, STEEL_HALF_VALUE_MM = (100.0, 150.0, 200.0, 250.0, 300.0, 400.0), (1.69, 2.92, 3.87, 4.59, 5.16, 6.03)
"""Narrow-beam half-value layer in steel after 10 mm of it, tungsten target (spekpy 2.5.4)."""
Table = dict[str, Any]


def random_recipe(
    level: int, technique: Technique, rng: np.random.Generator, max_imperfections: int | None = None, clean_share: float = 0.15
) -> Recipe:
    """Draws a film. The same generator state gives the same recipe."""
    weld = _weld(level, technique, rng)
    exposure = _exposure(technique, weld, level, rng)
    film, scan, place = _film(level, exposure, rng), _scan(level, rng), _place(level, technique, rng)
    if exposure["source"] == "x-ray":
        _fit_voltage(weld, exposure, film, technique, rng)
    _size_film(technique, weld, exposure, film, place, scan)
    table: Table = {
        "weld": weld,
        "exposure": exposure,
        "film": film,
        "scan": scan,
        "place": place,
        "location": {"downstream_is": _downstream(place), "looking": "downstream", "direction": "clockwise"},
    }
    if weld.get("od_mm"):
        table["location"] |= {"datum": "top", "datum_clock": "12:00"}
        place["station_at_middle_mm"] = round(float(rng.uniform(0, np.pi * weld["od_mm"])), 1)
    table["testing"] = {"standard": "iso-17636-1", "class": "B" if rng.random() < 0.5 else "A"}
    table["iqi"], table["letters"] = _indicators(technique, weld, film, place, level, rng)
    table["imperfections"] = [] if rng.random() < clean_share else _imperfections(level, technique, max_imperfections, rng)
    table["artefacts"] = _artefacts(level, rng)
    return Recipe.model_validate(table)


def _uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return round(float(rng.uniform(low, high)), 3)


def _weld(level: int, technique: Technique, rng: np.random.Generator) -> Table:
    table: Table = {}
    if technique == "SWSI":
        table["wall_mm"] = round(5.0 + (20.0 if level > 1 else 11.0) * float(rng.random()) ** 1.4, 3)
    else:
        choices = PIPES[:3] if technique.startswith("DWDI") else PIPES[3:]
        od, wall = choices[int(rng.integers(len(choices)))]
        table |= {"od_mm": od, "wall_mm": wall}
    rough = {1: 0.7, 2: 1.0, 3: 1.5}[level]
    wall = table["wall_mm"]
    gtaw = rng.random() < 0.45
    pitch = _uniform(rng, 0.9, 2.2) if gtaw else _uniform(rng, 1.8, 6.0)
    coarse = rng.random() < {1: 0.05, 2: 0.2, 3: 0.35}[level]  # laid with a weave: every dab a lump of its own
    heavy = rng.random() < {1: 0.3, 2: 0.6, 3: 0.7}[level]  # a high bead shot with a soft beam: much brighter than the plate
    both = technique == "SWSI" and wall > 7 and rng.random() < (0.4 if wall < 14 else 0.7)
    shallow = rng.random() < 0.4  # a root bead that hardly shows
    table |= {
        "preparation": "X"
        if both
        else str(rng.choice(["V", "V", "V", "U", "J"] if 9 < wall < 16 else ["V", "U", "U", "J"] if wall > 9 else ["V", "V", "U"])),
        "bevel_deg": _uniform(rng, 25, 37),  # of a V; U and J below
        "gap_mm": _uniform(rng, 1.5, 4),
        "land_mm": _uniform(rng, 0.5, 2),
        "cap_height_mm": _uniform(rng, 2.0, 3.0 + 0.15 * wall) if heavy else _uniform(rng, 1.1, 2.4 + 0.12 * wall),
        "root_width_mm": _uniform(rng, 3, 7),
        "root_height_mm": _uniform(rng, 0.05, 0.4) if shallow else _uniform(rng, 0.5, 2.4),
        "cap_passes": int(rng.choice([1, 1, 1, 2, 3])) if wall > 9 else 1,
        "ripple_mm": round(float(rng.uniform(0.15, 1) ** 1.6) * (0.08 if gtaw else 0.6 if coarse else 0.28) * rough, 4),
        "ripple_pitch_mm": pitch,
        "roughness": round(_uniform(rng, 0.5, 1.4) * rough, 3),
        "root_uneven": round(float(np.exp(rng.uniform(-0.7, 0.8))), 3),
        "toe_mm": round(float(np.exp(rng.uniform(np.log(0.2), np.log(0.7)))), 3),
        "ground": bool(rng.random() < 0.06),
        "material": "stainless steel" if gtaw and rng.random() < 0.3 else "carbon steel",
        "process": "141" if gtaw else "111",
    }
    if level > 1 and rng.random() < 0.15:
        table["mismatch_mm"] = _uniform(rng, -1.5, 1.5)
    if table["preparation"] in ("U", "J"):
        table["bevel_deg"] = _uniform(rng, 7, 16)
    return table | _tacks_and_seams(table, rng)


def _tacks_and_seams(weld: Table, rng: np.random.Generator) -> Table:
    """Stations of tacks, and of the pipe's own seams where it has been welded from plate or strip."""
    table: Table = {}
    around = np.pi * weld["od_mm"] if "od_mm" in weld else None
    if rng.random() < 0.35:
        places = np.cumsum(rng.uniform(30, 90, 4)) if around is None else (np.arange(4) + rng.uniform(0, 1, 4)) * around / 4
        table["tacks_mm"] = [round(float(t), 1) for t in places]
    wall = weld["wall_mm"]
    if around is not None and wall >= 7 and rng.random() < 0.12:  # a pipe with a welded seam; usually set off from its neighbour's
        table["seams_mm"] = [round(float(s), 1) for s in rng.uniform(0, around, 2)]
        table |= {"seam_width_mm": _uniform(rng, 0.6 * wall + 3, wall + 8), "seam_height_mm": _uniform(rng, 0.5, 2.5)}
    return table


def _exposure(technique: Technique, weld: Table, level: int, rng: np.random.Generator) -> Table:
    wall, od = weld["wall_mm"], weld.get("od_mm")
    through = wall * (2 if technique.startswith("DW") else 1)
    gamma = rng.random() < (0.75 if technique in ("DWSI", "panoramic") else 0.35)
    usual_kv = 58 + 5.5 * through if weld["cap_height_mm"] > 2.3 else 72 + 6.8 * through
    table: Table = {"technique": technique, "object_to_film_mm": _uniform(rng, 0.5, 4)}
    if gamma:
        sources = ["Se-75", "Ir-192"] if through < 25 else ["Ir-192"]
        table |= {"source": str(rng.choice(sources)), "focal_mm": _uniform(rng, 1, 3)}
    else:
        table |= {
            "source": "x-ray",
            "kv": round(float(np.clip(usual_kv * rng.uniform(0.85, 1.25), 90, 380))),
            "focal_mm": _uniform(rng, 0.8, 4),
        }
    if technique == "SWSI":
        table["source_to_film_mm"] = _uniform(rng, 400, 900)
    elif technique == "DWSI":
        assert od is not None
        table["source_to_film_mm"] = round(od + (_uniform(rng, 8, 40) if rng.random() < 0.7 else _uniform(rng, 60, 250)), 1)
        table["offset_mm"] = round(table["source_to_film_mm"] * _uniform(rng, 0.14, 0.26) * float(rng.choice([-1.0, 1.0])), 1)
    elif technique.startswith("DWDI"):
        assert od is not None
        table["source_to_film_mm"] = _uniform(rng, 500, 800)
        if technique == "DWDI-ellipse":
            table["offset_mm"] = round(_ellipse_offset(table["source_to_film_mm"], od, wall, rng), 1)
    return table


def _fit_voltage(weld: Table, exposure: Table, film: Table, technique: Technique, rng: np.random.Generator) -> None:
    """Raises the voltage where the parent metal would come out too dense beside the weld, and lowers it on most of the other films to
    use the film's range, as radiographers do. Density in proportion to dose; scatter as of the parent metal."""
    through = weld["wall_mm"] * (2 if technique.startswith("DW") else 1)
    excess = weld["cap_height_mm"] + weld["root_height_mm"]
    wanted = rng.uniform(3.4, 4.7) / film["density"]
    scatter = 0.05 + 0.1 * through
    coefficient = np.log(max(wanted * (1 + scatter) - scatter, 1.05)) / excess
    fitting = float(np.interp(np.log(2) / coefficient, STEEL_HALF_VALUE_MM, HALF_VALUE_KV))
    softer = rng.random() < 0.7
    drawn = exposure["kv"]
    exposure["kv"] = round(float(np.clip(max(fitting, (0.65 if softer else 1.0) * drawn), 80, 400)))


def _ellipse_offset(distance: float, od: float, wall: float, rng: np.random.Generator) -> float:
    """Source offset whose opening leaves about one weld width between the two images: S = L1 (b + gap) / L2."""
    width = 2 * 0.6 * wall + 5.5
    return float((distance - od) * (width * rng.uniform(1.6, 2.4)) / od)


def _film(level: int, exposure: Table, rng: np.random.Generator) -> Table:
    table: Table = {
        "class": str(rng.choice(["C1", "C1", "C2", "C2", "C3", "C4", "C5"])),
        "density": _uniform(rng, 1.9, 2.6),
        "height_mm": _uniform(rng, 45, 70),
    }
    gamma = exposure["source"] != "x-ray"
    table |= {"mottle_mm": _uniform(rng, 0.045, 0.08) if gamma else _uniform(rng, 0.035, 0.06)}
    table |= {"mottle_share": _uniform(rng, 0.45, 0.75) if gamma else _uniform(rng, 0.35, 0.65), "grain_skew": _uniform(rng, 0.006, 0.032)}
    if level > 1:
        table |= {"uneven": _uniform(rng, 0, 0.12 * level), "border_mm": _uniform(rng, 0.2, 1.3) if rng.random() < 0.7 else 0.0}
        if rng.random() < 0.3:
            table["ends"] = _uniform(rng, -0.6, 1.2)
    if level == 3 and rng.random() < 0.25:
        table["density"] = _uniform(rng, 1.2, 4.0)
    return table


def _scan(level: int, rng: np.random.Generator) -> Table:
    table: Table = {"pixels_per_mm": float(rng.choice([20.0, 20.0, 24.81, 25.0, 15.0])), "bits": int(rng.choice([16, 16, 12, 8]))}
    cheap = rng.random() < 0.18 * level  # little light through dense film: noise that rises steeply with density
    noise = rng.uniform(np.log(0.004), np.log(0.015)) if cheap else rng.uniform(np.log(0.0006), np.log(0.007))
    table |= {
        "lines": round(float(np.exp(rng.uniform(np.log(0.0008), np.log(0.0018 * level)))), 5),
        "noise": round(float(np.exp(noise)), 5),
    }
    table |= {"blur_mm": _uniform(rng, 0.015, 0.055), "drag_mm": _uniform(rng, 0.02, 0.055), "density_max": _uniform(rng, 4.4, 5.2)}
    if rng.random() < 0.6:
        table["glare"] = round(float(np.exp(rng.uniform(np.log(3e-6), np.log(6e-4)))), 7)
    if rng.random() < 0.5:
        table["log_ripple"] = _uniform(rng, 0.02, 0.12)
    if level > 1:
        table["dust"] = int(rng.integers(0, 40 * level))
    if rng.random() < 0.06 * level:
        table |= {"look": "dense-dark", "bits": 14, "grey_is": "dose" if rng.random() < 0.5 else "density"}
    elif rng.random() < 0.12:
        table["grey_is"] = "light"
        table["bits"] = 16
    return table


def _place(level: int, technique: Technique, rng: np.random.Generator) -> Table:
    table: Table = {"off_middle_mm": _uniform(rng, -6, 6)}
    if level == 1:
        return table
    table["angle_deg"] = _uniform(rng, -3, 3) if rng.random() < 0.7 else _uniform(rng, -15, 15)
    if (technique.startswith("DWDI") and rng.random() < 0.7) or rng.random() < 0.12:
        table["angle_deg"] = 90.0 + _uniform(rng, -3, 3)
    table |= {"waviness_mm": _uniform(rng, 0, 0.4 * level), "bow_mm": _uniform(rng, -1.5, 1.5) * level if rng.random() < 0.4 else 0.0}
    return table


def _downstream(place: Table) -> str:
    return "right" if 45 < place.get("angle_deg", 0.0) < 135 else "up"


def _size_film(technique: Technique, weld: Table, exposure: Table, film: Table, place: Table, scan: Table) -> None:
    """Width along the weld and height across it; a turned weld swaps them."""
    along = 200.0
    od = weld.get("od_mm")
    if technique.startswith("DWDI"):
        assert od is not None
        along = round(1.3 * od * exposure["source_to_film_mm"] / (exposure["source_to_film_mm"] - od), 1)
        film["height_mm"] = round(film["height_mm"] + 30, 1)
    elif od is not None:
        far = technique == "DWSI" and exposure["source_to_film_mm"] > od + 50
        along = round(min(240.0, np.pi * od / (5 if far else 3 if technique == "DWSI" else 2)), 1)
    film["width_mm"] = along
    if 45 < place.get("angle_deg", 0.0) < 135:
        film["width_mm"], film["height_mm"] = film["height_mm"], along


def _indicators(
    technique: Technique, weld: Table, film: Table, place: Table, level: int, rng: np.random.Generator
) -> tuple[list[Table], list[Table]]:
    turned = 45 < place.get("angle_deg", 0.0) < 135
    along, across = (film["height_mm"], film["width_mm"]) if turned else (film["width_mm"], film["height_mm"])
    reach = 0.08 if technique.startswith("DWDI") else 0.3  # on a tube the wires must lie on the metal
    wires = (
        []
        if rng.random() < 0.06 * level
        else [
            {
                "set": "W10" if weld["wall_mm"] > 5 else "W13",
                "side": "film" if technique in ("DWSI", "panoramic") else "source",
                "along_mm": _uniform(rng, -reach, reach) * along,
                "across_mm": _uniform(rng, -0.12, 0.12) * across,
                "wire_length_mm": 50 if across > 60 and not technique.startswith("DWDI") else 25,
            }
        ]
    )
    letters: list[Table] = []
    for _ in range(int(rng.integers(1, 3 + level))):
        letter = _letter(level, along, across, rng)
        if all(abs(letter["along_mm"] - other["along_mm"]) > 35 or letter["across_mm"] * other["across_mm"] < 0 for other in letters):
            letters.append(letter)
    if level > 1 and technique != "SWSI" and rng.random() < 0.5:
        side = 1 if rng.random() < 0.5 else -1
        letters += [
            {
                "text": str(5 * k),
                "along_mm": (k - 3) * 50.0 + 10,
                "across_mm": side * _uniform(rng, 0.36, 0.5) * across,
                "height_mm": 6.5,
                "stencil": True,
                "lead_mm": 1.2,
            }
            for k in range(1, 6)
            if abs((k - 3) * 50 + 10) < 0.5 * along
        ]
    return wires, letters


def _letter(level: int, along: float, across: float, rng: np.random.Generator) -> Table:
    """A weld, film or spool number in lead, above or below the weld, sometimes cut by the film's edge."""
    text = "".join(rng.choice(list("ABCDEFGHKLMNPRSTUVWXYZ"), int(rng.integers(0, 3)))) + str(int(rng.integers(1, 500)))
    side = 1 if rng.random() < 0.5 else -1
    edge = 0.5 if level > 1 and rng.random() < 0.3 else 0.38
    return {
        "text": text,
        "along_mm": _uniform(rng, -0.45, 0.45) * along,
        "across_mm": side * edge * across,
        "height_mm": _uniform(rng, 6, 10),
        "plate": bool(rng.random() < 0.4),
        "mirrored": bool(rng.random() < 0.05),
        "lead_mm": _uniform(rng, 0.6, 1.8),
    }


def _imperfections(level: int, technique: Technique, most: int | None, rng: np.random.Generator) -> list[Table]:
    count = int(np.clip(rng.poisson(1.5 + level), 1, 8))
    if most is not None:
        count = min(count, most)
    names, weights = list(WEIGHTS), np.asarray(list(WEIGHTS.values()), dtype=np.float64)
    out = []
    for name in rng.choice(names, count, p=weights / weights.sum()):
        row: Table = {"type": str(name)}
        if technique.startswith("DWDI"):
            row["wall"] = "film" if rng.random() < 0.5 else "source"
        out.append(row)
    return out


def _artefacts(level: int, rng: np.random.Generator) -> list[Table]:
    if level == 1:
        return []
    count = int(rng.poisson(0.8 * (level - 1)))
    return [{"kind": str(kind), "strength": _uniform(rng, 0.5, 1.5)} for kind in rng.choice(ARTEFACTS, count)]
