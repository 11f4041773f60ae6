"""Classify: name each indication by ISO 6520-1, with confidence, alternatives and one sentence of the measured reasons.

Each type is a list of clues. A clue looks at one measured feature and gives evidence for or against, a smooth step of known place and
weight; evidence adds up (as log-odds do), and the type's probability is its share after a soft maximum. Nothing is hidden: the sentence names
the clues that spoke loudest. Clues from the trade's description of how imperfections look on film (project's reference, physics
section 8, with its sources).

Doubt of planar types (crack, lack of fusion, lack of penetration) goes in the safe direction: see `_safe`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from rtscan.findings import Alternative, Indication
from rtscan.imperfections import IMPERFECTIONS
from rtscan.reading.measure import Measured


@dataclass(frozen=True)
class Clue:
    """Evidence `weight` when `feature` lies well above `place` (below, for a negative `softness`), minus `weight` on the other side."""

    feature: str
    place: float
    softness: float
    weight: float
    says: str

    def evidence(self, features: Mapping[str, float]) -> float:
        value = features.get(self.feature)
        if value is None or not np.isfinite(value):
            return 0.0
        return self.weight * float(np.tanh((value - self.place) / (2 * self.softness)))


def _long(weight: float = 1.2) -> Clue:
    return Clue("aspect", 4.0, 0.8, weight, "long")


def _round(weight: float = 1.2) -> Clue:
    return Clue("aspect", 2.2, -0.4, weight, "round")


def _thin(weight: float = 1.0) -> Clue:
    return Clue("width_mm", 0.7, -0.15, weight, "thin")


def _along(weight: float = 1.0) -> Clue:
    return Clue("off_axis_deg", 14.0, -4.0, weight, "along the weld")


def _across(weight: float = 1.5) -> Clue:
    return Clue("off_axis_deg", 50.0, 8.0, weight, "across the weld")


def _middle(weight: float = 1.0) -> Clue:
    return Clue("across_share", 0.3, -0.08, weight, "on the centreline")


def _at_toe(weight: float = 1.0) -> Clue:
    return Clue("toe_apart_mm", 1.0, -0.3, weight, "at the toe")


def _sharp(weight: float = 0.8) -> Clue:
    return Clue("edge_share", 0.7, 0.15, weight, "sharp-edged")


def _soft(weight: float = 0.8) -> Clue:
    return Clue("edge_share", 0.55, -0.12, weight, "soft-edged")


def _rough(weight: float = 0.8) -> Clue:
    return Clue("roughness_over_aspect", 1.35, 0.15, weight, "irregular in outline")


def _wide(place: float, weight: float = 1.0) -> Clue:
    return Clue("width_mm", place, 0.25 * place, weight, "wide")


_DARK: dict[str, tuple[float, tuple[Clue, ...]]] = {
    "gas pore": (1.6, (_round(2.0), Clue("length_mm", 3.0, -0.8, 1.0, "small"), Clue("roughness_over_aspect", 1.3, -0.15, 0.6, "smooth"), _sharp(0.4))),
    "elongated cavity": (0.0, (Clue("aspect", 2.2, 0.4, 1.0, "longer than round"), Clue("length_mm", 1.5, 0.4, 0.5, "of some length"), _wide(0.8, 0.5), _sharp(0.4))),
    "worm-hole": (-1.2, (_long(0.6), Clue("off_axis_deg", 30.0, 6.0, 1.2, "askew"), _wide(0.6, 0.4))),
    "isolated slag inclusion": (0.0, (_rough(1.2), Clue("aspect", 3.5, -0.8, 0.6, "short"), Clue("length_mm", 1.2, 0.3, 0.5, "of some size"))),
    "linear slag inclusion": (0.0, (_long(), _rough(0.6), _along(), Clue("width_mm", 0.6, 0.15, 0.6, "of some width"), Clue("across_share", 0.2, 0.06, 0.4, "beside the middle"))),
    "lack of side-wall fusion": (-0.4, (_long(1.4), _along(1.2), _thin(0.8), Clue("across_share", 0.35, 0.1, 0.9, "off the centreline"), Clue("toe_apart_mm", 0.8, 0.3, 0.5, "inside the toe"))),
    "lack of inter-run fusion": (-1.2, (Clue("aspect", 3.0, 0.8, 0.6, "longish"), _thin(0.4), Clue("contrast_over_noise", 2.0, -0.6, 0.6, "faint"))),
    "incomplete root penetration": (-0.2, (_long(1.4), _along(1.2), _middle(1.4), Clue("length_mm", 6.0, 1.5, 0.8, "running"), Clue("width_mm", 0.5, 0.12, 0.5, "as wide as a root gap"), Clue("straightness", 0.7, 0.1, 0.6, "straight"))),
    "longitudinal crack in the weld metal": (-0.3, (_long(1.4), _along(0.9), _thin(1.2), _middle(0.5), Clue("straightness", 0.7, -0.1, 0.8, "winding"))),
    "transverse crack": (-0.2, (_long(1.0), _across(2.2), _thin(1.0))),
    "crater crack": (-2.6, (Clue("roughness_over_aspect", 2.0, 0.3, 1.2, "branched"), Clue("aspect", 2.5, -0.5, 0.5, "compact"), _middle(0.5))),
    "undercut": (-0.2, (_at_toe(2.2), Clue("aspect", 2.5, 0.6, 0.8, "long"), _along(0.8))),
    "root concavity": (-0.8, (_middle(1.2), _soft(1.4), _wide(1.6, 1.2), Clue("length_mm", 3.0, 0.8, 0.8, "extended"))),
    "burn-through": (-2.0, (_middle(1.0), _wide(2.5, 1.4), _round(0.8), Clue("contrast_over_noise", 12.0, 3.0, 0.8, "dark"))),
    "incompletely filled groove": (-2.2, (_wide(3.0, 1.5), _soft(1.0), Clue("across_share", 0.5, 0.12, 0.6, "at the groove edge"))),
}
_BRIGHT: dict[str, tuple[float, tuple[Clue, ...]]] = {
    "tungsten inclusion": (0.8, (Clue("length_mm", 2.5, -0.6, 1.4, "small"), _sharp(1.2), Clue("toe_apart_inside_mm", 0.0, 0.4, 0.8, "inside the weld"))),
    "local excess penetration": (0.0, (_middle(1.4), _soft(1.2), _wide(1.6, 1.2))),
    "spatter": (-0.6, (Clue("toe_apart_inside_mm", 0.0, -0.3, 1.8, "outside the weld"), _round(0.8))),
    "protruding filler wire": (-2.0, (_long(1.4), _thin(1.0), _middle(0.8))),
    "excess weld metal": (-0.8, (_wide(2.5, 1.0), _soft(1.0), Clue("across_share", 0.35, 0.1, 0.6, "off the centreline"))),
}
_PLANAR = frozenset(i.term for i in IMPERFECTIONS if i.planar)
_NUMBER = {i.term: i.iso6520 for i in IMPERFECTIONS}
TEMPERATURE = 1.0
LEAST_ALTERNATIVE = 0.03


def classify(measured: tuple[Measured, ...]) -> tuple[Indication, ...]:
    """Every indication with its most probable type, confidence, alternatives (most probable first) and reasons."""
    return tuple(_named(m) for m in measured)


def clue_features(m: Measured) -> dict[str, float]:
    """The features that clues look at: those of the region, and those that follow from the measured outline."""
    i, f = m.indication, dict(m.features)
    length, width = i.length_mm or f["length_mm"], i.width_mm or f["breadth_mm"]
    aspect = max(1.0, length / max(width, 1e-6))
    f |= {"length_mm": length, "width_mm": width, "aspect": aspect, "off_axis_deg": abs(i.angle_deg or 0.0) if aspect > 1.3 else 0.0,
          "toe_apart_mm": abs(f["inside_toe_mm"]), "toe_apart_inside_mm": f["inside_toe_mm"],
          "edge_share": f["edge_per_mm"] * min(f["inner_width_mm"], 1.0), "roughness_over_aspect": f["roughness"] / (0.5 * (f["aspect"] + 1 / f["aspect"])),
          "straightness": f["fill"]}
    return f


def _named(m: Measured) -> Indication:
    table = _DARK if m.indication.tone == "dark" else _BRIGHT
    features = clue_features(m)
    spoken = {term: [(clue.evidence(features), clue.says) for clue in clues] for term, (_, clues) in table.items()}
    log_odds = np.array([prior + sum(e for e, _ in spoken[term]) for term, (prior, _) in table.items()])
    share = np.exp((log_odds - log_odds.max()) / TEMPERATURE)
    share /= share.sum()
    order = sorted(range(len(share)), key=lambda k: (-share[k], k))
    terms = list(table)
    best = terms[order[0]]
    others = tuple(Alternative(terms[k], _NUMBER[terms[k]], round(float(share[k]), 3)) for k in order[1:] if share[k] >= LEAST_ALTERNATIVE)
    return replace(m.indication, type=best, iso6520=_NUMBER[best], confidence=round(float(share[order[0]]), 3),
                   alternatives=others, why=_why(m.indication, best, spoken[best], others))


def _why(indication: Indication, best: str, spoken: list[tuple[float, str]], others: tuple[Alternative, ...]) -> str:
    loud = [says for evidence, says in sorted(spoken, key=lambda s: -s[0]) if evidence > 0.15][:4]
    size = f"{indication.length_mm:.1f} × {indication.width_mm:.1f} mm" if indication.length_mm and indication.width_mm else "no scale"
    reasons = ", ".join(loud) if loud else "nothing speaks strongly for any type"
    doubt = f"; could be {others[0].type}" if others and others[0].confidence >= 0.2 else ""
    return f"{'Dark' if indication.tone == 'dark' else 'Bright'}, {size}, {reasons}{doubt}."
