"""The kinds of rule that add indications up. Each docstring is what `judge --explain` prints.

Every function gets the items its row is about, all taken as belonging to it, and gives one outcome per bad stretch of weld or a
single accepting one. Removing an item never makes any of these rules worse; `removal.py` rests on that.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

from rtscan.acceptance.criteria import COMPARATOR_SIGNS, Rule
from rtscan.acceptance.items import Item, Sized
from rtscan.acceptance.outcomes import Ground, Outcome, compare, greatest_size, missing_size
from rtscan.acceptance.windows import Load, Places, Stretch, stretches

_NUDGE_MM = 1e-6
ManyKind = Callable[[Rule, Sequence[Item], Ground], tuple[Outcome, ...]]


@dataclass(frozen=True)
class Sum:
    """A row that adds up, prepared for one list: a load per item, the limit, and the window in millimetres (None: whole weld)."""

    rule: Rule
    ground: Ground
    items: tuple[Item, ...]
    loads: tuple[Load, ...]
    limit: float
    unit: str
    arithmetic: str
    window_mm: float | None
    words: str
    placed: bool = True

    @cached_property
    def stretches(self) -> list[Stretch]:
        """Every stretch that can be the worst."""
        return stretches(self.loads, self.window_mm, self.ground.ring_mm)

    @cached_property
    def places(self) -> Places:
        """Where the loads lie."""
        return Places(self.loads, self.ground.ring_mm)

    def bad(self, s: Stretch) -> bool:
        """Whether the stretch is not accepted with its uncertainty added."""
        return compare(self.rule, s.amount, s.u, self.limit) != "accept"


def total(rule: Rule, items: Sequence[Item], ground: Ground) -> tuple[Outcome, ...]:
    """Aggregate length in any window of weld, or over the whole weld.

    The window slides, circular on a full girth weld; an indication across its end counts with the part inside. The scale's
    uncertainty is common to all members of a sum, the rest adds in squares. Without stations the sum over everything is
    compared: accepted if that is, else the places must be known. On a weld shorter than the window all of it counts.
    """
    return _judged(prepared_sum(rule, items, ground))


def share_of_weld(rule: Rule, items: Sequence[Item], ground: Ground) -> tuple[Outcome, ...]:
    """Aggregate length as a share of the whole weld.

    On a film of part of the weld it may reject, because more film can only add, but never accept.
    """
    return _judged(prepared_sum(rule, items, ground))


def count(rule: Rule, items: Sequence[Item], ground: Ground) -> tuple[Outcome, ...]:
    """Number of indications in any window, each where its middle lies; `most` is the greatest number accepted.

    Where the document says "proportionately fewer for shorter welds" the number shrinks with the length of the weld.
    """
    return _judged(prepared_sum(rule, items, ground))


def area_share(rule: Rule, items: Sequence[Item], ground: Ground) -> tuple[Outcome, ...]:
    """Projected area of all indications in a window, as a share of window length times weld width.

    The window lies where the share is greatest and is no longer than the weld. An area that was not measured is taken as an
    ellipse of length and width. Where the row names sizes, length times the greater of them counts instead of the area.
    """
    return _judged(prepared_sum(rule, items, ground))


def stacked(rule: Rule, items: Sequence[Item], ground: Ground) -> tuple[Outcome, ...]:
    """Sum of heights of all imperfections met by one cross section of the weld; a single one is judged by its own row.

    The greater known of height and width counts for each (as in the internal rows of ISO 5817).
    """
    if len(items) < 2:
        return ()
    prepared = prepared_sum(rule, items, ground)
    if isinstance(prepared, Outcome):
        return (prepared,)
    if any(i.start is None for i in items):
        return (unplaced(items, prepared.unit, "which lie in one cross section"),)
    sections = _sections(prepared)
    bad = [e for e in sections if prepared.bad(e[0])]
    chosen = bad or [max(sections, key=lambda e: e[0].amount)] if sections else []
    told, outcomes = set[int](), list[Outcome]()
    for s, members in sorted(chosen, key=lambda e: (-round(e[0].amount, 9), e[0].start)):
        if told.isdisjoint(members):
            told |= members
            outcomes.append(replace(_outcome(prepared, s), items=tuple(items[n] for n in sorted(members))))
    return tuple(outcomes)


def chart(rule: Rule, items: Sequence[Item], ground: Ground) -> tuple[Outcome, ...]:
    """Rounded indications compared with a printed chart of one length of weld, which no text can hold.

    One alone in any such length needs no chart: accepted, its size is judged by its own row (common practice, no published
    source). Otherwise a person lays the printed chart beside the dot picture of that length.
    """
    window_mm, words = window_of(rule, ground)
    if len(items) > 1 and any(i.along is None for i in items):
        says = f"{rule.text}: {len(items)} rounded indications, places along the weld not known"
        return (Outcome("review", says, tuple(items), float(len(items)), unit=""),)
    loads = tuple(Load(i.along or 0.0, i.along or 0.0, 1.0) for i in items)
    crowded = _covering(loads, items, window_mm, ground)
    if not crowded:
        each = "single rounded indication" if len(items) == 1 else f"{len(items)} rounded indications, each alone"
        return (Outcome("accept", f"{each} {words}: no chart needed", tuple(items), 1.0, 0.0, 1.0, ""),)
    outcomes = []
    for s, members in crowded:
        says = f"{rule.text}: {len(members)} rounded indications{where(s, window_mm, ground)}"
        outcomes.append(Outcome("review", says, members, float(len(members)), 0.0, None, ""))
    return tuple(outcomes)


def prepared_sum(rule: Rule, items: Sequence[Item], ground: Ground) -> Sum | Outcome:
    """The row ready to be added up; an outcome instead when a size is not known. Raises MissingError for a size of the weld."""
    sizes = [_amount(rule, i) for i in items]
    unknown = tuple(i for i, s in zip(items, sizes, strict=True) if s is None)
    if unknown:
        return missing_size(rule, unknown)
    window_mm, words = window_of(rule, ground)
    unit, limit, arithmetic = sum_limit(rule, ground)
    factor = _factor(rule, ground, window_mm)
    placed = window_mm is None or all(i.start is not None for i in items)
    middles = rule.kind == "count"
    loads = tuple(load_of(i, Sized(s.value * factor, s.u * factor), ground, middles) for i, s in zip(items, sizes, strict=True) if s)
    return Sum(rule, ground, tuple(items), loads, limit, unit, arithmetic, window_mm, words, placed)


def sum_limit(rule: Rule, ground: Ground) -> tuple[str, float, str]:
    """Unit, limit and its arithmetic of a row that adds up; shrunk for a short weld where the document says so."""
    sign, scale = COMPARATOR_SIGNS[rule.comparator], ground.scale
    if rule.percent is not None:
        return "%", rule.percent, f"{sign} {rule.percent:g} %"
    unit = "" if rule.most is not None else scale.units
    if rule.most is not None:
        value, says = float(rule.most), f"{rule.most}"
    elif rule.limit is not None:
        value, says = ground.worked_out(rule.limit)
    else:
        raise ValueError(rule.id)
    window_mm, length_mm = window_of(rule, ground)[0], ground.situation.weld_length_mm
    if rule.pro_rata and window_mm is not None and length_mm is not None and length_mm < window_mm:
        value *= length_mm / window_mm
        shrunk = scale.show(value) if unit else f"{value:.2f}"
        says += f", in proportion for a weld of {scale.show(length_mm * scale.factor)}: {shrunk}"
    return unit, value, f"{sign} {says}"


def window_of(rule: Rule, ground: Ground) -> tuple[float | None, str]:
    """Length of the row's window in millimetres (None: the whole weld, or one cross section) and its words."""
    if rule.kind == "stacked":
        return 0.0, "in one cross section"
    if rule.window is None:
        return None, "" if rule.kind == "share of weld" else "over the whole weld"
    return ground.to_mm(rule.window.value(ground.scale)), f"in any {rule.window.says(ground.scale)}"


