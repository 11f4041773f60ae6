"""The order of the stages, and nothing else: no files, no printing."""

from __future__ import annotations

import math
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Literal

from rtscan import __version__
from rtscan.acceptance.chart_picture import ChartPicture, chart_pictures
from rtscan.acceptance.criteria import Criteria
from rtscan.acceptance.judge import judge
from rtscan.acceptance.situation import situation_from_job
from rtscan.film import F64, Arc, Background, Film, Mark, Marks, Strip, Weld
from rtscan.findings import (
    DetectionLimit,
    ExposureFacts,
    Group,
    Indication,
    LocationFacts,
    ObjectMark,
    Point,
    Quality,
    WeldArc,
    WeldFacts,
    Worksheet,
)
from rtscan.job import Job, job_sha256
from rtscan.quality_records import FilmQuality
from rtscan.reading.background import estimate_background
from rtscan.reading.classify import classify
from rtscan.reading.filters import Grid, detection_grid
from rtscan.reading.group import group
from rtscan.reading.marks import find_hiding, with_lines
from rtscan.reading.measure import measure
from rtscan.reading.quality.check import check_film
from rtscan.reading.quality.detection import detection_limit
from rtscan.reading.quality.diagnostic import DiagnosticLength, diagnostic_lengths, shortened
from rtscan.reading.quality.in_area import marks_in_area
from rtscan.reading.quality.indicator import Indicator, read_indicator
from rtscan.reading.quality.record import film_quality
from rtscan.reading.quality.tags import with_tags
from rtscan.reading.rank import model_name
from rtscan.reading.repeats import repeat_marks
from rtscan.reading.segment import segment
from rtscan.reading.straighten import straighten
from rtscan.reading.weld_band import find_weld

_LINE_POINTS = 200
"""Points of a centreline or edge kept in the worksheet: enough to draw a curved weld to a fraction of a millimetre."""

_BEYOND = "outside the diagnostic length of this film; the film that covers the place has to show it"
_ANYWAY = "judged anyway, the film may not be judged"
"""On every indication, for the list in CSV has no other place for it."""


@dataclass(frozen=True)
class ReadSettings:
    """How to judge and print: the printed limit set, and whether to go on past a failed quality check."""

    units: Literal["mm", "in"] = "mm"
    judge_anyway: bool = False


@dataclass(frozen=True)
class Reading:
    """One film read: the worksheet, and the records of the stages for those who draw or look closer."""

    worksheet: Worksheet
    film: Film
    weld: Weld | None
    marks: Marks
    strips: tuple[Strip, ...]
    backgrounds: tuple[Background, ...]
    charts: tuple[ChartPicture, ...] = ()


def read_film(film: Film, job: Job, criteria: Criteria | None, settings: ReadSettings | None = None) -> Reading:
    """Reads one film from density to verdict."""
    chosen, sheet_sha256 = settings or ReadSettings(), job_sha256(job)
    job = with_tags(job, film)
    seen = _look(film, job)
    weld, contrast = seen.weld, seen.indicator.contrast
    indications: tuple[Indication, ...] = ()
    groups: tuple[Group, ...] = ()
    marks = seen.marks
    with ThreadPoolExecutor(1) as beside:
        limit = beside.submit(_detection_limit, seen)
        if weld:
            regions = segment(seen.backgrounds, contrast.blur_mm if contrast else None, grids=seen.grids)
            measured = measure(regions, seen.backgrounds, film, weld, job, contrast)
            indications, groups = group(classify(measured))
            marks = replace(marks, marks=(*marks.marks, *repeat_marks(regions, [b.strip for b in seen.backgrounds])))
        quality = replace(seen.quality, detection_limit=limit.result())
    facts = _weld_facts(film, weld, job)
    sheet = Worksheet(
        tool=f"rtscan {__version__}", job_sha256=sheet_sha256, criteria_sha256=criteria.sha256 if criteria else "",
        film=film.facts, quality=_past_failures(quality) if chosen.judge_anyway and weld else quality,
        weld=facts, indications=_on_the_ring(indications, facts), groups=groups,
        objects=_objects(marks.marks), exposure=_exposure(job), segment=job.film.segment, shot=job.film.shot,
        date=job.film.date.isoformat() if job.film.date else "", model=model_name(),
    )
    situation = situation_from_job(job, sheet, chosen.units)
    stamp = _ANYWAY if any(c.waived for c in sheet.quality.checks) else ""
    notes = ("; ".join(text for text in (stamp, "" if situation.shows(i) else _BEYOND) if text) for i in sheet.indications)
    sheet = replace(sheet, indications=tuple(replace(i, note=note) for i, note in zip(sheet.indications, notes, strict=True)))
    judged = judge(sheet, criteria, situation)
    charts = chart_pictures(judged, criteria, situation) if criteria else ()
    return Reading(judged, film, weld, marks, seen.strips, seen.backgrounds, charts)


def check_quality(film: Film, job: Job) -> FilmQuality:
    """Checks the film itself, without reading it."""
    sheet_sha256, job = job_sha256(job), with_tags(job, film)
    seen = _look(film, job)
    quality = replace(seen.quality, detection_limit=_detection_limit(seen))
    within = marks_in_area(seen.marks, seen.strips, [length.judged for length in seen.lengths])
    return replace(film_quality(film, job, seen.weld, seen.strips, seen.indicator, quality), job_sha256=sheet_sha256,
                   objects=_objects(within))


@dataclass(frozen=True)
class _Seen:
    """What is known of a film before its indications are looked for; the weld is covered on its diagnostic length alone. `quality` has no
    detection limit yet."""

    marks: Marks
    weld: Weld | None
    strips: tuple[Strip, ...]
    backgrounds: tuple[Background, ...]
    grids: tuple[Grid, ...]
    indicator: Indicator
    lengths: tuple[DiagnosticLength, ...]
    quality: Quality


