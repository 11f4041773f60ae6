"""What must hold for any list: properties checked on random lists, and one that must break."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rtscan.acceptance.judge import judge
from rtscan.acceptance.library import load_criteria as load_afresh
from rtscan.acceptance.outcomes import SEVERITY
from rtscan.acceptance.situation import Situation
from rtscan.findings import Finding, Indication, Worksheet

load_criteria = cache(load_afresh)
RING = 600.0
WELD = Situation(wall_mm=10.0, od_mm=RING / math.pi, weld_length_mm=RING, cap_width_mm=14.0, joint="girth", layers="multi", full_girth=True,
                 welded_from="one side")
NAMES = ("api-1104@2013", "iso-10675-1-level-2", "iso-5817-d", "asme-viii-uw51", "asme-ix", "b31.3-normal", "aws-d1.1-static")
VERDICTS = {"accept": 0, "review": 1, "reject": 2, "unreadable": 3}
TYPES = ("2011", "3011", "3012", "3041", "4012", "5011", "2015")
few = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@st.composite
def indications(draw: st.DrawFn, most: int = 7) -> tuple[Indication, ...]:
    found = []
    for number in range(1, draw(st.integers(1, most)) + 1):
        length = draw(st.integers(5, 250)) / 10
        width = length if draw(st.booleans()) else max(0.3, length / 8)
        found.append(Indication(number, iso6520=draw(st.sampled_from(TYPES)), along_mm=draw(st.integers(0, 5999)) / 10,
                                across_mm=draw(st.integers(-60, 60)) / 10, length_mm=length, width_mm=min(width, 6.0), mismatch=False,
                                darker_than_parent=True, height_mm=1.0))
    return tuple(found)


def verdict(items: tuple[Indication, ...], name: str, weld: Situation = WELD) -> int:
    return VERDICTS[judge(Worksheet(indications=items), load_criteria(name), weld).verdict]


def outcomes(items: tuple[Indication, ...], name: str, weld: Situation = WELD) -> list[tuple[str, tuple[int, ...], str]]:
    return sorted((f.rule, f.indications, f.result) for f in judge(Worksheet(indications=items), load_criteria(name), weld).findings)


@few
@given(items=indications(), name=st.sampled_from(NAMES))
def test_adding_an_indication_never_improves_the_verdict(items: tuple[Indication, ...], name: str) -> None:
    assert verdict(items[:-1], name) <= verdict(items, name)


@few
@given(items=indications(), name=st.sampled_from(NAMES), shift=st.integers(1, 5999))
def test_shifting_all_stations_of_a_full_girth_weld_changes_nothing(items: tuple[Indication, ...], name: str, shift: int) -> None:
    moved = tuple(replace(i, along_mm=((i.along_mm or 0.0) + shift / 10) % RING) for i in items)
    before, after = (judge(Worksheet(indications=x), load_criteria(name), WELD) for x in (items, moved))
    assert after.verdict == before.verdict
    assert worst_by_rule(after.findings) == worst_by_rule(before.findings)


def worst_by_rule(findings: tuple[Finding, ...]) -> dict[str, int]:
    worst: dict[str, int] = {}
    for f in findings:
        worst[f.rule] = max(worst.get(f.rule, 0), SEVERITY[f.result])
    return worst


@few
@given(items=indications(), name=st.sampled_from(("api-1104@2013", "b31.3-normal", "iso-10675-1-level-2")), part=st.floats(0.1, 0.9))
def test_cutting_an_indication_into_two_touching_parts_changes_no_window_or_share_rule(
    items: tuple[Indication, ...], name: str, part: float
) -> None:
    whole = items[0]
    length, start = whole.length_mm or 0.0, (whole.along_mm or 0.0) - (whole.length_mm or 0.0) / 2
    first = replace(whole, length_mm=length * part, along_mm=start + length * part / 2)
    second = replace(whole, id=99, length_mm=length * (1 - part), along_mm=start + length * part + length * (1 - part) / 2)
    criteria = load_criteria(name)
    kinds = {r.id: r for r in criteria.rules}

    def sums(marks: tuple[Indication, ...]) -> dict[str, float]:
        found: dict[str, float] = {}
        for f in judge(Worksheet(indications=marks), criteria, WELD).findings:
            rule = kinds.get(f.rule)
            fixed = rule is not None and rule.relevant is None and rule.when.shape is None and rule.on == "indications"
            if fixed and kinds[f.rule].kind in ("total", "share of weld"):  # a part may be of another size class or shape
                found[f.rule] = max(found.get(f.rule, 0.0), f.measured or 0.0)
        return found

    before, after = sums(items), sums((first, second, *items[1:]))
    if not any(r.parallel or r.joined for r in criteria.rules if r.id in before):
        assert after == pytest.approx(before, abs=1e-6)
    else:  # lines joined or taken as parallel may pair differently once cut; the others must not change
        plain = {r for r in before if not (kinds[r].parallel or kinds[r].joined)}
        assert {r: after[r] for r in plain} == pytest.approx({r: before[r] for r in plain}, abs=1e-6)


RATIOS = ("F-length", "F-sum", "A-crack", "A-fusion", "A-penetration", "A-undercut")


@few
@given(items=indications(), factor=st.sampled_from((0.5, 2.0, 3.0)))
def test_scaling_everything_changes_nothing_for_rules_of_ratios_to_the_wall(items: tuple[Indication, ...], factor: float) -> None:
    full = load_criteria("b31.3-severe-cyclic")
    ratios = full.model_copy(update={"rules": tuple(r for r in full.rules if r.id in RATIOS)})
    plain = replace(WELD, full_girth=False)
    before = judge(Worksheet(indications=items), ratios, plain)
    after = judge(Worksheet(indications=tuple(scaled(i, factor) for i in items)), ratios, scaled_weld(plain, factor))
    assert [(f.rule, f.indications, f.result) for f in after.findings] == [(f.rule, f.indications, f.result) for f in before.findings]


def test_a_limit_in_millimetres_breaks_scaling() -> None:
    """F-width is min(2.5 mm, Tw/3): 2.4 mm in 10 mm is accepted, 4.8 mm in 20 mm is not."""
    item = Indication(1, iso6520="3011", along_mm=100, across_mm=0, length_mm=20, width_mm=2.4)
    weld = replace(WELD, full_girth=False)
    criteria = load_criteria("b31.3-severe-cyclic")
    once = judge(Worksheet(indications=(item,)), criteria, weld)
    twice = judge(Worksheet(indications=(scaled(item, 2),)), criteria, scaled_weld(weld, 2))
    assert {f.rule: f.result for f in once.findings}["F-width"] == "accept"
    assert {f.rule: f.result for f in twice.findings}["F-width"] == "reject"


def scaled(i: Indication, factor: float) -> Indication:
    names = ("along_mm", "across_mm", "length_mm", "width_mm", "height_mm")
    return replace(i, **{n: value * factor for n in names if (value := getattr(i, n)) is not None})


def scaled_weld(weld: Situation, factor: float) -> Situation:
    return replace(weld, **{n: getattr(weld, n) * factor for n in ("wall_mm", "od_mm", "weld_length_mm", "cap_width_mm")})


@few
@given(items=indications(most=5), name=st.sampled_from(NAMES))
def test_the_order_of_the_list_does_not_matter(items: tuple[Indication, ...], name: str) -> None:
    assert outcomes(items[::-1], name) == outcomes(items, name)