def load_of(item: Item, size: Sized, ground: Ground, at_middle: bool = False) -> Load:
    """The load of an item over its stations. Without a known scale uncertainty all of its uncertainty is taken as common."""
    relative = ground.situation.scale_uncertainty
    common = size.u if relative is None else min(size.u, relative * size.value)
    start, end = (item.start, item.end) if item.start is not None and item.end is not None else (0.0, 0.0)
    if at_middle:
        start = end = (start + end) / 2
    return Load(start, end, size.value, common, math.sqrt(max(0.0, size.u**2 - common**2)))


def apart(bad: Sequence[Stretch], ring_mm: float | None) -> list[Stretch]:
    """The stretches (all of one length), greatest first, leaving out those that overlap one already taken; in order of station."""
    taken: list[Stretch] = []
    for s in sorted(bad, key=lambda s: (-round(s.low, 9), s.start)):
        place = bisect_left(taken, s.start, key=lambda t: t.start)
        beside = [taken[place % len(taken)], taken[place - 1]] if taken else []
        if all(not _overlap(s, t, ring_mm) for t in beside):
            taken.insert(place, s)
    return taken


def unplaced(items: Sequence[Item], unit: str, says: str) -> Outcome:
    """The outcome when places along the weld decide and are not known."""
    return Outcome("cannot judge", f"{says}: places along the weld not known", tuple(items), unit=unit)


