"""Find the weld on a film: the bright ribbon that runs across it, or the two arcs of an elliptical exposure.

The search makes candidates in both directions of the film on a reduced image, follows the best of them at fine resolution,
and decides between a plate or single-wall weld, a tube whose weld lies across it, and an ellipse. What is not convincing is
refused (None): a film without a weld cannot be read.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from rtscan.film import F32, Bool, Film, Marks, Weld
from rtscan.job import Job
from rtscan.reading.arcs import arc_from_course, directed_arc, growth_in_picture, with_stations
from rtscan.reading.given_weld import weld_as_given
from rtscan.reading.ribbon import Reduced, Ribbon, RibbonSettings, contrast_scale, find_ribbons, reduce_film
from rtscan.reading.tube import Tube, tube_of
from rtscan.reading.weld_edges import Course, follow_edges


@dataclass(frozen=True)
class WeldBandSettings:
    """Least evidence (1.5 is perfect) for a weld and for one beyond doubt; how alike two arcs of an ellipse must be."""

    rows_of_search: int = 640
    least_score: float = 0.95
    sure_score: float = 1.3
    second_share: float = 0.72
    least_across_tube: float = 1.0
    step_of_walls: float = 0.6
    width_ratio: float = 1.6
    blur_ratio: float = 1.35
    step_share: float = 0.35
    bulge_ratio: float = 0.3


@dataclass(frozen=True)
class _Candidate:
    reduced: Reduced
    ribbon: Ribbon
    rank: float


def find_weld(film: Film, job: Job, marks: Marks) -> Weld | None:
    """The weld of a film, its arcs in the order of growing station; None when nothing convincing is there."""
    if job.weld.centreline_px:
        return weld_as_given(film, job)
    settings = WeldBandSettings()
    usable = film.valid & ~marks.hidden
    if min(film.density.shape) < 32 or usable.mean() < 0.2:
        return None
    chosen, doubt = _search(film.density, usable, job, settings)
    if not chosen:
        return None
    growth = growth_in_picture(job.location)
    arcs, fits = [], True
    for course in chosen:
        arc, along = directed_arc(arc_from_course(course), growth)
        fits = fits and along
        arcs.append(with_stations(arc, job, film.pixels_per_mm))
    if not fits:
        doubt = _join(doubt, "the job sheet's direction lies across the weld on the picture; stations grow to the right or downwards")
    return Weld(tuple(arcs), "image", doubt)


def _join(*doubts: str) -> str:
    return "; ".join(d for d in doubts if d)


def _search(density: F32, usable: Bool, job: Job, settings: WeldBandSettings) -> tuple[list[Course], str]:
    """The courses that are the weld (none, one, or the two arcs of an ellipse), and the doubt in words."""
    found = [c for c in _candidates(density, usable, settings, (False, True)) if c.ribbon.score >= settings.least_score]
    if not found:
        return [], ""
    best = _best_direction(found)
    alike = [c for c in found[1:] if c.reduced.turned == best.reduced.turned]
    rivals = [c for c in alike if c.ribbon.score >= settings.second_share * best.ribbon.score]
    courses = [follow_edges(density, usable, c.reduced, c.ribbon, job.exposure.technique == "DWSI") for c in [best, *rivals[:1]]]
    if _may_be_tube(job):
        for tube in (tube_of(density, courses[0]), tube_of(density, *courses) if len(courses) == 2 else None):
            across = _across_tube(density, usable, tube, job, settings) if tube else []
            if across:
                return across, ""
    doubt = "" if best.ribbon.score >= settings.sure_score else "the weld edges are faint on part of the film"
    return _one_or_two(courses, doubt, job, settings)


def _candidates(density: F32, usable: Bool, settings: WeldBandSettings, directions: tuple[bool, ...]) -> list[_Candidate]:
    """Ribbons, best first; those along the longer side of the film are preferred a little."""
    across_px = max(1, round(max(density.shape) / settings.rows_of_search))
    pictures = [reduce_film(density, usable, across_px, turned) for turned in directions]
    scales = [contrast_scale(picture) for picture in pictures]
    scale = 0.7 * max(scales) + 0.3 * min(scales)
    longest = max(density.shape)
    found = []
    for picture in pictures:
        share = density.shape[0 if picture.turned else 1] / longest if len(directions) == 2 else 1.0
        for ribbon in find_ribbons(picture, scale, 2, RibbonSettings()):
            found.append(_Candidate(picture, ribbon, ribbon.score * (0.75 + 0.25 * share)))
    return sorted(found, key=lambda c: -c.rank)


def _best_direction(found: list[_Candidate]) -> _Candidate:
    """The best candidate; one with an equal beside it in its own direction (two arcs) may beat a slightly better lone one."""
    best = found[0]
    others = [c for c in found if c.reduced.turned != best.reduced.turned]
    alone = sum(c.reduced.turned == best.reduced.turned for c in found) == 1
    paired = len(others) > 1 and others[1].rank > 0.95 * others[0].rank > 0.8 * best.rank
    return others[0] if alone and paired else best


def _may_be_tube(job: Job) -> bool:
    """Whether the set-up can show a tube whole: any, unless the job sheet says single image or plate."""
    return job.exposure.technique in (None, "DWDI-ellipse", "DWDI-superimposed") and job.weld.joint in (None, "girth")


def _across_tube(density: F32, usable: Bool, tube: Tube, job: Job, settings: WeldBandSettings) -> list[Course]:
    """The weld, or the two arcs, that cross a tube from wall to wall; empty when nothing as dense as the walls does."""
    part, known, first = tube.cut(density, usable)
    found = []
    for candidate in _candidates(part, known, settings, (not tube.turned,)):
        course = follow_edges(part, known, candidate.reduced, candidate.ribbon)
        enough = candidate.ribbon.score >= settings.least_across_tube
        certain = tube.in_air or job.exposure.technique is not None
        if enough and (certain or min(course.step_upper, course.step_lower) >= settings.step_of_walls * tube.wall_step):
            found.append(replace(course, at=course.at + first))
    return _one_or_two(found, "", job, settings)[0]


def _one_or_two(courses: list[Course], doubt: str, job: Job, settings: WeldBandSettings) -> tuple[list[Course], str]:
    """Both courses when they are the arcs of an ellipse, else the sharper one."""
    if len(courses) < 2:
        return courses, doubt
    if _is_ellipse(courses[0], courses[1], job, settings):
        return sorted(courses, key=lambda c: float(c.middle.mean())), doubt
    sharper, other = sorted(courses, key=lambda c: c.blur_px / max(c.score, 0.1))
    steps = [min(c.step_upper, c.step_lower) for c in courses]
    if other.score > settings.least_score and min(steps) > settings.step_share * max(steps):
        return [sharper], _join(doubt, "a second, less sharp weld image lies beside it and is not read")
    return courses[:1], doubt


def _is_ellipse(first: Course, second: Course, job: Job, settings: WeldBandSettings) -> bool:
    """Two arcs alike in width and sharpness that bulge away from one another."""
    technique = job.exposure.technique
    if technique is not None and technique != "DWDI-ellipse":
        return False
    widths, blurs = sorted([first.width, second.width]), sorted([first.blur_px, second.blur_px])
    if widths[1] > settings.width_ratio * widths[0]:
        return False
    low, high = sorted([first, second], key=lambda c: float(c.middle.mean()))
    bulges = sorted([-_bulge(low), _bulge(high)])
    away = bulges[0] > max(settings.bulge_ratio * bulges[1], 0.05 * widths[0])
    return away and (technique == "DWDI-ellipse" or blurs[1] <= settings.blur_ratio * blurs[0])


def _bulge(course: Course) -> float:
    """How far the middle third of a weld lies towards larger across than its ends, film pixels."""
    third = len(course.middle) // 3
    ends = 0.5 * (course.middle[:third].mean() + course.middle[-third:].mean())
    return float(course.middle[third:-third].mean() - ends)
