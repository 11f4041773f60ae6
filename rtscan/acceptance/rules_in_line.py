"""The kinds of rule about how indications lie to one another: distance and lines. Docstrings are what `judge --explain` prints.

Removing an item never makes any of these rules worse; `removal.py` rests on that.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from rtscan.acceptance.criteria import Rule
from rtscan.acceptance.items import Item, Sized, cut_open
from rtscan.acceptance.limits import Limit
from rtscan.acceptance.outcomes import Ground, Outcome, compare, missing_size
from rtscan.acceptance.rules import gap_mm
from rtscan.acceptance.rules_together import (
    ManyKind,
    area_share,
    chart,
    count,
    figure,
    load_of,
    share_of_weld,
    stacked,
    sum_limit,
    total,
    unplaced,
    where,
    window_of,
)
from rtscan.acceptance.windows import Places, Stretch, stretches

_FEWEST_ALIGNED = 4
_LINES_TRIED = 400
_LINE_STEP_MM = 0.05


def spacing(rule: Rule, items: Sequence[Item], ground: Ground) -> tuple[Outcome, ...]:
    """Sound metal between neighbours against the least distance, which may grow with the longer of the two.

    The distance is between outlines; along the weld alone where a place across is not known, which is never more.
    """
    if rule.limit is None:
        raise ValueError(rule.id)
    scale = ground.scale
    if len(items) < 2:
        return (Outcome("accept", "single, no neighbour", tuple(items), unit=scale.units),)
    if any(i.start is None for i in items):
        return (unplaced(items, scale.units, "their distance"),)
    pairs = [_pair(rule, a, b, ground) for a, b in _near_pairs(items, rule.limit, ground)]
    if not pairs:
        return (Outcome("accept", f"{len(items)}, none near another", tuple(items), unit=scale.units),)
    tightest = min(pairs, key=lambda p: p.gap - p.least)
    results = [(p, compare(rule, p.gap, p.u, p.least)) for p in pairs]
    bad = [p for p, result in results if result != "accept"]
    at_fault = {i.ids: i for p in bad or [tightest] for i in (p.a, p.b)}
    result = compare(rule, tightest.gap, tightest.u, tightest.least)
    says = f"distance {scale.show(tightest.gap)} between {_names(tightest.a, tightest.b)}, limit ≥ {rule.limit.says(scale, tightest.own)}"
    if result == "review":
        says += ": the limit lies inside the uncertainty"
    if len(bad) > 1:
        says += f" (the tightest of {len(bad)} pairs)"
    return (Outcome(result, says, tuple(at_fault.values()), tightest.gap, tightest.u, tightest.least, scale.units),)


def aligned_group(rule: Rule, items: Sequence[Item], ground: Ground) -> tuple[Outcome, ...]:
    """A group of indications in line: the sum of lengths in any window against a limit, unless the gaps are wide.

    Where the row has a `gap_factor`, a gap of more than that times the longest of the group splits it. In line: offsets across
    that differ by no more than the two widths together (our reading, the codes do not say); unknown offsets count as in line.
    """
    return _lines(rule, items, ground, fewest=2)


def four_on_a_line(rule: Rule, items: Sequence[Item], ground: Ground) -> tuple[Outcome, ...]:
    """Four or more rounded indications that touch a line along the weld through the centre of one of them: the sum in any window.

    ASME VIII Appendix 4 accepts a sum less than the thickness: equality rejects. With more than 400 places across the lines
    are tried every 0.05 mm. Where a place across is not known and would decide, the outcome is review.
    """
    return _lines(rule, items, ground, fewest=_FEWEST_ALIGNED)


@dataclass(frozen=True)
class _Pair:
    """Two neighbours: sound metal between them, its uncertainty and the least allowed, in the unit of the ground."""

    a: Item
    b: Item
    gap: float
    u: float
    least: float
    own: Mapping[str, float]


def _pair(rule: Rule, a: Item, b: Item, ground: Ground) -> _Pair:
    factor = ground.scale.factor
    own = {"length": max((i.length.value for i in (a, b) if i.length), default=0.0) * factor}
    u = sum(i.length.u / 2 for i in (a, b) if i.length) * factor
    least = rule.limit.value(ground.scale, own) if rule.limit else 0.0
    return _Pair(a, b, (gap_mm(a, b, ground.ring_mm) or 0.0) * factor, u, least, own)


def _near_pairs(items: Sequence[Item], limit: Limit, ground: Ground) -> Iterator[tuple[Item, Item]]:
    """Pairs near enough along the weld to break the least distance, each once."""
    longest = max((i.length.value for i in items if i.length), default=0.0) * ground.scale.factor
    reach = ground.to_mm(limit.value(ground.scale, {"length": longest, "width": longest})) + 1.0
    ordered = sorted(items, key=lambda i: (i.start or 0.0, i.ids))
    places = Places([load_of(i, Sized(0.0), ground) for i in ordered], ground.ring_mm)
    ring = ground.ring_mm
    for n, a in enumerate(ordered):
        start, end = a.start or 0.0, a.end or 0.0
        if ring is not None:
            start, end = start % ring, start % ring + end - start
        for m in sorted(places.within(start - reach, end + reach)):
            if m > n:
                yield a, ordered[m]


@dataclass(frozen=True)
class _Group:
    """Items in line within one window; `certain` is False when a place across is not known."""

    stretch: Stretch
    members: tuple[Item, ...]
    certain: bool


def _lines(rule: Rule, items: Sequence[Item], ground: Ground, fewest: int) -> tuple[Outcome, ...]:
    unknown = tuple(i for i in items if i.length is None)
    if unknown:
        return (missing_size(rule, unknown),)
    if len(items) < fewest:
        return ()
    if any(i.start is None for i in items):
        return (unplaced(items, ground.scale.units, "whether they lie in line"),)
    limit = sum_limit(rule, ground)[1]
    window_mm = window_of(rule, ground)[0]
    parts = {(certain, *((i.ids, i.start) for i in part)): (part, certain)
             for line, certain in _touching(items, fewest, rule.kind == "aligned group")
             for chain in (_chains(line, rule.gap_factor, ground.ring_mm) if rule.gap_factor else (line,))
             for part in _apart(chain, window_mm, ground.ring_mm) if len(part) >= fewest}
    found = _worst_groups(rule, list(parts.values()), fewest, limit, ground)
    if not found:
        return (Outcome("accept", f"no {fewest} in line", tuple(items), unit=ground.scale.units),)
    bad = [g for g in found if compare(rule, g.stretch.amount, g.stretch.u, limit) != "accept"]
    return tuple(_line_outcome(rule, g, ground) for g in _distinct(bad) or [max(found, key=lambda g: (g.stretch.amount, -g.stretch.start))])


def _worst_groups(rule: Rule, chains: Sequence[tuple[list[Item], bool]], fewest: int, limit: float, ground: Ground) -> list[_Group]:
    """All bad groups, or the worst of the accepted ones: chains whose bound is accepted and below what was found are not looked at."""
    bounded = sorted(((_bound(rule, chain, ground), n) for n, (chain, _) in enumerate(chains)), key=lambda b: (-b[0], b[1]))
    found: list[_Group] = []
    greatest = -math.inf
    for bound, n in bounded:
        if bound < greatest and compare(rule, bound, 0.0, limit) == "accept":
            break
        for group in _worst_of(rule, chains[n][0], chains[n][1], fewest, limit, ground):
            found.append(group)
            greatest = max(greatest, group.stretch.amount)
    return found


def _bound(rule: Rule, line: Sequence[Item], ground: Ground) -> float:
    """No window of the line holds more, uncertainty included: everything that starts within its length and that of the longest."""
    window_mm, ring = window_of(rule, ground)[0], ground.ring_mm
    amounts = [(i.length.value + i.length.u) * ground.scale.factor for i in line if i.length]
    if window_mm is None or (ring is not None and window_mm >= ring):
        return sum(amounts)
    starts = [(i.start or 0.0) if ring is None else (i.start or 0.0) % ring for i in line]
    placed = sorted(zip(starts, amounts, strict=True))
    if ring is not None:
        placed += [(x + ring, a) for x, a in placed]
    reach = window_mm + max((i.end or 0.0) - (i.start or 0.0) for i in line) + 1e-6
    greatest = running = 0.0
    first = 0
    for x, amount in placed:
        running += amount
        while x - placed[first][0] > reach:
            running -= placed[first][1]
            first += 1
        greatest = max(greatest, running)
    return greatest


def _line_outcome(rule: Rule, group: _Group, ground: Ground) -> Outcome:
    unit, limit, arithmetic = sum_limit(rule, ground)
    window_mm, words = window_of(rule, ground)
    s = group.stretch
    result = compare(rule, s.amount, s.u, limit)
    says = f"{len(group.members)} in line, sum {figure(s.amount, unit, ground)} {words}{where(s, window_mm, ground)}, limit {arithmetic}"
    if result == "review":
        says += ": the limit lies inside the uncertainty"
    if result == "reject" and not group.certain:
        result, says = "review", says + "; places across the weld not known: rejected if they lie in line, else accepted"
    return Outcome(result, says, group.members, s.amount, s.u, limit, unit)


def _worst_of(rule: Rule, line: Sequence[Item], certain: bool, fewest: int, limit: float, ground: Ground) -> Iterator[_Group]:
    """The bad windows of one line, apart from one another, or the worst one when all are accepted."""
    factor = ground.scale.factor
    window_mm, _ = window_of(rule, ground)
    loads = [load_of(i, Sized(i.length.value * factor, i.length.u * factor), ground) for i in line if i.length]
    places = Places(loads, ground.ring_mm)
    taken: set[int] = set()
    for s in sorted(stretches(loads, window_mm, ground.ring_mm), key=lambda s: (-round(s.amount, 9), s.start)):
        accepted = compare(rule, s.amount, s.u, limit) == "accept"
        if accepted and taken:
            return
        members = set(range(len(line))) if window_mm is None else places.within(s.start, s.end)
        if len(members) >= fewest and taken.isdisjoint(members):
            taken |= members
            yield _Group(s, tuple(line[n] for n in sorted(members)), certain)
            if accepted:
                return


def _touching(items: Sequence[Item], fewest: int, wide: bool) -> Iterator[tuple[list[Item], bool]]:
    """For every line along the weld worth trying: the items it touches in order of station, and whether all places are known."""
    ordered = sorted(items, key=lambda i: (i.start or 0.0, i.ids))
    unknown = [i for i in ordered if i.across is None]
    known = [(i.across, _half_band(i, wide), i) for i in ordered if i.across is not None]
    if not known:
        yield ordered, wide
        return
    places = sorted({(y, half if wide else 0.0) for y, half, _ in known})
    if len(places) > _LINES_TRIED:
        widest = max(half for _, half in places)
        places = [(n * _LINE_STEP_MM, widest) for n in sorted({round(y / _LINE_STEP_MM) for y, _ in places})]
    tried: set[tuple[int, ...]] = set()
    across = sorted(((y, reach, n) for n, (y, reach, _) in enumerate(known)))
    farthest = max(reach for _, reach, _ in known)
    for y, half in places:
        first = bisect_left(across, (y - farthest - half - 1e-9,))
        last = bisect_right(across, (y + farthest + half + 1e-9, math.inf))
        touched = sorted(n for at, reach, n in across[first:last] if abs(at - y) <= reach + half + 1e-9)
        line = [known[n][2] for n in touched]
        if unknown:
            line = sorted([*line, *unknown], key=lambda i: (i.start or 0.0, i.ids))
        key = tuple(i.ids[0] for i in line)
        if len(line) >= fewest and key not in tried:
            tried.add(key)
            yield line, not unknown or wide


def _half_band(item: Item, wide: bool) -> float:
    if wide:
        return item.width.value if item.width else 0.0
    return item.length.value / 2 if item.length else 0.0


def _chains(line: Sequence[Item], gap_factor: float, ring_mm: float | None) -> Iterator[list[Item]]:
    """Splits a line where a gap exceeds `gap_factor` times the longest of its part, until no part splits further."""
    pending = [cut_open(line, ring_mm)]
    while pending:
        part = pending.pop()
        longest = max((i.length.value for i in part if i.length), default=0.0)
        reach, start, cuts = -math.inf, 0, list[list[Item]]()
        for n, item in enumerate(part):
            if n and (item.start or 0.0) - reach > gap_factor * longest + 1e-6:
                cuts.append(part[start:n])
                start = n
            reach = max(reach, item.end or 0.0)
        if cuts:
            pending.extend([*cuts, part[start:]])
        elif len(part) > 1:
            yield part


def _apart(line: list[Item], window_mm: float | None, ring_mm: float | None) -> list[list[Item]]:
    """The parts of a line that no window reaches together, each in the order of the line: what holds for a part holds for the line.
    Most lines over a long weld fall into many."""
    if window_mm is None or (ring_mm is not None and window_mm >= ring_mm):
        return [line]
    starts = [i.start or 0.0 if ring_mm is None else (i.start or 0.0) % ring_mm for i in line]
    ends = [start + (i.end or 0.0) - (i.start or 0.0) for start, i in zip(starts, line, strict=True)]
    reach = -math.inf if ring_mm is None else max(ends) - ring_mm
    parts: list[list[int]] = [[]]
    for n in sorted(range(len(line)), key=starts.__getitem__):
        if starts[n] - reach > window_mm + 1e-6:
            parts.append([])
        parts[-1].append(n)
        reach = max(reach, ends[n])
    if ring_mm is not None and len(parts) > 1:
        parts[-1] += parts.pop(0)  # over the datum
    return [[line[n] for n in sorted(part)] for part in parts if part]


def _distinct(bad: Sequence[_Group]) -> list[_Group]:
    """The worst of the bad groups, leaving out those that share a member with one already taken; in order of station."""
    taken: list[_Group] = []
    used: set[tuple[int, ...]] = set()
    for group in sorted(bad, key=lambda g: (not g.certain, -round(g.stretch.amount, 9), g.stretch.start)):
        if not used & {i.ids for i in group.members}:
            taken.append(group)
            used |= {i.ids for i in group.members}
    return sorted(taken, key=lambda g: g.stretch.start)


def _names(*items: Item) -> str:
    return " and ".join("+".join(map(str, i.ids)) for i in items)


MANY_KINDS: Mapping[str, ManyKind] = MappingProxyType({
    "total": total,
    "share of weld": share_of_weld,
    "count": count,
    "spacing": spacing,
    "aligned group": aligned_group,
    "four on a line": four_on_a_line,
    "area share": area_share,
    "stacked": stacked,
    "chart": chart,
})
"""Kind of rule to its function, for rules that look at several items together."""
