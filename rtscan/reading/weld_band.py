"""Find the weld on a film: the bright ribbon that runs across it, or the two arcs of an elliptical exposure.

A small network looks at the whole film first (`weld_sight`); where it is sure, its ribbons are followed at fine resolution. Where it is
not, a search makes candidates in both directions of the film on a reduced image and decides between a plate or single-wall weld, a tube
whose weld lies across it, and an ellipse. What is not convincing is refused (None): a film without a weld cannot be read.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from rtscan.film import F32, Bool, Film, Marks, Weld
from rtscan.job import Job
from rtscan.reading.arcs import arc_from_course, directed_arc, growth_in_picture, with_stations
from rtscan.reading.double_image import PipeAxis, arcs_on_pipe, axis_from_arcs, axis_from_limits
from rtscan.reading.ellipse_arcs import PipeInPicture, find_arcs
from rtscan.reading.given_weld import weld_as_given
from rtscan.reading.ribbon import (
    ALONG_PER_ACROSS,
    Reduced,
    Ribbon,
    RibbonSettings,
    confirmation,
    contrast_scale,
    evenness,
    find_ribbons,
    halves,
    hollowness,
    reduce_film,
)
from rtscan.reading.tube import Tube, tube_of
from rtscan.reading.weld_edges import Course, follow_edges
from rtscan.reading.weld_sight import of_width, sight, sighted

FAINT = "the weld edges are faint on part of the film"
WIDE = RibbonSettings(least_width=64, greatest_width=160, widths=6)


@dataclass(frozen=True)
class WeldBandSettings:
    """Least evidence (1.5 is perfect) for a weld and for one beyond doubt; how alike two arcs of an ellipse must be.

    `least_sure` and `sure_sight` are the same for the network's sight (1 is perfect; smooth films without a weld reached 0.9), and
    `least_even_seen` the least ratio of its two density steps: a step in the plate has only one.
    """

    rows_of_search: int = 640
    least_score: float = 0.95
    least_confirmed: float = 0.6
    sure_score: float = 1.3
    second_share: float = 0.72
    least_across_tube: float = 1.0
    least_where_told: float = 0.5
    step_of_walls: float = 0.6
    widest_of_tube: float = 0.5
    width_ratio: float = 1.6
    blur_ratio: float = 1.35
    step_share: float = 0.35
    wide_margin: float = 0.004
    least_even: float = 0.25
    hollow: float = 0.5
    bulge_ratio: float = 0.3
    least_sure: float = 0.93
    sure_sight: float = 0.98
    least_even_seen: float = 0.05
    width_trusted: float = 0.25


@dataclass(frozen=True)
class _Candidate:
    reduced: Reduced
    ribbon: Ribbon
    rank: float


@dataclass(frozen=True)
class _Found:
    """What the search found; `axis` is the pipe axis of a double-image film, `limits` the same where the tube's limits told it."""

    courses: list[Course]
    doubt: str = ""
    axis: PipeAxis | None = None
    limits: PipeAxis | None = None


def find_weld(film: Film, job: Job, marks: Marks) -> Weld | None:
    """The weld of a film, its arcs in the order of growing station; None when nothing convincing is there."""
    if job.weld.centreline_px:
        return weld_as_given(film, job)
    settings = WeldBandSettings()
    usable = film.valid & ~marks.hidden
    if min(film.density.shape) < 32 or usable.mean() < 0.2:
        return None
    found = _seen(film, usable, job, settings) or _search(film.density, usable, job, film.pixels_per_mm, settings)
    if not found.courses:
        return None
    if found.axis is not None or _double(job):
        arcs, more = arcs_on_pipe(found.courses, found.axis, job, film.pixels_per_mm, growth_in_picture(job.location))
        return Weld(arcs, "image", _join(found.doubt, more))
    arc, fits = directed_arc(arc_from_course(found.courses[0]), growth_in_picture(job.location))
    across = "" if fits else "the job sheet's direction lies across the weld on the picture; stations grow to the right or downwards"
    return Weld((with_stations(arc, job, film.pixels_per_mm),), "image", _join(found.doubt, across))


def _join(*doubts: str) -> str:
    return "; ".join(d for d in doubts if d)


def _search(density: F32, usable: Bool, job: Job, pixels_per_mm: float | None, settings: WeldBandSettings) -> _Found:
    """The courses that are the weld: none, one, or the two arcs of an ellipse."""
    candidates = _candidates(density, usable, settings, (False, True), _told_width(job, pixels_per_mm))
    found = [c for c in candidates if c.ribbon.score >= settings.least_score]
    if not found:
        return _Found([])
    best = _best_direction(found)
    alike = [c for c in found if c is not best and c.reduced.turned == best.reduced.turned]
    rivals = [c for c in alike if c.ribbon.score >= settings.second_share * best.ribbon.score]
    over_blurred = job.exposure.technique == "DWSI"
    courses = [follow_edges(density, usable, c.reduced, c.ribbon, over_blurred) for c in [best, *rivals[:1]]]
    if _may_be_tube(job):
        for tube in (tube_of(density, courses[0]), tube_of(density, *courses) if len(courses) == 2 else None):
            across = _across_tube(density, usable, tube, job, pixels_per_mm, settings) if tube else []
            if tube and across:
                limits = axis_from_limits(tube.at, tube.upper, tube.lower, tube.turned)
                return _Found(across, axis=limits, limits=limits)
    doubt = "" if best.ribbon.score >= settings.sure_score else FAINT
    courses, beside = one_or_two(courses, job, settings)
    axis = axis_from_arcs(*courses) if len(courses) == 2 else None
    return _Found(courses, _join(doubt, beside), axis)


