"""Arithmetic of stretches along a weld: on a line, or on a ring that closes at the datum."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

from rtscan.findings import Stretch

JOIN_TOLERANCE_MM = 1.0
"""Stretches closer than this count as touching: films are placed by hand to about a millimetre (common practice, no published source)."""

Interval = tuple[float, float]


@dataclass(frozen=True)
class Axis:
    """The station axis of a weld. `length_mm` is the whole weld (None when unknown); `closed` when it runs round a pipe."""

    length_mm: float | None
    closed: bool

    def pieces(self, from_mm: float, to_mm: float) -> tuple[Interval, ...]:
        """A stretch as intervals that do not pass the datum. `to_mm` lies ahead of `from_mm` in the growing direction."""
        if not self.closed or self.length_mm is None:
            return ((min(from_mm, to_mm), max(from_mm, to_mm)),)
        if abs(to_mm - from_mm) >= self.length_mm:
            return ((0.0, self.length_mm),)
        start = from_mm % self.length_mm
        end = start + (to_mm - from_mm) % self.length_mm
        return ((start, end),) if end <= self.length_mm else ((0.0, end - self.length_mm), (start, self.length_mm))

    def offset(self, station_mm: float, origin_mm: float) -> float:
        """Signed distance from `origin_mm` to `station_mm`, the short way round on a ring."""
        distance = station_mm - origin_mm
        if self.closed and self.length_mm:
            distance = (distance + self.length_mm / 2) % self.length_mm - self.length_mm / 2
        return distance

    def wrapped(self, station_mm: float) -> float:
        """The station within the weld, from 0 to its length on a ring."""
        return station_mm % self.length_mm if self.closed and self.length_mm else station_mm

    def gaps(self, covered: Iterable[Interval]) -> tuple[Stretch, ...]:
        """Stretches of the weld that no interval covers (the last may pass the datum); only those between intervals when the length is
        unknown."""
        if self.length_mm is None:
            return tuple(Stretch(before[1], after[0]) for before, after in pairwise(union(covered)))
        gaps, reached = [], 0.0
        for start, end in (*union(covered), (self.length_mm, self.length_mm)):
            if start - reached > JOIN_TOLERANCE_MM:
                gaps.append(Stretch(reached, start))
            reached = max(reached, end)
        if self.closed and len(gaps) > 1 and gaps[0].from_mm == 0.0 and gaps[-1].to_mm == self.length_mm:
            gaps = [*gaps[1:-1], Stretch(gaps[-1].from_mm, gaps[0].to_mm)]
        return tuple(gaps)


def union(intervals: Iterable[Interval]) -> tuple[Interval, ...]:
    """The intervals in order, with overlapping and touching ones joined."""
    joined: list[Interval] = []
    for start, end in sorted(intervals):
        if joined and start - joined[-1][1] <= JOIN_TOLERANCE_MM:
            joined[-1] = (joined[-1][0], max(end, joined[-1][1]))
        else:
            joined.append((start, end))
    return tuple(joined)


def without(intervals: Iterable[Interval], cut: Interval) -> tuple[Interval, ...]:
    """What is left of the intervals when `cut` is taken out."""
    left = [(a, b) for start, end in intervals for a, b in ((start, min(end, cut[0])), (max(start, cut[1]), end)) if b > a]
    return tuple(sorted(left))


def total_mm(intervals: Iterable[Interval]) -> float:
    """Length covered by the intervals together, each place counted once."""
    length, reached = 0.0, float("-inf")
    for start, end in sorted(intervals):
        length += max(0.0, end - max(start, reached))
        reached = max(reached, end)
    return length
