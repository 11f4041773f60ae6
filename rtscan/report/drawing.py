"""Line drawings in millimetres, once as data and twice on paper: SVG written by hand and vector PDF.

Origin top left, x to the right, y downwards. Text is placed by its baseline. Nothing is rounded to pixels, so lengths print true.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from html import escape
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

XY = tuple[float, float]
Anchor = Literal["start", "middle", "end"]
POINTS_PER_MM = 72 / 25.4
INK, GREY, PALE, RED, BLUE, WHITE = "#000000", "#6b6b6b", "#d9d9d9", "#b3261e", "#1f4e79", "#ffffff"


@dataclass(frozen=True)
class Path:
    """A line through points, or an area when `fill` is given."""

    points: tuple[XY, ...]
    width_mm: float = 0.2
    stroke: str | None = INK
    fill: str | None = None
    dash_mm: tuple[float, ...] = ()
    closed: bool = False


@dataclass(frozen=True)
class Label:
    """A piece of text; `angle_deg` turns it anticlockwise."""

    at: XY
    text: str
    size_mm: float = 2.6
    anchor: Anchor = "start"
    bold: bool = False
    colour: str = INK
    angle_deg: float = 0.0


Element = Path | Label


@dataclass(frozen=True)
class Drawing:
    """A drawing with its size and, for those who do not see it, what it shows."""

    width_mm: float
    height_mm: float
    elements: tuple[Element, ...]
    title: str = ""


def line(x0: float, y0: float, x1: float, y1: float, width_mm: float = 0.2, stroke: str = INK, dash_mm: tuple[float, ...] = ()) -> Path:
    """A straight line."""
    return Path(((x0, y0), (x1, y1)), width_mm, stroke, None, dash_mm)


def box(x0: float, y0: float, x1: float, y1: float, fill: str | None = None, stroke: str | None = INK, width_mm: float = 0.2,
        dash_mm: tuple[float, ...] = ()) -> Path:
    """A rectangle."""
    return Path(((x0, y0), (x1, y0), (x1, y1), (x0, y1)), width_mm, stroke, fill, dash_mm, True)


def hatch(x0: float, y0: float, x1: float, y1: float, step_mm: float = 2.0, stroke: str = RED, width_mm: float = 0.18) -> Iterator[Path]:
    """Lines at 45 degrees that fill a rectangle."""
    height = y1 - y0
    count = math.ceil((x1 - x0 + height) / step_mm)
    for k in range(1, count):
        start, end = x0 + k * step_mm, x0 + k * step_mm - height
        a = (min(start, x1), y0 + max(start - x1, 0.0))
        b = (max(end, x0), y1 - max(x0 - end, 0.0))
        yield Path((a, b), width_mm, stroke)


def arc(centre: XY, radius: float, from_deg: float, to_deg: float) -> tuple[XY, ...]:
    """Points on a circle, angles clockwise from the top (as on a clock face)."""
    steps = max(2, math.ceil(abs(to_deg - from_deg) / 2))
    return tuple(on_circle(centre, radius, from_deg + (to_deg - from_deg) * k / steps) for k in range(steps + 1))


def on_circle(centre: XY, radius: float, clockwise_deg: float) -> XY:
    """The point of a circle at an angle clockwise from the top."""
    turn = math.radians(clockwise_deg)
    return centre[0] + radius * math.sin(turn), centre[1] - radius * math.cos(turn)


def arrow(x0: float, y0: float, x1: float, y1: float, head_mm: float = 2.0, stroke: str = INK, width_mm: float = 0.4) -> tuple[Path, Path]:
    """A line with a head at its end."""
    length = math.hypot(x1 - x0, y1 - y0) or 1.0
    ux, uy = (x1 - x0) / length, (y1 - y0) / length
    back = (x1 - head_mm * ux, y1 - head_mm * uy)
    half = head_mm * 0.4
    wings = ((back[0] - half * uy, back[1] + half * ux), (back[0] + half * uy, back[1] - half * ux))
    return Path(((x0, y0), back), width_mm, stroke), Path(((x1, y1), *wings), 0.1, stroke, stroke, (), True)


def moved(elements: Iterable[Element], dx: float, dy: float) -> Iterator[Element]:
    """The elements shifted."""
    for e in elements:
        if isinstance(e, Label):
            yield replace(e, at=(e.at[0] + dx, e.at[1] + dy))
        else:
            yield replace(e, points=tuple((x + dx, y + dy) for x, y in e.points))


def between(elements: Iterable[Element], x0: float, x1: float) -> Iterator[Element]:
    """The elements that reach into x0 … x1; text counts with a generous width."""
    for e in elements:
        if isinstance(e, Label):
            wide = 0.75 * e.size_mm * len(e.text)
            left = {"start": 0.0, "middle": wide / 2, "end": wide}[e.anchor]
            low, high = e.at[0] - left, e.at[0] - left + wide
        else:
            xs = [x for x, _ in e.points]
            low, high = min(xs), max(xs)
        if high >= x0 - 1e-9 and low <= x1 + 1e-9:
            yield e


def to_svg(drawing: Drawing) -> str:
    """The drawing as an SVG text whose size is in millimetres; prints true at 100 %."""
    w, h = _n(drawing.width_mm), _n(drawing.height_mm)
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{w}mm" height="{h}mm" viewBox="0 0 {w} {h}" role="img" '
        f'aria-label="{escape(drawing.title)}" font-family="Helvetica, Arial, sans-serif">',
        f"<title>{escape(drawing.title)}</title>",
        *(_svg_label(e) if isinstance(e, Label) else _svg_path(e) for e in drawing.elements),
        "</svg>",
    ]
    return "\n".join(lines) + "\n"


def draw_pdf(canvas: Canvas, drawing: Drawing, left_mm: float, top_mm: float, page_height_mm: float, clip: bool = False) -> None:
    """Draws on a reportlab canvas with the drawing's corner at `left_mm`, `top_mm` from the page's top left corner."""
    from rtscan.report.fonts import font

    canvas.saveState()
    canvas.translate(left_mm * POINTS_PER_MM, (page_height_mm - top_mm) * POINTS_PER_MM)
    canvas.scale(POINTS_PER_MM, POINTS_PER_MM)
    if clip:
        window = canvas.beginPath()
        window.rect(0, -drawing.height_mm, drawing.width_mm, drawing.height_mm)
        canvas.clipPath(window, stroke=0, fill=0)
    for e in drawing.elements:
        if isinstance(e, Path):
            _pdf_path(canvas, e)
            continue
        canvas.setFillColor(e.colour)
        canvas.setFont(font(e.text, e.bold), e.size_mm)
        canvas.saveState()
        canvas.translate(e.at[0], -e.at[1])
        canvas.rotate(e.angle_deg)
        {"start": canvas.drawString, "middle": canvas.drawCentredString, "end": canvas.drawRightString}[e.anchor](0, 0, e.text)
        canvas.restoreState()
    canvas.restoreState()


def _pdf_path(canvas: Canvas, path: Path) -> None:
    canvas.setLineWidth(path.width_mm)
    canvas.setDash(list(path.dash_mm), 0)
    if path.stroke:
        canvas.setStrokeColor(path.stroke)
    if path.fill:
        canvas.setFillColor(path.fill)
    if len(path.points) == 2 and not path.fill:
        (x0, y0), (x1, y1) = path.points
        canvas.line(x0, -y0, x1, -y1)
        return
    shape = canvas.beginPath()
    shape.moveTo(path.points[0][0], -path.points[0][1])
    for x, y in path.points[1:]:
        shape.lineTo(x, -y)
    if path.closed:
        shape.close()
    canvas.drawPath(shape, stroke=int(path.stroke is not None), fill=int(path.fill is not None))


def _svg_path(path: Path) -> str:
    points = " ".join(f"{_n(x)},{_n(y)}" for x, y in path.points)
    tag = "polygon" if path.closed else "polyline"
    dash = f' stroke-dasharray="{" ".join(map(_n, path.dash_mm))}"' if path.dash_mm else ""
    ink = f'fill="{path.fill or "none"}" stroke="{path.stroke or "none"}" stroke-width="{_n(path.width_mm)}"'
    return f'<{tag} points="{points}" {ink}{dash}/>'


def _svg_label(label: Label) -> str:
    x, y = _n(label.at[0]), _n(label.at[1])
    turn = f' transform="rotate({_n(-label.angle_deg)} {x} {y})"' if label.angle_deg else ""
    weight = ' font-weight="bold"' if label.bold else ""
    return (f'<text x="{x}" y="{y}" font-size="{_n(label.size_mm)}" text-anchor="{label.anchor}" fill="{label.colour}"{weight}{turn}>'
            f"{escape(label.text)}</text>")


def _n(value: float) -> str:
    return f"{value:.4f}".rstrip("0").rstrip(".")