def where(s: Stretch, window_mm: float | None, ground: Ground) -> str:
    """The stations of a stretch, as the findings print them."""
    if window_mm is None:
        return ""
    ring, factor, unit = ground.ring_mm, ground.scale.factor, ground.scale.units
    a, b = (s.start, s.end) if ring is None else (s.start % ring, s.end % ring)
    digits = 0 if unit == "mm" else 1
    first, last = f"{a * factor:.{digits}f}", f"{b * factor:.{digits}f}"
    return f" (station {first} {unit})" if a == b else f" (stations {first} to {last} {unit})"


def figure(value: float, unit: str, ground: Ground) -> str:
    """A sum as the findings print it."""
    return f"{value:.2f} %" if unit == "%" else f"{value:.0f}" if unit == "" else ground.scale.show(value)


def _judged(prepared: Sum | Outcome) -> tuple[Outcome, ...]:
    if isinstance(prepared, Outcome):
        return (prepared,)
    rule = prepared.rule
    if not prepared.placed:
        everything = Stretch(0.0, 0.0, sum(x.amount for x in prepared.loads), sum(x.common + x.own for x in prepared.loads))
        says = f"{figure(everything.amount, prepared.unit, prepared.ground)} in all, limit {prepared.arithmetic}"
        if compare(rule, everything.amount, everything.u, prepared.limit) != "accept":
            return (unplaced(prepared.items, prepared.unit, says),)
        return (Outcome("accept", says, prepared.items, everything.amount, everything.u, prepared.limit, prepared.unit),)
    found = prepared.stretches
    bad = apart([s for s in found if prepared.bad(s)], prepared.ground.ring_mm)
    return tuple(_outcome(prepared, s) for s in bad or [max(found, key=lambda s: (s.amount, -s.start))])


_WORDS = {
    "total": "sum of lengths", "share of weld": "sum of lengths", "count": "number", "area share": "area", "stacked": "sum of heights",
}
_SHORT_WELD = "the weld is shorter than the length the clause speaks of: rejected if the whole weld counts as that length, else no limit"


def _outcome(prepared: Sum, s: Stretch) -> Outcome:
    rule, ground, unit = prepared.rule, prepared.ground, prepared.unit
    result = compare(rule, s.amount, s.u, prepared.limit)
    doubt = f" ± {figure(s.u, unit, ground)}" if s.u > 0 else ""
    says = f"{_WORDS[rule.kind]} {figure(s.amount, unit, ground)}{doubt}{prepared.words and ' ' + prepared.words}"
    says += f"{where(s, prepared.window_mm, ground)}, limit {prepared.arithmetic}"
    if result == "review":
        says += ": the limit lies inside the uncertainty"
    elif result == "reject" and not rule.printed_for_short_welds and _shorter_than_window(prepared):
        result = "review"
        says += f"; {_SHORT_WELD}"
    return Outcome(result, says, _met(prepared, s), s.amount, s.u, prepared.limit, unit)


