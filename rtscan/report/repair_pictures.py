"""Pieces of the film for the repair sheet, and the marked film piece at its own size to lay on the pipe."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from io import BytesIO
from pathlib import PurePath

import cv2
import numpy as np

from rtscan.film import F64, Film
from rtscan.findings import FilmFacts, Indication, WeldDocument, Worksheet
from rtscan.lengths import tape_text
from rtscan.repair_records import RepairPlan, RepairStretch
from rtscan.report.crops import crop
from rtscan.report.display import Grey, stretched
from rtscan.report.drawing import GREY, POINTS_PER_MM, RED, WHITE, Drawing, Element, Label, Path, box, draw_pdf, line, moved
from rtscan.report.strip import PAPERS
from rtscan.report.weld_frame import frames

COLUMNS, ROWS = 480, 300
MARGIN_MM = 10.0
HEAD_MM = 22.0
FOOT_MM = 12.0
AROUND_MM = 30.0
PRINT_PX_PER_MM = 12.0


@dataclass(frozen=True)
class Piece:
    """One piece of film: PNG bytes and what it shows."""

    indication: int
    png: bytes
    says: str


def film_name(document: Worksheet | WeldDocument, indication: Indication) -> str:
    """File of the film on which an indication was measured; a weld document may name the film without its folder."""
    if isinstance(document, Worksheet):
        return document.film.file
    named = indication.film or ""
    files = [f.film.file for f in document.films]
    alike = [file for file in files if PurePath(file).name == PurePath(named).name]
    return named if named in files else next(iter(alike), named)


def film_facts(document: Worksheet | WeldDocument) -> tuple[FilmFacts, ...]:
    """The films of the document, each file once."""
    films = (document.film,) if isinstance(document, Worksheet) else tuple(f.film for f in document.films)
    return tuple({f.file: f for f in films if f.file}.values())


def pieces_of_film(plan: RepairPlan, document: Worksheet | WeldDocument, films: Mapping[str, Film]) -> tuple[Piece, ...]:
    """A magnified piece for every indication to remove whose film is at hand, in the order of the plan."""
    by_id = {i.id: i for i in document.indications}
    found = []
    for number in dict.fromkeys(item.indication for s in plan.stretches for item in s.items):
        indication = by_id[number]
        film = films.get(film_name(document, indication))
        if film is None or indication.bbox_px is None:
            continue
        found.append(Piece(number, _png(film, indication, plan.units), f"No. {number} {indication.type}"))
    return tuple(found)


def _png(film: Film, indication: Indication, units: str) -> bytes:
    assert indication.bbox_px is not None
    piece = crop(film, indication.bbox_px, COLUMNS, ROWS, units)
    picture = cv2.cvtColor(piece.grey, cv2.COLOR_GRAY2RGB)
    if len(indication.outline_px) > 2:
        corner = np.array([piece.left_px, piece.top_px])
        outline = np.round((np.asarray(indication.outline_px, np.float64) - corner) * piece.scale * 8).astype(np.int32)
        cv2.polylines(picture, [outline.reshape(-1, 1, 2)], True, (40, 60, 230), 2, cv2.LINE_AA, 3)
    if piece.tick_px:
        x0, y = 12, ROWS - 14
        cv2.rectangle(picture, (x0 - 6, y - 26), (x0 + round(piece.tick_px) + 10, y + 9), (255, 255, 255), -1)
        cv2.line(picture, (x0, y), (x0 + round(piece.tick_px), y), (0, 0, 0), 3)
        cv2.putText(picture, piece.tick_says, (x0, y - 8), cv2.FONT_HERSHEY_SIMPLEX, 0.5, (0, 0, 0), 1, cv2.LINE_AA)
    return _encoded(np.asarray(picture, np.uint8))


def _encoded(picture: Grey) -> bytes:
    _, data = cv2.imencode(".png", picture)
    return data.tobytes()


@dataclass(frozen=True)
class _View:
    """A piece of film turned so that the weld runs across the paper, as seen from outside the pipe.

    `matrix` (2, 3) takes film pixels to millimetres on the piece, `size_mm` is width and height.
    """

    grey: Grey
    matrix: F64
    size_mm: tuple[float, float]

    def place(self, points_px: F64) -> F64:
        """Film pixels (n, 2) to millimetres (n, 2) on the piece."""
        return points_px @ self.matrix[:, :2].T + self.matrix[:, 2]


def can_be_laid_on(document: Worksheet | WeldDocument) -> str:
    """Empty when a print of the film can lie on the pipe; else why not."""
    exposures = (document.exposure,) if isinstance(document, Worksheet) else tuple(f.exposure for f in document.films)
    if any((e.technique or "").startswith("DWDI") for e in exposures):
        return "The film shows both walls in one picture, so it does not lie flat on the pipe: no print at film size."
    return ""


def film_print_pdf(plan: RepairPlan, document: Worksheet | WeldDocument, films: Mapping[str, Film], paper: str = "A4") -> bytes | None:
    """The marked pieces of film at film size, one or more pages per stretch; None when there is nothing to print true to scale.

    A film seen from inside is printed mirrored, so that it fits the outside of the pipe.
    """
    from reportlab.pdfgen.canvas import Canvas

    width, height = PAPERS[paper]
    out = BytesIO()
    canvas = Canvas(out, pagesize=(width * POINTS_PER_MM, height * POINTS_PER_MM), invariant=1)
    canvas.setTitle(f"Film pieces of weld {plan.weld.name} at film size")
    canvas.setViewerPreference("PrintScaling", "None")
    pages = 0
    mirrored = plan.weld.location.seen_from == "inside"
    by_id = {i.id: i for i in document.indications}
    for stretch in plan.stretches:
        marks = [by_id[item.indication] for item in stretch.items]
        for name in dict.fromkeys(film_name(document, m) for m in marks):
            shown = [m for m in marks if film_name(document, m) == name and m.bbox_px is not None]
            film = films.get(name)
            if film is None or not film.pixels_per_mm or not shown:
                continue
            view = _view(film, shown, mirrored)
            for x0 in np.arange(0.0, max(view.size_mm[0] - 1.0, 1.0), width - 2 * MARGIN_MM):
                ends = _ends(stretch, plan, document, view, film.pixels_per_mm)
                _page(canvas, plan, stretch.label, name, view, shown, ends, float(x0), (width, height))
                pages += 1
    if not pages:
        return None
    canvas.save()
    return out.getvalue()


def _view(film: Film, shown: list[Indication], mirrored: bool) -> _View:
    per_mm = film.pixels_per_mm or 1.0
    boxes = np.array([m.bbox_px for m in shown])
    rows, columns = film.density.shape
    low = np.maximum(boxes[:, :2].min(axis=0) - AROUND_MM * per_mm, -0.5)
    high = np.minimum(boxes[:, 2:].max(axis=0) + AROUND_MM * per_mm, [columns - 0.5, rows - 0.5])
    upright = (high[1] - low[1]) > (high[0] - low[0]) * 1.2
    x, y = (slice(max(math.floor(low[k]), 0), math.ceil(high[k]) + 1) for k in (0, 1))
    piece = film.density[y, x]
    corner = np.array([x.start - 0.5, y.start - 0.5])
    turn = np.array([[0.0, 1.0], [-1.0, 0.0]]) if upright else np.eye(2)
    size_px = np.array(piece.shape[::-1], float)
    matrix = np.column_stack([turn / per_mm, -turn @ corner / per_mm])
    grey = stretched(np.asarray(np.nan_to_num(piece), np.float32))
    if upright:
        grey = np.asarray(np.rot90(grey), np.uint8)
        matrix[1, 2] += size_px[0] / per_mm
        size_px = size_px[::-1]
    size = size_px / per_mm
    if mirrored:
        grey = np.asarray(grey[:, ::-1], np.uint8)
        matrix[0] = -matrix[0]
        matrix[0, 2] += size[0]
    return _View(_thinned(grey, per_mm), matrix, (float(size[0]), float(size[1])))


def _thinned(grey: Grey, per_mm: float) -> Grey:
    """Fewer pixels where the scan is finer than a printer shows."""
    if per_mm <= PRINT_PX_PER_MM:
        return grey
    share = PRINT_PX_PER_MM / per_mm
    size = max(1, round(grey.shape[1] * share)), max(1, round(grey.shape[0] * share))
    return np.asarray(cv2.resize(np.ascontiguousarray(grey), size, interpolation=cv2.INTER_AREA), np.uint8)


def _page(
    canvas: object, plan: RepairPlan, label: str, name: str, view: _View, shown: list[Indication], ends: list[Element], x0: float,
    paper: tuple[float, float],
) -> None:
    from reportlab.lib.utils import ImageReader
    from reportlab.pdfgen.canvas import Canvas

    assert isinstance(canvas, Canvas)
    width, height = paper
    room = width - 2 * MARGIN_MM, height - 2 * MARGIN_MM - HEAD_MM - FOOT_MM
    top = MARGIN_MM + HEAD_MM
    canvas.saveState()
    window = canvas.beginPath()
    high = min(room[1], view.size_mm[1])
    window.rect(*(v * POINTS_PER_MM for v in (MARGIN_MM, height - top - high, min(room[0], view.size_mm[0] - x0), high)))
    canvas.clipPath(window, stroke=0, fill=0)
    image = ImageReader(BytesIO(_encoded(view.grey)))
    place = (MARGIN_MM - x0, height - top - view.size_mm[1], view.size_mm[0], view.size_mm[1])
    canvas.drawImage(image, *(v * POINTS_PER_MM for v in place))
    draw_pdf(canvas, _marks(view, shown, x0), MARGIN_MM, top, height)
    draw_pdf(canvas, Drawing(*view.size_mm, tuple(moved(ends, -x0, 0.0))), MARGIN_MM, top, height)
    canvas.restoreState()
    draw_pdf(canvas, _frame(plan, label, name, paper), 0, 0, height)
    canvas.showPage()


def _ends(stretch: RepairStretch, plan: RepairPlan, document: Worksheet | WeldDocument, view: _View, per_mm: float) -> list[Element]:
    """Lines across the weld where the stretch starts and ends, when the film's own stations are known."""
    if not isinstance(document, Worksheet):
        return []
    elements: list[Element] = []
    for arc in frames(document.weld, per_mm):
        if arc.station_mm is None or not arc.from_datum:
            continue
        for station in (stretch.from_mm, stretch.to_mm):
            on_film = station / plan.stretched_by
            turns = [on_film + k * (document.weld.length_mm or 0.0) for k in (0, 1)]
            seen = [t for t in turns if arc.station_mm[0] <= t <= arc.station_mm[-1]]
            if not seen:
                continue
            reach = float(np.median(arc.right_px)) + 4 * per_mm
            a, b = (view.place(arc.at(np.array([seen[0]]), off))[0] for off in (-reach, reach))
            x, y = (float(v) for v in (a if a[1] > b[1] else b))
            text = tape_text(station, plan.units)
            half = 0.9 + 0.85 * len(text)
            elements += [line(float(a[0]), float(a[1]), float(b[0]), float(b[1]), 0.5, RED, (2.0, 1.2)),
                         box(x - half, y + 0.4, x + half, y + 4.6, WHITE, None),
                         Label((x, y + 3.5), text, 3.0, "middle", bold=True, colour=RED)]
    return elements


