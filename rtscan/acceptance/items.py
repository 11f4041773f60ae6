"""What the rules look at: one indication, one group, or several indications that count as one; and the ways it may be read."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal, NamedTuple

from rtscan.findings import Group, Indication

Shape = Literal["rounded", "elongated"]
FACTS = ("surface_open", "finish_run", "mismatch", "darker_than_parent", "shape", "in_cluster", "clustered", "drawn_out", "welded_from")
"""Facts of an indication a row may ask for, as in `criteria.When`."""

ROUNDED_UP_TO = 3.0
"""Rounded: length at most three times the width; ASME VIII Appendix 4, Section IX QW-191, AWS D1.1."""

_FIELD_OF = {
    "length_mm": "length", "local_width_mm": "width", "width_mm": "caliper_width", "height_mm": "height", "diameter_mm": "diameter",
    "end_to_end_mm": "end_to_end", "sum_length_mm": "sum_length",
}
_LENGTH_IF_NOT_GIVEN = ("diameter_mm", "end_to_end_mm", "sum_length_mm")
_CIRCLE_STEPS = 500
_ROUND_BY_NAME = ("2011", "2012", "2013", "2014", "2017", "516")
_LONG_BY_NAME = ("2015", "2016", "3011")
_OPEN = frozenset({"open", "yes", "true", "surface", "external", "internal", "outside", "inside", "cap", "root", "face"})
_NOT_OPEN = frozenset({"no", "none", "false", "not open", "closed", "buried", "embedded", "subsurface"})
_FINISH = frozenset({"finish", "cap", "final", "cover"})


class Sized(NamedTuple):
    """A size and its expanded uncertainty (k = 2), in millimetres."""

    value: float
    u: float = 0.0


@dataclass(frozen=True, slots=True)
class Item:
    """One thing judged. Stations `start` to `end` are its extent along the weld; None when its place is not known.

    `other_along` is the second possible station of a double-wall image whose walls cannot be told apart. `sure` False: it may
    not belong to the row at all (type, fact or size in doubt). `parallel` marks two lines taken as one.
    """

    ids: tuple[int, ...]
    groups: tuple[str, ...]
    iso6520: str
    start: float | None
    end: float | None
    across: float | None
    length: Sized | None
    width: Sized | None
    caliper_width: Sized | None
    height: Sized | None
    area: float | None
    diameter: Sized | None = None
    end_to_end: Sized | None = None
    sum_length: Sized | None = None
    angle: float = 0.0
    other_along: float | None = None
    sure: bool = True
    parallel: bool = False

    @property
    def along(self) -> float | None:
        """Station of the middle."""
        return None if self.start is None or self.end is None else (self.start + self.end) / 2

    def size(self, quantity: str) -> Sized | None:
        """A size by its contract key; None when it was not measured."""
        own: Sized | None = getattr(self, _FIELD_OF[quantity])
        return own or self.length if quantity in _LENGTH_IF_NOT_GIVEN else own


@dataclass(frozen=True, slots=True)
class Reading:
    """One way to read an indication: a type and the facts that rows ask for; None where no row of this criterion asks."""

    iso6520: str
    surface_open: bool | None = None
    finish_run: bool | None = None
    mismatch: bool | None = None
    darker_than_parent: bool | None = None
    shape: Shape | None = None
    in_cluster: bool | None = None
    clustered: bool | None = None
    drawn_out: bool | None = None
    welded_from: str | None = None


def item_of(indication: Indication) -> Item:
    """The item of one indication. Width rules use the local width, else the caliper width (contract, "Sizes")."""
    length = _sized(indication.length_mm, indication.length_u_mm)
    caliper = _sized(indication.width_mm, indication.width_u_mm)
    local = _sized(indication.local_width_mm, indication.width_u_mm) or caliper
    angle = indication.angle_deg or 0.0
    half = (indication.length_mm or 0.0) / 2 * abs(math.cos(math.radians(angle)))
    along = indication.along_mm
    return Item(
        ids=(indication.id,),
        groups=(),
        iso6520=indication.iso6520,
        start=None if along is None else along - half,
        end=None if along is None else along + half,
        across=indication.across_mm,
        length=length,
        width=local,
        caliper_width=caliper,
        height=_sized(indication.height_mm, indication.height_u_mm),
        area=indication.area_mm2,
        angle=angle,
        other_along=indication.other_along_mm if indication.wall == "unknown" else None,
    )


def group_item(group: Group, members: Sequence[Item], ring_mm: float | None = None) -> Item:
    """The item of a group: its members' extent and greatest sizes; sizes the list does not give are worked out from the members."""
    members = [*cut_open([m for m in members if m.start is not None], ring_mm), *(m for m in members if m.start is None)]
    starts = [m.start for m in members if m.start is not None]
    ends = [m.end for m in members if m.end is not None]
    start, end = (min(starts), max(ends)) if starts else (None, None)
    across = [m.across for m in members if m.across is not None]
    worst_u = max((m.length.u for m in members if m.length), default=0.0)
    span = None if start is None or end is None else Sized(end - start, worst_u)
    lengths = [m.length for m in members if m.length]
    total = Sized(sum(s.value for s in lengths), sum(s.u for s in lengths)) if len(lengths) == len(members) and lengths else None
    diameter = _sized(group.diameter_mm, worst_u) or _circle(members, worst_u) or span
    return Item(
        ids=tuple(sorted(group.members)),
        groups=(group.id,),
        iso6520=group.iso6520,
        start=start,
        end=end,
        across=sum(across) / len(across) if across else None,
        length=_sized(group.end_to_end_mm, worst_u) or span,
        width=_greatest([m.width for m in members]),
        caliper_width=_greatest([m.caliper_width for m in members]),
        height=_greatest([m.height for m in members]),
        area=sum(m.area for m in members if m.area is not None) if all(m.area is not None for m in members) else None,
        diameter=diameter,
        end_to_end=_sized(group.end_to_end_mm, worst_u) or span,
        sum_length=_sized(group.sum_length_mm, 0.0 if total is None else total.u) or total,
    )