def _shorter_than_window(prepared: Sum) -> bool:
    length_mm, window_mm = prepared.ground.situation.weld_length_mm, prepared.window_mm
    return window_mm is not None and length_mm is not None and length_mm < window_mm - 1e-6


def _met(prepared: Sum, s: Stretch) -> tuple[Item, ...]:
    if prepared.window_mm is None:
        return prepared.items
    return tuple(prepared.items[n] for n in sorted(prepared.places.within(s.start, s.end)))


def _sections(prepared: Sum) -> list[tuple[Stretch, set[int]]]:
    """Cross sections just after the start of each item that meet two or more, with their sum."""
    ring, found = prepared.ground.ring_mm, list[tuple[Stretch, set[int]]]()
    for load in prepared.loads:
        start = load.start + _NUDGE_MM if ring is None else (load.start + _NUDGE_MM) % ring
        members = prepared.places.within(start, start)
        if len(members) > 1:
            met = [prepared.loads[n] for n in members]
            u = math.hypot(sum(x.common for x in met), math.sqrt(sum(x.own**2 for x in met)))
            found.append((Stretch(load.start, load.start, sum(x.amount for x in met), u), members))
    return found


def _amount(rule: Rule, item: Item) -> Sized | None:
    if rule.kind == "count":
        return Sized(1.0)
    return _area(rule, item) if rule.kind == "area share" else greatest_size(rule, item)


def _factor(rule: Rule, ground: Ground, window_mm: float | None) -> float:
    """From millimetres (or mm², or a number) to the unit of the limit."""
    if rule.kind == "count":
        return 1.0
    if rule.kind != "area share":
        return ground.scale.factor
    length_mm, width_mm = ground.situation.weld_length_mm, ground.to_mm(ground.scale.size("cap_width"))
    if window_mm is None:
        return 100.0 / (ground.to_mm(ground.scale.size("weld_length")) * width_mm)
    return 100.0 / (min(window_mm, length_mm or window_mm) * width_mm)


def _area(rule: Rule, item: Item) -> Sized | None:
    """Projected area, mm²; its uncertainty from those of length and width."""
    length, width = item.length, greatest_size(rule, item) if rule.quantity else item.width or item.length
    if length is None or width is None:
        return Sized(item.area) if item.area is not None and not rule.quantity else None
    area = length.value * width.value * (1.0 if rule.quantity else math.pi / 4)
    relative = math.hypot(length.u / length.value if length.value else 0.0, width.u / width.value if width.value else 0.0)
    if not rule.quantity and item.area is not None:
        area = item.area
    return Sized(area, area * relative)


def _overlap(a: Stretch, b: Stretch, ring_mm: float | None) -> bool:
    shifts = (0.0,) if ring_mm is None else (-ring_mm, 0.0, ring_mm)
    return a == b or any(a.start + d < b.end - 1e-6 and b.start < a.end + d - 1e-6 for d in shifts)


def _covering(
    loads: Sequence[Load], items: Sequence[Item], window_mm: float | None, ground: Ground
) -> list[tuple[Stretch, tuple[Item, ...]]]:
    """Stretches that together show every indication that has another within the window, the most crowded taken first."""
    found = [s for s in stretches(loads, window_mm, ground.ring_mm) if s.amount > 1.5]
    places, left = Places(loads, ground.ring_mm), set(range(len(items)))
    chosen = []
    for s in sorted(found, key=lambda s: (-s.amount, s.start)):
        if not left:
            break
        members = places.within(s.start, s.end)
        if not left.isdisjoint(members):
            left.difference_update(members)
            chosen.append((s, tuple(items[n] for n in sorted(members))))
    return sorted(chosen, key=lambda e: e[0].start)
