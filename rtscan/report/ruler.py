"""The station ruler that follows each weld arc, and the scale bar."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from rtscan.findings import WeldFacts
from rtscan.lengths import MM_PER_INCH
from rtscan.report.ink import RIM, WHITE, Canvas, Rgb, Scheme, draw_line, draw_text, text_size
from rtscan.report.labels import LabelSpace
from rtscan.report.weld_frame import Frame

F64 = NDArray[np.float64]
_INCH_STEPS = (1 / 16, 1 / 8, 1 / 4, 1 / 2, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0)
_RULE = Scheme("", (225, 225, 225), (), 0.7, "station ruler along the weld")
_EDGE = Scheme("", (190, 205, 215), (1.0, 4.0), 0.5, "weld edges as found: fine dots")
_END = Scheme("", (255, 255, 255), (10.0, 3.0, 2.0, 3.0), 1.0, "end of the diagnostic length: bar across the weld")


def nice_step(least: float, units: str = "mm") -> float:
    """The smallest round step of at least `least` mm: 1, 2, 5 × 10ⁿ mm, or the like in inches from 1/16 in up."""
    if units == "in":
        steps = [MM_PER_INCH * inches for inches in _INCH_STEPS]
        return next((s for s in steps if s >= least), steps[-1])
    power = math.pow(10.0, math.floor(math.log10(max(least, 1e-3))))
    return next((m * power for m in (1.0, 2.0, 5.0) if m * power >= least * (1 - 1e-9)), 10.0 * power)


def length_label(length_mm: float, units: str) -> str:
    """A round length without needless decimals, without its unit."""
    return f"{length_mm / MM_PER_INCH:.4f}".rstrip("0").rstrip(".") if units == "in" else f"{length_mm:.3f}".rstrip("0").rstrip(".")


def draw_edges(canvas: Canvas, frame: Frame, to_canvas: Callable[[F64], F64], unit: float) -> None:
    """The weld edges as fine dots, so that the reader sees what was taken for the weld, as far as the film is judged; a bar across the weld
    where it is seen and not judged any more."""
    if not frame.right_px.any() or not frame.judged.any():
        return
    first, last = np.flatnonzero(frame.judged)[[0, -1]]
    sides = ((1.0, frame.right_px), (-1.0, frame.left_px))
    edges = [to_canvas(frame.centre_px + sign * reach[:, None] * frame.right) for sign, reach in sides]
    for edge in edges:
        draw_line(canvas, edge[first : last + 1], _EDGE, unit)
    for end, whole in ((first, first == 0), (last, last == len(frame.judged) - 1)):
        if not whole:
            out = 0.35 * (edges[0][end] - edges[1][end])
            draw_line(canvas, np.vstack([edges[0][end] + out, edges[1][end] - out]), _END, unit)


def draw_ruler(
    canvas: Canvas, frame: Frame, weld: WeldFacts, units: str, to_canvas: Callable[[F64], F64], space: LabelSpace, font: int, unit: float
) -> None:
    """A ruler outside the weld edge, on the side and at the distance where it covers least; ticks by round stations, arrow at the end."""
    if frame.station_mm is None:
        return
    run = to_canvas(frame.centre_px)
    length_px = float(np.hypot(*np.diff(run, axis=0).T).sum())
    span_mm = float(frame.station_mm[-1] - frame.station_mm[0])
    if length_px < 4 * font or span_mm <= 0:
        return
    major = nice_step(span_mm * max(5.0 * font, 60.0) / length_px, units)
    side, offset = _quietest(frame, to_canvas, space, font)
    _draw_scale(canvas, frame, weld, units, to_canvas, space, font, unit, major, side, offset)


def _quietest(frame: Frame, to_canvas: Callable[[F64], F64], space: LabelSpace, font: int) -> tuple[float, F64]:
    """Side (+1 right, -1 left) and offset (n,) in film pixels from the centreline with the fewest taken places."""
    per_film_px = float(np.hypot(*(to_canvas(np.array([[1.0, 0.0]])) - to_canvas(np.array([[0.0, 0.0]])))[0]))
    places = range(0, len(frame.centre_px), max(1, len(frame.centre_px) // 60))
    choices: list[tuple[float, float, F64]] = []
    for rank, (side, away) in enumerate((side, away) for away in (1.2, 2.4, 4.0) for side in (1.0, -1.0)):
        reach = (frame.right_px if side > 0 else frame.left_px) + away * font / per_film_px
        at = to_canvas(frame.centre_px + side * reach[:, None] * frame.right)
        out = to_canvas(frame.centre_px + side * (reach + 2.2 * font / per_film_px)[:, None] * frame.right)
        blocked = sum(not space.is_free((min(a[0], b[0]), min(a[1], b[1]), max(a[0], b[0]), max(a[1], b[1])))
                      for a, b in ((at[k], out[k]) for k in places))
        choices.append((blocked + 0.01 * rank, side, reach))
    return min(choices, key=lambda choice: choice[0])[1:]


def _draw_scale(
    canvas: Canvas, frame: Frame, weld: WeldFacts, units: str, to_canvas: Callable[[F64], F64], space: LabelSpace, font: int, unit: float,
    major: float, side: float, offset: F64,
) -> None:
    station = frame.station_mm
    if station is None:
        return
    line = to_canvas(frame.centre_px + side * offset[:, None] * frame.right)
    draw_line(canvas, line, _RULE, unit)
    space.take_line(line, 6 * unit)
    for tick, label, is_major in ticks(float(station[0]), float(station[-1]), major, units, _round_trip(weld)):
        at = np.array([tick])
        root = frame.at(at, side * np.interp(at, station, offset))
        across = to_canvas(frame.at(at, side * (np.interp(at, station, offset) + 1.0))) - to_canvas(root)
        outward = across[0] / max(float(np.hypot(*across[0])), 1e-9)
        foot = to_canvas(root)[0]
        tip = foot + outward * font * (0.55 if is_major else 0.28)
        draw_line(canvas, np.vstack([foot, tip]), _RULE, unit)
        if label:
            _draw_number(canvas, label, tip + outward * 2, outward, space, font)
    _draw_arrow(canvas, line, unit, font)
    _draw_title(canvas, frame, units, line, space, font)


def ticks(first_mm: float, last_mm: float, major_mm: float, units: str, round_mm: float | None) -> list[tuple[float, str, bool]]:
    """(station on the arc, its label, whether it is a labelled one) of every tick from `first_mm` to `last_mm`.

    Past the datum of a weld that closes after `round_mm` stations start again from zero, so ticks stay round numbers; a label
    that would stand in the way of the zero is left out.
    """
    minor = major_mm / (4 if units == "in" or round(major_mm / 10 ** math.floor(math.log10(major_mm))) == 2 else 5)
    found: list[tuple[float, str, bool]] = []
    laps = range(math.floor(first_mm / round_mm), math.ceil(last_mm / round_mm) + 1) if round_mm else range(1)
    for lap in laps:
        start = lap * round_mm if round_mm else 0.0
        low, high = max(first_mm, start), min(last_mm, start + round_mm) if round_mm else last_mm
        for k in range(math.ceil((low - start) / minor - 1e-9), math.floor((high - start) / minor + 1e-9) + 1):
            station = start + k * minor
            if round_mm and station >= start + round_mm - 1e-6:
                continue
            is_major = abs(k * minor / major_mm - round(k * minor / major_mm)) < 1e-6
            crowded = bool(round_mm) and last_mm > high and high - station < 0.4 * major_mm
            found.append((station, length_label(round(k * minor, 4), units) if is_major and not crowded else "", is_major))
    return found


def _round_trip(weld: WeldFacts) -> float | None:
    return weld.length_mm if weld.joint == "girth" and weld.length_mm else None


def _draw_number(canvas: Canvas, text: str, tip: F64, outward: F64, space: LabelSpace, font: int) -> None:
    width, height = text_size(text, font)
    x = tip[0] + outward[0] * width / 2 - width / 2
    y = tip[1] + outward[1] * height / 2 - height / 2
    shadowed(canvas, text, (x, y), font)
    space.take_box((x - 3, y - 2, x + width + 3, y + height + 2))


def shadowed(canvas: Canvas, text: str, at: tuple[float, float], font: int, colour: Rgb = WHITE) -> None:
    """Light text with a dark rim, readable on any grey."""
    for dx, dy in ((-2, 0), (2, 0), (0, -2), (0, 2), (-1, -1), (1, 1), (1, -1), (-1, 1)):
        draw_text(canvas, text, (at[0] + dx, at[1] + dy), font, RIM)
    draw_text(canvas, text, at, font, colour)


def _draw_arrow(canvas: Canvas, line: F64, unit: float, font: int) -> None:
    end = line[-1]
    back = line[np.hypot(*(line - end).T) > font]
    if len(back):
        heading = (end - back[-1]) / np.hypot(*(end - back[-1]))
        normal = np.array([-heading[1], heading[0]])
        wings = [end - heading * font * 0.6 + s * normal * font * 0.3 for s in (1, -1)]
        draw_line(canvas, np.vstack([wings[0], end, wings[1]]), _RULE, 1.4 * unit)


def _draw_title(canvas: Canvas, frame: Frame, units: str, line: F64, space: LabelSpace, font: int) -> None:
    what = "station" if frame.from_datum else "from the end seen"
    wall = {"film": ", film side", "source": ", source side", "unknown": ", wall not known"}.get(frame.wall or "", "")
    text = f"{what} [{units}]{wall}"
    width, height = text_size(text, font)
    spot = space.place((line[0][0], line[0][1], line[0][0] + 1, line[0][1] + 1), width, height)
    if spot is not None:
        shadowed(canvas, text, spot, font)


def draw_scale_bar(canvas: Canvas, at: tuple[float, float], pixels_per_mm: float, units: str, font: int, widest: float) -> None:
    """A bar of a round length at (x, y), at most `widest` pixels long, with its length written beside it; black on white paper."""
    length_mm = nice_step(widest / pixels_per_mm / 2.5, units)
    length = length_mm * pixels_per_mm
    x, y = at
    thick = max(3, font // 4)
    canvas[round(y):round(y) + thick, round(x):round(x + length)] = 0
    canvas[round(y) + 1:round(y) + thick - 1, round(x + length / 2):round(x + length) - 1] = 255
    for end in (x, x + length):
        canvas[round(y) - thick:round(y) + 2 * thick, round(end) - 1:round(end) + 1] = 0
    draw_text(canvas, f"{length_label(length_mm, units)} {units}", (x + length + font * 0.4, y - font * 0.5), font)