def joined(items: Sequence[Item]) -> Item:
    """Several items as one, from the first start to the last end; sizes across are the greatest."""
    starts = [i.start for i in items if i.start is not None]
    ends = [i.end for i in items if i.end is not None]
    span = max(ends) - min(starts)
    worst_u = max((i.length.u for i in items if i.length), default=0.0)
    return replace(
        items[0],
        ids=tuple(sorted({number for i in items for number in i.ids})),
        groups=tuple(dict.fromkeys(g for i in items for g in i.groups)),
        start=min(starts),
        end=max(ends),
        length=Sized(span, worst_u),
        width=_greatest([i.width for i in items]),
        height=_greatest([i.height for i in items]),
        end_to_end=None,
        diameter=None,
        sum_length=None,
        angle=0.0,
        sure=all(i.sure for i in items),
    )


def cut_open(items: Sequence[Item], ring_mm: float | None) -> list[Item]:
    """Items with stations in order of station; those of a ring counted on from after its widest gap, so that neighbours across
    the datum are neighbours here."""
    if ring_mm is None:
        return sorted(items, key=lambda i: (i.start or 0.0, i.ids))
    turned = sorted((_moved(i, -math.floor((i.start or 0.0) / ring_mm) * ring_mm) for i in items), key=lambda i: (i.start or 0.0, i.ids))
    reach, widest, cut = -math.inf, -math.inf, 0
    for n, item in enumerate(turned):
        if n and (item.start or 0.0) - reach > widest:
            widest, cut = (item.start or 0.0) - reach, n
        reach = max(reach, item.end or 0.0)
    if turned and (turned[0].start or 0.0) + ring_mm - reach >= widest:
        cut = 0
    return [*turned[cut:], *(_moved(i, ring_mm) for i in turned[:cut])]


def _moved(item: Item, by: float) -> Item:
    return item if by == 0 else replace(item, start=(item.start or 0.0) + by, end=(item.end or 0.0) + by)


def shape_of(item: Item, iso6520: str) -> Shape | None:
    """Rounded or elongated by 3:1 on the local width; by its name when the width is not known; None when the doubt spans 3:1."""
    if item.length is None or item.width is None or item.width.value <= 0:
        return "rounded" if iso6520 in _ROUND_BY_NAME else "elongated" if iso6520 in _LONG_BY_NAME else None
    longest, shortest = item.length.value + item.length.u, item.length.value - item.length.u
    narrow, wide = item.width.value - item.width.u, item.width.value + item.width.u
    if longest <= ROUNDED_UP_TO * narrow * (1 + 1e-9):
        return "rounded"
    return "elongated" if shortest > ROUNDED_UP_TO * wide * (1 + 1e-9) else None


def is_open(surface: str | None) -> bool | None:
    """Whether a `surface` entry says that the imperfection opens to a surface; None when it says nothing known."""
    word = (surface or "").strip().lower()
    return True if word in _OPEN else False if word in _NOT_OPEN else None


def is_finish(run: str | None) -> bool | None:
    """Whether a `run` entry names the finish pass; None when blank."""
    word = (run or "").strip().lower()
    return None if not word else word in _FINISH or word.startswith("finish")


def _sized(value: float | None, u: float | None) -> Sized | None:
    return None if value is None else Sized(value, u or 0.0)


def _greatest(sizes: Sequence[Sized | None]) -> Sized | None:
    known = [s for s in sizes if s is not None]
    return max(known, key=lambda s: s.value) if known else None


def _circle(members: Sequence[Item], u: float) -> Sized | None:
    """Diameter of the least circle round the members. Needs every size and place.

    The centre walks towards the farthest edge by ever smaller steps, which converges because that distance is convex.
    """
    discs = [(m.along, m.across, m.length.value / 2) for m in members if m.length and m.along is not None and m.across is not None]
    if len(discs) < len(members) or len(discs) < 2:
        return None
    x, y = sum(d[0] for d in discs) / len(discs), sum(d[1] for d in discs) / len(discs)
    step, least = max(math.hypot(d[0] - x, d[1] - y) + d[2] for d in discs), math.inf
    for _ in range(_CIRCLE_STEPS):
        reach, far_x, far_y = max((math.hypot(px - x, py - y) + r, px, py) for px, py, r in discs)
        least = min(least, reach)
        away = math.hypot(far_x - x, far_y - y) or 1.0
        x, y = x + (far_x - x) / away * step * 0.5, y + (far_y - y) / away * step * 0.5
        step *= 0.97
    return Sized(2 * least, u)
