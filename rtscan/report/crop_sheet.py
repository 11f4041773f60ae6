"""The magnified crops of an annotated image, in a grid."""

from __future__ import annotations

import cv2
import numpy as np

from rtscan.film import Film
from rtscan.findings import Box, Indication
from rtscan.report.crops import Crop, crop
from rtscan.report.film_panel import Drawn, FilmPanel, outline_on
from rtscan.report.ink import BLACK, WHITE, Canvas, Scheme, draw_line, draw_text, paper, wrapped
from rtscan.report.ruler import shadowed
from rtscan.report.words import place_parts, size_words

_GREY_TEXT = (90, 90, 90)


def crop_sheet(film: Film, panel: FilmPanel, units: str, width: int, highest: int, font: int) -> Canvas:
    """Magnified crops, gravest first, as many as fit into `highest` pixels; long indications get two places side by side."""
    outlined = [mark for mark in panel.drawn if mark.has_outline]
    if not outlined:
        return paper(1, width)
    gap = font // 2
    across = max(2, round((width - 2 * font) / 420 / 2) * 2)
    tile = (width - 2 * font - (across - 1) * gap) // across
    tall = round(tile * 0.62)
    small = round(font * 0.8)
    row_height = tall + round(4.2 * small) + gap
    cells = _cells(outlined, across, max(1, (highest - 2 * font) // row_height))
    shown = outlined[:len(cells)]
    canvas = paper((cells[-1][1] + 1) * row_height + font + round(1.4 * small), width)
    for mark, (column, row, span) in zip(shown, cells, strict=True):
        x, y = font + column * (tile + gap), row * row_height
        _draw_tile(canvas, film, mark, units, (x, y, span * tile + (span - 1) * gap, tall), small, font)
    if len(outlined) > len(shown):
        more = f"{len(outlined) - len(shown)} more indications without a crop here: see the worksheet."
        draw_text(canvas, more, (font, canvas.shape[0] - 1.5 * small), small)
    return canvas


def _cells(shown: list[Drawn], across: int, most_rows: int) -> list[tuple[int, int, int]]:
    """(column, row, span) of each tile, filled row by row, of the first marks that fit."""
    cells: list[tuple[int, int, int]] = []
    column = row = 0
    for mark in shown:
        size = mark.ring.max(axis=0) - mark.ring.min(axis=0)
        span = 2 if size[0] > 6 * size[1] else 1
        if column + span > across:
            column, row = 0, row + 1
        if row == most_rows:
            break
        cells.append((column, row, span))
        column += span
    return cells


def _draw_tile(canvas: Canvas, film: Film, mark: Drawn, units: str, place: tuple[int, int, int, int], small: int, font: int) -> None:
    x, y, columns, rows = place
    indication = mark.indication
    box = box_on(film, indication)
    if box is None:
        return
    piece = crop(film, box, columns, rows, units)
    canvas[y:y + rows, x:x + columns] = piece.grey[..., None]
    area = canvas[y:y + rows, x:x + columns]
    draw_brackets(area, piece, box, mark.scheme, font)
    if piece.tick_says:
        bottom = rows - 0.5 * small
        bar = np.array([[0.6 * small, bottom - 3], [0.6 * small, bottom], [0.6 * small + piece.tick_px, bottom],
                        [0.6 * small + piece.tick_px, bottom - 3]])
        draw_line(area, bar, Scheme("", WHITE, (), 1.0, ""), max(2.0, small / 8))
        shadowed(area, piece.tick_says, (1.1 * small + piece.tick_px, bottom - 0.95 * small), small)
    cv2.rectangle(canvas, (x - 1, y - 1), (x + columns, y + rows), BLACK, 1)
    number = f" ({indication.iso6520})" if indication.iso6520 else ""
    says = f"{indication.id}{mark.scheme.letter}  {indication.type or 'type not known'}{number}"
    draw_text(canvas, wrapped(says, small, columns, 1, True)[0], (x, y + rows + 2), small, BLACK, bold=True)
    where = place_parts(indication, units)
    offset = [part for part in where if part.startswith("across")]
    along = " ".join(part for part in where if part not in offset) or "place unknown"
    for line, text in enumerate((along, ", ".join([*offset, size_words(indication, units)])), 1):
        draw_text(canvas, wrapped(text, small, columns, 1)[0], (x, y + rows + 2 + 1.25 * small * line), small, _GREY_TEXT)


def box_on(film: Film, indication: Indication) -> Box | None:
    """The limits of the indication's outline, cut at the rim of the film; None when it is not on the film."""
    outline = outline_on(film, indication)
    if outline is None:
        return None
    (x0, y0), (x1, y1) = outline.min(axis=0), outline.max(axis=0)
    return float(x0), float(y0), float(x1), float(y1)


def draw_brackets(area: Canvas, piece: Crop, box: Box, scheme: Scheme, font: int) -> None:
    """Corner brackets round the indication on its crop, which leave the indication itself free to look at."""
    gap = font * 0.35
    x0, x1 = ((v - piece.left_px) * piece.scale - 0.5 + s * gap for v, s in ((box[0], -1), (box[2], 1)))
    y0, y1 = ((v - piece.top_px) * piece.scale - 0.5 + s * gap for v, s in ((box[1], -1), (box[3], 1)))
    arm_x, arm_y = min(font * 0.8, (x1 - x0) / 3), min(font * 0.8, (y1 - y0) / 3)
    for x, y, dx, dy in ((x0, y0, 1, 1), (x1, y0, -1, 1), (x1, y1, -1, -1), (x0, y1, 1, -1)):
        corner = np.array([[x + dx * arm_x, y], [x, y], [x, y + dy * arm_y]])
        draw_line(area, corner, Scheme("", scheme.colour, (), 0.7, ""), font / 12)
