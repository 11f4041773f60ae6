"""Counting over a film set: types, reject rates by welder, by length and by date, each with its interval."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from rtscan.findings import Indication, VerdictWord, WeldDocument

SECTION_MM = 100.0
"""Reject rate by length counts sections of this length, so that a long weld weighs more than a short one."""


@dataclass(frozen=True)
class Rate:
    """`rejected` of `of` with the 95 % Wilson score interval (Wilson 1927; Newcombe 1998 recommends it for small counts)."""

    name: str
    rejected: int
    of: int
    rate: float
    low: float
    high: float


@dataclass(frozen=True)
class SetWeld:
    """One weld of the set with the people who made it. `welders` holds (role, welder)."""

    document: WeldDocument
    welders: tuple[tuple[str, str], ...] = ()
    date: str = ""


def rate_of(name: str, rejected: int, of: int) -> Rate:
    """A rate with its Wilson interval; of nothing it is 0 with the interval 0 to 1."""
    if of == 0:
        return Rate(name, 0, 0, 0.0, 0.0, 1.0)
    from statsmodels.stats.proportion import proportion_confint

    low, high = proportion_confint(rejected, of, alpha=0.05, method="wilson")
    return Rate(name, rejected, of, rejected / of, max(0.0, float(low)), min(1.0, float(high)))


def type_counts(indications: Sequence[Indication]) -> tuple[tuple[str, int], ...]:
    """How often each type was found, commonest first, ties by name."""
    return tuple(sorted(Counter(i.type or "not named" for i in indications).items(), key=lambda item: (-item[1], item[0])))


def _decided(verdict: VerdictWord) -> bool:
    """Whether the weld counts in a reject rate: a review or an unreadable film is not a decision."""
    return verdict in ("accept", "reject")


def by_welder(welds: Sequence[SetWeld]) -> tuple[Rate, ...]:
    """Rejected welds per welder and role; only decided welds count."""
    counts: dict[str, list[int]] = defaultdict(lambda: [0, 0])
    for weld in welds:
        if _decided(weld.document.verdict):
            for role, welder in weld.welders:
                counts[f"{welder} ({role})"][0] += weld.document.verdict == "reject"
                counts[f"{welder} ({role})"][1] += 1
    return tuple(rate_of(name, rejected, of) for name, (rejected, of) in sorted(counts.items()))


def by_length(welds: Sequence[SetWeld]) -> tuple[Rate, ...]:
    """Sections of 100 mm holding something that must be removed, per welder and role, and over all welds."""
    counts: dict[str, list[int]] = defaultdict(lambda: [0, 0])
    for weld in welds:
        document = weld.document
        if not _decided(document.verdict) or not document.covered_mm:
            continue
        sections = math.ceil(document.covered_mm / SECTION_MM - 1e-9)
        bad = min(sections, len(_bad_sections(document)))
        for name in ("all welds", *(f"{welder} ({role})" for role, welder in weld.welders)):
            counts[name][0] += bad
            counts[name][1] += sections
    return tuple(rate_of(name, rejected, of) for name, (rejected, of) in sorted(counts.items()))


def _bad_sections(document: WeldDocument) -> set[int]:
    """Numbers of the 100 mm sections touched by an indication that must be removed."""
    removed = set(document.removal)
    touched: set[int] = set()
    for indication in document.indications:
        if indication.id in removed and indication.along_mm is not None:
            half = (indication.length_mm or 0.0) / 2 * abs(math.cos(math.radians(indication.angle_deg or 0.0)))
            first, last = (int((indication.along_mm + sign * half) // SECTION_MM) for sign in (-1, 1))
            touched.update(range(first, last + 1))
    return touched


def by_date(welds: Sequence[SetWeld]) -> tuple[Rate, ...]:
    """Rejected welds per day, in order; welds without a date are left out."""
    counts: dict[str, list[int]] = defaultdict(lambda: [0, 0])
    for weld in welds:
        if weld.date and _decided(weld.document.verdict):
            counts[weld.date][0] += weld.document.verdict == "reject"
            counts[weld.date][1] += 1
    return tuple(rate_of(day, rejected, of) for day, (rejected, of) in sorted(counts.items()))