def _marks(view: _View, shown: list[Indication], x0: float) -> Drawing:
    elements: list[Element] = []
    marks: list[tuple[float, float, int]] = []
    for mark in shown:
        assert mark.bbox_px is not None
        a, b, c, d = mark.bbox_px
        corners = view.place(np.array([(a, b), (c, b), (c, d), (a, d)]))
        outline = view.place(np.asarray(mark.outline_px, float)) if len(mark.outline_px) > 2 else corners
        elements.append(Path(tuple((float(x) - x0, float(y)) for x, y in outline), 0.25, RED, None, (), True))
        marks.append((float(corners[:, 0].mean()) - x0, float(corners[:, 1].min()), mark.id))
    free = 0.0
    for x, y, number in sorted(marks):
        free = max(free, x - 3.0)
        text = f"No. {number}"
        wide = 1.6 + 1.85 * len(text)
        elements += [line(free + wide / 2, 6.0, x, y, 0.25, RED), box(free, 1.5, free + wide, 6.0, WHITE, RED, 0.25),
                     Label((free + wide / 2, 4.9), text, 3.2, "middle", bold=True, colour=RED)]
        free += wide + 1.0
    return Drawing(view.size_mm[0], view.size_mm[1], tuple(elements))


def _frame(plan: RepairPlan, label: str, name: str, paper: tuple[float, float]) -> Drawing:
    width, height = paper
    left, y = MARGIN_MM, height - MARGIN_MM - 3
    mirrored = plan.weld.location.seen_from == "inside"
    says = "Film seen from inside: printed mirrored, to lie on the outside. Letters read the wrong way." if mirrored else (
        "As the film lies on the outside of the pipe, letters reading the right way.")
    weld = (plan.weld.name or "(no name)")[:24]
    lay = "Lay it on the weld by the datum and the lead numbers and check it against the strip. What lay off the film shows larger."
    elements: list[Element] = [
        Label((left, MARGIN_MM + 4), f"Weld {weld}, stretch {label}: the film at its own size", 4.2, bold=True),
        Label((left, MARGIN_MM + 9), f"Film {name[:60]}. {says}", 2.7),
        Label((left, MARGIN_MM + 13), lay, 2.7),
        line(left, y, left + 100, y, 0.4), line(left, y - 2.5, left, y, 0.25), line(left + 100, y - 2.5, left + 100, y, 0.25),
        Label((left + 103, y), "This line must measure 100 mm (3 15/16 in): print at 100 %, actual size.", 2.8, bold=True),
    ]
    if plan.stamp:
        elements.append(Label((left, MARGIN_MM + 18.6), plan.stamp, 4.2, bold=True, colour=RED))
    else:
        elements.append(Label((left, MARGIN_MM + 17), "Red: outline of what the film shows.", 2.7, colour=GREY))
    return Drawing(width, height, tuple(elements))

