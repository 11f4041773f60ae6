"""Group: indications that belong together as one cluster, one aligned row or one interrupted line.

Distances are between outlines where known. A row holds at least three pores on one straight line along the weld; a line joins
collinear stretches of one family whose gaps are short beside their lengths; a cluster is what is left of three or more pores close
together.
Common practice, no published source for the distances; acceptance criteria apply their own spacing rules on the members.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from rtscan.film import F64
from rtscan.findings import Group, GroupKind, Indication
from rtscan.imperfections import by_number


@dataclass(frozen=True)
class GroupSettings:
    """Distances in mm and counts."""

    cluster_gap_mm: float = 3.0
    cluster_least: int = 4
    row_gap_mm: float = 8.0
    row_off_mm: float = 0.8
    row_least: int = 3
    line_gap_share: float = 1.0
    line_gap_mm: float = 6.0
    line_off_mm: float = 0.8
    line_aspect: float = 2.5


def group(indications: tuple[Indication, ...],
          settings: GroupSettings | None = None) -> tuple[tuple[Indication, ...], tuple[Group, ...]]:
    """The indications with their `group` filled, and the groups in order of their first member. No scale: no groups."""
    chosen = settings or GroupSettings()
    able = [i for i in indications if i.along_mm is not None and i.across_mm is not None and i.length_mm is not None]
    groups: list[Group] = []
    member_of: dict[int, str] = {}
    for kind, sets in (("aligned", _rows(able, chosen)), ("cluster", _clusters(able, chosen)), ("line", _lines(able, chosen))):
        for members in sets:
            free = [m for m in members if m.id not in member_of]
            least = {"aligned": chosen.row_least, "cluster": chosen.cluster_least, "line": 2}[kind]
            if len(free) < least:
                continue
            made = _made(f"G{len(groups) + 1}", "aligned" if kind == "aligned" else "cluster" if kind == "cluster" else "line", free)
            groups.append(made)
            member_of |= {m.id: made.id for m in free}
    return tuple(replace(i, group=member_of.get(i.id, i.group)) for i in indications), tuple(groups)


def _is_pore(i: Indication) -> bool:
    known = by_number(i.iso6520)
    return known is not None and known.family == "pore"


def _reach(i: Indication) -> tuple[float, float]:
    """First and last station of an indication."""
    half = (i.length_mm or 0.0) / 2 * abs(np.cos(np.deg2rad(i.angle_deg or 0.0)))
    return (i.along_mm or 0.0) - half, (i.along_mm or 0.0) + half


def _gap(a: Indication, b: Indication) -> float:
    """Metal between two indications, from centre distance less half sizes (lengths along, widths across): good for compact ones."""
    dx = abs((a.along_mm or 0.0) - (b.along_mm or 0.0))
    dy = abs((a.across_mm or 0.0) - (b.across_mm or 0.0))
    return max(0.0, float(np.hypot(dx, dy)) - ((a.length_mm or 0.0) + (b.length_mm or 0.0)) / 2)


def _linked(items: list[Indication], near: F64) -> list[list[Indication]]:
    """Connected sets under the boolean matrix `near`."""
    left, sets = set(range(len(items))), []
    while left:
        todo, mine = [min(left)], set()
        while todo:
            k = todo.pop()
            if k in mine:
                continue
            mine.add(k)
            todo += [j for j in left if near[k, j] and j not in mine]
        left -= mine
        sets.append([items[k] for k in sorted(mine)])
    return sets


def _clusters(items: list[Indication], settings: GroupSettings) -> list[list[Indication]]:
    pores = [i for i in items if _is_pore(i)]
    near = np.array([[a is not b and a.wall == b.wall and _gap(a, b) <= settings.cluster_gap_mm for b in pores] for a in pores])
    return [s for s in _linked(pores, near) if len(s) >= settings.cluster_least] if pores else []


def _rows(items: list[Indication], settings: GroupSettings) -> list[list[Indication]]:
    """Pores strung along the weld: each within `row_gap_mm` of the next, all within `row_off_mm` of their common line."""
    pores = sorted((i for i in items if _is_pore(i)), key=lambda i: (i.along_mm or 0.0, i.across_mm or 0.0))
    near = np.array([[a is not b and a.wall == b.wall and _gap(a, b) <= settings.row_gap_mm
                      and abs((a.across_mm or 0) - (b.across_mm or 0)) <= settings.row_off_mm for b in pores] for a in pores])
    rows = []
    for members in _linked(pores, near) if pores else []:
        x = np.array([m.along_mm or 0.0 for m in members])
        y = np.array([m.across_mm or 0.0 for m in members])
        if len(members) < settings.row_least or np.ptp(x) < 4 * max(np.ptp(y), 0.2):
            continue
        slope, level = np.polyfit(x, y, 1)
        if np.abs(y - slope * x - level).max() <= settings.row_off_mm:
            rows.append(members)
    return rows


def _lines(items: list[Indication], settings: GroupSettings) -> list[list[Indication]]:
    long = [i for i in items if not _is_pore(i) and (i.length_mm or 0) >= settings.line_aspect * max(i.width_mm or 0.0, 1e-6)
            and abs(i.angle_deg or 0.0) < 25.0]

    def joined(a: Indication, b: Indication) -> bool:
        if a is b or a.wall != b.wall or a.tone != b.tone or not _kin(a, b):
            return False
        first, second = sorted((a, b), key=lambda i: i.along_mm or 0.0)
        gap = _reach(second)[0] - _reach(first)[1]
        shorter = min(a.length_mm or 0.0, b.length_mm or 0.0)
        limit = min(settings.line_gap_mm, max(1.0, settings.line_gap_share * shorter))
        return gap <= limit and abs((a.across_mm or 0.0) - (b.across_mm or 0.0)) <= settings.line_off_mm + 0.1 * max(gap, 0.0)

    near = np.array([[joined(a, b) for b in long] for a in long])
    return [s for s in _linked(long, near) if len(s) > 1] if long else []


def _kin(a: Indication, b: Indication) -> bool:
    one, other = by_number(a.iso6520), by_number(b.iso6520)
    return one is not None and other is not None and one.family == other.family


def _made(name: str, kind: GroupKind, members: list[Indication]) -> Group:
    reach = [_reach(m) for m in members]
    first, last = min(r[0] for r in reach), max(r[1] for r in reach)
    if kind == "line":
        heaviest = max(members, key=lambda m: (m.length_mm or 0.0, -m.id))
        term, number = heaviest.type, heaviest.iso6520
    else:
        term, number = ("clustered porosity", "2013") if kind == "cluster" else ("linear porosity", "2014")
    return Group(id=name, kind=kind, type=term, iso6520=number, members=tuple(m.id for m in members),
                 sum_length_mm=float(sum(m.length_mm or 0.0 for m in members)), end_to_end_mm=float(last - first),
                 diameter_mm=_least_circle(members) if kind == "cluster" else None)


def _least_circle(members: list[Indication]) -> float:
    """Diameter of the least circle round the members, each a disc of its length; by moving the centre towards the farthest rim
    (M. Bădoiu and K. Clarkson, SODA 2003: the step 1/k converges to the centre of the least enclosing ball)."""
    at = np.array([[m.along_mm or 0.0, m.across_mm or 0.0] for m in members])
    radius = np.array([(m.length_mm or 0.0) / 2 for m in members])
    centre = at.mean(axis=0)
    for k in range(1, 400):
        distance = np.hypot(*(at - centre).T)
        far = int(np.argmax(distance + radius))
        rim = at[far] + (at[far] - centre) / max(distance[far], 1e-9) * radius[far]
        centre = centre + (rim - centre) / (k + 1)
    return float(2 * (np.hypot(*(at - centre).T) + radius).max())
