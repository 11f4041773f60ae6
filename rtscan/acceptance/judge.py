"""Judges a list of indications: `judge(worksheet, criteria, situation) -> Worksheet`."""

from __future__ import annotations

import gc
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from typing import TypeVar

from rtscan.acceptance.bench import Bench, Stamped
from rtscan.acceptance.closing import settled
from rtscan.acceptance.criteria import Criteria
from rtscan.acceptance.detection import hidden_sizes
from rtscan.acceptance.grouping import groups_of
from rtscan.acceptance.outcomes import SEVERITY
from rtscan.acceptance.readings import Doubt
from rtscan.acceptance.removal import least_removal
from rtscan.acceptance.situation import Situation, Units
from rtscan.acceptance.verdict import pronounce
from rtscan.acceptance.worlds import in_every_world, worlds
from rtscan.findings import Finding, Indication, Result, WeldDocument, Worksheet

Document = TypeVar("Document", bound=Worksheet | WeldDocument)
OTHER_UNITS: dict[Units, Units] = {"mm": "in", "in": "mm"}


def judge(document: Document, criteria: Criteria | None, situation: Situation, doubt: Doubt | None = None) -> Document:
    """The document with findings, removal, verdict and the result of every indication.

    `situation.units` chooses the printed limit set; where the document prints one set only, that one counts. A reader's
    answers to reviews (`reader.closed`) are carried over to the findings they were given for. No criterion gives `review`.
    """
    if criteria is None:
        return pronounce(replace(document, criteria=None, findings=(), removal=()), None, situation, "")
    with _no_collection():
        return _judged(document, criteria, situation, doubt or Doubt())


@contextmanager
def _no_collection() -> Iterator[None]:
    """Long lists make many small records and no cycles; looking for cycles meanwhile costs a quarter of the time."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def _judged(document: Document, criteria: Criteria, situation: Situation, doubt: Doubt) -> Document:
    units = criteria.units_for(situation.units)
    document = replace(document, groups=groups_of(document.indications, document.groups))
    possible = worlds(criteria, situation)
    benches = [(words, Bench(document, criteria, world, units, doubt)) for words, world in possible]
    stamped = in_every_world([(words, bench.stamped()) for words, bench in benches])
    if len(criteria.units) > 1:
        beside = [(words, Bench(document, criteria, world, OTHER_UNITS[units], doubt).stamped(dual_only=True)) for words, world in possible]
        stamped = _where_sets_disagree(stamped, in_every_world(beside))
    findings = tuple(s.finding() for s in (*stamped, *hidden_sizes(document, [bench for _, bench in benches])))
    findings, reader, lost = settled(findings, document.findings, document.reader)
    removal, how = least_removal([bench for _, bench in benches], document.indications, findings)
    judged = replace(
        document,
        criteria=criteria.facts(situation.units),
        criteria_sha256=criteria.sha256,
        findings=findings,
        removal=removal,
        reader=reader,
        indications=_with_results(document.indications, findings, situation),
    )
    return pronounce(judged, criteria, situation, "; ".join(t for t in (*lost, how) if t))


def _where_sets_disagree(stamped: Sequence[Stamped], beside: Sequence[Stamped]) -> list[Stamped]:
    """Adds to a finding what the other printed set says when that differs."""
    same = {s.key: s for s in beside}
    worst: dict[str, Stamped] = {}
    for s in beside:
        if s.rule_id not in worst or SEVERITY[s.outcome.result] > SEVERITY[worst[s.rule_id].outcome.result]:
            worst[s.rule_id] = s
    result = []
    for s in stamped:
        other = same.get(s.key) or (worst.get(s.rule_id) if s.together else None)
        if other is None or other.outcome.result == s.outcome.result or other.outcome.limit is None:
            result.append(s)
            continue
        here = f"{s.outcome.limit:.4g} {s.outcome.unit}" if s.outcome.limit is not None else "none"
        text = (f"{s.outcome.says}; the printed sets disagree: limit {here} here, "
                f"{other.outcome.limit:.4g} {other.outcome.unit} in the other set, which gives {other.outcome.result}")
        result.append(replace(s, outcome=replace(s.outcome, says=text)))
    return result


def _with_results(indications: Sequence[Indication], findings: Sequence[Finding], situation: Situation) -> tuple[Indication, ...]:
    """Every indication with the worst result of the findings that name it. What lies outside the covered weld is never accepted: whoever
    covers the place has to see it."""
    worst: dict[int, Result] = {}
    for finding in findings:
        for number in finding.indications:
            if number not in worst or SEVERITY[finding.result] > SEVERITY[worst[number]]:
                worst[number] = finding.result
    told = {i.id: worst.get(i.id, "accept") for i in indications}
    unseen = {i.id for i in indications if told[i.id] == "accept" and not situation.shows(i)}
    return tuple(replace(i, result="review" if i.id in unseen else told[i.id]) for i in indications)
