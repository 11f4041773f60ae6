"""Classify: name each indication by ISO 6520-1, with confidence, alternatives and one sentence of the measured reasons.

Every type has a weight for every clue (`type_clues`); weighted clues add up as log-odds do, and a type's probability is its share after a
soft maximum. The family comes first: its probability is the sum over its types, and the name is the most probable type of the most
probable family, so that a family of many types does not lose by being divided. Nothing is hidden: the sentence names the clues that
spoke loudest for the type against the others. Weights and the temperature that makes the probabilities honest were fitted on simulated
films only (scripts/train_detector).

Planar types (crack, lack of fusion, lack of penetration) are doubted in the safe direction: alternatives are kept down to
`LEAST_ALTERNATIVE`, so that whoever judges sees a planar possibility long before it becomes the name; and where planar types count
only together (`PLANAR_COUNTS`), the most probable of them carries the share of all.
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
from rtscan.reading.type_clues import Clue, clue_values, clues_named

WEIGHTS = Path(__file__).with_name("models") / "types.json"
LEAST_ALTERNATIVE = 0.03
PLANAR_COUNTS = 0.05
"""From this confidence a planar alternative counts in the verdict (the contract's rule 6; acceptance/readings.py)."""
TOLD = 4


@dataclass(frozen=True)
class Weights:
    """For one tone: the clues that count, the types, weights of shape (types, 2 · clues), offsets (types,), temperature."""

    clues: tuple[Clue, ...]
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
    score = (told.weights @ clue_values(features, told.clues) + told.offsets) / told.temperature
    share = np.exp(score - score.max())
    share /= share.sum()
    order = sorted(range(len(share)), key=lambda k: (-share[k], told.types[k]))
    return {told.types[k]: float(share[k]) for k in order}


def _named(m: Measured) -> Indication:
    tone = m.indication.tone or "dark"
    shares = type_probabilities(m.features, tone)
    best = _name(shares)
    others = tuple(Alternative(t, _number(t), round(p, 3)) for t, p in _other_shares(shares, best) if p >= LEAST_ALTERNATIVE)
    return replace(m.indication, type=best, iso6520=_number(best), confidence=round(shares[best], 3), alternatives=others,
                   why=_why(m, tone, best, others))


def _name(shares: Mapping[str, float]) -> str:
    """The most probable type of the most probable family; ties by the order of the shares."""
    families: dict[str, float] = {}
    for term, share in shares.items():
        families[_family(term)] = families.get(_family(term), 0.0) + share
    family = max(families, key=families.__getitem__)
    return next(t for t in shares if _family(t) == family)


def _other_shares(shares: Mapping[str, float], best: str) -> list[tuple[str, float]]:
    """The other types, most probable first. Planar ones that count together and none alone become one: the most probable, with the share
    of all."""
    others = [(t, p) for t, p in shares.items() if t != best]
    planar = [(t, p) for t, p in others if _is_planar(t)]
    together = sum(p for _, p in planar)
    if _is_planar(best) or together < PLANAR_COUNTS or planar[0][1] >= PLANAR_COUNTS:
        return others
    lumped = [(t, p) for t, p in others if not _is_planar(t)] + [(planar[0][0], together)]
    return sorted(lumped, key=lambda other: (-other[1], other[0]))


def _family(term: str) -> str:
    known = by_term(term)
    return known.family if known else term


def _is_planar(term: str) -> bool:
    known = by_term(term)
    return known is not None and known.planar


def _number(term: str) -> str:
    known = by_term(term)
    return known.iso6520 if known else ""


def _why(m: Measured, tone: str, best: str, others: tuple[Alternative, ...]) -> str:
    told = _weights()[tone]
    row = told.types.index(best)
    spoken = (told.weights[row] - told.weights.mean(axis=0)) * clue_values(m.features, told.clues)
    words = [w for clue in told.clues for w in (clue.less, clue.more)]
    said = (words[k] for k in np.argsort(-spoken, kind="stable") if spoken[k] > 0.1 and words[k])
    loud = list(dict.fromkeys(said))[:TOLD]
    i = m.indication
    size = f"{i.length_mm:.1f} × {i.width_mm:.1f} mm" if i.length_mm is not None and i.width_mm is not None else "no scale"
    reasons = ", ".join(loud) if loud else "nothing speaks strongly for any type"
    doubt = f"; could be {others[0].type}" if others and others[0].confidence >= 0.2 else ""
    return f"{tone.capitalize()}, {size}, {reasons}{doubt}."


@cache
def _weights() -> dict[str, Weights]:
    table = json.loads(WEIGHTS.read_text(encoding="utf-8"))
    clues = clues_named(table["clues"])
    return {tone: Weights(clues, tuple(t["types"]), np.array(t["weights"]), np.array(t["offsets"]), float(t["temperature"]))
            for tone, t in table.items() if tone != "clues"}
