"""Facts of the weld that rows ask for and nobody stated: every possibility is judged, and only what they agree on is certain."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from rtscan.acceptance.bench import Stamped
from rtscan.acceptance.criteria import Criteria
from rtscan.acceptance.outcomes import SEVERITY
from rtscan.acceptance.situation import Situation
from rtscan.findings import Result

World = tuple[str, Situation]


def worlds(criteria: Criteria, situation: Situation) -> list[World]:
    """The situations that may hold, each with words for its assumption; one alone when nothing a row asks for is missing."""
    found: list[World] = [("", situation)]
    whens = [r.when for r in criteria.rules]
    if situation.layers is None and any(w.layers for w in whens):
        found = [(_words(t, f"welded in {w}"), replace(s, layers=v)) for t, s in found
                 for v, w in (("single", "a single layer"), ("multi", "several layers"))]
    joints = tuple(dict.fromkeys(j for w in whens for j in w.joint))
    if situation.joint is None and joints:
        found = [(_words(t, f"{j} weld"), replace(s, joint=j)) for t, s in found for j in joints]
    return found


def in_every_world(judged: Sequence[tuple[str, list[Stamped]]]) -> list[Stamped]:
    """What holds whichever world is true; a rejection that only some worlds give becomes a review naming them."""
    if len(judged) == 1:
        return judged[0][1]
    result: dict[tuple[str, tuple[int, ...]], Stamped] = {}
    for words, stamped in judged:
        for s in stamped:
            result.setdefault(s.key, _weighed(s, words, judged))
    return sorted(result.values(), key=lambda s: (s.order, s.ids))


def _weighed(s: Stamped, words: str, judged: Sequence[tuple[str, list[Stamped]]]) -> Stamped:
    if s.outcome.result != "reject":
        return s
    by_world = [(w, _worst(s, stamped)) for w, stamped in judged]
    if all(r == "reject" for _, r in by_world):
        return s
    text = "; ".join(f"if {w}: {r}" for w, r in by_world)
    return replace(s, outcome=replace(s.outcome, result="review", says=f"{s.outcome.says}; not stated and decides: {text}"))


def _worst(s: Stamped, stamped: Sequence[Stamped]) -> Result:
    """The worst result of one world for the same indications or the same clause."""
    same = [o.outcome.result for o in stamped if o.ids == s.ids or (s.together and _clause(o) == _clause(s))]
    return max(same, key=SEVERITY.__getitem__, default="accept")


def _clause(s: Stamped) -> str:
    return s.rule.clause or s.rule.id if s.rule else ""


def _words(before: str, more: str) -> str:
    return f"{before}, {more}" if before else more
