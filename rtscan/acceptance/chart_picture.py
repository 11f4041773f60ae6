"""Dot pictures at true size, to lay beside a printed porosity chart: SVG text, one per review of a chart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

from rtscan.acceptance.criteria import Criteria
from rtscan.acceptance.limits import MM_PER_INCH
from rtscan.acceptance.situation import Situation
from rtscan.findings import Finding, Indication, WeldDocument, Worksheet

_MARGIN_MM = 12.0
_WIDTH_IF_UNKNOWN_MM = 12.0
_HEAD_MM, _FOOT_MM = 14.0, 22.0


@dataclass(frozen=True)
class ChartPicture:
    """The picture of one finding. `finding` is its place in the list, from 0."""

    finding: int
    svg: str


def chart_pictures(document: Worksheet | WeldDocument, criteria: Criteria, situation: Situation) -> tuple[ChartPicture, ...]:
    """A picture for every finding that asks to compare with a chart and whose indications have places along the weld."""
    windows = {r.id: r.window for r in criteria.rules if r.kind == "chart"}
    inches = criteria.units_for(situation.units) == "in"
    by_id = {i.id: i for i in document.indications}
    pictures = []
    for place, finding in enumerate(document.findings):
        if finding.rule not in windows or len(finding.indications) < 2:
            continue
        dots = [by_id[n] for n in finding.indications if n in by_id]
        if any(i.along_mm is None or i.length_mm is None for i in dots):
            continue
        length_mm = 6 * MM_PER_INCH if inches else 150.0
        pictures.append(ChartPicture(place, _svg(finding, dots, document.weld.name, situation, length_mm, inches)))
    return tuple(pictures)


def _svg(finding: Finding, dots: Sequence[Indication], weld: str, situation: Situation, length_mm: float, inches: bool) -> str:
    ring = situation.weld_length_mm if situation.full_girth else None
    width_mm = situation.cap_width_mm or _WIDTH_IF_UNKNOWN_MM
    start = _start(dots, length_mm, ring)
    x0, middle = _MARGIN_MM, _HEAD_MM + width_mm / 2
    parts = [_line(x0, y, x0 + length_mm, y, 0.25) for y in (_HEAD_MM, _HEAD_MM + width_mm)]
    parts += [_dot(i, x0 + _offset(i, start, ring), middle) for i in dots]
    parts += _ruler(x0, _HEAD_MM + width_mm + 4.0, length_mm, start, ring, inches)
    title = f"{weld or 'weld'}: {finding.rule}, {len(dots)} rounded indications"
    parts.append(_text(x0, 5.0, title, 3.2))
    parts.append(_text(x0, 9.5, "True size: print at 100 % and check the ruler before laying it beside the printed chart.", 2.4))
    if any(i.across_mm is None for i in dots):
        parts.append(_text(x0, 12.6, "Indications without a place across the weld are drawn on its centreline.", 2.2))
    if situation.cap_width_mm is None:
        parts.append(_text(x0, _HEAD_MM + width_mm + 18.0, "Weld width not known, drawn 12 mm wide.", 2.2))
    total_w, total_h = length_mm + 2 * _MARGIN_MM, _HEAD_MM + width_mm + _FOOT_MM
    head = (f'<svg xmlns="http://www.w3.org/2000/svg" width="{total_w:.2f}mm" height="{total_h:.2f}mm" '
            f'viewBox="0 0 {total_w:.2f} {total_h:.2f}" role="img"><title>{escape(title)}</title>'
            f'<rect width="{total_w:.2f}" height="{total_h:.2f}" fill="#ffffff"/>')
    return head + "".join(parts) + "</svg>\n"


def _start(dots: Sequence[Indication], length_mm: float, ring: float | None) -> float:
    """Where the pictured stretch begins, so that all dots lie in it, centred."""
    places = [i.along_mm or 0.0 for i in dots]
    first = min(places)
    if ring is not None:
        first = min(places, key=lambda p: max((q - p) % ring for q in places))
    span = max((p - first) % ring if ring is not None else p - first for p in places)
    return first - max(0.0, (length_mm - span) / 2)


def _offset(dot: Indication, start: float, ring: float | None) -> float:
    offset = (dot.along_mm or 0.0) - start
    return offset % ring if ring is not None else offset


def _dot(dot: Indication, x: float, middle: float) -> str:
    length = dot.length_mm or 0.0
    width = dot.local_width_mm or dot.width_mm or length
    y, angle = middle + (dot.across_mm or 0.0), dot.angle_deg or 0.0
    turned = f'transform="rotate({angle:.1f} {x:.3f} {y:.3f})"'
    return (f'<ellipse cx="{x:.3f}" cy="{y:.3f}" rx="{length / 2:.3f}" ry="{width / 2:.3f}" {turned}/>'
            + _text(x + length / 2 + 0.3, y - width / 2 - 0.3, str(dot.id), 1.8))


def _ruler(x0: float, y: float, length_mm: float, start: float, ring: float | None, inches: bool) -> list[str]:
    step, unit = (MM_PER_INCH / 2, "in") if inches else (10.0, "mm")
    parts = [_line(x0, y, x0 + length_mm, y, 0.2)]
    for n in range(int(length_mm / step + 1e-6) + 1):
        x = x0 + n * step
        station = start + n * step
        shown = (station % ring if ring is not None else station) / (MM_PER_INCH if inches else 1.0)
        tall = n % (2 if inches else 5) == 0
        parts.append(_line(x, y, x, y + (3.0 if tall else 1.6), 0.2))
        if tall:
            parts.append(_text(x, y + 6.0, f"{shown:.1f}" if inches else f"{shown:.0f}", 2.4, "middle"))
    parts.append(_text(x0, y + 10.0, f"station, {unit}; the ruler is {'6 in' if inches else '150 mm'} long", 2.4))
    return parts


def _line(x: float, y: float, x2: float, y2: float, width: float) -> str:
    return f'<line x1="{x:.3f}" y1="{y:.3f}" x2="{x2:.3f}" y2="{y2:.3f}" stroke="#000000" stroke-width="{width}"/>'


def _text(x: float, y: float, text: str, size: float, anchor: str = "start") -> str:
    return f'<text x="{x:.3f}" y="{y:.3f}" font-family="sans-serif" font-size="{size}" text-anchor="{anchor}">{escape(text)}</text>'
