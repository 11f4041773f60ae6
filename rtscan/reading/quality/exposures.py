"""How many films the weld needs: the diagnostic length of one against what the least number of exposures asks of each, and the overlap."""

from __future__ import annotations

from dataclasses import replace
from math import ceil, pi

from rtscan.findings import Check
from rtscan.job import Job
from rtscan.knowledge.exposures import ExposureRule, ellipse_exposures, single_image_exposures, superimposed_exposures
from rtscan.knowledge.testing import Limit, overlap_limit, thickness_ratio_limit
from rtscan.reading.quality.coverage import ratio_half_angle_deg
from rtscan.reading.quality.lines import judged, not_assessed

NAME = "length for the number of exposures"


def exposures_check(job: Job, length_mm: float | None) -> Check | None:
    """The diagnostic length of one film against what the least number of exposures asks of each: its share of the girth and the overlap.

    Told, never required: the films of a set are joined by their stations, and what none of them covers is named there.
    """
    rule = _exposure_rule(job)
    if rule is None or job.weld.od_mm is None:
        return _films_for_the_weld(job, length_mm)
    walls = 2 if (job.exposure.technique or "").startswith("DWDI") else 1
    round_mm, overlap = pi * job.weld.od_mm / walls, overlap_limit()
    needed_mm = round_mm / rule.count + (overlap.min or 0.0)
    limit = Limit(f"{rule.clause}; {overlap.clause}", f"{rule.source}; overlap: {overlap.source}",
                  rule.unverified or overlap.unverified, needed_mm)
    each = " of each wall" if walls == 2 else ""
    says = (f"{rule.count} exposures at least; then each shows {round_mm / rule.count:.0f} mm{each} and {overlap.min:g} mm of overlap"
            + (f"; {rule.doubt}" if rule.doubt else ""))
    if length_mm is None:
        return not_assessed(NAME, f"no diagnostic length; {says}", limit, "mm", required=False)
    spare_mm = length_mm - (overlap.min or 0.0)
    more = f"; films as short as this one need {ceil(round_mm / spare_mm - 1e-9)}" if spare_mm > 0 else ""
    return judged(NAME, length_mm, limit, "mm", says + more, required=False, passing=says, digits=1)


def _films_for_the_weld(job: Job, length_mm: float | None) -> Check | None:
    """Where no least number of exposures is laid down (a source in the middle, a plate, a source beside the pipe): how many films as long
    as this one show all of the weld with the overlap. None where its length is not known, and where both walls are on one film."""
    overlap, size, technique = overlap_limit(), job.weld, job.exposure.technique or ""
    closed = size.od_mm is not None and size.joint not in ("plate", "longitudinal")
    whole_mm = pi * size.od_mm if closed and size.od_mm is not None else size.length_mm
    spare_mm = (length_mm or 0.0) - (overlap.min or 0.0)
    if job.testing.standard is None or whole_mm is None or length_mm is None or spare_mm <= 0 or technique.startswith("DWDI"):
        return None
    count = max(1, ceil((whole_mm if closed else whole_mm - (overlap.min or 0.0)) / spare_mm - 1e-9))
    says = f"{count} films as long as this one show {whole_mm:.0f} mm with {overlap.min:g} mm of overlap"
    says = f"one exposure shows all round; {says}" if technique == "panoramic" else says
    return judged(NAME, length_mm, replace(overlap, min=None), "mm", "", required=False, passing=says, digits=1)


def _exposure_rule(job: Job) -> ExposureRule | None:
    standard, size, technique = job.testing.standard, job.weld, job.exposure.technique
    if standard is None or size.od_mm is None or size.wall_mm is None:
        return None
    if technique == "DWDI-ellipse":
        return ellipse_exposures(standard, size.od_mm, size.wall_mm, size.cap_width_mm)
    if technique == "DWDI-superimposed":
        return superimposed_exposures(standard, size.od_mm)
    half_deg = ratio_half_angle_deg(job)
    if half_deg is not None:
        ratio = thickness_ratio_limit(job.testing.class_ or "B")
        return ExposureRule(ceil(180 / half_deg - 1e-9), ratio.clause, ratio.source, ratio.unverified)
    if technique == "DWSI" and job.exposure.source_to_film_mm is not None:
        return single_image_exposures(standard, max(0.0, job.exposure.source_to_film_mm - size.od_mm))
    return None
