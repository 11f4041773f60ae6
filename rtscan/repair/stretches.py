"""From places of indications to stretches of weld: margins, least length, merging, also over the datum."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Generic, TypeVar

T = TypeVar("T")


@dataclass(frozen=True)
class Span(Generic[T]):
    """A stretch on the unrolled weld: `start_mm` <= `end_mm`, and on a girth weld 0 <= start < circumference (the end may lie past it)."""

    start_mm: float
    end_mm: float
    holds: tuple[T, ...]

    @property
    def length_mm(self) -> float:
        """Length along the weld."""
        return self.end_mm - self.start_mm


def around(middle_mm: float, half_mm: float, least_mm: float, item: T) -> Span[T]:
    """A span about a middle, at least `least_mm` long."""
    half = max(half_mm, least_mm / 2)
    return Span(middle_mm - half, middle_mm + half, (item,))


def merge(spans: list[Span[T]], least_gap_mm: float, length_mm: float | None, closed: bool) -> list[Span[T]]:
    """Spans with less than `least_gap_mm` between them become one; on a girth weld also over the datum.

    A girth weld left with less than the gap becomes one span from 0 to its circumference. Straight welds are cut at their ends.
    """
    round_mm = length_mm if closed else None
    merged = _merge_line(sorted((_home(s, round_mm) for s in spans), key=lambda s: (s.start_mm, s.end_mm)), least_gap_mm)
    if round_mm is None:
        return merged if closed else [_clipped(s, length_mm) for s in merged]
    while len(merged) > 1 and merged[0].start_mm + round_mm - merged[-1].end_mm < least_gap_mm:
        first, last = merged[0], merged[-1]
        joined = Span(last.start_mm, max(last.end_mm, first.end_mm + round_mm), last.holds + first.holds)
        merged = [*merged[1:-1], joined]
    if len(merged) == 1 and round_mm - merged[0].length_mm < least_gap_mm:
        return [Span(0.0, round_mm, merged[0].holds)]
    return merged


def _home(span: Span[T], round_mm: float | None) -> Span[T]:
    if round_mm is None:
        return span
    start = span.start_mm % round_mm
    return Span(start, start + min(span.length_mm, round_mm), span.holds)


def _merge_line(spans: list[Span[T]], least_gap_mm: float) -> list[Span[T]]:
    merged: list[Span[T]] = []
    for span in spans:
        if merged and span.start_mm - merged[-1].end_mm < least_gap_mm:
            last = merged.pop()
            span = Span(last.start_mm, max(last.end_mm, span.end_mm), last.holds + span.holds)
        merged.append(span)
    return merged


def _clipped(span: Span[T], length_mm: float | None) -> Span[T]:
    return Span(max(span.start_mm, 0.0), min(span.end_mm, length_mm) if length_mm is not None else span.end_mm, span.holds)
