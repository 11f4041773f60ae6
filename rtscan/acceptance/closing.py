"""A reader's answers to reviews, carried from the findings they were given for to the findings of the new judgement."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from rtscan.findings import Closed, Finding, Reader


def settled(
    findings: Sequence[Finding], before: Sequence[Finding], reader: Reader | None
) -> tuple[tuple[Finding, ...], Reader | None, tuple[str, ...]]:
    """The findings with the reader's answers in place, the reader with answers renumbered, and remarks on answers without a place.

    An answer belongs to the finding at its place in `before` (the list the reader saw; `findings` itself when that is empty)
    and holds while the same row is a review about the same indications. Only reviews can be settled, never a rejection.
    """
    findings = tuple(findings)
    if reader is None or not reader.closed:
        return findings, reader, ()
    seen = before or findings
    result, kept, remarks = list(findings), list[Closed](), list[str]()
    for answer in reader.closed:
        place = _place(answer, seen, findings)
        if place is None:
            remarks.append(f"the reader's answer to finding {answer.finding} no longer has a review it belongs to")
            continue
        note = f" ({answer.note})" if answer.note else ""
        told = findings[place]
        says = f"{told.says}; settled by {reader.name or 'the reader'}: {answer.result}{note}"
        result[place] = replace(told, result=answer.result, says=says)
        kept.append(replace(answer, finding=place))
    return tuple(result), replace(reader, closed=tuple(kept)), tuple(remarks)


def _place(answer: Closed, seen: Sequence[Finding], findings: Sequence[Finding]) -> int | None:
    if not 0 <= answer.finding < len(seen):
        return None
    asked = seen[answer.finding]
    for place, finding in enumerate(findings):
        same = (finding.rule, finding.indications, finding.groups) == (asked.rule, asked.indications, asked.groups)
        if same and finding.result in ("review", "cannot judge") and _as_measured(asked, finding):
            return place
    return None


def _as_measured(asked: Finding, now: Finding) -> bool:
    """Whether the finding still speaks of the size the reader saw; a number of indications may have shrunk with the list."""
    if asked.measured is None or now.measured is None or asked.unit == "":
        return True
    return abs(asked.measured - now.measured) <= 1e-6 * max(1.0, abs(asked.measured))
