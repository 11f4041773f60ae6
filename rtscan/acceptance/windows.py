"""The worst stretch of weld: sums in a sliding window, circular on a full girth weld, with a part inside counting with its part.

A sum over a window is piecewise linear in the place of the window, so its maximum lies where the window begins at the start of
an indication or ends at the end of one; only these places are tried.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

_SAME_PLACE_MM = 1e-7
Sums = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Load:
    """What one indication brings to a sum, spread evenly from `start` to `end` (a point when they are equal).

    `common` is the part of its expanded uncertainty that all members share (the scale), `own` the rest.
    """

    start: float
    end: float
    amount: float
    common: float = 0.0
    own: float = 0.0


class Stretch(NamedTuple):
    """A stretch from station `start` to `end` and its sum with expanded uncertainty `u`."""

    start: float
    end: float
    amount: float
    u: float

    @property
    def low(self) -> float:
        """The least the sum may be."""
        return self.amount - self.u


def stretches(loads: Sequence[Load], window: float | None, ring: float | None = None) -> list[Stretch]:
    """Every stretch of length `window` that can be the worst; the whole weld when `window` is None or no shorter than the ring.

    The shares of one indication add up linearly, its own uncertainty with the square root of its part, so that an indication
    cut in two gives the same. All in millimetres.
    """
    if not loads:
        return []
    if window is None or (ring is not None and window >= ring):
        amount, common, own2 = sum(x.amount for x in loads), sum(x.common for x in loads), sum(x.own**2 for x in loads)
        return [_stretch(min(x.start for x in loads), max(x.end for x in loads), amount, common, own2)]
    if ring is not None:
        loads = [on_ring(load, ring) for load in loads]
    running = _Running(loads, ring)
    starts = {load.start for load in loads} | {load.end - window for load in loads}
    return [
        _stretch(start, start + window, *running.between(start, start + window))
        for start in sorted(starts if ring is None else {x % ring for x in starts})
    ]


def inside(load: Load, start: float, end: float, ring: float | None = None) -> float:
    """The part of `load` (0 to 1) that lies between stations `start` and `end`."""
    part = 0.0
    for copy in (load,) if ring is None else [_moved(on_ring(load, ring), turn * ring) for turn in (-1, 0, 1)]:
        if copy.end - copy.start <= _SAME_PLACE_MM:
            part += float(start - _SAME_PLACE_MM <= copy.start <= end + _SAME_PLACE_MM)
        else:
            part += max(0.0, min(copy.end, end) - max(copy.start, start)) / (copy.end - copy.start)
    return min(1.0, part)


def on_ring(load: Load, ring: float) -> Load:
    """The load with its start brought to between 0 and the length of the ring."""
    return _moved(load, -math.floor(load.start / ring) * ring)


def _moved(load: Load, by: float) -> Load:
    return Load(load.start + by, load.end + by, load.amount, load.common, load.own)


def _stretch(start: float, end: float, amount: float, common: float, own2: float) -> Stretch:
    return Stretch(start, end, amount, math.sqrt(common**2 + max(own2, 0.0)))


class Places:
    """Finds which loads lie in a stretch, quickly."""

    def __init__(self, loads: Sequence[Load], ring: float | None = None) -> None:
        turns = (0.0,) if ring is None else (-ring, 0.0, ring)
        placed = [(load if ring is None else on_ring(load, ring), n) for n, load in enumerate(loads)]
        self._order = sorted((load.start + by, load.end + by, n) for load, n in placed for by in turns)
        self._starts = [start for start, _, _ in self._order]
        self._longest = max((end - start for start, end, _ in self._order), default=0.0)

    def within(self, start: float, end: float) -> set[int]:
        """Indices of the loads with a part between `start` and `end`; points on either end belong to it."""
        first = bisect_left(self._starts, start - self._longest - _SAME_PLACE_MM)
        last = bisect_right(self._starts, end + _SAME_PLACE_MM)
        return {
            n for a, b, n in self._order[first:last]
            if (b > start and a < end) or (b - a <= _SAME_PLACE_MM and start - _SAME_PLACE_MM <= a <= end + _SAME_PLACE_MM)
        }


class _Running:
    """Sums up to a station, for the three quantities of a load, as a piecewise linear curve with steps where a load is a point.

    On a ring the curve covers one turn from 0, and what lies beyond the ring counts from its beginning.
    """

    def __init__(self, loads: Sequence[Load], ring: float | None) -> None:
        steps: list[tuple[float, float, float, float, float, float, float]] = []
        for load in loads:
            amount, common, own2, span = load.amount, load.common, load.own**2, load.end - load.start
            if span <= _SAME_PLACE_MM:
                steps.append((load.start, amount, common, own2, 0.0, 0.0, 0.0))
                continue
            pieces = [(load.start, load.end)]
            if ring is not None and load.end > ring:
                span = min(span, ring)
                pieces = [(load.start, ring), (0.0, load.start + span - ring)]
            slopes = amount / span, common / span, own2 / span
            for start, end in pieces:
                steps.append((start, 0.0, 0.0, 0.0, *slopes))
                steps.append((end, 0.0, 0.0, 0.0, -slopes[0], -slopes[1], -slopes[2]))
        steps.sort()
        self._ring = ring
        self._at: list[float] = []
        self._before: list[Sums] = []
        self._after: list[Sums] = []
        self._slope: list[Sums] = []
        a = b = c = da = db = dc = 0.0
        previous = math.nan
        for x, ja, jb, jc, sa, sb, sc in steps:
            if x != previous:
                if self._at:
                    dx = x - previous
                    a, b, c = a + da * dx, b + db * dx, c + dc * dx
                self._at.append(x)
                self._before.append((a, b, c))
                self._after.append((a, b, c))
                self._slope.append((da, db, dc))
                previous = x
            a, b, c, da, db, dc = a + ja, b + jb, c + jc, da + sa, db + sb, dc + sc
            self._after[-1] = (a, b, c)
            self._slope[-1] = (da, db, dc)
        self._total = (a, b, c)

    def between(self, start: float, end: float) -> Sums:
        """Sums from `start` to `end`, points at either end included."""
        (a, b, c), (a2, b2, c2) = self._up_to(start, False), self._up_to(end, True)
        return a2 - a, b2 - b, c2 - c

    def _up_to(self, x: float, with_point: bool) -> Sums:
        if self._ring is not None and x >= self._ring:
            (a, b, c), (ta, tb, tc) = self._up_to(x - self._ring, with_point), self._total
            return a + ta, b + tb, c + tc
        if with_point:
            n = bisect_right(self._at, x + _SAME_PLACE_MM) - 1
        else:
            n = bisect_left(self._at, x - _SAME_PLACE_MM)
            if n < len(self._at) and self._at[n] <= x + _SAME_PLACE_MM:
                return self._before[n]
            n -= 1
        if n < 0:
            return 0.0, 0.0, 0.0
        (a, b, c), (da, db, dc) = self._after[n], self._slope[n]
        dx = x - self._at[n]
        return (a, b, c) if dx <= 0 else (a + da * dx, b + db * dx, c + dc * dx)
