"""Groups that a person names in the `group` column of a list, and groups whose members a reader has changed: measured from the list."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace

from rtscan.findings import Group, GroupKind, Indication
from rtscan.imperfections import by_number

Spot = tuple[float, float]
_STRETCHED = 4.0


def hand_groups(indications: Sequence[Indication]) -> tuple[Group, ...]:
    """One group per name in the `group` column, in order of first use.

    Clustered porosity makes a cluster, linear porosity an aligned row, other kinds than pores a line. Pores are an aligned row
    when the group is more than four times as long as wide, else a cluster. (Common practice, no published source.)
    """
    names = dict.fromkeys(i.group for i in indications if i.group)
    return tuple(_new_group(name, [i for i in indications if i.group == name]) for name in names)


def regrouped(groups: Sequence[Group], before: Sequence[Indication], after: Sequence[Indication]) -> tuple[Group, ...]:
    """The groups after a reader's changes: members that moved in or out by the `group` column, sizes measured anew where a member changed.

    A group keeps its kind; one with fewer than two members is dropped; new names make new groups.
    """
    old = {i.id: i for i in before}
    new = {i.id: i for i in after}
    moved = {i for i in new if i not in old or old[i].group != new[i].group}
    result: list[Group] = []
    for group in groups:
        stayed = [i for i in group.members if i in new and (i not in moved or new[i].group == group.id)]
        joined = [i for i in new if i in moved and new[i].group == group.id and i not in group.members]
        members = tuple(stayed + joined)
        if members == group.members and all(old.get(i) == new[i] for i in members):
            result.append(group)
        elif len(members) > 1:
            result.append(_measured(replace(group, members=members), [new[i] for i in members]))
    known = {group.id for group in groups}
    fresh = hand_groups([i for i in after if i.group not in known])
    return (*result, *fresh)


def _new_group(name: str, members: list[Indication]) -> Group:
    group = _measured(Group(name, "line", members[0].type, members[0].iso6520, tuple(i.id for i in members)), members)
    numbers = {i.iso6520 for i in members}
    kind = _kind_of_pores(group, members, numbers)
    if kind is None:
        return group
    if kind == "cluster":
        return replace(group, kind=kind, type="clustered porosity", iso6520="2013")
    return replace(group, kind=kind, type="linear porosity", iso6520="2014")


def _kind_of_pores(group: Group, members: Sequence[Indication], numbers: set[str]) -> GroupKind | None:
    if not all((known := by_number(n)) and known.family == "pore" for n in numbers):
        return None
    if "2013" in numbers or "2014" in numbers:
        return "cluster" if "2013" in numbers else "aligned"
    across = [i.across_mm for i in members if i.across_mm is not None]
    if len(across) < len(members) or group.end_to_end_mm is None:
        return "aligned"
    wide = max(across) - min(across) + max((i.width_mm or 0.0) for i in members)
    return "aligned" if group.end_to_end_mm > _STRETCHED * wide else "cluster"


def _measured(group: Group, members: Sequence[Indication]) -> Group:
    """Sum of lengths, end-to-end length along the weld, diameter of the least circle round a cluster; None where a size is missing."""
    lengths = [i.length_mm for i in members]
    ends = [end for i in members for end in _ends(i)]
    outlines = [outline for i in members if (outline := _outline(i))]
    whole = len(ends) == 2 * len(members)
    return replace(
        group,
        sum_length_mm=None if None in lengths else math.fsum(length for length in lengths if length is not None),
        end_to_end_mm=max(ends) - min(ends) if whole else None,
        diameter_mm=_least_circle_mm([spot for outline in outlines for spot in outline]) if len(outlines) == len(members) else None,
    )


def _ends(indication: Indication) -> tuple[float, ...]:
    if indication.along_mm is None or indication.length_mm is None:
        return ()
    half = indication.length_mm / 2 * abs(math.cos(math.radians(indication.angle_deg or 0.0)))
    return indication.along_mm - half, indication.along_mm + half


def _outline(indication: Indication) -> list[Spot]:
    """The ellipse of the indication's length and width as 24 points (along, across); empty when a place or size is missing.

    24 points leave less than 1 % of its radius outside the polygon.
    """
    if indication.along_mm is None or indication.across_mm is None or indication.length_mm is None:
        return []
    turn = math.radians(indication.angle_deg or 0.0)
    long, wide = indication.length_mm / 2, (indication.width_mm if indication.width_mm is not None else indication.length_mm) / 2
    steps = [(long * math.cos(k * math.pi / 12), wide * math.sin(k * math.pi / 12)) for k in range(24)]
    return [(indication.along_mm + x * math.cos(turn) - y * math.sin(turn), indication.across_mm + x * math.sin(turn) + y * math.cos(turn))
            for x, y in steps]


def _least_circle_mm(points: Iterable[Spot]) -> float:
    """Diameter of the least circle round the points: grown point by point over their convex hull (Welzl 1991, without the shuffling)."""
    spots = _hull(sorted(set(points)))
    circle = (*spots[0], 0.0)
    for a, first in enumerate(spots):
        if _inside(circle, first):
            continue
        circle = (*first, 0.0)
        for b, second in enumerate(spots[:a]):
            if _inside(circle, second):
                continue
            circle = _on_two(first, second)
            for third in spots[:b]:
                if not _inside(circle, third):
                    circle = _on_three(first, second, third)
    return 2 * circle[2]


def _hull(spots: Sequence[Spot]) -> list[Spot]:
    """Convex hull of sorted points (Andrew's monotone chain)."""
    sides: list[list[Spot]] = []
    for ordered in (spots, spots[::-1]):
        side: list[Spot] = []
        for x, y in ordered:
            while len(side) > 1 and (side[-1][0] - side[-2][0]) * (y - side[-2][1]) <= (side[-1][1] - side[-2][1]) * (x - side[-2][0]):
                side.pop()
            side.append((x, y))
        sides.append(side)
    return sides[0] + sides[1][1:-1]


def _inside(circle: tuple[float, float, float], point: Spot) -> bool:
    return math.dist(circle[:2], point) <= circle[2] * (1 + 1e-9) + 1e-9


def _on_two(a: Spot, b: Spot) -> tuple[float, float, float]:
    return (a[0] + b[0]) / 2, (a[1] + b[1]) / 2, math.dist(a, b) / 2


def _on_three(a: Spot, b: Spot, c: Spot) -> tuple[float, float, float]:
    bx, by, cx, cy = b[0] - a[0], b[1] - a[1], c[0] - a[0], c[1] - a[1]
    twice = 2 * (bx * cy - by * cx)
    if abs(twice) < 1e-12:
        return max((_on_two(a, b), _on_two(a, c), _on_two(b, c)), key=lambda circle: circle[2])
    x = (cy * (bx * bx + by * by) - by * (cx * cx + cy * cy)) / twice
    y = (bx * (cx * cx + cy * cy) - cx * (bx * bx + by * by)) / twice
    return a[0] + x, a[1] + y, math.hypot(x, y)
