"""What of the weld the film covers: weld and parent metal on the film, metal hidden, thickness ratio, marks in the weld, exposures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import ceil, pi

import cv2
import numpy as np

from rtscan.film import F64, Arc, Bool, Film, Marks, Strip, Weld
from rtscan.findings import Check
from rtscan.job import Job
from rtscan.knowledge.exposures import (
    ExposureRule,
    coverage,
    ellipse_exposures,
    single_image_exposures,
    superimposed_exposures,
)
from rtscan.knowledge.testing import Limit, thickness_ratio_limit
from rtscan.reading.quality.contrast import film_values, weld_rows
from rtscan.reading.quality.lines import judged, not_assessed, practice

PARENT_MM = 3.0
"""Parent metal that should show beside the weld. Common practice (the heat-affected zone), no published source."""
BORDER_MM = 0.3
"""An edge this near the border of the film cannot be told from one beyond it."""
OFF_FILM_SHARE_MAX = 0.02
HIDDEN_WIDTH_SHARE = 0.2
SCRATCHED_SHARE_MAX = 0.05
SHARP_SIGMAS = 5.0
RIM_MM = 0.5
HELD_SIGMAS, MEAN_HELD = 1.35, 0.7161
"""Where detail is held before its spread is taken, so that scratches hardly count, and the mean of a held |normal|: closed form
sqrt(2/pi)(1 - exp(-h^2/2)) + 2 h (1 - Phi(h))."""
TOO_SHARP_SHARE_MAX = 0.005
"""The most on a film of a reader round robin is 0.0033 (handwriting and lead beside the weld); two dozen long scratches show 0.006."""


def coverage_checks(film: Film, job: Job, weld: Weld, marks: Marks, strips: Sequence[Strip]) -> list[Check]:
    """All coverage checks of a film whose weld was found."""
    checks = [_on_film(film, weld), _parent_on_film(film, weld), _hidden(strips), _scratched(marks, strips),
              _too_sharp(film, marks, strips)]
    checks += [c for c in (_ratio(job, weld), _exposures(job)) if c is not None]
    return checks


def _on_film(film: Film, weld: Weld) -> Check:
    """Share of the weld whose edge runs along or off the border of the film."""
    share = max(_share_outside(arc, film, max(1.0, BORDER_MM * (film.pixels_per_mm or 0.0))) for arc in weld.arcs)
    return judged("weld on the film", share, practice(greatest=OFF_FILM_SHARE_MAX), "share",
                  f"an edge of the weld is off the film over {share:.0%} of its length")


def _parent_on_film(film: Film, weld: Weld) -> Check:
    name, limit = "parent metal beside the weld", practice(least=PARENT_MM)
    if film.pixels_per_mm is None:
        return not_assessed(name, "no scale", limit, "mm", required=False)
    margin_mm = max(0.0, min(_least_margin(arc, film) for arc in weld.arcs) / film.pixels_per_mm)
    return judged(name, margin_mm, limit, "mm", "the heat-affected zone is not wholly on the film", required=False, digits=1)


def _edges(arc: Arc) -> tuple[F64, F64]:
    inside = np.ones(len(arc.left_edge_px), dtype=bool) if arc.covered is None else arc.covered
    return arc.left_edge_px[inside], arc.right_edge_px[inside]


def _share_outside(arc: Arc, film: Film, margin_px: float) -> float:
    return max((float((_margin(edge, film) < margin_px).mean()) if len(edge) else 0.0) for edge in _edges(arc))


def _least_margin(arc: Arc, film: Film) -> float:
    """Distance from the weld edges to the film border they run beside, pixels: a low percentile, and not the ends of the weld."""
    low = np.inf
    for edge in _edges(arc):
        middle = edge[len(edge) // 20 : len(edge) - len(edge) // 20]
        if len(middle):
            low = min(low, float(np.percentile(_margin(middle, film), 2)))
    return low


def _margin(points: F64, film: Film) -> F64:
    """Distance of points to the border across the weld, pixels: the ends of the film along the weld do not count."""
    rows, columns = film.density.shape
    spread = np.ptp(points, axis=0)
    across = 1 if spread[0] >= spread[1] else 0
    size = rows if across == 1 else columns
    return np.asarray(np.minimum(points[:, across], size - 1 - points[:, across]))


def _hidden(strips: Sequence[Strip]) -> Check:
    """Length of weld of which more than a fifth of the width lies under lead or border: it cannot be judged."""
    name, limit = "weld hidden by lead", practice(greatest=0.0)
    if not strips or any(s.pixels_per_mm is None for s in strips):
        return not_assessed(name, "no scale", limit, "mm", required=False)
    hidden_mm = sum(float(_hidden_columns(s).sum()) / (s.pixels_per_mm or 1.0) for s in strips)
    if hidden_mm <= 0.5:
        return judged(name, 0.0, limit, "mm", "")
    return not_assessed(name, f"{hidden_mm:.0f} mm of weld lie under lead or border", limit, "mm", measured=round(hidden_mm, 1))


def _hidden_columns(strip: Strip) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    inside = weld_rows(strip)
    count = inside.sum(axis=0)
    share = (inside & ~strip.usable).sum(axis=0) / np.maximum(count, 1)
    ends = max(1, round(2.0 * (strip.pixels_per_mm or 1.0)))
    columns = (share > HIDDEN_WIDTH_SHARE) & (count > 0)
    columns[:ends] = columns[-ends:] = False
    return np.asarray(columns)


def _scratched(marks: Marks, strips: Sequence[Strip]) -> Check:
    """Share of the weld under scratches, dust and artefacts."""
    limit = practice(greatest=SCRATCHED_SHARE_MAX)
    if not strips:
        return not_assessed("marks in the weld", "no weld found", limit, "share", required=False)
    share = max(_share_marked(marks, strip, ("scratch", "dust", "artefact")) for strip in strips)
    return judged("marks in the weld", share, limit, "share", f"scratches, dust or other marks of the film cover {share:.0%} of the weld")


def _too_sharp(film: Film, marks: Marks, strips: Sequence[Strip]) -> Check:
    """Share of the weld that stands out in detail finer than radiation can draw: scratches and dirt of the film or the scan.

    A flaw is blurred by the unsharpness, a scratch is not. Detail between 0.7 and 1.6 pixels against its own noise within 3 mm; the rims
    of lead, of the film and of what the scan could not read are as sharp and left out.
    """
    name, limit = "scratches and dirt in the weld", practice(greatest=TOO_SHARP_SHARE_MAX)
    if not strips or film.pixels_per_mm is None:
        return not_assessed(name, "no scale or no weld", limit, "share", required=False)
    fine = np.abs(cv2.GaussianBlur(film.density, (0, 0), 0.7) - cv2.GaussianBlur(film.density, (0, 0), 1.6))
    field = 2 * round(3 * film.pixels_per_mm) + 1
    calm = np.minimum(fine, HELD_SIGMAS * 1.4826 * np.median(fine[::7, ::7]))
    sigma = cv2.blur(calm, (field, field)) / MEAN_HELD
    rim = np.ones((2 * round(RIM_MM * film.pixels_per_mm) + 1,) * 2, np.uint8)
    clear = cv2.dilate((marks.hidden | ~film.valid).view(np.uint8), rim) == 0
    marked = (fine > SHARP_SIGMAS * sigma) & clear
    values = [film_values(marked, strip) for strip in strips]
    share = max((float(v.mean()) for v in values if v.size), default=0.0)
    return judged(name, share, limit, "share", "the weld is covered with scratches or dirt; clean and scan the film again", digits=5)


def _share_marked(marks: Marks, strip: Strip, kinds: tuple[str, ...]) -> float:
    canvas = np.zeros(marks.hidden.shape, dtype=np.uint8)
    for mark in marks.marks:
        if mark.kind in kinds and len(mark.path_px):
            points = np.round(mark.path_px).astype(np.int32).reshape(-1, 1, 2)
            cv2.polylines(canvas, [points], False, (1,), max(1, round(mark.width_px)))
    marked = film_values(canvas > 0, strip)
    return float(marked.mean()) if marked.size else 0.0


def _ratio(job: Job, weld: Weld) -> Check | None:
    """Visible length of a girth weld against what one exposure covers within the allowed thickness ratio (ISO)."""
    shot, size = job.exposure, job.weld
    stations = [a.station_mm for a in weld.arcs if a.station_mm is not None]
    if (shot.technique not in ("SWSI", "DWSI") or size.od_mm is None or size.wall_mm is None or shot.source_to_film_mm is None
            or not stations or not (job.testing.standard or "").startswith("iso") or size.joint in ("plate", "longitudinal")):
        return None
    ratio, half_deg = thickness_ratio_limit(job.testing.class_ or "B"), _half_angle_deg(job)
    if half_deg is None:
        return None
    allowed_mm, count = 2 * half_deg / 360 * pi * size.od_mm, ceil(180 / half_deg - 1e-9)
    return judged("length within the thickness ratio", float(np.ptp(stations[0])), replace(ratio, max=allowed_mm), "mm", required=False,
                  digits=1, passing=f"{count} exposures cover the weld",
                  failing=f"only {allowed_mm:.0f} mm about the middle are covered; {count} exposures are needed")


def diagnostic_columns(strip: Strip, job: Job) -> Bool:
    """bool, shape (along,): the columns one exposure must answer for.

    Both walls on one film: the share of the circumference that the least number of exposures leaves to each (45 degrees either side
    of the middle with two, 30 with three). One wall of a pipe: what lies within the allowed thickness ratio. Plate: all.
    """
    count = strip.density.shape[1]
    half_deg = _half_angle_deg(job)
    if half_deg is None or job.weld.od_mm is None or strip.pixels_per_mm is None:
        return np.ones(count, dtype=bool)
    if strip.station_mm is not None:
        from_middle_mm = np.abs(strip.station_mm - 0.5 * (strip.station_mm[0] + strip.station_mm[-1]))
    else:
        from_middle_mm = np.abs(np.arange(count) - 0.5 * (count - 1)) / strip.pixels_per_mm
    return np.asarray(from_middle_mm <= half_deg / 360 * pi * job.weld.od_mm)


def _half_angle_deg(job: Job) -> float | None:
    size, shot = job.weld, job.exposure
    if size.od_mm is None or size.wall_mm is None or size.joint in ("plate", "longitudinal"):
        return None
    if shot.technique in ("DWDI-ellipse", "DWDI-superimposed"):
        rule = _exposure_rule(job)
        return 45.0 if rule is not None and rule.count == 2 else 30.0
    if shot.technique in ("SWSI", "DWSI") and shot.source_to_film_mm is not None:
        try:
            return coverage(shot.technique, size.od_mm, size.wall_mm, shot.source_to_film_mm,
                            thickness_ratio_limit(job.testing.class_ or "B").max or 1.1).alpha_deg
        except ValueError:
            return None
    return None


def _exposures(job: Job) -> Check | None:
    """How many exposures the whole girth weld needs: told, not tested on one film."""
    rule = _exposure_rule(job)
    if rule is None:
        return None
    limit = Limit(rule.clause, rule.source, rule.unverified, float(rule.count))
    return not_assessed("exposures for the whole weld", f"one film shows one exposure; at least {rule.count} are needed"
                        + (f"; {rule.doubt}" if rule.doubt else ""), limit, "exposures", required=False)


def _exposure_rule(job: Job) -> ExposureRule | None:
    standard, size, technique = job.testing.standard, job.weld, job.exposure.technique
    if standard is None or size.od_mm is None or size.wall_mm is None:
        return None
    if technique == "DWDI-ellipse":
        return ellipse_exposures(standard, size.od_mm, size.wall_mm, size.cap_width_mm)
    if technique == "DWDI-superimposed":
        return superimposed_exposures(standard, size.od_mm)
    if technique == "DWSI" and job.exposure.source_to_film_mm is not None:
        return single_image_exposures(standard, max(0.0, job.exposure.source_to_film_mm - size.od_mm))
    return None
