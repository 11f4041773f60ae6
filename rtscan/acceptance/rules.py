"""The fixed kinds of rule that look at one indication or group alone. Each docstring is what `judge --explain` prints.

A rule is a small pure function; the engine (`judge.py`) chooses what it looks at and stamps rule, clause and grade on the outcome.
Kinds that look at several together are in `rules_together.py`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType

from rtscan.acceptance.criteria import COMPARATOR_SIGNS, Rule
from rtscan.acceptance.items import Item, Sized
from rtscan.acceptance.limits import Limit
from rtscan.acceptance.outcomes import QUANTITY_WORDS, Ground, Outcome, compare, greatest_size, missing_size

OneKind = Callable[[Rule, Item, Sequence[Item], Ground], Outcome]


def not_permitted(rule: Rule, item: Item, others: Sequence[Item], ground: Ground) -> Outcome:
    """Not permitted: an imperfection of this type is rejected whatever its size.

    There is no limit to compare with, so nothing needs to be measured and no measurement can change the outcome.
    """
    return Outcome("reject", f"{rule.what} is not permitted", (item,), unit="")


def permitted(rule: Rule, item: Item, others: Sequence[Item], ground: Ground) -> Outcome:
    """Permitted: the document sets no limit for this type, or disregards it here, and says so.

    Not the same as a type the document is silent about: that gives "cannot judge".
    """
    return Outcome("accept", f"{rule.what}: {rule.text or 'permitted'}", (item,), unit="")


def look(rule: Rule, item: Item, others: Sequence[Item], ground: Ground) -> Outcome:
    """A person must look: the clause is worded, not numbered, and no measurement settles it.

    The outcome is a review that says what to look for; the reader's answer settles it.
    """
    return Outcome("review", f"{rule.what}: {rule.text}", (item,), unit="")


def size(rule: Rule, item: Item, others: Sequence[Item], ground: Ground) -> Outcome:
    """One size (length, width, diameter, height or depth) against a limit worked out for this weld.

    Where the row names two sizes the greater known one counts. The outcome is review when the limit lies inside the
    measurement's uncertainty. A depth that one film does not show gives "review: depth needed".
    """
    measured = greatest_size(rule, item)
    if measured is None:
        return missing_size(rule, (item,))
    return _against(rule, item, measured, rule.limit, "", ground)


def isolated_or_random(rule: Rule, item: Item, others: Sequence[Item], ground: Ground) -> Outcome:
    """A larger size for an indication that stands alone: isolated when the next one is at least `apart` away, else random.

    The distance is between the outlines of relevant indications. Where the distance decides and is not known, or the
    measurement leaves it open, the outcome is review.
    """
    measured = greatest_size(rule, item)
    if measured is None:
        return missing_size(rule, (item,))
    if rule.isolated_limit is None or rule.apart is None:
        raise ValueError(rule.id)
    random = _against(rule, item, measured, rule.limit, "", ground)
    if random.result == "accept":
        return random
    isolated = _against(rule, item, measured, rule.isolated_limit, "isolated, ", ground)
    apart_mm = ground.to_mm(rule.apart.value(ground.scale))
    alone, near = standing_alone(item, others, apart_mm, ground.ring_mm)
    if alone is None:
        if isolated.result == random.result:
            return isolated
        return Outcome("review", f"{random.says}; {isolated.says}; how far it is from the next one is not known", (item,),
                       random.measured, random.measured_u, random.limit, random.unit)
    if alone:
        return isolated
    gap = f"next one {ground.scale.show(near * ground.scale.factor)} away, under {rule.apart.says(ground.scale)}"
    return Outcome(random.result, f"{random.says} ({gap})", (item,), random.measured, random.measured_u, random.limit, random.unit)


def standing_alone(item: Item, others: Sequence[Item], apart_mm: float, ring_mm: float | None) -> tuple[bool | None, float]:
    """Whether no other item lies within `apart_mm`, and the gap to the nearest found; None when a place is not known."""
    nearest, unknown = math.inf, False
    for other in others:
        if set(other.ids) & set(item.ids):
            continue
        gap = gap_mm(item, other, ring_mm)
        if gap is None:
            unknown = True
        else:
            nearest = min(nearest, gap)
    if nearest < apart_mm - 1e-6:
        return False, nearest
    return (None if unknown else True), nearest


def gap_mm(a: Item, b: Item, ring_mm: float | None) -> float | None:
    """Sound metal between two items: between their circles, each of its item's length; along the weld alone when a place across
    is missing (never more than the true gap). None when a station is missing."""
    if a.along is None or b.along is None:
        return None
    along = abs(a.along - b.along)
    if ring_mm:
        along = min(along % ring_mm, ring_mm - along % ring_mm)
    half = sum(((x.end or 0.0) - (x.start or 0.0)) / 2 for x in (a, b))
    if a.across is None or b.across is None:
        return max(0.0, along - half)
    aspect = [x.length is not None and x.width is not None and x.length.value > 3 * x.width.value for x in (a, b)]
    if not any(aspect):
        radii = sum(x.length.value / 2 if x.length else 0.0 for x in (a, b))
        return max(0.0, math.hypot(along, a.across - b.across) - radii)
    widths = sum(x.width.value / 2 if x.width else 0.0 for x in (a, b))
    return math.hypot(max(0.0, along - half), max(0.0, abs(a.across - b.across) - widths))


def own_sizes(item: Item, ground: Ground) -> Mapping[str, float]:
    """The item's sizes that a limit may rest on, in the units of the ground."""
    factor = ground.scale.factor
    return {name: size.value * factor for name, size in (("width", item.width), ("length", item.length)) if size is not None}


def _against(rule: Rule, item: Item, measured: Sized, limit: Limit | None, word: str, ground: Ground) -> Outcome:
    if limit is None:
        raise ValueError(rule.id)
    scale = ground.scale
    value, u = measured.value * scale.factor, measured.u * scale.factor
    most, arithmetic = ground.worked_out(limit, own_sizes(item, ground))
    result = compare(rule, value, u, most)
    name = QUANTITY_WORDS[rule.quantity[0]] if len(rule.quantity) == 1 else "greater of height and width"
    doubt = f" ± {scale.show(u)}" if u else ""
    sign = COMPARATOR_SIGNS[rule.comparator]
    says = f"{word}{name} {scale.show(value)}{doubt}, limit {sign} {arithmetic}"
    if result == "review":
        says += ": the limit lies inside the uncertainty"
    return Outcome(result, says, (item,), value, u, most, scale.units)


ONE_KINDS: Mapping[str, OneKind] = MappingProxyType({
    "not permitted": not_permitted,
    "permitted": permitted,
    "look": look,
    "size": size,
    "isolated or random size": isolated_or_random,
})
"""Kind of rule to its function, for rules that look at one item."""
