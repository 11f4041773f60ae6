"""Bad stretches of the rules that add up, for the search of a removal: what every indication brings to each."""

from __future__ import annotations

import math
from collections.abc import Container
from dataclasses import dataclass
from heapq import heappop, heappush

from rtscan.acceptance.outcomes import compare
from rtscan.acceptance.rules_together import Sum
from rtscan.acceptance.windows import Load, inside, on_ring

SUM_KINDS = ("total", "share of weld", "count", "area share")


@dataclass(frozen=True)
class SumRow:
    """One bad stretch for the search of a removal: what every indication brings to it. `shares` maps id to (amount, common, own²)."""

    prepared: Sum
    shares: dict[int, tuple[float, float, float]]

    def bad(self, removed: Container[int]) -> bool:
        """Whether the stretch is still not accepted without `removed`."""
        amount = common = own2 = 0.0
        for number, (a, c, v) in self.shares.items():
            if number not in removed:
                amount, common, own2 = amount + a, common + c, own2 + v
        return self.exceeds(amount, common, own2)

    def exceeds(self, amount: float, common: float, own2: float) -> bool:
        """Whether a sum with these uncertainties is not accepted."""
        return compare(self.prepared.rule, amount, math.sqrt(common**2 + own2), self.prepared.limit) != "accept"


def sum_rows(prepared: Sum) -> list[SumRow]:
    """Every bad stretch, without those whose loads another one contains."""
    if not prepared.placed:
        return []
    rows: list[dict[int, tuple[float, float, float]]] = []
    for s in sorted((s for s in prepared.stretches if prepared.bad(s)), key=lambda s: -s.amount):
        shares: dict[int, tuple[float, float, float]] = {}
        for load, item in zip(prepared.loads, prepared.items, strict=True):
            part = 1.0 if prepared.window_mm is None else inside(load, s.start, s.end, prepared.ground.ring_mm)
            if part > 0:
                before = shares.get(item.ids[0], (0.0, 0.0, 0.0))
                shares[item.ids[0]] = (before[0] + part * load.amount, before[1] + part * load.common, before[2] + part * load.own**2)
        if not any(all(n in row and all(a <= b + 1e-9 for a, b in zip(v, row[n], strict=True)) for n, v in shares.items()) for row in rows):
            rows.append(shares)
    return [SumRow(prepared, shares) for shares in rows]


def culprits(prepared: Sum) -> set[int]:
    """Places in `items` of everything that lies in a bad stretch."""
    if not prepared.placed:
        return set()
    if prepared.window_mm is None:
        return set(range(len(prepared.items))) if any(prepared.bad(s) for s in prepared.stretches) else set()
    found, reached = set[int](), -math.inf
    for s in prepared.stretches:
        if prepared.bad(s):
            found |= prepared.places.within(max(s.start, reached), s.end)
            reached = s.end
    return found



def thinned(prepared: Sum, gone: Container[int]) -> set[int]:
    """Indications that go when the largest of every crowded stretch are taken out, walking along the weld; enough, not least.

    Whatever reaches into a stretch counts with all of it and all of its uncertainty, so that what is left is surely accepted.
    """
    rule, window_mm, ring = prepared.rule, prepared.window_mm, prepared.ground.ring_mm
    units = [(load, item) for load, item in zip(prepared.loads, prepared.items, strict=True) if not any(n in gone for n in item.ids)]
    if ring is not None and window_mm is not None:
        units = [(on_ring(load, ring), item) for load, item in units]
    units.sort(key=lambda u: (u[0].start, u[1].ids))
    out, inside_now, largest, running = set[int](), list[tuple[float, int]](), list[tuple[float, int]](), 0.0
    turns = 1 if ring is None or window_mm is None else 2
    counted: set[int] = set()
    for place in range(turns * len(units)):
        n, shift = place % len(units), (ring or 0.0) * (place // len(units))
        load = units[n][0]
        while window_mm is not None and inside_now and inside_now[0][0] < load.start + shift - window_mm:
            left = heappop(inside_now)[1]
            if left in counted:
                counted.discard(left)
                running -= _most(units[left % len(units)][0])
        if n in out:
            continue
        counted.add(place)
        running += _most(load)
        heappush(inside_now, (load.end + shift, place))
        heappush(largest, (-_most(load), place))
        while largest and compare(rule, running, 0.0, prepared.limit) != "accept":
            _, worst = heappop(largest)
            if worst in counted:
                counted.discard(worst)
                running -= _most(units[worst % len(units)][0])
                out.add(worst % len(units))
    return {number for n in out for number in units[n][1].ids}


def _most(load: Load) -> float:
    return load.amount + load.common + load.own
