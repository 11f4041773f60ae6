"""What of the weld the film covers: weld and parent metal on the film, metal hidden, marks in the weld, set-up."""

from __future__ import annotations

from collections.abc import Sequence
from math import pi

import cv2
import numpy as np
from numpy.typing import NDArray

from rtscan.film import F32, F64, Arc, Bool, Film, Marks, Strip, Weld
from rtscan.findings import Check
from rtscan.job import Job
from rtscan.knowledge.exposures import coverage
from rtscan.knowledge.testing import thickness_ratio_limit
from rtscan.reading.arcs import along_of, length_along
from rtscan.reading.quality.contrast import film_values, weld_rows
from rtscan.reading.quality.lines import judged, not_assessed, practice

I64 = NDArray[np.int64]
PARENT_MM = 3.0
"""Parent metal that should show beside the weld. Common practice (the heat-affected zone), no published source."""
BORDER_MM = 0.3
"""An edge this near the border of the film cannot be told from one beyond it."""
OFF_FILM_SHARE_MAX = 0.02
LIGHTER_DENSITY, LIGHTER_SHARE = 0.05, 0.5
"""What runs beside a found weld along the border is more metal, not parent metal, where it is so much lighter over such a share: chosen on
one simulated film (0.82 of it so); none of the 18 real films and of 48 simulated fit ones is refused for it."""
HIDDEN_WIDTH_SHARE = 0.2
SCRATCHED_SHARE_MAX = 0.05
SHARP_SIGMAS = 5.0
RIM_MM = 0.5
HELD_SIGMAS, MEAN_HELD = 1.35, 0.7161
"""Where detail is held before its spread is taken, so that scratches hardly count, and the mean of a held |normal|: closed form
sqrt(2/pi)(1 - exp(-h^2/2)) + 2 h (1 - Phi(h))."""
TOO_SHARP_SHARE_MAX = 0.005
"""The most on a film of a reader round robin is 0.0033 (handwriting and lead beside the weld); two dozen long scratches show 0.006."""


def coverage_checks(film: Film, weld: Weld, marks: Marks, strips: Sequence[Strip], columns: Sequence[Bool], job: Job) -> list[Check]:
    """All coverage checks of a film whose weld was found; `columns` (along,) of each strip are those looked at."""
    return [_on_film(film, weld, marks, job), _parent_on_film(film, weld, marks), _hidden(strips, columns),
            _under_wires(marks, strips, columns), _scratched(marks, strips, columns), _too_sharp(film, marks, strips, columns)]


def _on_film(film: Film, weld: Weld, marks: Marks, job: Job) -> Check:
    """Share of the weld whose edge runs along or off the border of the film, or beside which more weld does."""
    name, limit = "weld on the film", practice(greatest=OFF_FILM_SHARE_MAX)
    share = max(_share_outside(arc, marks, max(1.0, BORDER_MM * (film.pixels_per_mm or 0.0))) for arc in weld.arcs)
    if share <= OFF_FILM_SHARE_MAX and (job.exposure.technique or "") == "DWDI-ellipse" and len(weld.arcs) == 1:
        if _room(weld.arcs[0], marks) < 1.0:
            says = "an ellipse shows the welds of two walls; one is found, and the border leaves no room for the other"
            return judged(name, 1.0, limit, "share", says)
        return not_assessed(name, "an ellipse shows the welds of two walls, and one alone is found", limit, "share")
    lighter = max(_lighter_beyond(film, arc, marks) for arc in weld.arcs)
    if share <= OFF_FILM_SHARE_MAX and lighter > LIGHTER_SHARE:
        says = "what lies between the weld found and the border is lighter than it: the weld itself may run along the border"
        return judged(name, lighter, limit, "share", says)
    return judged(name, share, limit, "share", f"an edge of the weld is off the film over {share:.0%} of its length")


def _room(arc: Arc, marks: Marks) -> float:
    """Least width beside the weld up to the border of the film, in widths of the weld (medians along it)."""
    width = float(np.median(np.hypot(*(arc.left_edge_px - arc.right_edge_px).T)))
    return min(float(np.median(_margin(edge, marks))) for edge in _edges(arc)) / max(width, 1.0)


