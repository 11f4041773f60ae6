"""Classify: name each indication by ISO 6520-1, with confidence, alternatives and one sentence of the measured reasons.

Every type has a weight for every clue (`type_clues`); weighted clues add up as log-odds do, and a type's probability is its share after a
soft maximum. Nothing is hidden: the sentence names the clues that spoke loudest for the type against the others. Weights and the
temperature that makes the probabilities honest were fitted on simulated films only (scripts/train_detector).

Planar types (crack, lack of fusion, lack of penetration) are doubted in the safe direction: alternatives are kept down to
`LEAST_ALTERNATIVE`, so that whoever judges sees a planar possibility long before it becomes the name.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np

from rtscan.film import F64
from rtscan.findings import Alternative, Indication
from rtscan.imperfections import by_term
from rtscan.reading.measure import Measured
from rtscan.reading.type_clues import CLUES, clue_values

WEIGHTS = Path(__file__).with_name("models") / "types.json"
LEAST_ALTERNATIVE = 0.03
TOLD = 4


@dataclass(frozen=True)
class Weights:
    """For one tone: the types, weights of shape (types, 2 · clues), offsets (types,), temperature."""

    types: tuple[str, ...]
    weights: F64
    offsets: F64
    temperature: float


def classify(measured: tuple[Measured, ...]) -> tuple[Indication, ...]:
    """Every indication with its most probable type, confidence, alternatives (most probable first) and reasons."""
    return tuple(_named(m) for m in measured)


def type_probabilities(features: Mapping[str, float], tone: str) -> dict[str, float]:
    """Probability of every type of a tone, most probable first."""
    told = _weights()[tone]
    score = (told.weights @ clue_values(features) + told.offsets) / told.temperature
    share = np.exp(score - score.max())
    share /= share.sum()
    order = sorted(range(len(share)), key=lambda k: (-share[k], told.types[k]))
    return {told.types[k]: float(share[k]) for k in order}


def _named(m: Measured) -> Indication:
    tone = m.indication.tone or "dark"
    ranked = list(type_probabilities(m.features, tone).items())
    best, confidence = ranked[0]
    others = tuple(Alternative(t, _number(t), round(p, 3)) for t, p in ranked[1:] if p >= LEAST_ALTERNATIVE)
    return replace(m.indication, type=best, iso6520=_number(best), confidence=round(confidence, 3), alternatives=others,
                   why=_why(m, tone, best, others))


def _number(term: str) -> str:
    known = by_term(term)
    return known.iso6520 if known else ""


def _why(m: Measured, tone: str, best: str, others: tuple[Alternative, ...]) -> str:
    told = _weights()[tone]
    row = told.types.index(best)
    spoken = (told.weights[row] - told.weights.mean(axis=0)) * clue_values(m.features)
    words = [w for clue in CLUES for w in (clue.less, clue.more)]
    loud = [words[k] for k in np.argsort(-spoken, kind="stable") if spoken[k] > 0.1 and words[k]][:TOLD]
    i = m.indication
    size = f"{i.length_mm:.1f} × {i.width_mm:.1f} mm" if i.length_mm is not None and i.width_mm is not None else "no scale"
    reasons = ", ".join(loud) if loud else "nothing speaks strongly for any type"
    doubt = f"; could be {others[0].type}" if others and others[0].confidence >= 0.2 else ""
    return f"{tone.capitalize()}, {size}, {reasons}{doubt}."


@cache
def _weights() -> dict[str, Weights]:
    table = json.loads(WEIGHTS.read_text(encoding="utf-8"))
    if table["clues"] != [c.feature for c in CLUES]:
        raise RuntimeError("the clues of type_clues.py are not those of models/types.json; run scripts/train_detector trees")
    return {tone: Weights(tuple(t["types"]), np.array(t["weights"]), np.array(t["offsets"]), float(t["temperature"]))
            for tone, t in table.items() if tone != "clues"}
