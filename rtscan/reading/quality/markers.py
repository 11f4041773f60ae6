"""Location markers on the film: number plates in a row beside the weld, one towards each end; and lead that may be one.

The number of a measuring tape is cut through a lead plate: nearly square, of one size, all at the same distance from the weld. No letter
is such a plate, and the plate of a wire set is four times as long as wide. A marker wrongly seen would cut off weld that may be judged,
so a row counts only where nothing speaks against it. A cast number looks like any letter: one towards each end of the film counts where
both stand alone, of one height and one lead, in line beside the weld, with no other lead that may be one of them; others are only told.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot

import cv2
import numpy as np

from rtscan.film import F64, Bool, Film, Mark, Marks, Weld
from rtscan.findings import Check
from rtscan.job import Job
from rtscan.reading.arcs import along_of, length_along
from rtscan.reading.quality.lines import not_assessed

NAME = "location markers"
PLATE_MM, ASPECT_MAX, LEAST_FILLED = (10.0, 26.0), 2.0, 0.88
"""Sides of a number plate, one over the other, and the share of its rectangle that the outline of the lead fills. Plates on two real and
six simulated films: 11 to 24 mm, at most 1.7, 0.90 to 1.00; letters grown together 0.45 to 0.83."""
CUT_SHORT_MM, CUT_ASPECT_MAX, AT_EDGE_MM = 5.0, 4.0, 0.6
"""What the edge of the film may leave of a plate, and how near to it such a plate ends."""
CUT_OUT, STANDS_OUT = (0.04, 0.65), 0.25
"""Share of a number plate that is cut out, as dark as this part of the way from the plate to the film round it: a solid block of lead
is no number. Plates on two real films: 0.1 to 0.3."""
SAME_WIDTH, SAME_ROW_MM = 0.3, 10.0
"""How far the short sides of two whole plates of a row may differ, as a share, and their distances from the weld (the weld bows)."""
CHARACTER_MM, ALONE_MM, SAME_HEIGHT = (4.5, 14.0), 12.0, 0.12
"""A cast number that stands alone: its greater side, the distance to any other lead, and how far two of them may differ, as a share."""
OUTER_PART, SAME_STEP, SAME_LEAD = 0.35, 0.1, 0.25
"""Share of the weld from its end within which the outermost of a row of cast numbers stand, and how far the steps between three or more of
them, and what the lead takes off the density, may differ, as a share. Choices of the project: a set of lead is of one make, a tape of one
pitch."""


@dataclass(frozen=True)
class LocationMarkers:
    """`ends_px` (x, y): the outermost two of a row of number plates or cast numbers (`what`), which end the diagnostic length; None where
    none is sure. `perhaps_px`: the outermost two pieces of lead that look like markers and do not count; empty where there are none."""

    ends_px: tuple[F64, F64] | None = None
    perhaps_px: tuple[F64, ...] = ()
    what: str = "number plates"


@dataclass(frozen=True, eq=False)
class _Piece:
    """A piece of lead: its middle, its corners (low x, low y, high x, high y), where it lies along the weld and how far beside it, sides
    of the least rectangle round it (short, long), whether it is a number plate, whether the film ends there, its outline. Lengths in mm but
    for `centre_px` and `outline_px`."""

    centre_px: F64
    box: tuple[float, float, float, float]
    along: float
    beside: float
    sides: tuple[float, float]
    plate: bool
    cut: bool
    outline_px: F64


def location_markers(film: Film, job: Job, weld: Weld, marks: Marks) -> LocationMarkers:
    """Looked for where one wall of the weld is seen and the scale is known."""
    scale = film.pixels_per_mm
    if scale is None or len(weld.arcs) != 1 or (job.exposure.technique or "").startswith("DWDI"):
        return LocationMarkers()
    line = weld.arcs[0].centreline_px
    pieces = [_piece(film, mark, line, scale) for mark in marks.marks if mark.kind in ("letter", "marker") and len(mark.path_px) > 2]
    middle = 0.5 * float(length_along(line)[-1]) / scale
    rows = [row for row in _rows(pieces) if row[0].along < middle < row[-1].along]
    if len(rows) == 1 and not _goes_on(rows[0], pieces):
        return LocationMarkers((rows[0][0].centre_px, rows[0][-1].centre_px))
    plates, cast = [piece for piece in pieces if piece.plate], sorted(_characters(pieces), key=lambda piece: piece.along)
    if not plates and len(cast) > 1 and _sure(film, cast, pieces, 2 * middle):
        return LocationMarkers((cast[0].centre_px, cast[-1].centre_px), what="single numbers or letters")
    ends = sorted(plates, key=lambda piece: piece.along) if len(plates) > 1 else cast
    return LocationMarkers(None, (ends[0].centre_px, ends[-1].centre_px) if len(ends) > 1 else ())


def markers_check(film: Film, job: Job, weld: Weld, marks: Marks) -> Check:
    """Location markers: told by the job sheet or seen as number plates, they end the diagnostic length; other lead is only pointed at."""
    lead = sum(mark.kind in ("letter", "marker") for mark in marks.marks)
    if job.location.end_markers_px is not None:
        return Check(NAME, "pass", required=False, source="job sheet", says="told by the job sheet; the diagnostic length ends at them")
    seen = location_markers(film, job, weld, marks)
    if seen.ends_px is not None:
        return Check(NAME, "pass", required=False, source="rtscan",
                     says=f"{seen.what} in a row, the outermost at {_places(seen.ends_px)} px; the diagnostic length ends at them "
                     "(location.end_markers_px of the job sheet goes before)")
    if seen.perhaps_px:
        return not_assessed(NAME, f"lead that may be location markers at {_places(seen.perhaps_px)} px does not count; name the markers in "
                            "location.end_markers_px to have the diagnostic length end at them", required=False)
    lead_seen = f"{lead} pieces of lead are seen; which of them are location markers cannot be told" if lead else "no lead is seen"
    return not_assessed(NAME, f"{lead_seen}; give location.end_markers_px", required=False)


def _places(points: Sequence[F64]) -> str:
    return " and ".join(f"({x:.0f}, {y:.0f})" for x, y in points)


def _piece(film: Film, mark: Mark, line: F64, scale: float) -> _Piece:
    outline = mark.path_px.astype(np.float32)
    middle, size, _ = rectangle = cv2.minAreaRect(outline)
    short, long = sorted(length / scale for length in size)
    low, high = outline.min(axis=0) / scale, outline.max(axis=0) / scale
    rows, columns = film.density.shape
    cut = min(*low, columns / scale - high[0], rows / scale - high[1]) < AT_EDGE_MM
    least, aspect = (CUT_SHORT_MM, CUT_ASPECT_MAX) if cut else (PLATE_MM[0], ASPECT_MAX)
    sized = least <= short and PLATE_MM[0] <= long <= min(PLATE_MM[1], aspect * short)
    filled = cv2.contourArea(outline) / scale**2 >= LEAST_FILLED * short * long
    plate = sized and filled and _cut_through(film, cv2.boxPoints(rectangle))
    centre = np.asarray(middle, dtype=np.float64)
    return _Piece(centre, (float(low[0]), float(low[1]), float(high[0]), float(high[1])), along_of(centre, line) / scale,
                  _beside(centre, line) / scale, (short, long), plate, bool(cut), mark.path_px)


def _cut_through(film: Film, corners: np.ndarray) -> bool:
    """Whether something is cut out of a plate of lead: a share of it is nearer to the density round it than to its own."""
    middle = corners.mean(axis=0)
    inside, ring = (_filled(film, middle + share * (corners - middle)) for share in (0.95, 1.25))
    ring &= ~_filled(film, middle + 1.08 * (corners - middle))
    if not inside.any() or not ring.any():
        return False
    lead, beside = float(np.percentile(film.density[inside], 25)), float(np.median(film.density[ring]))
    share = float((film.density[inside] > lead + STANDS_OUT * (beside - lead)).mean())
    return beside > lead and CUT_OUT[0] <= share <= CUT_OUT[1]


def _filled(film: Film, corners: np.ndarray) -> Bool:
    canvas = np.zeros(film.density.shape, dtype=np.uint8)
    cv2.fillConvexPoly(canvas, np.round(corners).astype(np.int32), (1,))
    return canvas > 0


def _beside(point: F64, line: F64) -> float:
    """Distance of a point from a polyline, positive on its right, pixels."""
    k = int(np.argmin(np.hypot(*(line - point).T)))
    low, high = line[max(0, k - 1)], line[min(len(line) - 1, k + 1)]
    run = (high - low) / max(float(np.hypot(*(high - low))), 1e-9)
    return float(run[0] * (point - low)[1] - run[1] * (point - low)[0])


def _rows(pieces: Sequence[_Piece]) -> list[list[_Piece]]:
    """Number plates of one width at one distance from the weld, each row in the order along the weld: two or more, of plates that are all
    cut by the edge of the film three."""
    rows: list[list[_Piece]] = []
    for piece in sorted((p for p in pieces if p.plate), key=lambda p: p.along):
        row = next((row for row in rows if all(_alike(piece, other) for other in row)), None)
        if row is None:
            rows.append([piece])
        else:
            row.append(piece)
    return [row for row in rows if len(row) > (2 if all(piece.cut for piece in row) else 1)]


def _alike(one: _Piece, other: _Piece) -> bool:
    same_width = one.cut or other.cut or abs(one.sides[0] - other.sides[0]) <= SAME_WIDTH * max(one.sides[0], other.sides[0])
    return same_width and abs(one.beside - other.beside) <= SAME_ROW_MM


def _goes_on(row: Sequence[_Piece], pieces: Sequence[_Piece]) -> bool:
    """Whether lead as large as a plate, or cut by the edge of the film, reaches into the line of a row farther out: a number grown together
    with a letter."""
    beside = float(np.median([piece.beside for piece in row]))
    half = 0.5 * max(piece.sides[0] for piece in row)
    return any(abs(piece.beside - beside) < half + 0.5 * piece.sides[0] and not row[0].along <= piece.along <= row[-1].along
               and (piece.cut or piece.sides[1] >= PLATE_MM[0]) for piece in pieces)


def _characters(pieces: Sequence[_Piece]) -> list[_Piece]:
    """Single characters that stand alone, whole on the film, two or more of one height at one distance from the weld."""
    alone = [p for p in pieces if not p.cut and CHARACTER_MM[0] <= p.sides[1] <= CHARACTER_MM[1]
             and all(p is q or _gap(p, q) > ALONE_MM for q in pieces)]
    rows = [[q for q in alone if abs(q.beside - p.beside) <= 0.5 * SAME_ROW_MM and abs(q.sides[1] - p.sides[1]) <= SAME_HEIGHT * p.sides[1]]
            for p in alone]
    return max(rows, key=len, default=[])


def _sure(film: Film, row: Sequence[_Piece], pieces: Sequence[_Piece], length_mm: float) -> bool:
    """Whether a row of cast numbers that stand alone are location markers: the outermost near the ends of the weld, at even steps, of one
    lead, the only such row, and no other lead in line farther out nor room for another at the same step, of which the edge of the film may
    have left too little to be seen."""
    first, last = row[0], row[-1]
    steps = np.diff([piece.along for piece in row])
    if first.along > OUTER_PART * length_mm or last.along < (1 - OUTER_PART) * length_mm or np.ptp(steps) > SAME_STEP * steps.mean():
        return False
    if max(first.along, length_mm - last.along) > steps.mean() - first.sides[1] or any(_is_block(film, piece) for piece in row):
        return False
    takes = [_taken_off(film, piece) for piece in row]
    rest = [piece for piece in pieces if piece not in row]
    if min(takes) <= 0 or max(takes) - min(takes) > SAME_LEAD * max(takes) or len(_characters(rest)) > 1:
        return False
    beside = float(np.median([piece.beside for piece in row]))
    return not any(piece.beside * beside > 0 and abs(piece.beside - beside) < SAME_ROW_MM + 0.5 * piece.sides[1]
                   and not first.along < piece.along < last.along for piece in rest)


def _is_block(film: Film, piece: _Piece) -> bool:
    """Whether a piece is sheet and no character: not much longer than wide, and neither its outline nor anything in it is open."""
    rectangle = cv2.minAreaRect(piece.outline_px.astype(np.float32))
    full = cv2.contourArea(piece.outline_px.astype(np.float32)) >= LEAST_FILLED * rectangle[1][0] * rectangle[1][1]
    return full and piece.sides[1] <= ASPECT_MAX * piece.sides[0] and not _cut_through(film, cv2.boxPoints(rectangle))


def _taken_off(film: Film, piece: _Piece) -> float:
    """Density that the lead of a cast number takes off the film round it."""
    low, high = np.floor(piece.outline_px.min(axis=0)).astype(int), np.ceil(piece.outline_px.max(axis=0)).astype(int)
    margin = max(4, int(0.25 * (high - low).max()))
    (left, top), (right, bottom) = np.maximum(low - margin, 0), high + margin + 1
    part = film.density[top:bottom, left:right]
    lead = np.zeros(part.shape, dtype=np.uint8)
    cv2.fillPoly(lead, [np.round(piece.outline_px - (left, top)).astype(np.int32)], (1,))
    rim = np.ones((max(3, margin // 2) | 1,) * 2, np.uint8)
    beside = cv2.dilate(lead, rim) == 0
    # A loop of a letter is open inside: of what its outline holds, the lighter part is the lead.
    return float(np.median(part[beside]) - np.percentile(part[lead > 0], 25)) if beside.any() and lead.any() else 0.0


def _gap(one: _Piece, other: _Piece) -> float:
    """Distance between two upright boxes."""
    x, y = (max(0.0, one.box[k] - other.box[k + 2], other.box[k] - one.box[k + 2]) for k in (0, 1))
    return hypot(x, y)
