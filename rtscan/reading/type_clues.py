"""The clues that name a type: measured features, each a smooth step below and above a usual value, with the words for either side.

A clue's value is how far the feature lies above the `low` and below the `high` place, in units of its `spread`, held at 3. The weights of
the clues for every type are data (models/types.json), fitted on simulated films by scripts/train_detector. A new clue counts from the next
fit on: the file names the clues that it weighs.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from rtscan.film import F64
from rtscan.reading.net import KINDS


@dataclass(frozen=True)
class Clue:
    """`feature` counts on a logarithmic scale when `ratio`; `less` and `more` are the words for small and large values (empty: not
    told)."""

    feature: str
    usual: float
    spread: float
    less: str = ""
    more: str = ""
    ratio: bool = False


_SHAPE = (
    Clue("length_mm", 3.0, 0.9, "short", "long", True),
    Clue("inner_width_mm", 0.8, 0.6, "thin", "wide", True),
    Clue("aspect", 2.5, 0.5, "round", "slender", True),
    Clue("roughness", 2.0, 0.5, "smooth in outline", "irregular in outline", True),
    Clue("solidity", 0.8, 0.12, "branched or bent", "compact"),
    Clue("fill", 0.65, 0.12, "winding", "straight-sided"),
    Clue("angle_deg", 25.0, 20.0, "along the weld", "across the weld"),
)
_PLACE = (
    Clue("across_share", 0.4, 0.25, "on the centreline", "off the centreline"),
    Clue("inside_toe_mm", 2.0, 2.0, "at or outside the toe", "well inside the toe"),
    Clue("extends_out", 0.3, 0.5, "", "reaching beyond the weld"),
    Clue("slope", 1.0, 1.0, "", "on a slope of the weld profile"),
    Clue("level", -0.3, 0.5, "", ""),
)
_TONE = (
    Clue("contrast_over_noise", 6.0, 0.9, "faint", "strong in contrast", True),
    Clue("contrast_of_weld", 0.3, 0.8, "", "", True),
    Clue("edge_per_mm", 1.2, 0.5, "soft-edged", "sharp-edged", True),
    Clue("evenness", 0.6, 0.12, "uneven in grey", "even in grey"),
    Clue("unevenness", 0.2, 0.08, "", ""),
    Clue("rim_low", -0.3, 0.3, "", ""),
    Clue("flank_step", 0.15, 0.12, "", "with one edge sharper than the other"),
)
_COMPANY = (
    Clue("near_3mm", 1.0, 1.5, "", "close to others"),
    Clue("row_mates", 1.0, 1.5, "", "in a row with others"),
    Clue("is_line", 0.5, 0.5, "", ""),
)
_RIDGE = (
    Clue("wander_mm", 0.06, 1.0, "straight", "wandering", True),
    Clue("jag_mm", 0.05, 0.7, "", "jagged", True),
    Clue("strength_spread", 0.35, 0.4, "of even strength", "of changing strength", True),
    Clue("ends_over_middle", 0.75, 0.25, "fading towards its ends", "strong up to its ends"),
    Clue("one_end", 0.15, 0.2, "", "stronger at one end"),
    Clue("half_width_mm", 0.65, 0.55, "", "", True),
    Clue("flat_top", 0.43, 0.16, "peaked in cross-section", "flat in cross-section"),
    Clue("width_spread", 0.2, 0.5, "of even width", "of changing width", True),
    Clue("steepest_per_mm", 3.3, 0.45, "", "", True),
    Clue("outer_edge", 0.0, 0.2, "sharper on its inner side", "sharper on its outer side"),
    Clue("toe_spread_mm", 0.4, 0.9, "following the toe", "", True),
    Clue("middle_gap_mm", 1.5, 1.0, "", "", True),
    Clue("middle_spread_mm", 0.4, 1.0, "", "", True),
    Clue("off_ellipse", 0.19, 0.45, "", "", True),
    Clue("half_solidity", 0.76, 0.15, "", ""),
    Clue("plateau", 0.26, 0.12, "", ""),
)


def _look(kind: str) -> str:
    bare = kind in ("slag", "lack of fusion", "lack of penetration", "undercut", "concavity", "metal", "excess metal", "spatter")
    return f"of the look of {'' if bare else 'an ' if kind[0] in 'aeiou' else 'a '}{kind}"


_NETWORK = (
    *(Clue(f"net_kind_{k}", 0.3, 0.25, "", _look(kind)) for k, kind in enumerate(KINDS)),
    *(Clue(f"log_kind_{k}", -3.5, 1.7, "", _look(kind)) for k, kind in enumerate(KINDS)),
)
CLUES = (*_SHAPE, *_PLACE, *_TONE, *_COMPANY, *_RIDGE, *_NETWORK)


def clues_named(features: Sequence[str]) -> tuple[Clue, ...]:
    """The clues of these features, in their order; KeyError for one that is not known."""
    known = {clue.feature: clue for clue in CLUES}
    return tuple(known[feature] for feature in features)


def clue_values(features: Mapping[str, float], clues: tuple[Clue, ...] = CLUES) -> F64:
    """Two numbers per clue, shape (2 · clues,): how far below and how far above the usual value, each in [0, 3]."""
    out = []
    for clue in clues:
        value = features[clue.feature]
        away = np.log(max(value, 1e-6) / clue.usual) / clue.spread if clue.ratio else (value - clue.usual) / clue.spread
        out += [min(3.0, max(0.0, -away)), min(3.0, max(0.0, away))]
    return np.array(out)