def _seen(film: Film, usable: Bool, job: Job, settings: WeldBandSettings) -> _Found | None:
    """The weld as the network sees it, followed at fine resolution; None where the network is not sure of one."""
    seen = sight(film.density, film.valid)
    technique = job.exposure.technique
    told = None if technique is None else technique == "DWDI-ellipse"
    sights = sighted(seen, told) if seen is not None else ()
    if not sights or min(s.sure for s in sights) < settings.least_sure or (told and len(sights) < 2):
        return None
    width = _told_width(job, film.pixels_per_mm)
    ribbons = [s if width is None else of_width(s, width, settings.width_trusted) for s in sights]
    courses = [follow_edges(film.density, usable, s.reduced, s.ribbon, technique == "DWSI") for s in ribbons]
    doubt = "" if min(s.sure for s in sights) >= settings.sure_sight else FAINT
    if len(courses) < 2:
        steps = sorted([courses[0].step_upper, courses[0].step_lower])
        return _Found(courses, doubt) if steps[0] > settings.least_even_seen * steps[1] else None
    limits = _search(film.density, usable, job, film.pixels_per_mm, settings).limits
    return _Found(courses, doubt, limits if limits is not None and _along(limits, courses[0]) else axis_from_arcs(*courses))


def _along(axis: PipeAxis, course: Course) -> bool:
    """Whether an axis lies across a course, so that places count along it."""
    return bool(abs(axis.across[1 if course.turned else 0]) > 0.7)


def _candidates(
    density: F32, usable: Bool, settings: WeldBandSettings, directions: tuple[bool, ...], told_width_px: float | None = None
) -> list[_Candidate]:
    """Ribbons, best first; those along the longer side of the film are preferred a little. `told_width_px`: the job sheet's cap width."""
    across_px = max(1, round(max(density.shape) / settings.rows_of_search))
    fine = [reduce_film(density, usable, across_px, turned, 0.5 * ALONG_PER_ACROSS) for turned in directions]
    pictures, checks = zip(*(halves(picture) for picture in fine), strict=True)
    scales = [contrast_scale(picture) for picture in pictures]
    scale = 0.7 * max(scales) + 0.3 * min(scales)
    longest = max(density.shape)
    found = []
    for picture, check in zip(pictures, checks, strict=True):
        share = density.shape[0 if picture.turned else 1] / longest if len(directions) == 2 else 1.0
        for ribbon in _ribbons(picture, scale, told_width_px, settings):
            if confirmation(check, ribbon, scale) < settings.least_confirmed * ribbon.score:
                continue
            even = min(1.0, evenness(picture, ribbon) / settings.least_even)
            found.append(_Candidate(picture, ribbon, ribbon.score * (0.7 + 0.3 * share) * (0.8 + 0.2 * even)))
    return sorted(found, key=lambda c: -c.rank)


def _told_width(job: Job, pixels_per_mm: float | None) -> float | None:
    """The cap width of the job sheet in film pixels; None without it, or where the film may show a tube whole."""
    if job.weld.cap_width_mm is None or pixels_per_mm is None or _double(job):
        return None
    return job.weld.cap_width_mm * pixels_per_mm


def _ribbons(picture: Reduced, scale: float, told_width_px: float | None, settings: WeldBandSettings) -> list[Ribbon]:
    """The two best ribbons of usual width, and before them a wide one that is better and not two with a gap between.

    Where the job sheet tells the cap width, only ribbons of about that width.
    """
    if told_width_px is not None:
        rows = told_width_px / picture.across_px
        about = RibbonSettings(least_width=max(4, round(0.8 * rows)), greatest_width=max(6, round(1.25 * rows)), widths=5)
        return list(find_ribbons(picture, scale, 2, about))
    narrow = list(find_ribbons(picture, scale, 2, RibbonSettings()))
    wide = find_ribbons(picture, scale, 1, WIDE)
    least = narrow[0].score + settings.wide_margin if narrow else 0.0
    solid = [r for r in wide if r.score > least and hollowness(picture, r) < settings.hollow]
    beside = [r for r in narrow if not solid or not _over(solid[0], r)]
    return solid + beside


def _over(wide: Ribbon, narrow: Ribbon) -> bool:
    """Whether a ribbon lies within a wider one along most of the film."""
    shared = np.minimum(wide.lower, narrow.lower) - np.maximum(wide.upper, narrow.upper)
    return float(np.median(shared / (narrow.lower - narrow.upper))) > 0.5


