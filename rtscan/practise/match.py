"""Pairs marks with the truth: a mark is a hit when it overlaps the truth grown a little; groups match groups."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from rtscan.findings import Group, Indication
from rtscan.practise.lessons import family
from rtscan.practise.matching import Matching


@dataclass(frozen=True)
class Extent:
    """A box on the weld: middle station and offset, half sizes, mm. An unknown offset has an infinite half size across."""

    along_mm: float
    across_mm: float
    half_along_mm: float
    half_across_mm: float
    other_along_mm: float | None = None
    wall: str | None = None


@dataclass(frozen=True)
class Target:
    """One thing to be found: a single true indication, or a group that counts once. `size_mm` is its longest member."""

    id: str
    members: tuple[int, ...]
    type: str
    iso6520: str
    extent: Extent
    size_mm: float | None
    is_group: bool


@dataclass(frozen=True)
class Matched:
    """The pairing of one film. `hits` holds, per target in order, the ids of the marks that found it (empty: missed).

    `members_found` are true indications found, singly or with their group; `false_calls` marks that touch no truth;
    `repeats` marks that touch a truth already found; `too_long` false calls that would have touched one but cover far too much.
    """

    targets: tuple[Target, ...]
    hits: tuple[tuple[int, ...], ...]
    members_found: frozenset[int]
    false_calls: tuple[int, ...]
    repeats: tuple[int, ...]
    too_long: tuple[int, ...]


def extent_of(indication: Indication) -> Extent | None:
    """Where an indication lies; None when its station is unknown. Extent along the weld is (length/2)·|cos angle| as in the contract,
    never less than (width/2)·|sin angle|."""
    if indication.along_mm is None:
        return None
    angle = math.radians(indication.angle_deg or 0.0)
    length, width = indication.length_mm or 0.0, min(indication.width_mm or 0.0, indication.length_mm or math.inf)
    cos, sin = abs(math.cos(angle)), abs(math.sin(angle))
    return Extent(
        indication.along_mm, indication.across_mm or 0.0, max(length * cos, width * sin) / 2,
        math.inf if indication.across_mm is None else max(length * sin, width * cos) / 2,
        indication.other_along_mm, None if indication.wall == "unknown" else indication.wall)


def targets_of(indications: Sequence[Indication], groups: Sequence[Group], round_mm: float | None = None) -> tuple[Target, ...]:
    """The things to be found, by station. An indication in several groups counts with the first; those without a station are left out."""
    by_id = {i.id: i for i in indications if i.along_mm is not None}
    taken: set[int] = set()
    targets = []
    for group in groups:
        members = tuple(m for m in group.members if m in by_id and m not in taken)
        if len(members) > 1:
            taken.update(members)
            targets.append(_group_target(group, [by_id[m] for m in members], round_mm))
    for indication in by_id.values():
        extent = extent_of(indication)
        if indication.id not in taken and extent is not None:
            name = (indication.type, indication.iso6520)
            targets.append(Target(str(indication.id), (indication.id,), *name, extent, indication.length_mm, False))
    return tuple(sorted(targets, key=lambda t: (t.extent.along_mm, t.extent.across_mm, t.id)))


def _group_target(group: Group, members: list[Indication], round_mm: float | None) -> Target:
    extents = [e for m in members if (e := extent_of(m)) is not None]
    first = extents[0]
    offsets = [signed_gap_mm(e.along_mm, first.along_mm, round_mm) for e in extents]
    low = min(o - e.half_along_mm for o, e in zip(offsets, extents, strict=True))
    high = max(o + e.half_along_mm for o, e in zip(offsets, extents, strict=True))
    left = min(e.across_mm - e.half_across_mm for e in extents)
    right = max(e.across_mm + e.half_across_mm for e in extents)
    across = ((left + right) / 2, (right - left) / 2) if math.isfinite(right - left) else (0.0, math.inf)
    extent = Extent(first.along_mm + (low + high) / 2, across[0], (high - low) / 2, across[1], None, first.wall)
    longest = max((m.length_mm for m in members if m.length_mm is not None), default=None)
    name = (group.type or members[0].type, group.iso6520 or members[0].iso6520)
    return Target(group.id, tuple(m.id for m in members), *name, extent, longest, True)


def signed_gap_mm(a_mm: float, b_mm: float, round_mm: float | None) -> float:
    """a − b along the weld; on a closed girth weld of length `round_mm` the shorter way round."""
    gap = a_mm - b_mm
    return gap if not round_mm else (gap + round_mm / 2) % round_mm - round_mm / 2


def overlap_distance(mark: Extent, truth: Extent, rule: Matching, round_mm: float | None) -> float | None:
    """None when the mark misses the grown truth; else how far apart the middles are (0 to 2, the reach being 1 each way)."""
    if mark.wall and truth.wall and mark.wall != truth.wall:
        return None
    reach_along = mark.half_along_mm + truth.half_along_mm + rule.grow_along_mm
    reach_across = mark.half_across_mm + truth.half_across_mm + rule.grow_across_mm
    places = (mark.along_mm,) if mark.other_along_mm is None else (mark.along_mm, mark.other_along_mm)
    along = min(abs(signed_gap_mm(p, truth.along_mm, round_mm)) for p in places)
    across = abs(mark.across_mm - truth.across_mm)
    if along > reach_along or across > reach_across:
        return None
    return along / (reach_along or 1.0) + (across / reach_across if math.isfinite(reach_across) and reach_across else 0.0)


def match(
    marks: Sequence[Indication], indications: Sequence[Indication], groups: Sequence[Group], rule: Matching, round_mm: float | None = None
) -> Matched:
    """Pairs `marks` with the true `indications` and `groups`; `round_mm` is the length of a closed girth weld.

    One mark finds at most one target, and as many targets as possible are found; ties go to the nearer middle, then the
    agreeing family. Marks left over that touch a found target are repeats, the others false calls.
    """
    targets = targets_of(indications, groups, round_mm)
    placed = [(m, e) for m in marks if (e := extent_of(m)) is not None]
    distance = [[_distance(m, e, t, rule, round_mm) for t in targets] for m, e in placed]
    pairs = _assign(distance)
    hits: list[list[int]] = [[] for _ in targets]
    repeats, false_calls, too_long = [], [m.id for m in marks if extent_of(m) is None], []
    for k, (mark, _) in enumerate(placed):
        if k in pairs:
            hits[pairs[k]].append(mark.id)
            continue
        near = sorted((d, j) for j, d in enumerate(distance[k]) if d is not None)
        if not near:
            false_calls.append(mark.id)
            if any(overlap_distance(placed[k][1], t.extent, rule, round_mm) is not None for t in targets):
                too_long.append(mark.id)
        elif targets[near[0][1]].is_group:
            hits[near[0][1]].append(mark.id)
        else:
            repeats.append(mark.id)
    found = _members_found(placed, targets, hits, indications, rule, round_mm)
    return Matched(targets, tuple(map(tuple, hits)), found, tuple(sorted(false_calls)), tuple(repeats), tuple(too_long))


def _distance(mark: Indication, extent: Extent, target: Target, rule: Matching, round_mm: float | None) -> float | None:
    distance = overlap_distance(extent, target.extent, rule, round_mm)
    longest = 2 * target.extent.half_along_mm * rule.longest_mark_times + rule.longest_mark_plus_mm
    if distance is None or 2 * extent.half_along_mm > longest:
        return None
    return distance + (0.0 if family(mark.iso6520, mark.type) == family(target.iso6520, target.type) else 0.25)


def _assign(distance: list[list[float | None]]) -> dict[int, int]:
    """Mark row to target column, as many pairs as possible, then the least summed distance."""
    import numpy as np
    from scipy.optimize import linear_sum_assignment

    if not distance or not distance[0]:
        return {}
    never = 1e6
    cost = np.array([[never if d is None else d for d in row] for row in distance])
    rows, columns = linear_sum_assignment(cost)
    return {int(r): int(c) for r, c in zip(rows, columns, strict=True) if cost[r, c] < never}


def _members_found(
    placed: list[tuple[Indication, Extent]], targets: tuple[Target, ...], hits: list[list[int]], indications: Sequence[Indication],
    rule: Matching, round_mm: float | None,
) -> frozenset[int]:
    by_id = {i.id: i for i in indications}
    found: set[int] = set()
    for target, mark_ids in zip(targets, hits, strict=True):
        marks = [(m, e) for m, e in placed if m.id in mark_ids]
        if not marks:
            continue
        if not target.is_group or any(_calls_group(m, e, target, rule) for m, e in marks):
            found.update(target.members)
            continue
        truths = [by_id[k] for k in target.members]
        extents = [extent_of(t) for t in truths]
        pairs = _assign([[None if t is None else overlap_distance(e, t, rule, round_mm) for t in extents] for _, e in marks])
        found.update(truths[column].id for column in pairs.values())
    return frozenset(found)


def _calls_group(mark: Indication, extent: Extent, target: Target, rule: Matching) -> bool:
    return mark.iso6520 in rule.group_numbers or extent.half_along_mm >= rule.group_share * target.extent.half_along_mm > 0
