"""Drawings of the repair sheet: the girth as a clock, the unrolled weld, the cross-section of a cavity."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator

from rtscan.lengths import MM_PER_INCH, size_text, tape_text
from rtscan.repair_records import RepairPlan, RepairStretch
from rtscan.report.drawing import (
    GREY,
    INK,
    PALE,
    RED,
    WHITE,
    XY,
    Drawing,
    Element,
    Label,
    Path,
    arc,
    arrow,
    box,
    hatch,
    line,
    on_circle,
)
from rtscan.report.strip import in_doubt, is_on, pieces, sides, strip_range_mm

HOUR_DEG = 30.0
Turn = Callable[[float], float]


def draw_clock(plan: RepairPlan) -> Drawing | None:
    """The pipe end as the job sheet looks at it, datum and stretches on it; None for a straight weld or an unknown circumference."""
    round_mm = plan.circumference_mm
    if not plan.closed or round_mm is None:
        return None
    size, centre, radius = 58.0, (29.0, 28.5), 17.0
    clocked = bool(plan.hours)
    sense = -1 if plan.weld.location.direction == "anticlockwise" else 1
    datum_deg = _datum_deg(plan, sense, round_mm) if clocked else 0.0

    def degrees(station_mm: float) -> float:
        return datum_deg + sense * 360 * station_mm / round_mm

    elements: list[Element] = [
        Path(arc(centre, radius + 2.2, 0, 360), 0.3, INK, PALE, (), True),
        Path(arc(centre, radius - 2.2, 0, 360), 0.3, INK, WHITE, (), True),
    ]
    for k in range(12) if clocked else ():
        at = on_circle(centre, radius - 5.0, k * HOUR_DEG)
        elements.append(Label((at[0], at[1] + 0.9), str(k or 12), 2.6, "middle", colour=GREY))
    for stretch in plan.stretches:
        elements += _clock_stretch(stretch, degrees, centre, radius, round_mm)
    elements += _clock_datum(plan, degrees(0.0), sense, centre, radius)
    elements.append(Label((centre[0], 55.2), _looking(plan, clocked), 2.7, "middle", bold=True))
    return Drawing(size, 56.0, tuple(elements), f"Weld {plan.weld.name} as a clock face with the stretches to open")


def _datum_deg(plan: RepairPlan, sense: int, round_mm: float) -> float:
    """Clock angle of the datum, from the first full hour and its station."""
    first = plan.hours[0]
    hour = int((first.clock or "12:00").split(":")[0])
    return hour * HOUR_DEG - sense * 360 * first.station_mm / round_mm


def _looking(plan: RepairPlan, clocked: bool) -> str:
    looking = plan.weld.location.looking
    if looking and plan.weld.location.direction:
        return f"seen looking {looking}"
    return "not a clock: direction not known" if not clocked else "direction not known"


def _clock_stretch(stretch: RepairStretch, turn: Turn, centre: XY, radius: float, round_mm: float) -> Iterator[Element]:
    start, end = turn(stretch.from_mm), turn(stretch.from_mm + stretch.length_mm)
    outer, inner = arc(centre, radius + 2.2, start, end), arc(centre, radius - 2.2, end, start)
    doubtful = in_doubt(stretch)
    yield Path(outer + inner, 0.4, RED, WHITE if doubtful else "#e8a19b", (1.2, 0.8) if doubtful else (), True)
    for item in stretch.items:
        wide = max((item.to_mm - item.from_mm) % round_mm, 1.0)
        yield Path(arc(centre, radius, turn(item.from_mm), turn(item.from_mm + wide)), 1.4, INK)
    at = on_circle(centre, radius + 5.6, (start + end) / 2)
    yield Label((at[0], at[1] + 1.3), stretch.label, 3.8, "middle", bold=True, colour=RED)


def _clock_datum(plan: RepairPlan, datum_deg: float, sense: int, centre: XY, radius: float) -> Iterator[Element]:
    yield line(*on_circle(centre, radius - 3.4, datum_deg), *on_circle(centre, radius + 4.4, datum_deg), 0.7)
    name = on_circle(centre, radius + 9.2, datum_deg)
    yield Label((name[0], name[1] + 1.0), "0", 3.2, "middle", bold=True)
    if plan.weld.location.direction is not None:
        sweep = arc(centre, 8.5, datum_deg + sense * 15, datum_deg + sense * 75)
        yield Path(sweep, 0.4, INK)
        yield from arrow(*sweep[-2], *sweep[-1], 2.2)
        yield Label((centre[0], centre[1] + 1.0), "stations grow", 2.3, "middle")


def draw_map(plan: RepairPlan, width_mm: float = 190.0) -> Drawing:
    """The weld unrolled, seen from outside, stations growing to the right; across the weld not to the same scale."""
    left, right, top, bottom = 24.0, width_mm - 3.0, 13.0, 29.0
    start, end = strip_range_mm(plan)
    scale = (right - left) / max(end - start, 1.0)

    def x(station_mm: float) -> float:
        return left + (station_mm - start) * scale

    upper, lower = (s.name for s in sorted(sides(plan), key=lambda s: s.hand))
    elements: list[Element] = [
        box(left, top, right, bottom, "#f0f0f0", None),
        line(left, top, right, top, 0.4), line(left, bottom, right, bottom, 0.4),
        line(left, (top + bottom) / 2, right, (top + bottom) / 2, 0.15, GREY, (2.0, 1.0)),
        Label((left - 2, top + 3.4), f"{upper} side", 2.6, "end"), Label((left - 2, bottom - 1.2), f"{lower} side", 2.6, "end"),
    ]
    unit_mm = MM_PER_INCH if plan.units == "in" else 1.0
    step = next(s for s in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10000) if (end - start) / unit_mm / s <= 24)
    for number in range(math.ceil(start / unit_mm / step) * step, math.floor(end / unit_mm) + 1, step):
        at = x(number * unit_mm)
        elements += [line(at, bottom, at, bottom + 2, 0.25), Label((at, bottom + 5), str(number), 2.4, "middle")]
    elements.append(Label((left - 2, bottom + 5), f"{plan.units} from datum", 2.4, "end", colour=GREY))
    for hour in plan.hours:
        elements += [line(x(hour.station_mm), top - 8, x(hour.station_mm), top, 0.2, GREY),
                     Label((x(hour.station_mm), top - 9), (hour.clock or "").removesuffix(":00"), 2.4, "middle", colour=GREY)]
    if plan.hours:
        elements.append(Label((left - 2, top - 9), "o'clock", 2.4, "end", colour=GREY))
    for stretch in plan.stretches:
        elements += _map_stretch(plan, stretch, x, top, bottom)
    return Drawing(width_mm, 35.0, tuple(elements), f"Weld {plan.weld.name} unrolled, seen from outside")


def _map_stretch(plan: RepairPlan, stretch: RepairStretch, at: Turn, top: float, bottom: float) -> Iterator[Element]:
    doubtful = in_doubt(stretch)
    middle, half = (top + bottom) / 2, (bottom - top) / 2
    cap = plan.weld.cap_width_mm or 2 * max([abs(i.across_mm or 0.0) for i in stretch.items] + [4.0])
    for a, b in pieces(stretch, plan):
        yield from hatch(at(a), top, at(b), bottom, 2.2)
        yield box(at(a), top, at(b), bottom, None, RED, 0.4, (1.2, 0.8) if doubtful else ())
        x, wide = (at(a) + at(b)) / 2, 1.6 + 2.2 * len(stretch.label)
        yield box(x - wide / 2, top - 5.2, x + wide / 2, top - 0.6, WHITE, RED, 0.3)
        yield Label((x, top - 1.6), stretch.label, 3.8, "middle", bold=True, colour=RED)
    below = next(s for s in sides(plan) if s.hand == "right")
    for item in stretch.items:
        off = min(abs(item.across_mm or 0.0) / (cap / 2), 1.0) * half * 0.9
        here = is_on(item, below)
        y = middle if here is None else middle + off if here else middle - off
        x0 = at(item.from_mm)
        wide = max(at(item.from_mm + ((item.to_mm - item.from_mm) % (plan.circumference_mm or math.inf))) - x0, 1.2)
        yield box(x0, y - 0.7, x0 + wide, y + 0.7, INK, WHITE, 0.15)


def draw_section(plan: RepairPlan, stretch: RepairStretch) -> Drawing | None:
    """The weld cut across with the cavity; None unless a single V preparation and the wall are given and something is dug."""
    wall, cavity = plan.weld.wall_mm, stretch.excavation
    bevel = re.fullmatch(r"\s*V\s*(\d+(?:\.\d+)?)\s*(?:deg|°)?\s*", plan.weld.preparation, re.IGNORECASE)
    if wall is None or bevel is None or cavity.opens not in ("outside", "root") or cavity.width_mm is None:
        return None
    width, height, top = 60.0, 34.0, 9.0
    scale = min(18.0 / wall, 36.0 / max(cavity.width_mm, plan.weld.cap_width_mm or 0.0))
    deep = wall * scale
    centre, bottom = width / 2, top + deep
    root = 1.5 * scale
    toe = root + deep * math.tan(math.radians(min(float(bevel[1]), 120.0) / 2))
    down = (cavity.depth_mm if cavity.depth_mm is not None else wall) * scale
    half, floor, x = cavity.width_mm * scale / 2, 3.0 * scale, centre + _section_offset(stretch, scale)
    groove = ((centre - toe, top), (centre - root, bottom), (centre + root, bottom), (centre + toe, top))
    mouth = ((x - half, top), (x - floor, top + down), (x + floor, top + down), (x + half, top))
    wide = f"{tape_text(cavity.width_mm, plan.units)} wide" + (", if it runs to the root" if cavity.at_most else "")
    elements: list[Element] = [
        box(2, top, width - 2, bottom, "#e4e4e4", INK, 0.3),
        Path(groove, 0.1, None, "#cfcfcf", (), True),
        Path(mouth, 0.4, RED, WHITE, (1.2, 0.8) if cavity.at_most else (), True),
        Path(groove, 0.2, GREY, None, (1, 0.8), True),
        *arrow(width - 6, top, width - 6, bottom, 1.6),
        Label((width - 7, top + deep / 2 + 1), size_text(wall, plan.units), 2.3, "end"),
        Label((x, top - 2.5), wide, 2.4, "middle", colour=RED),
        Label((2, bottom + 4), "outside on top; grey dashes: the groove", 2.3, colour=GREY),
    ]
    if cavity.depth_mm is not None and cavity.opens == "outside":
        depth = f"{size_text(cavity.depth_mm, plan.units)} deep"
        elements.append(Label((x, top + down / 2 + 1), depth, 2.4, "middle", colour=RED))
    return Drawing(width, max(bottom + 5, height), tuple(elements), f"Cross-section of the cavity of stretch {stretch.label}")


def _section_offset(stretch: RepairStretch, scale: float) -> float:
    """Offset of the cavity from the centre line; upstream is drawn to the left. Zero when sides are mixed or not known."""
    sides_seen = {i.side for i in stretch.items}
    if len(stretch.items) != 1 or sides_seen == {None}:
        return 0.0
    item = stretch.items[0]
    return (-1 if item.side == "upstream" else 1) * abs(item.across_mm or 0.0) * scale