def _look(film: Film, job: Job) -> _Seen:
    hiding = find_hiding(film, job)
    with ThreadPoolExecutor(1) as beside:
        band = beside.submit(find_weld, film, job, hiding)
        marks = with_lines(film, job, hiding)
        weld = band.result()
    strips = straighten(film, weld, marks) if weld else ()
    indicator = read_indicator(film, job, weld, marks, strips)
    lengths = diagnostic_lengths(film, job, weld, marks, strips, indicator.found) if weld else ()
    weld = shortened(weld, strips, lengths) if weld else None
    quality = check_film(film, job, weld, marks, strips, indicator, lengths)
    backgrounds = tuple(estimate_background(strip) for strip in strips)
    grids = tuple(detection_grid(background) for background in backgrounds)
    return _Seen(marks, weld, strips, backgrounds, grids, indicator, lengths, quality)


def _detection_limit(seen: _Seen) -> DetectionLimit | None:
    return detection_limit(seen.backgrounds, seen.indicator.contrast, [length.judged for length in seen.lengths], grids=seen.grids)


def _past_failures(quality: Quality) -> Quality:
    """The quality table with its failures waived, because the user asked for a judgement all the same. A film without a weld found
    has nothing to judge and never comes here: its empty list would be accepted."""
    checks = tuple(replace(c, required=False, waived=True) if c.required and c.result == "fail" else c for c in quality.checks)
    return replace(quality, readable=True, checks=checks)


def _weld_facts(film: Film, weld: Weld | None, job: Job) -> WeldFacts:
    """What is known of the weld: the job sheet, then what follows from it or was seen."""
    sheet = job.weld
    joint = sheet.joint or ("girth" if sheet.od_mm else "plate")
    arcs = tuple(_arc(arc) for arc in weld.arcs) if weld else ()
    length = sheet.length_mm or (math.pi * sheet.od_mm if sheet.od_mm and joint == "girth" else None)
    return WeldFacts(
        name=sheet.name, length_mm=length, cap_width_mm=sheet.cap_width_mm or _width_seen(film, weld), arcs=arcs, wall_mm=sheet.wall_mm,
        od_mm=sheet.od_mm, joint=joint, preparation=sheet.preparation, process=sheet.process, layers=sheet.layers, material=sheet.material,
        welders=sheet.welders, repairs_so_far=sheet.repairs_so_far, repair_limit=sheet.repair_limit, location=_location(job),
    )


def _width_seen(film: Film, weld: Weld | None) -> float | None:
    """Median distance between the weld edges in mm; None without a weld or a scale."""
    if weld is None or film.pixels_per_mm is None:
        return None
    widths = sorted(float(w) for arc in weld.arcs for w in ((arc.left_edge_px - arc.right_edge_px) ** 2).sum(axis=1) ** 0.5)
    return widths[len(widths) // 2] / film.pixels_per_mm if widths else None


def _arc(arc: Arc) -> WeldArc:
    stations = None if arc.station_mm is None else (arc.station_mm if arc.covered is None else arc.station_mm[arc.covered])
    seen = stations is not None and len(stations) > 0
    return WeldArc(
        wall=arc.wall, centreline_px=_line(arc.centreline_px), left_edge_px=_line(arc.left_edge_px), right_edge_px=_line(arc.right_edge_px),
        station_from_mm=float(stations[0]) if seen and stations is not None else None,
        station_to_mm=float(stations[-1]) if seen and stations is not None else None,
        station_mm=() if arc.station_mm is None else tuple(float(s) for s in _some(arc.station_mm)),
    )


def _line(points: F64) -> tuple[Point, ...]:
    return tuple((float(x), float(y)) for x, y in _some(points))


def _some(rows: F64) -> list[F64]:
    """At most about `_LINE_POINTS` rows, evenly spaced, the last among them."""
    return [*rows[:-1:max(1, len(rows) // _LINE_POINTS)], rows[-1]]


def _on_the_ring(indications: tuple[Indication, ...], weld: WeldFacts) -> tuple[Indication, ...]:
    """Stations of a girth weld from 0 to its length, also for what lies just before the datum."""
    ring = weld.length_mm if weld.joint == "girth" else None

    def wrapped(station_mm: float | None) -> float | None:
        return station_mm if station_mm is None or not ring else station_mm % ring

    return tuple(replace(i, along_mm=wrapped(i.along_mm), other_along_mm=wrapped(i.other_along_mm)) for i in indications)


def _location(job: Job) -> LocationFacts:
    where = job.location
    placed = (where.station_at_left_mm, where.station_at_middle_mm, where.marker_station_mm) != (None, None, None)
    return LocationFacts(where.datum, where.datum_clock, where.looking, where.direction, where.downstream_is, where.seen_from,
                         stations_from_datum=placed)


def _exposure(job: Job) -> ExposureFacts:
    shot = job.exposure
    return ExposureFacts(shot.technique, shot.source, shot.kv, shot.focal_mm, shot.source_to_film_mm, shot.object_to_film_mm)


def _objects(marks: Sequence[Mark]) -> tuple[ObjectMark, ...]:
    """The marks with their boxes, half a stroke wider than their path."""
    objects = []
    for mark in marks:
        (x0, y0), (x1, y1) = mark.path_px.min(axis=0), mark.path_px.max(axis=0)
        half = mark.width_px / 2
        objects.append(ObjectMark(mark.kind, (float(x0 - half), float(y0 - half), float(x1 + half), float(y1 + half)), mark.says))
    return tuple(objects)

