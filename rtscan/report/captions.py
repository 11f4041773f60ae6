"""Heading and legend of the annotated image."""

from __future__ import annotations

import cv2
import numpy as np

from rtscan.film import Film
from rtscan.findings import Worksheet
from rtscan.report.display import Picture
from rtscan.report.film_panel import OBJECT, FilmPanel
from rtscan.report.ink import BLACK, BY_HAND, GROUP, RIM, SCHEME, WHITE, Canvas, Scheme, draw_line, draw_text, paper, text_size, wrapped
from rtscan.report.ruler import draw_scale_bar
from rtscan.report.sheet_facts import file_name
from rtscan.report.weld_frame import frames
from rtscan.report.words import cautions, criteria_words, reader_words

_GREY_TEXT = (90, 90, 90)


def heading(worksheet: Worksheet, width: int, font: int) -> Canvas:
    """What was read, by which criteria, the verdict and what must be said beside it."""
    pad = font
    inner = width - 2 * pad
    large, small = round(font * 1.25), round(font * 0.8)
    title = wrapped(_title(worksheet), large, inner, 2, True)
    criteria = wrapped(criteria_words(worksheet.criteria), font, inner, 1)
    notes = [line for text in dict.fromkeys((reader_words(worksheet), *cautions(worksheet))) for line in wrapped(text, small, inner, 2)]
    chip = worksheet.verdict.upper() + (" · unverified limit" if worksheet.verdict_unverified else "")
    chip_width = text_size(chip, round(font * 1.3), True)[0] + 2 * pad
    verdict = wrapped(worksheet.verdict_says or "no verdict worked out", font, inner - chip_width - pad, 3)
    rows = 1.35 * (large * len(title) + font) + max(2.4 * font, 1.35 * font * len(verdict)) + 1.3 * small * len(notes) + 2.2 * pad
    canvas = paper(round(rows), width)
    y = float(pad)
    for text, size, bold in [*((line, large, True) for line in title), *((line, font, False) for line in criteria)]:
        draw_text(canvas, text, (pad, y), size, BLACK, bold)
        y += size * 1.35
    y = _draw_verdict(canvas, worksheet, chip, chip_width, verdict, y + pad / 2, font, pad)
    for text in notes:
        draw_text(canvas, text, (pad, y), small, _GREY_TEXT)
        y += small * 1.3
    return canvas


def _title(worksheet: Worksheet) -> str:
    page = f" page {worksheet.film.page}" if worksheet.film.page > 1 else ""
    shot = " ".join(part for part in (worksheet.segment and f"segment {worksheet.segment}", worksheet.shot) if part)
    parts = (f"Weld {worksheet.weld.name or 'without a name'}", shot, f"film {file_name(worksheet.film.file)}{page}", worksheet.date)
    return " · ".join(part for part in parts if part)


def _draw_verdict(
    canvas: Canvas, worksheet: Worksheet, chip: str, chip_width: int, says: list[str], y: float, font: int, pad: int
) -> float:
    """The verdict as white words on black with the scheme's line round it, its sentence beside it; returns the y below both."""
    scheme = SCHEME.get(worksheet.verdict, SCHEME[None])
    bottom = y + 2 * font
    box = np.array([[pad, y], [pad + chip_width, y], [pad + chip_width, bottom], [pad, bottom]])
    cv2.rectangle(canvas, (pad, round(y)), (pad + chip_width, round(bottom)), RIM, -1)
    draw_line(canvas, box, scheme, font / 8, closed=True)
    draw_text(canvas, chip, (2 * pad, y + 0.2 * font), round(font * 1.3), WHITE, bold=True)
    for place, text in enumerate(says):
        draw_text(canvas, text, (2 * pad + chip_width, y + 1.35 * font * place + 0.1 * font), font)
    return max(bottom, y + 1.35 * font * len(says)) + 0.4 * font


