"""Every kind of rule and every shipped row has boundary cases: below, on and above its limit, and unmeasurable.

The sizes in the rows' `boundary` keys are worked out by hand from the printed figures in the reference notes.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import pytest

from rtscan.acceptance.criteria import NEEDS, Rule
from rtscan.acceptance.judge import judge
from rtscan.acceptance.library import known_criteria
from rtscan.acceptance.library import load_criteria as load_afresh
from rtscan.acceptance.outcomes import SEVERITY
from rtscan.acceptance.rules import ONE_KINDS
from rtscan.acceptance.rules_in_line import MANY_KINDS
from rtscan.acceptance.situation import Situation
from rtscan.findings import Finding, Worksheet

NAMES = [f"{k.name}@{k.edition}" for k in known_criteria()]
Build = Callable[[Rule, float | None], tuple[Worksheet, Situation]]
load_criteria = cache(load_afresh)
NO_NUMBER = ("not permitted", "permitted", "look")


def findings_of(rule: Rule, name: str, worksheet: Worksheet, situation: Situation) -> list[Finding]:
    criteria = load_criteria(name).model_copy(update={"rules": (rule,)})
    return [f for f in judge(worksheet, criteria, situation).findings if f.rule == rule.id]


def worst(findings: list[Finding]) -> str:
    return max((f.result for f in findings), key=SEVERITY.__getitem__, default="none")


def expected(rule: Rule, place: str) -> str:
    if rule.kind == "chart":
        return {"on": "accept", "above": "review"}[place]
    if rule.comparator == "at least":
        return {"below": "reject", "on": "accept", "above": "accept"}[place]
    on = "reject" if rule.comparator == "less than" else "accept"
    return {"below": "accept", "on": on, "above": "reject"}[place]


@pytest.mark.parametrize("name", NAMES)
def test_every_row_turns_at_its_limit(name: str, boundary_list: Build) -> None:
    wrong = []
    for rule in load_criteria(name).rules:
        if rule.kind in NO_NUMBER:
            continue
        assert rule.boundary is not None, f"{name} {rule.id} has no boundary case"
        for place in ("below", "on", "above"):
            value = getattr(rule.boundary, place)
            if value is None:
                continue
            got = worst(findings_of(rule, name, *boundary_list(rule, value)))
            if got != expected(rule, place):
                wrong.append(f"{rule.id} {place} {value}: {got}, expected {expected(rule, place)}")
        assert rule.boundary.above is not None, rule.id
    assert not wrong, "\n".join(wrong)


@pytest.mark.parametrize("name", NAMES)
def test_what_cannot_be_measured_is_never_accepted(name: str, boundary_list: Build) -> None:
    wrong = []
    for rule in load_criteria(name).rules:
        if rule.kind in (*NO_NUMBER, "count", "chart") or rule.only_if_measured:
            continue
        got = worst(findings_of(rule, name, *boundary_list(rule, None)))
        if got not in ("review", "cannot judge"):
            wrong.append(f"{rule.id}: {got}")
    assert not wrong, "\n".join(wrong)


def test_every_kind_has_an_explanation_needs_and_rows() -> None:
    kinds = {**ONE_KINDS, **MANY_KINDS}
    assert set(kinds) == set(NEEDS)
    for name, function in kinds.items():
        assert function.__doc__, name
        assert len(function.__doc__.split(".")) > 1, name
    used = {r.kind for n in NAMES for r in load_criteria(n).rules}
    assert used == set(kinds)


@pytest.mark.parametrize("name", NAMES)
def test_every_row_names_clause_grade_and_source(name: str) -> None:
    for rule in load_criteria(name).rules:
        assert rule.source, rule.id
        assert rule.what, rule.id
        if rule.window is not None and rule.kind in ("total", "count", "area share"):
            assert rule.edge, f"{rule.id} does not say what happens at the end of its window"
