"""Wrap-around strips: a paper tape beside the weld that shows where to cut. True to scale, one per side of the weld.

Stations grow to the right on every strip, text upright, as seen from outside the pipe. Facing the growing stations the right
hand side then lies below the weld: its strip carries the toe along its upper edge, the other one along its lower edge.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from rtscan.lengths import MM_PER_INCH, size_text, tape_text
from rtscan.repair_records import RepairItem, RepairPlan, RepairStretch
from rtscan.report.drawing import (
    BLUE,
    GREY,
    INK,
    RED,
    WHITE,
    Drawing,
    Element,
    Label,
    Path,
    arrow,
    between,
    box,
    draw_pdf,
    hatch,
    line,
    moved,
    to_svg,
)

HEIGHT_MM = 39.0
TAIL_MM = 14.0
OVERLAP_MM = 15.0
MARGIN_MM = 10.0
GAP_MM = 6.0
HEAD_MM = 20.0
FOOT_MM = 9.0
PROOF_MM = 100.0
PAPERS: dict[str, tuple[float, float]] = {"A4": (297.0, 210.0), "Letter": (279.4, 215.9)}
ON_TOE_MM = 1.0

Hand = Literal["right", "left"]


@dataclass(frozen=True)
class Side:
    """One side of the weld: which hand when facing the growing stations from outside, and what the welder calls it."""

    hand: Hand
    name: str

    @property
    def toe_on_top(self) -> bool:
        """True when the toe is the upper edge of the strip."""
        return self.hand == "right"


def sides(plan: RepairPlan) -> tuple[Side, Side]:
    """The two sides, upstream first when it is known which is which."""
    if plan.upstream_is_right is None:
        return Side("right", "right"), Side("left", "left")
    upstream: Hand = "right" if plan.upstream_is_right else "left"
    return Side(upstream, "upstream"), Side("left" if upstream == "right" else "right", "downstream")


def strip_range_mm(plan: RepairPlan) -> tuple[float, float]:
    """Stations at both ends of the strip: once round a girth weld, else from the datum (or near the first stretch) to past the last."""
    if plan.closed and plan.circumference_mm is not None:
        return 0.0, plan.circumference_mm
    first = min((s.from_mm for s in plan.stretches), default=0.0)
    last = max((s.to_mm for s in plan.stretches), default=100.0)
    start = 0.0 if first <= 500 else math.floor((first - 100) / 100) * 100.0
    end = math.ceil((last + 50) / 10) * 10.0
    return start, min(end, plan.circumference_mm) if plan.circumference_mm is not None else end


def pieces(stretch: RepairStretch, plan: RepairPlan) -> tuple[tuple[float, float], ...]:
    """The stretch as one or, over the datum, two pieces with growing stations."""
    return _pieces(stretch.from_mm, stretch.to_mm, plan)


def _pieces(start: float, end: float, plan: RepairPlan) -> tuple[tuple[float, float], ...]:
    if start <= end or plan.circumference_mm is None:
        return ((start, end),)
    return ((start, plan.circumference_mm), (0.0, end))


def draw_strip(plan: RepairPlan, side: Side) -> Drawing:
    """One whole strip; x is the station less the first station, in true millimetres."""
    start, end = strip_range_mm(plan)
    width = end - start + (TAIL_MM if plan.closed else 0.0)
    elements: list[Element] = [box(0, 0, width, HEIGHT_MM, stroke=GREY, width_mm=0.15)]
    below = _Down(side.toe_on_top)
    elements += _stretches(plan, side, below, start)
    elements += _scale_mm(start, end, below)
    elements += _scale_inch(start, end, below)
    elements += _names(plan, side, below, start, end)
    elements += _ends(plan, below, start, end)
    return Drawing(width, HEIGHT_MM, tuple(elements), f"Strip for the {side.name} side of weld {plan.weld.name}, true to scale")


@dataclass(frozen=True)
class _Down:
    """Distance from the toe to y of the strip."""

    toe_on_top: bool

    def __call__(self, from_toe_mm: float) -> float:
        return from_toe_mm if self.toe_on_top else HEIGHT_MM - from_toe_mm

    def text(self, from_toe_mm: float, size_mm: float) -> float:
        """Baseline of a line of text whose middle is `from_toe_mm` from the toe."""
        return self(from_toe_mm) + 0.36 * size_mm


def _scale_mm(start: float, end: float, y: _Down) -> Iterator[Element]:
    yield line(0, y(0), end - start, y(0), 0.6)
    for station in range(math.ceil(start), math.floor(end) + 1):
        long = 4.2 if station % 10 == 0 else 2.8 if station % 5 == 0 else 1.7
        yield line(station - start, y(0), station - start, y(long), 0.22 if station % 10 == 0 else 0.12)
        if station % 10 == 0 and end - station > 4:
            yield Label((station - start + 0.4, y.text(5.4, 2.3)), str(station), 2.3, bold=station % 100 == 0)


def _scale_inch(start: float, end: float, y: _Down) -> Iterator[Element]:
    eighth = MM_PER_INCH / 8
    for k in range(math.ceil(start / eighth), math.floor(end / eighth) + 1):
        x = k * eighth - start
        long = 3.6 if k % 8 == 0 else 2.4 if k % 4 == 0 else 1.4
        yield line(x, y(HEIGHT_MM), x, y(HEIGHT_MM - long), 0.22 if k % 8 == 0 else 0.12, BLUE)
        if k % 8 == 0 and end - start - x > 7:
            yield Label((x + 0.4, y.text(HEIGHT_MM - 4.8, 2.2)), f"{k // 8} in", 2.2, colour=BLUE)


def _stretches(plan: RepairPlan, side: Side, y: _Down, start: float) -> Iterator[Element]:
    top, bottom = sorted((y(7.2), y(16.4)))
    parts = [(stretch, a - start, b - start) for stretch in plan.stretches for a, b in pieces(stretch, plan)]
    for stretch, x0, x1 in parts:
        yield from hatch(x0, top, x1, bottom, 2.4)
        yield box(x0, top, x1, bottom, stroke=RED, width_mm=0.5, dash_mm=(2.0, 1.2) if in_doubt(stretch) else ())
    for stretch, x0, x1 in parts:
        for item in stretch.items:
            yield from _item_bar(item, plan, (x0 + start, x1 + start), start, (top + bottom) / 2)
    for stretch, x0, _ in parts:
        yield from _badge(x0 + 0.8, top + 0.8, stretch.label + ("?" if in_doubt(stretch) else ""))
    yield from _stretch_texts(plan, side, y, start)


def in_doubt(stretch: RepairStretch) -> bool:
    """True for one of two possible places."""
    return stretch.label[-1] in "ab"


def _stretch_texts(plan: RepairPlan, side: Side, y: _Down, start: float) -> Iterator[Element]:
    """One line of text per stretch in two rows, moved on where the row is taken."""
    rows = {18.6: 0.0, 21.6: 0.0}
    for stretch in sorted(plan.stretches, key=lambda s: pieces(s, plan)[-1][0]):
        wanted = pieces(stretch, plan)[-1][0] - start + 0.5
        says = f"{stretch.label}: " + ("one of two places, re-shoot first. " if in_doubt(stretch) else "")
        says += "authorisation first. " if stretch.authorisation else ""
        says += "; ".join(_where(i, plan, side) for i in stretch.items)
        row = min(rows, key=lambda r: (max(rows[r] - wanted, 0.0), r))
        x = max(wanted, rows[row])
        rows[row] = x + 0.5 * 2.3 * len(says) + 3.0
        yield Label((x, y.text(row, 2.3)), says, 2.3, colour=RED)


def _item_bar(item: RepairItem, plan: RepairPlan, piece: tuple[float, float], start: float, middle: float) -> Iterator[Element]:
    for a, b in _pieces(item.from_mm, item.to_mm, plan):
        low, high = max(a, piece[0]), min(b, piece[1])
        if low <= high:
            wide = max(high - low, 0.8)
            yield box(low - start, middle - 1.0, low - start + wide, middle + 1.0, fill=INK, stroke=None)


def _badge(x: float, y: float, text: str) -> Iterator[Element]:
    wide = 2.2 + 2.1 * len(text)
    yield box(x, y, x + wide, y + 4.4, fill=WHITE, stroke=RED, width_mm=0.3)
    yield Label((x + wide / 2, y + 3.4), text, 3.4, "middle", bold=True, colour=RED)


def _where(item: RepairItem, plan: RepairPlan, side: Side) -> str:
    inside = from_toe_mm(item, plan, side)
    name = f"No. {item.indication} {item.type}"
    if inside is None:
        return f"{name}, side not known"
    if abs(inside) < ON_TOE_MM:
        return f"{name}, at this toe"
    if plan.weld.cap_width_mm is not None and inside > plan.weld.cap_width_mm - ON_TOE_MM:
        return f"{name}, at the other toe"
    return f"{name}, {size_text(abs(inside), plan.units)} {'in from' if inside > 0 else 'outside'} this toe"


def is_on(item: RepairItem, side: Side) -> bool | None:
    """Whether an indication lies on this side of the centre line; None when not known."""
    if side.name in ("upstream", "downstream"):
        return None if item.side is None else item.side == side.name
    return None if item.hand is None else item.hand == side.hand


def from_toe_mm(item: RepairItem, plan: RepairPlan, side: Side) -> float | None:
    """How far the middle of an indication lies from the toe of this side towards the weld; None when not known."""
    if plan.weld.cap_width_mm is None or item.across_mm is None:
        return None
    off = abs(item.across_mm)
    if off > 0.5:
        here = is_on(item, side)
        if here is None:
            return None
        off = off if here else -off
    return plan.weld.cap_width_mm / 2 - off


def _names(plan: RepairPlan, side: Side, y: _Down, start: float, end: float) -> Iterator[Element]:
    for hour in plan.hours:
        x = hour.station_mm - start
        yield line(x, y(27.4), x, y(32.0), 0.5, GREY)
        yield Label((x + 0.7, y.text(29.8, 2.5)), f"{(hour.clock or '').removesuffix(':00')} o'clock", 2.5, colour=GREY, bold=True)
    x, step = 48.0, 200.0
    title = f"{(plan.weld.name or 'weld')[:24]}  {side.name.upper()} SIDE"
    toe = f"{'upper' if side.toe_on_top else 'lower'} edge along the {side.name} toe"
    while x < end - start - 40:
        yield from arrow(x, y(25.0), x + 9, y(25.0), 2.4)
        yield Label((x + 10.5, y.text(25.0, 3.0)), title, 3.0, bold=True)
        toe_x = x + 10.5 + 0.66 * 3.0 * len(title) + 3
        yield Label((toe_x, y.text(25.0, 2.4)), toe, 2.4)
        if plan.stamp:
            yield Label((toe_x + 0.55 * 2.4 * len(toe) + 2, y.text(25.0, 3.0)), plan.stamp, 3.0, bold=True, colour=RED)
        x += step


def _ends(plan: RepairPlan, y: _Down, start: float, end: float) -> Iterator[Element]:
    top, bottom = sorted((y(0), y(HEIGHT_MM)))
    if start == 0.0:
        yield line(0, top, 0, bottom, 0.9, RED)
        datum = plan.weld.location.datum or "datum"
        yield Label((1.6, y.text(25.0, 2.4)), f"0 = {datum}"[:32], 2.4, bold=True, colour=RED)
    if plan.closed:
        x = end - start
        yield line(x, top, x, bottom, 0.9, RED)
        yield Path(((x, top), (x + TAIL_MM, top), (x + TAIL_MM, bottom), (x, bottom)), 0.1, None, "#efefef", (), True)
        yield line(x, top, x, bottom, 0.9, RED)
        for k, text in enumerate((f"closes at {end:.1f} mm", f"= {tape_text(end, 'in')}", "lay on the 0 line")):
            yield Label((x + 4 + 3.6 * k, bottom - 4), text, 2.3, bold=k == 0, colour=RED, angle_deg=90)


def strip_svg(plan: RepairPlan, side: Side) -> str:
    """The whole strip of one side as SVG."""
    return to_svg(draw_strip(plan, side))


def strips_pdf(plan: RepairPlan, paper: str = "A4") -> bytes:
    """Both strips, cut into pieces that fit the paper (landscape), with glue flaps and a line to prove the printer's scale."""
    from io import BytesIO

    from reportlab.pdfgen.canvas import Canvas

    from rtscan.report.drawing import POINTS_PER_MM

    width, height = PAPERS[paper]
    out = BytesIO()
    canvas = Canvas(out, pagesize=(width * POINTS_PER_MM, height * POINTS_PER_MM), invariant=1)
    canvas.setTitle(f"Strips for weld {plan.weld.name}")
    canvas.setAuthor(plan.tool)
    canvas.setViewerPreference("PrintScaling", "None")
    strips = {side: draw_strip(plan, side) for side in sides(plan)}
    count, payload = _tiles(strips[sides(plan)[0]].width_mm, width)
    rows = [(side, k) for side in sides(plan) for k in range(count)]
    per_page = int((height - 2 * MARGIN_MM - HEAD_MM - FOOT_MM + GAP_MM) // (HEIGHT_MM + GAP_MM))
    for page in range(0, len(rows), per_page):
        draw_pdf(canvas, _page_frame(plan, width, height, page // per_page + 1, -(-len(rows) // per_page)), 0, 0, height)
        for place, (side, k) in enumerate(rows[page:page + per_page]):
            top = MARGIN_MM + HEAD_MM + place * (HEIGHT_MM + GAP_MM)
            draw_pdf(canvas, _tile(strips[side], k, payload), MARGIN_MM, top, height, clip=True)
            draw_pdf(canvas, _tile_name(side, k, count, strip_range_mm(plan)[0]), MARGIN_MM, top + HEIGHT_MM, height)
        canvas.showPage()
    canvas.save()
    return out.getvalue()


def _tiles(length_mm: float, paper_width_mm: float) -> tuple[int, float]:
    """Number of pieces and the length of each without its flap, in whole centimetres, as even as they go."""
    most = math.floor((paper_width_mm - 2 * MARGIN_MM - OVERLAP_MM) / 10) * 10.0
    count = max(1, math.ceil((length_mm - OVERLAP_MM) / most))
    return count, min(most, math.ceil((length_mm - OVERLAP_MM) / count / 10) * 10.0) if count > 1 else length_mm


def _tile(strip: Drawing, k: int, payload_mm: float) -> Drawing:
    x0 = k * payload_mm
    x1 = min(x0 + payload_mm + OVERLAP_MM, strip.width_mm)
    elements = list(moved(between(strip.elements, x0, x1), -x0, 0))
    if x1 < strip.width_mm:
        elements.append(line(payload_mm, 0, payload_mm, HEIGHT_MM, 0.5, GREY, (1.5, 1.0)))
        elements += hatch(payload_mm, HEIGHT_MM * 0.46, x1 - x0, HEIGHT_MM * 0.82, 3.0, GREY, 0.1)
        elements.append(box(payload_mm + 1.2, HEIGHT_MM * 0.44, payload_mm + 12.2, HEIGHT_MM * 0.83, WHITE, None))
        elements += [Label((payload_mm + 4 + 3.4 * n, HEIGHT_MM * 0.8), t, 2.4, colour=GREY, angle_deg=90)
                     for n, t in enumerate(("glue next", "piece here,", "edge on line"))]
    if k:
        elements.append(line(0, 0, 0, HEIGHT_MM, 0.5, GREY))
    return Drawing(x1 - x0, HEIGHT_MM, tuple(elements))


def _tile_name(side: Side, k: int, n: int, first: float) -> Drawing:
    edge = "its left edge is the 0 line" if k == 0 and first == 0 else "cut along its left edge"
    return Drawing(200, 4, (Label((0, 3.2), f"{side.name} side, piece {k + 1} of {n}: {edge}", 2.4, colour=GREY),))


def _page_frame(plan: RepairPlan, width: float, height: float, page: int, pages: int) -> Drawing:
    left, top, bottom = MARGIN_MM, MARGIN_MM, height - MARGIN_MM
    name = (plan.weld.name or "(no name)")[:24]
    elements: list[Element] = [
        Label((left, top + 3.5), f"Strips for weld {name}: lay beside the weld, not over the cap", 4.2, bold=True),
        Label((width - left, height - MARGIN_MM), f"page {page} of {pages}", 2.6, "end", colour=GREY),
        *(Label((left, top + 8.2 + 3.6 * k), text, 2.7) for k, text in enumerate(how_to_use(plan))),
    ]
    if plan.stamp:
        elements.append(Label((width - left, top + 3.5), plan.stamp, 4.0, "end", bold=True, colour=RED))
    y = bottom - 4
    elements += [
        line(left, y, left + PROOF_MM, y, 0.4),
        *(line(left + x, y - (2.6 if x in (0, PROOF_MM) else 1.3), left + x, y, 0.25) for x in range(0, int(PROOF_MM) + 1, 10)),
        Label((left + PROOF_MM + 3, y), "This line must measure 100 mm (3 15/16 in): print at 100 %, actual size.", 2.8, bold=True),
        Label((left + PROOF_MM + 3, y + 3.6), "Check it with a steel rule. If it is off, do not use the strips.", 2.6),
    ]
    return Drawing(width, height, tuple(elements))


def how_to_use(plan: RepairPlan) -> tuple[str, ...]:
    """Three lines that are printed above the strips."""
    location = plan.weld.location
    if plan.closed and location.direction and location.looking:
        way = f"Numbers grow {location.direction} looking {location.looking}, from 0 at {location.datum or 'the datum'}."
    else:
        way = f"Numbers grow from 0 at {location.datum or 'the datum'}, the way the lead numbers on the film grow."
    names = " and ".join(s.name for s in sides(plan))
    facing = ", facing the growing numbers from outside" if plan.upstream_is_right is None else ""
    way += f" One strip per side: {names}{facing}. Red: the stretch to open. Black bar: what the film shows."
    if not plan.closed or plan.circumference_mm is None:
        check = "Straight weld, or circumference not known: check one far mark with a tape."
        return way, check, "Mark the weld, then take the paper off before hot work."
    end = f"{plan.circumference_mm:.1f} mm ({tape_text(plan.circumference_mm, 'in')})"
    scaled = "scaled to the taped circumference" if plan.circumference_from == "taped" else "scaled to the NOMINAL diameter, check"
    return (
        way,
        f"Closing length {end}, {scaled}: the end line must fall on the 0 line. If it is off by more than 2 mm, tape the pipe and print "
        "again with --circumference-mm.",
        "Let the paper lie flat and square to the pipe. Mark the pipe, then take the paper off before hot work.",
    )