def _best_direction(found: list[_Candidate]) -> _Candidate:
    """The best candidate; one with an equal beside it in its own direction (two arcs) may beat a slightly better lone one."""
    best = found[0]
    others = [c for c in found if c.reduced.turned != best.reduced.turned]
    alone = sum(c.reduced.turned == best.reduced.turned for c in found) == 1
    paired = len(others) > 1 and others[1].rank > 0.95 * others[0].rank > 0.8 * best.rank
    return others[0] if alone and paired else best


def _double(job: Job) -> bool:
    return job.exposure.technique in ("DWDI-ellipse", "DWDI-superimposed")


def _may_be_tube(job: Job) -> bool:
    """Whether the set-up can show a tube whole: any, unless the job sheet says single image or plate."""
    return job.exposure.technique in (None, "DWDI-ellipse", "DWDI-superimposed") and job.weld.joint in (None, "girth")


def _across_tube(
    density: F32, usable: Bool, tube: Tube, job: Job, pixels_per_mm: float | None, settings: WeldBandSettings
) -> list[Course]:
    """The weld, or the two arcs, that cross a tube from wall to wall; empty when nothing as dense as the walls does."""
    part, known, first = tube.cut(density, usable)
    found = []
    for candidate in _crossing(part, known, first, tube, job, pixels_per_mm, settings):
        course = follow_edges(part, known, candidate.reduced, candidate.ribbon)
        enough = candidate.ribbon.score >= (settings.least_across_tube if job.exposure.technique is None else settings.least_where_told)
        certain = tube.in_air or job.exposure.technique is not None
        slim = course.width < settings.widest_of_tube * float(np.median(tube.lower - tube.upper))
        if enough and slim and (certain or min(course.step_upper, course.step_lower) >= settings.step_of_walls * tube.wall_step):
            found.append(replace(course, at=course.at + first))
    return one_or_two(found, job, settings)[0]


def _crossing(
    part: F32, known: Bool, first: int, tube: Tube, job: Job, pixels_per_mm: float | None, settings: WeldBandSettings
) -> list[_Candidate]:
    """Candidates across a tube: both arcs at once where the job sheet says ellipse and how large the pipe is, else free ribbons."""
    if job.exposure.technique != "DWDI-ellipse" or job.weld.od_mm is None or pixels_per_mm is None:
        return _candidates(part, known, settings, (not tube.turned,))
    picture = reduce_film(part, known, max(1, round(max(part.shape) / settings.rows_of_search)), not tube.turned)
    middle = 0.5 * (tube.upper + tube.lower)
    lean = -float(np.polyfit(tube.at, middle, 1)[0])
    seen = 0.5 * float(np.median(tube.lower - tube.upper))
    radius = max(seen, 0.5 * job.weld.od_mm * pixels_per_mm)
    pipe = PipeInPicture(
        (float(middle.mean()) - first + 0.5) / picture.along_px, radius / picture.along_px, lean * picture.along_px / picture.across_px
    )
    arcs = find_arcs(picture, pipe, contrast_scale(picture), RibbonSettings())
    return [_Candidate(picture, arc, arc.score) for arc in arcs]


def one_or_two(courses: list[Course], job: Job, settings: WeldBandSettings) -> tuple[list[Course], str]:
    """The best two of the courses when they are the arcs of an ellipse; of two walls side by side the sharper one; and the doubt in
    words."""
    if len(courses) < 2 or job.exposure.technique in ("SWSI", "panoramic", "DWDI-superimposed"):
        return courses[:1], ""
    if _is_ellipse(courses[0], courses[1], job, settings):
        return sorted(courses[:2], key=lambda c: float(c.middle.mean())), ""
    sharper, other = sorted(courses[:2], key=lambda c: c.blur_px / max(c.score, 0.1))
    steps = [min(c.step_upper, c.step_lower) for c in courses[:2]]
    if other.score > settings.least_score and min(steps) > settings.step_share * max(steps):
        return [sharper], "a second, less sharp weld image lies beside it and is not read"
    return courses[:1], ""


def _is_ellipse(first: Course, second: Course, job: Job, settings: WeldBandSettings) -> bool:
    """Two arcs alike in width and sharpness that bulge away from one another."""
    technique = job.exposure.technique
    low, high = sorted([first, second], key=lambda c: float(c.middle.mean()))
    if technique is not None:
        return technique == "DWDI-ellipse" and float(np.median(low.lower)) < float(np.median(high.upper)) + 0.3 * low.width
    widths, blurs = sorted([first.width, second.width]), sorted([first.blur_px, second.blur_px])
    bulges = sorted([-_bulge(low), _bulge(high)])
    away = bulges[0] > max(settings.bulge_ratio * bulges[1], 0.05 * widths[0])
    return away and widths[1] <= settings.width_ratio * widths[0] and blurs[1] <= settings.blur_ratio * blurs[0]


def _bulge(course: Course) -> float:
    """How far the middle third of a weld lies towards larger across than its ends, film pixels."""
    third = len(course.middle) // 3
    ends = 0.5 * (course.middle[:third].mean() + course.middle[-third:].mean())
    return float(course.middle[third:-third].mean() - ends)