def _lighter_beyond(film: Film, arc: Arc, marks: Marks) -> float:
    """The share of the weld beside which less than its own width is left up to the border and the film there is lighter than its middle."""
    shares = [0.0]
    for own, other in (_edges(arc), _edges(arc)[::-1]):
        across, margin = own - other, _margin(own, marks)
        width = np.maximum(np.hypot(*across.T), 1.0)
        beyond, middle = own + across * (0.5 * margin / width)[:, None], (own + other) / 2
        near = (margin > 2.0) & (margin < width) & _seen(beyond, film, marks) & _seen(middle, film, marks)
        if near.any():
            lighter = _density(middle[near], film) - _density(beyond[near], film) > LIGHTER_DENSITY
            shares.append(float(lighter.sum()) / len(own))
    return max(shares)


def _seen(points: F64, film: Film, marks: Marks) -> Bool:
    rows, columns = _nearest(points, film)
    return np.asarray(film.valid[rows, columns] & ~marks.hidden[rows, columns])


def _density(points: F64, film: Film) -> F64:
    """Density in fields of 5 by 5 pixels round points (n, 2)."""
    rows, columns = _nearest(points, film)
    at = np.arange(-2, 3)
    last = np.array(film.density.shape) - 1
    field = film.density[np.clip(rows[:, None, None] + at[:, None], 0, last[0]), np.clip(columns[:, None, None] + at, 0, last[1])]
    return np.asarray(field.mean(axis=(1, 2)), dtype=np.float64)


def _nearest(points: F64, film: Film) -> tuple[I64, I64]:
    rows, columns = film.density.shape
    at = np.rint(points).astype(np.int64)
    return np.clip(at[:, 1], 0, rows - 1), np.clip(at[:, 0], 0, columns - 1)


def _parent_on_film(film: Film, weld: Weld, marks: Marks) -> Check:
    name, limit = "parent metal beside the weld", practice(least=PARENT_MM)
    if film.pixels_per_mm is None:
        return not_assessed(name, "no scale", limit, "mm", required=False)
    margin_mm = max(0.0, min(_least_margin(arc, marks) for arc in weld.arcs) / film.pixels_per_mm)
    return judged(name, margin_mm, limit, "mm", "the heat-affected zone is not wholly on the film", required=False, digits=1)


def edge_margins(arc: Arc, marks: Marks, columns: I64) -> F64:
    """Distance of the nearer weld edge from the border of the film that the weld runs beside, pixels, at strip columns (n,)."""
    nearer = np.minimum(*(_margin(edge, marks) for edge in (arc.left_edge_px, arc.right_edge_px)))
    return np.interp(columns, length_along(arc.centreline_px), nearer)


def _edges(arc: Arc) -> tuple[F64, F64]:
    inside = np.ones(len(arc.left_edge_px), dtype=bool) if arc.covered is None else arc.covered
    return arc.left_edge_px[inside], arc.right_edge_px[inside]


def _share_outside(arc: Arc, marks: Marks, margin_px: float) -> float:
    return max((float((_margin(edge, marks) < margin_px).mean()) if len(edge) else 0.0) for edge in _edges(arc))