def legend(worksheet: Worksheet, panel: FilmPanel, film: Film, picture: Picture, units: str, width: int, font: int) -> Canvas:
    """Scale bar, the lines and letters that were used, and what the picture is and is not."""
    small = round(font * 0.8)
    lines = [line for note in _film_notes(worksheet, picture, panel) for line in wrapped(note, small, width - 2 * font, 2)]
    rows = _legend_rows(_used(worksheet, panel), width, small, font)
    canvas = paper(round(2.2 * font + 1.9 * small * len(rows) + 1.3 * small * len(lines)) + font // 2, width)
    if film.pixels_per_mm:
        draw_scale_bar(canvas, (font, font * 0.5), film.pixels_per_mm * picture.scale, units, font, width / 4)
    else:
        draw_text(canvas, "No scale known: sizes in pixels, nothing can be accepted.", (font, font * 0.3), font, BLACK, bold=True)
    y = 1.9 * font
    for row in rows:
        for x, scheme in row:
            _draw_entry(canvas, scheme, x, y, small)
        y += 1.9 * small
    for text in lines:
        draw_text(canvas, text, (font, y), small, _GREY_TEXT)
        y += 1.3 * small
    return canvas


def _used(worksheet: Worksheet, panel: FilmPanel) -> list[Scheme]:
    results = {mark.indication.result for mark in panel.drawn}
    used = [scheme for result, scheme in SCHEME.items() if result in results]
    used += [BY_HAND] if any(not mark.has_outline for mark in panel.drawn) else []
    used += [GROUP] if worksheet.groups else []
    return used + ([OBJECT] if worksheet.objects else [])


def _film_notes(worksheet: Worksheet, picture: Picture, panel: FilmPanel) -> list[str]:
    facts = worksheet.film
    scale = f"{facts.pixels_per_mm:g} px/mm ({facts.scale_from or 'source not told'})" if facts.pixels_per_mm else "scale unknown"
    notes = [f"Film {facts.width_px} × {facts.height_px} px, {scale}, shown at {picture.scale:.0%}. Contrast is flattened to show weld and "
             "plate at once: no picture for density. Outlines stand a little outside the toe; fine dots: weld edges as found."]
    if not worksheet.weld.arcs:
        notes.append("The weld was not found on this film.")
    elif not worksheet.indications:
        notes.append("No indications found.")
    if not all(frame.judged.all() for frame in frames(worksheet.weld, facts.pixels_per_mm)):
        notes.append("A bar across the weld ends the diagnostic length: beyond it the film is not judged.")
    if panel.unlabelled:
        some = ", ".join(map(str, panel.unlabelled[:40])) + (" …" if len(panel.unlabelled) > 40 else "")
        notes.append(f"No room for the labels of {some}: see the table.")
    missing = len(worksheet.indications) - len(panel.drawn)
    if missing:
        notes.append(f"{missing} of {len(worksheet.indications)} indications have no place on this film: see the table.")
    return notes


def _legend_rows(entries: list[Scheme], width: int, small: int, font: int) -> list[list[tuple[int, Scheme]]]:
    rows: list[list[tuple[int, Scheme]]] = [[]]
    x = font
    for scheme in entries:
        need = 7 * small + text_size(scheme.says, small)[0]
        if rows[-1] and x + need > width - font:
            rows.append([])
            x = font
        rows[-1].append((x, scheme))
        x += need + font
    return rows if entries else []


def _draw_entry(canvas: Canvas, scheme: Scheme, x: int, y: float, small: int) -> None:
    wide = 5.6 * small
    cv2.rectangle(canvas, (x, round(y)), (round(x + wide), round(y + 1.35 * small)), (105, 105, 105), -1)
    start = x + 0.5 * small
    if scheme.letter:
        draw_text(canvas, scheme.letter, (start, y + 0.06 * small), small, WHITE, bold=True)
    middle = y + 0.68 * small
    draw_line(canvas, np.array([[start + 1.2 * small, middle], [x + wide - 0.4 * small, middle]]), scheme, small / 9)
    draw_text(canvas, scheme.says, (x + wide + 0.4 * small, y + 0.08 * small), small)


