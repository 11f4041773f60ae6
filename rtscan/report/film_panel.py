"""The film with everything drawn on it: outlines, numbers, groups, objects, weld edges and station ruler."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from rtscan.film import Film
from rtscan.findings import Box, Indication, ObjectMark, Worksheet
from rtscan.report.display import Picture
from rtscan.report.ink import BLACK, BY_HAND, GROUP, RIM, SCHEME, WHITE, Canvas, Scheme, draw_line, draw_text, paper, text_size
from rtscan.report.labels import LabelSpace, leader
from rtscan.report.ruler import draw_edges, draw_ruler, shadowed
from rtscan.report.sheet_facts import wire_name
from rtscan.report.weld_frame import Frame, frames, place_px

F64 = NDArray[np.float64]
ToCanvas = Callable[[F64], F64]

OBJECT = Scheme("", (185, 185, 185), (), 0.4, "film, scan or set-up, not from the part: grey hairline box")
_CROWDED = 80


@dataclass(frozen=True)
class Drawn:
    """One indication on the canvas: its ring (n, 2), or a cross when it has no outline; scheme by its result."""

    indication: Indication
    ring: F64
    scheme: Scheme
    has_outline: bool


@dataclass(frozen=True)
class FilmPanel:
    """`canvas` is the drawn film; `drawn` its indications, gravest first; `unlabelled` the ids that found no room for a label."""

    canvas: Canvas
    drawn: tuple[Drawn, ...]
    unlabelled: tuple[int, ...]


def draw_film(film: Film, picture: Picture, worksheet: Worksheet, units: str, font: int) -> FilmPanel:
    """The film with a margin of paper. Labels lie neither over one another nor over an indication."""
    margin = round(1.6 * font)
    rows, columns = picture.grey.shape
    canvas = paper(rows + 2 * margin, columns + 2 * margin)
    canvas[margin:margin + rows, margin:margin + columns] = picture.grey[..., None]
    cv2.rectangle(canvas, (margin - 1, margin - 1), (margin + columns, margin + rows), BLACK, 1)
    unit = font / 12

    def to_canvas(points_px: F64) -> F64:
        return picture.place(points_px) + margin

    arcs = frames(worksheet.weld, film.pixels_per_mm)
    drawn = _drawn(worksheet, arcs, film, to_canvas, font)
    space = LabelSpace(*canvas.shape[:2])
    for mark in drawn:
        space.take_area(mark.ring, margin=unit)
    for arc in arcs:
        draw_edges(canvas, arc, to_canvas, unit)
    named = _draw_objects(canvas, worksheet.objects, to_canvas)
    groups = _draw_groups(canvas, worksheet, drawn, unit, font)
    for mark in reversed(drawn):
        _draw_mark(canvas, mark, unit)
    for arc in arcs:
        draw_ruler(canvas, arc.smoothed(), worksheet.weld, units, to_canvas, space, font, unit)
    wanted = [(f"{m.indication.id}{m.scheme.letter}", m.ring, m.scheme) for m in drawn] + [(says, ring, GROUP) for says, ring in groups]
    spots = _draw_labels(canvas, space, wanted, font if len(wanted) <= _CROWDED else round(0.75 * font))
    for says, box in named:
        _small_label(canvas, space, says, box, font)
    unplaced = [m.indication.id for m, spot in zip(drawn, spots, strict=False) if spot is None]
    return FilmPanel(canvas, tuple(drawn), tuple(sorted(unplaced)))


def _drawn(worksheet: Worksheet, arcs: tuple[Frame, ...], film: Film, to_canvas: ToCanvas, font: int) -> list[Drawn]:
    """The indications that lie on the film, gravest first; outlines that run off it are cut at its rim."""
    order = {result: rank for rank, result in enumerate(SCHEME)}
    drawn: list[Drawn] = []
    for indication in sorted(worksheet.indications, key=lambda i: (order[i.result], i.id)):
        outline = outline_on(film, indication)
        if outline is not None:
            drawn.append(Drawn(indication, _ring(to_canvas(outline), font * 0.32), SCHEME[indication.result], True))
            continue
        place = place_px(indication, arcs, worksheet.weld.length_mm, film.pixels_per_mm)
        if place is not None:
            x, y = to_canvas(place[None])[0]
            arm = font * 0.6
            drawn.append(Drawn(indication, np.array([[x - arm, y - arm], [x + arm, y - arm], [x + arm, y + arm], [x - arm, y + arm]]),
                                SCHEME[indication.result], False))
    return drawn


def outline_on(film: Film, indication: Indication) -> F64 | None:
    """Outline (n, 2) in film pixels, else the corners of its box, cut at the rim of the film; None when it is not on the film."""
    if len(indication.outline_px) > 2:
        outline = np.asarray(indication.outline_px, float)
    elif indication.bbox_px is not None:
        outline = _corners(indication.bbox_px)
    else:
        return None
    rim = np.array([film.density.shape[1] - 1.0, film.density.shape[0] - 1.0])
    outside = bool((outline.max(axis=0) < 0).any() or (outline.min(axis=0) > rim).any())
    return None if outside else np.clip(outline, 0.0, rim)


def _corners(box: Box) -> F64:
    x0, y0, x1, y1 = box
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]], float)


def _ring(outline: F64, gap: float) -> F64:
    """The outline moved outward by `gap` pixels, so that the line does not cover the edge it marks."""
    low = np.floor(outline.min(axis=0) - gap - 3)
    size = np.ceil(outline.max(axis=0) + gap + 3) - low + 1
    mask = np.zeros((int(size[1]), int(size[0])), np.uint8)
    local = np.round(outline - low).astype(np.int32).reshape(-1, 1, 2)
    cv2.fillPoly(mask, [local], 255)
    cv2.polylines(mask, [local], True, 255, max(1, round(2 * gap)), cv2.LINE_8)
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    ring = max(contours, key=len).reshape(-1, 2).astype(float)
    reach = min(9, len(ring) // 4 * 2 - 1)
    if reach >= 3:
        around = np.vstack([ring[-(reach // 2):], ring, ring[:reach // 2]])
        ring = np.column_stack([np.convolve(around[:, k], np.full(reach, 1 / reach), "valid") for k in (0, 1)])
    return np.asarray(ring + low)


def _draw_mark(canvas: Canvas, mark: Drawn, unit: float) -> None:
    if mark.has_outline:
        draw_line(canvas, mark.ring, mark.scheme, unit, closed=True)
        return
    (x0, y0), (x1, y1) = mark.ring[0], mark.ring[2]
    for line in (((x0, y0), (x1, y1)), ((x0, y1), (x1, y0))):
        draw_line(canvas, np.array(line), BY_HAND, unit)


def _draw_objects(canvas: Canvas, objects: tuple[ObjectMark, ...], to_canvas: ToCanvas) -> list[tuple[str, Box]]:
    named: list[tuple[str, Box]] = []
    for mark in objects:
        if mark.kind in ("border", "dust"):
            continue
        corners = to_canvas(_corners(mark.bbox_px)) + np.array([[-3, -3], [3, -3], [3, 3], [-3, 3]])
        cv2.polylines(canvas, [np.round(corners).astype(np.int32)], True, OBJECT.colour, 1)
        if says := _short_name(mark):
            named.append((says, (corners[0, 0], corners[0, 1], corners[2, 0], corners[2, 1])))
    return named


def _short_name(mark: ObjectMark) -> str:
    """What is worth writing beside a mark; nothing beside letters that can be read on the film itself."""
    if mark.kind == "wire":
        return wire_name(mark.says)
    return "" if mark.kind == "letter" else mark.says if 0 < len(mark.says) <= 16 else mark.kind


def _draw_groups(canvas: Canvas, worksheet: Worksheet, drawn: list[Drawn], unit: float, font: int) -> list[tuple[str, F64]]:
    rings = {mark.indication.id: mark.ring for mark in drawn}
    hulls: list[tuple[str, F64]] = []
    for group in worksheet.groups:
        members = [rings[m] for m in group.members if m in rings]
        if len(members) < 2:
            continue
        hull = cv2.convexHull(np.vstack(members).astype(np.float32)).reshape(-1, 2).astype(float)
        ring = _ring(hull, font * 0.4)
        draw_line(canvas, ring, GROUP, unit, closed=True)
        hulls.append((f"{group.id} {group.kind}", ring))
    return hulls


def _draw_labels(canvas: Canvas, space: LabelSpace, wanted: Sequence[tuple[str, F64, Scheme]], font: int) -> list[Box | None]:
    """A dark tag with a rim of the scheme's colour beside each ring, and a line to it; None for each that found no room."""
    pad = font // 5
    spots: list[Box | None] = []
    for says, ring, scheme in wanted:
        width, height = text_size(says, font, bold=True)
        spot = space.place((*ring.min(axis=0), *ring.max(axis=0)), width + 2 * pad, height)
        if spot is None:
            spots.append(None)
            continue
        tag = (*spot, spot[0] + width + 2 * pad, spot[1] + height)
        line = leader(tag, ring)
        space.take_line(line, 4)
        draw_line(canvas, line, Scheme("", scheme.colour, (), 0.6, ""), font / 12)
        spots.append(tag)
    for (says, _, scheme), box in zip(wanted, spots, strict=True):
        if box is not None:
            x0, y0, x1, y1 = map(round, box)
            cv2.rectangle(canvas, (x0, y0), (x1, y1), RIM, -1)
            cv2.rectangle(canvas, (x0, y0), (x1, y1), scheme.colour, max(1, font // 14))
            draw_text(canvas, says, (x0 + pad, y0), font, WHITE, bold=True)
    return spots


def _small_label(canvas: Canvas, space: LabelSpace, says: str, box: Box, font: int) -> None:
    size = round(font * 0.75)
    width, height = text_size(says, size)
    spot = space.place(box, width, height)
    if spot is not None:
        shadowed(canvas, says, spot, size, OBJECT.colour)


