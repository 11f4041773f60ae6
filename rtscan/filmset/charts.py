"""Small drawings for the set page, as SVG text. Shape and letters carry the meaning, colour only helps."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from rtscan.filmset.tally import Rate
from rtscan.findings import WeldDocument

_INK, _BLUE, _ORANGE, _GREY = "#1b1b1b", "#0b5fa5", "#c2570c", "#8a8a8a"


def _svg(width: float, height: float, label: str, body: Sequence[str]) -> str:
    return (f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.0f} {height:.0f}" width="{width:.0f}" height="{height:.0f}" '
            f'role="img" aria-label="{escape(label, quote=True)}" font-family="sans-serif" font-size="12">{"".join(body)}</svg>')


def _text(x: float, y: float, text: str, anchor: str = "start", size: int = 12) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" font-size="{size}" fill="{_INK}">{escape(text)}</text>'


def pareto(counts: Sequence[tuple[str, int]]) -> str:
    """Bars of the imperfection types, commonest first, with the running share of all."""
    total = sum(count for _, count in counts)
    body = []
    running = 0
    for row, (name, count) in enumerate(counts):
        running += count
        y = 10 + 24 * row
        length = 300 * count / counts[0][1]
        body += [_text(220, y + 14, name, "end"), f'<rect x="228" y="{y}" width="{length:.1f}" height="18" fill="{_BLUE}"/>',
                 _text(234 + length, y + 14, f"{count} ({100 * running / total:.0f} % so far)")]
    return _svg(720, 20 + 24 * len(counts), "Imperfection types, commonest first", body)


def weld_map(document: WeldDocument) -> str:
    """The weld unrolled: gaps hatched, indications at their station as rings; rejected ones are crosses with a number."""
    length = document.weld.length_mm
    if not length:
        return ""
    scale = 760 / length
    body = ['<defs><pattern id="gap" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
            f'<line x1="0" y1="0" x2="0" y2="6" stroke="{_ORANGE}" stroke-width="2"/></pattern></defs>',
            f'<rect x="20" y="30" width="760" height="24" fill="#e8eef4" stroke="{_INK}"/>']
    for gap in document.gaps:
        pieces = [(gap.from_mm, gap.to_mm)] if gap.to_mm >= gap.from_mm else [(gap.from_mm, length), (0.0, gap.to_mm)]
        body += [f'<rect x="{20 + a * scale:.1f}" y="30" width="{(b - a) * scale:.1f}" height="24" fill="url(#gap)" stroke="{_ORANGE}"/>'
                 for a, b in pieces]
    body += [_mark(20 + (i.along_mm % length) * scale, 42, i.id, i.result == "reject")
             for i in document.indications if i.along_mm is not None]
    body += _ruler(length, scale, document.weld.location.datum_clock is not None)
    return _svg(800, 96, f"Weld {document.weld.name} unrolled", body)


def _mark(x: float, y: float, number: int, rejected: bool) -> str:
    if rejected:
        return (f'<path d="M{x - 5:.1f} {y - 8}l10 16m0 -16l-10 16" stroke="{_ORANGE}" stroke-width="2.5" fill="none"/>'
                + _text(x, y - 16, str(number), "middle", 10))
    return f'<circle cx="{x:.1f}" cy="{y}" r="3" fill="none" stroke="{_BLUE}" stroke-width="1.5"/>'


def _ruler(length: float, scale: float, with_clock: bool) -> list[str]:
    step = next(s for s in (10, 20, 50, 100, 200, 500, 1000, 5000, 1e9) if length / s <= 16)
    places = [(20 + k * step * scale, f"{k * step:.0f}") for k in range(int(length // step) + 1)]
    body = [line for x, label in places for line in (f'<path d="M{x:.1f} 54v5" stroke="{_INK}"/>', _text(x, 71, label, "middle", 10))]
    body.append(_text(20, 90, "station in mm from the datum; cross with number: rejected, ring: other indication, hatched: not covered"
                      + ("" if with_clock else "; clock not known"), size=10))
    return body


def rates(rows: Sequence[Rate]) -> str:
    """Reject rates with their Wilson intervals: a dot and a bar."""
    body = [_text(240, 12, "0 %", "middle", 10), _text(540, 12, "100 %", "middle", 10), f'<path d="M240 18h300" stroke="{_GREY}"/>']
    for row, rate in enumerate(rows):
        y = 34 + 22 * row
        low, middle, high = (240 + 300 * v for v in (rate.low, rate.rate, rate.high))
        body += [_text(228, y + 4, rate.name, "end"),
                 f'<path d="M{low:.1f} {y}H{high:.1f}M{low:.1f} {y - 4}v8M{high:.1f} {y - 4}v8" stroke="{_INK}"/>',
                 f'<circle cx="{middle:.1f}" cy="{y}" r="4" fill="{_BLUE}"/>', _text(552, y + 4, f"{rate.rejected} of {rate.of}")]
    return _svg(720, 40 + 22 * len(rows), "Reject rates with 95 % intervals", body)


def trend(rows: Sequence[Rate]) -> str:
    """Reject rate by date, each with its interval."""
    step = 640 / max(1, len(rows))
    body = [_text(34, 24, "100 %", "end", 10), _text(34, 144, "0 %", "end", 10), f'<path d="M40 20v120h660" fill="none" stroke="{_GREY}"/>']
    for column, rate in enumerate(rows):
        x = 50 + step * (column + 0.5)
        low, middle, high = (140 - 120 * v for v in (rate.low, rate.rate, rate.high))
        body += [f'<path d="M{x:.1f} {low:.1f}V{high:.1f}M{x - 4:.1f} {low:.1f}h8M{x - 4:.1f} {high:.1f}h8" stroke="{_INK}"/>',
                 f'<circle cx="{x:.1f}" cy="{middle:.1f}" r="4" fill="{_BLUE}"/>']
        if column % (1 + len(rows) // 12) == 0:
            body.append(_text(x, 158, rate.name, "middle", 10))
    return _svg(720, 166, "Reject rate by date", body)
