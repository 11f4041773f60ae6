"""The verdict of a film or weld, by the rules of the contract."""

from __future__ import annotations

from dataclasses import replace
from typing import TypeVar

from rtscan.acceptance.criteria import Criteria
from rtscan.acceptance.limits import MM_PER_INCH
from rtscan.acceptance.situation import Situation
from rtscan.findings import Check, Finding, VerdictWord, WeldDocument, Worksheet

Document = TypeVar("Document", bound=Worksheet | WeldDocument)


def pronounce(document: Document, criteria: Criteria | None, situation: Situation, remarks: str) -> Document:
    """The document with verdict, scope and what it says."""
    word, reasons = _word(document, criteria, situation)
    unverified = any(f.unverified for f in document.findings)
    seen = any(f.result == "reject" for f in document.findings)
    parts = [_opening(word, seen, situation), *reasons]
    if unverified:
        rows = tuple(dict.fromkeys(f.rule for f in document.findings if f.unverified))
        parts.append(f"UNVERIFIED limits were applied (rows {_few(rows)}): check them against the printed document")
    if criteria is not None and situation.scope == "film" and (waiting := _waiting(document, criteria)):
        parts.append(f"rows over the whole weld are not accepted on a part of it ({_few(waiting)})")
    if beyond := tuple(str(i.id) for i in document.indications if not situation.shows(i)):
        parts.append(f"no. {_few(beyond)} outside the covered weld: to be judged where that place is covered")
    if remarks:
        parts.append(remarks)
    says = _waived(document) + "; ".join(p for p in parts if p) + "."
    return replace(document, verdict=word, verdict_scope=situation.scope, verdict_unverified=unverified, verdict_says=says)


def _waived(document: Worksheet | WeldDocument) -> str:
    """The stamp of a film judged although it may not be."""
    names = tuple(dict.fromkeys(c.name for c in _checks(document) if c.waived))
    return f"JUDGED ANYWAY although the film may not be judged ({_few(names)}): not a valid result. " if names else ""


def _word(document: Worksheet | WeldDocument, criteria: Criteria | None, situation: Situation) -> tuple[VerdictWord, list[str]]:
    reasons: list[str] = []
    word: VerdictWord = "accept"
    checks = _checks(document)
    failed = [c.name for c in checks if c.required and c.result == "fail"]
    if failed or not _readable(document):
        return "unreadable", [f"film quality not met ({', '.join(failed)})" if failed else "the film cannot be judged"]
    rejects = [f for f in document.findings if f.result == "reject"]
    reviews = [f for f in document.findings if f.result in ("review", "cannot judge")]
    if criteria is None:
        reasons.append("no acceptance criterion named")
    if not situation.scale_known:
        reasons.append("no scale: sizes are not known in millimetres")
    if situation.wall_mm is None:
        reasons.append("wall thickness not known")
    open_checks = [c.name for c in checks if c.required and c.result == "not assessed"]
    if open_checks and not situation.quality_vouched_by:
        reasons.append(f"film quality not assessed ({', '.join(open_checks)}) and nobody vouched for it")
    if reviews:
        reasons.append(f"to be looked at: {_rows(reviews)}")
    if reasons:
        word = "review"
    if rejects:
        word, reasons = "reject", [f"rejected by {_rows(rejects)}", *reasons]
    return word, reasons


def _opening(word: VerdictWord, reject_seen: bool, situation: Situation) -> str:
    if word == "unreadable":
        return "unreadable" + ("; already seen: rejectable indications" if reject_seen else "")
    if word != "accept" or situation.scope == "weld" or not situation.covered:
        return {"accept": "accepted", "reject": "rejected", "review": "review needed"}[word]
    factor, digits = (1 / MM_PER_INCH, 1) if situation.units == "in" else (1.0, 0)
    stretches = " and ".join(f"{a * factor:.{digits}f} and {b * factor:.{digits}f} {situation.units}" for a, b in situation.covered)
    return f"accepted between stations {stretches}"


def _waiting(document: Worksheet | WeldDocument, criteria: Criteria) -> tuple[str, ...]:
    """Rows over the whole weld that some indication falls under and no finding decided."""
    types = {i.iso6520 for i in document.indications}
    told = {f.rule for f in document.findings}
    whole = [r for r in criteria.rules if (r.whole_weld or r.kind == "share of weld") and r.id not in told]
    return tuple(r.id for r in whole if any(r.takes(t) for t in types))


def _checks(document: Worksheet | WeldDocument) -> tuple[Check, ...]:
    if isinstance(document, Worksheet):
        return document.quality.checks
    return tuple(c for film in document.films for c in film.quality.checks)


def _readable(document: Worksheet | WeldDocument) -> bool:
    return document.quality.readable if isinstance(document, Worksheet) else all(f.quality.readable for f in document.films)


def _rows(findings: list[Finding]) -> str:
    """The rows with the numbers of what they are about, each row once: "row 2-d (no. 3, 5)"."""
    about: dict[str, dict[str, None]] = {}
    for f in findings:
        about.setdefault(f.rule, {}).update(dict.fromkeys(f.groups or map(str, f.indications)))
    texts = (f"row {rule} (no. {', '.join([*who][:6])}{' …' if len(who) > 6 else ''})" if who else rule for rule, who in about.items())
    return _few(tuple(texts))


def _few(texts: tuple[str, ...]) -> str:
    return ", ".join(texts[:8]) + (f" and {len(texts) - 8} more" if len(texts) > 8 else "")