def _least_margin(arc: Arc, marks: Marks) -> float:
    """Distance from the weld edges to the film border they run beside, pixels: a low percentile, and not the ends of the weld."""
    low = np.inf
    for edge in _edges(arc):
        middle = edge[len(edge) // 20 : len(edge) - len(edge) // 20]
        if len(middle):
            low = min(low, float(np.percentile(_margin(middle, marks), 2)))
    return low


def _margin(points: F64, marks: Marks) -> F64:
    """Distance of points to the border of film or scan across the weld, pixels: the ends of the film along the weld do not count."""
    spread = np.ptp(points, axis=0)
    across = 1 if spread[0] >= spread[1] else 0
    last = marks.hidden.shape[0 if across == 1 else 1] - 1.0
    low, high = np.zeros(len(points)), np.full(len(points), last)
    for mark in marks.marks:
        ends = mark.path_px[[0, -1]]
        if mark.kind == "border" and abs(ends[1, across] - ends[0, across]) < abs(ends[1, 1 - across] - ends[0, 1 - across]):
            # The strip beside the film, by its inner limit, which runs along the side.
            limit = np.interp(points[:, 1 - across], ends[:, 1 - across], ends[:, across])
            low, high = (np.maximum(low, limit), high) if limit.mean() < 0.5 * last else (low, np.minimum(high, limit))
    return np.asarray(np.minimum(points[:, across] - low, high - points[:, across]))


def _hidden(strips: Sequence[Strip], columns: Sequence[Bool]) -> Check:
    """Length of weld of which more than a fifth of the width lies under lead or border: it cannot be judged."""
    name, limit = "weld hidden by lead", practice(greatest=0.0)
    if not strips or any(s.pixels_per_mm is None for s in strips):
        return not_assessed(name, "no scale", limit, "mm", required=False)
    hidden_mm = sum(float((_hidden_columns(s) & c).sum()) / (s.pixels_per_mm or 1.0) for s, c in zip(strips, columns, strict=True))
    if hidden_mm <= 0.5:
        touched = any((weld_rows(s) & ~s.usable & c).any() for s, c in zip(strips, columns, strict=True))
        return judged(name, 0.0, limit, "mm", "", passing="lead or border reaches into less than a fifth of its width" if touched else "")
    return not_assessed(name, f"{hidden_mm:.0f} mm of weld lie under lead, border or edges of a plaque", limit, "mm",
                        measured=round(hidden_mm, 1))


def _hidden_columns(strip: Strip) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    inside = weld_rows(strip)
    count = inside.sum(axis=0)
    share = (inside & ~strip.usable).sum(axis=0) / np.maximum(count, 1)
    ends = max(1, round(2.0 * (strip.pixels_per_mm or 1.0)))
    columns = (share > HIDDEN_WIDTH_SHARE) & (count > 0)
    columns[:ends] = columns[-ends:] = False
    return np.asarray(columns)


def _under_wires(marks: Marks, strips: Sequence[Strip], columns: Sequence[Bool]) -> Check:
    """Share of the weld under the wires of the indicator. They belong over the weld; but a small flaw under one may not show."""
    name, limit = "weld under wires", practice()
    share = max((_share_marked(marks, strip, c, ("wire",)) for strip, c in zip(strips, columns, strict=True)), default=0.0)
    says = "wires cross the weld; a small flaw under one may not show" if share > 0 else ""
    return judged(name, share, limit, "share", says, required=False, passing=says)


def _scratched(marks: Marks, strips: Sequence[Strip], columns: Sequence[Bool]) -> Check:
    """Share of the weld under scratches, dust and artefacts."""
    limit = practice(greatest=SCRATCHED_SHARE_MAX)
    if not strips:
        return not_assessed("marks in the weld", "no weld found", limit, "share", required=False)
    share = max(_share_marked(marks, strip, c, ("scratch", "dust", "artefact")) for strip, c in zip(strips, columns, strict=True))
    return judged("marks in the weld", share, limit, "share", f"scratches, dust or other marks of the film cover {share:.0%} of the weld")


def _too_sharp(film: Film, marks: Marks, strips: Sequence[Strip], columns: Sequence[Bool]) -> Check:
    """Share of the weld that stands out in detail finer than radiation can draw: scratches and dirt of the film or the scan.

    A flaw is blurred by the unsharpness, a scratch is not. Detail between 0.7 and 1.6 pixels against its own noise within 3 mm; the rims
    of lead, of the film and of what the scan could not read are as sharp and left out.
    """
    name, limit = "scratches and dirt in the weld", practice(greatest=TOO_SHARP_SHARE_MAX)
    if not strips or film.pixels_per_mm is None:
        return not_assessed(name, "no scale or no weld", limit, "share", required=False)
    fine = np.asarray(cv2.GaussianBlur(film.density, (0, 0), 0.7), dtype=np.float32)
    cv2.absdiff(fine, cv2.GaussianBlur(film.density, (0, 0), 1.6), fine)
    rim = np.ones((2 * round(RIM_MM * film.pixels_per_mm) + 1,) * 2, np.uint8)
    clear = cv2.dilate((marks.hidden | ~film.valid).view(np.uint8), rim) == 0
    half = round(3 * film.pixels_per_mm)
    by_weld = _box(strips, half + 1, film.density.shape)
    marked = np.zeros(film.density.shape, dtype=bool)
    sigma = _fine_sigma(fine, clear, by_weld, 2 * half + 1)
    marked[by_weld] = (fine[by_weld] > SHARP_SIGMAS * sigma) & clear[by_weld]
    values = [film_values(marked, strip, columns=c) for strip, c in zip(strips, columns, strict=True)]
    share = max((float(v.mean()) for v in values if v.size), default=0.0)
    return judged(name, share, limit, "share", "the weld is covered with scratches or dirt; clean and scan the film again", digits=5)


def _box(strips: Sequence[Strip], margin: int, shape: tuple[int, ...]) -> tuple[slice, slice]:
    """Rows and columns of the film that the strips touch, `margin` pixels wider on all sides."""
    outer = np.concatenate([strip.film_xy[[0, -1]].reshape(-1, 2) for strip in strips])  # its rows lie between the first and the last
    low, high = outer.min(axis=0) - margin, outer.max(axis=0) + margin + 2
    (left, top), (right, bottom) = np.maximum(low, 0).astype(int), high.astype(int)
    return slice(int(top), min(int(bottom), shape[0])), slice(int(left), min(int(right), shape[1]))


def _fine_sigma(fine: F32, clear: Bool, part: tuple[slice, slice], field: int) -> F32:
    """Spread of fine detail within `field` pixels of each place in a part of the film, of the `clear` places alone: a burnt-out or blank
    part of the film has no grain. Detail is held first, by its median on the whole film, so that scratches hardly count."""
    some = fine[::7, ::7][clear[::7, ::7]]
    fine, clear = fine[part], clear[part]
    held = np.minimum(fine, HELD_SIGMAS * 1.4826 * np.median(some)) if len(some) else fine
    share = cv2.blur(clear.astype(np.float32), (field, field))
    return np.asarray(cv2.blur(np.where(clear, held, 0), (field, field)) / np.maximum(share, 1e-6) / MEAN_HELD, dtype=np.float32)


def _share_marked(marks: Marks, strip: Strip, columns: Bool, kinds: tuple[str, ...]) -> float:
    canvas = np.zeros(marks.hidden.shape, dtype=np.uint8)
    for mark in marks.marks:
        if mark.kind in kinds and len(mark.path_px):
            points = np.round(mark.path_px).astype(np.int32).reshape(-1, 1, 2)
            cv2.polylines(canvas, [points], False, (1,), max(1, round(mark.width_px)))
    marked = film_values(canvas > 0, strip, columns=columns)
    return float(marked.mean()) if marked.size else 0.0


def set_up_columns(strip: Strip, arc: Arc, job: Job, seen_px: tuple[F64, F64] | None = None) -> list[tuple[Bool, str]]:
    """What one exposure covers by its set-up, whatever the density: bool, shape (along,), and why it ends where it does, one for each rule.

    Both walls on one film: where the arc is covered (|sin theta| up to 0.9). One wall of a pipe by ISO: inside the allowed thickness ratio,
    about the middle of the weld on the film, which is taken for the middle of the beam. Between the location markers told by the job sheet,
    else between those seen, `seen_px`.
    """
    columns, rules = np.arange(strip.density.shape[1]), list[tuple[Bool, str]]()
    if (job.exposure.technique or "").startswith("DWDI") and arc.covered is not None:
        seen = np.interp(columns, length_along(arc.centreline_px), arc.covered.astype(np.float64)) > 0.5
        rules.append((np.asarray(seen), "there both walls are seen too obliquely (|sin theta| above 0.9)"))
    half_deg = ratio_half_angle_deg(job)
    if half_deg is not None and job.weld.od_mm is not None and strip.pixels_per_mm is not None:
        from_middle_mm = np.abs(columns - 0.5 * columns[-1]) / strip.pixels_per_mm
        limit = thickness_ratio_limit(job.testing.class_ or "B")
        told = ", from memory" if limit.unverified else ""
        rules.append((np.asarray(from_middle_mm <= half_deg / 360 * pi * job.weld.od_mm),
                      f"there the metal passed is more than {limit.max:g} times the wall ({limit.clause}{told})"))
    by_sheet = job.location.end_markers_px
    markers = by_sheet or seen_px
    if markers is not None:
        low, high = sorted(along_of(np.asarray(marker, dtype=np.float64), arc.centreline_px) for marker in markers)
        where = "told by the job sheet" if by_sheet else "seen on the film"
        rules.append((np.asarray((columns >= low) & (columns <= high)), f"the location marker {where}"))
    return rules


def ratio_half_angle_deg(job: Job) -> float | None:
    """Half the angle round a pipe that one exposure of one wall covers within the thickness ratio of ISO; None where that does not rule."""
    size, shot = job.weld, job.exposure
    if (shot.technique not in ("SWSI", "DWSI") or size.od_mm is None or size.wall_mm is None or shot.source_to_film_mm is None
            or size.joint in ("plate", "longitudinal") or not (job.testing.standard or "").startswith("iso")):
        return None
    ratio = thickness_ratio_limit(job.testing.class_ or "B").max or 1.1
    try:
        return coverage(shot.technique, size.od_mm, size.wall_mm, shot.source_to_film_mm, ratio).alpha_deg
    except ValueError:
        return None
