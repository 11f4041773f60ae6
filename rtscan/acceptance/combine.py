"""Indications that a document counts as one: parallel lines, neighbours with a small gap, clusters close together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from rtscan.acceptance.criteria import Parallel, Rule
from rtscan.acceptance.items import Item, Sized, cut_open, joined
from rtscan.acceptance.limits import MissingError
from rtscan.acceptance.outcomes import Ground
from rtscan.acceptance.rules import gap_mm

_PARALLEL_WITHIN_DEG = 15.0
"""Two lines are parallel when their directions differ by less (project choice; the code says "parallel")."""


def counted_as_one(rule: Rule, items: Sequence[Item], ground: Ground) -> tuple[Item, ...]:
    """The items as this row counts them."""
    if rule.parallel is not None:
        items = _parallel_lines(rule.parallel, items, ground)
    if rule.joined:
        items = _neighbours(items, ground)
    if rule.merged:
        items = _clusters(items, ground)
    return tuple(items)


def _parallel_lines(rule: Parallel, items: Sequence[Item], ground: Ground) -> list[Item]:
    """Two lines side by side, neither wider than the limit, become one from the first start to the last end."""
    scale = ground.scale
    try:
        apart_mm = ground.to_mm(rule.apart.value(scale))
    except MissingError:
        return list(items)
    widest_mm = ground.to_mm(rule.unless_wider.value(scale)) + 1e-6
    left = [*cut_open([i for i in items if i.start is not None], ground.ring_mm), *(i for i in items if i.start is None)]
    taken: list[Item] = []
    while left:
        line = left.pop(0)
        for n, other in enumerate(left):
            if line.end is None or other.start is None or other.start > line.end:
                break
            if all(rule.takes(i.iso6520) and _narrow(i, widest_mm) for i in (line, other)) and _side_by_side(line, other, apart_mm):
                line = replace(joined((line, other)), parallel=True)
                del left[n]
                break
        taken.append(line)
    return taken


def _side_by_side(a: Item, b: Item, apart_mm: float) -> bool:
    if a.across is None or b.across is None or a.start is None or b.start is None or a.end is None or b.end is None:
        return False
    turned = abs(a.angle - b.angle) % 180
    overlap = min(a.end, b.end) - max(a.start, b.start)
    return overlap > 0 and 0 < abs(a.across - b.across) <= apart_mm and min(turned, 180 - turned) <= _PARALLEL_WITHIN_DEG


def _narrow(item: Item, widest_mm: float) -> bool:
    return item.width is not None and item.width.value <= widest_mm


def _neighbours(items: Sequence[Item], ground: Ground) -> list[Item]:
    """Neighbours whose gap is smaller than the shorter of the two become one, gap included (ISO 5817, from memory).

    Lines side by side count with the sum of their lengths where that is more.
    """
    placed = cut_open([i for i in items if i.start is not None and i.length is not None], ground.ring_mm)
    result = [i for i in items if i.start is None or i.length is None]
    chain: list[Item] = []

    def chained() -> Item:
        whole = joined(chain)
        together = sum(i.length.value for i in chain if i.length)
        side_by_side = whole.length is not None and together > whole.length.value
        return replace(whole, length=Sized(together, whole.length.u)) if side_by_side and whole.length else whole

    for item in placed:
        near = [i for i in chain if _close(i, item, ground)]
        if chain and not near:
            result.append(chained() if len(chain) > 1 else chain[0])
            chain = []
        chain.append(item)
    if chain:
        result.append(chained() if len(chain) > 1 else chain[0])
    return sorted(result, key=lambda i: (i.start is None, i.start or 0.0, i.ids))


def _close(a: Item, b: Item, ground: Ground) -> bool:
    gap = gap_mm(a, b, ground.ring_mm)
    if gap is None or a.length is None or b.length is None:
        return False
    return gap < min(a.length.value, b.length.value) - 1e-6


def _clusters(items: Sequence[Item], ground: Ground) -> list[Item]:
    """Two clusters closer than the smaller of them are one: both diameters and the distance between (ISO 5817, from memory)."""
    left = [*cut_open([i for i in items if i.start is not None], ground.ring_mm), *(i for i in items if i.start is None)]
    result: list[Item] = []
    while left:
        cluster = left.pop(0)
        for n, other in enumerate(left):
            gap = _cluster_gap(cluster, other)
            if cluster.diameter and other.diameter and gap is not None and gap < min(cluster.diameter.value, other.diameter.value) - 1e-6:
                whole = Sized(cluster.diameter.value + other.diameter.value + gap, cluster.diameter.u + other.diameter.u)
                left[n] = replace(joined((cluster, other)), diameter=whole)
                break
        else:
            result.append(cluster)
    return result


def _cluster_gap(a: Item, b: Item) -> float | None:
    if a.start is None or b.start is None or a.end is None or b.end is None:
        return None
    return max(0.0, max(a.start, b.start) - min(a.end, b.end))
