"""Is the film fit to judge? Every check by the testing standard and class of the job sheet, clause and source on each line."""

from __future__ import annotations

from collections.abc import Sequence

from rtscan.film import Film, Marks, Strip, Weld
from rtscan.findings import Check, Quality
from rtscan.job import Job
from rtscan.knowledge.testing import Limit
from rtscan.reading.quality.coverage import coverage_checks
from rtscan.reading.quality.density import density_checks
from rtscan.reading.quality.diagnostic import DiagnosticLength, diagnostic_lengths, length_check, shortened
from rtscan.reading.quality.exposures import exposures_check
from rtscan.reading.quality.indicator import NO_WIRES, Indicator, few_are_enough, numbers_are_sure, read_indicator
from rtscan.reading.quality.lines import failed, judged, not_assessed
from rtscan.reading.quality.markers import markers_check
from rtscan.reading.quality.placement import placement_check
from rtscan.reading.quality.plaque import hole_check
from rtscan.reading.quality.sharpness import sharpness_checks
from rtscan.reading.quality.tags import tag_checks
from rtscan.reading.quality.wires import VISIBLE_SNR


def check_film(film: Film, job: Job, weld: Weld | None, marks: Marks, strips: Sequence[Strip],
               indicator: Indicator | None = None, lengths: Sequence[DiagnosticLength] | None = None) -> Quality:
    """All checks of one film; `readable` is False when a required one failed. Pass `indicator` and `lengths` where they were read before;
    `weld` is then covered on the diagnostic lengths alone."""
    seen = indicator or read_indicator(film, job, weld, marks, strips)
    if weld is not None and lengths is None:
        lengths = diagnostic_lengths(film, job, weld, marks, strips, seen.found)
        weld = shortened(weld, strips, lengths)
    lengths = lengths or ()
    checks: list[Check] = []
    if job.testing.standard is None:
        checks.append(Check("testing standard", "not assessed", required=True,
                            says="the job sheet names no testing standard; density and indicator have no limit"))
    checks += density_checks(film, job, marks, strips, lengths, seen.found, seen.plaque)
    if weld is None:
        checks.append(Check("weld found", "fail", required=True, source="rtscan",
                            says="no weld was found; give its centreline in the job sheet (centreline_px)"))
    checks.append(wire_check(job, seen) if job.iqi.kind != "hole" else hole_check(job, film, seen.plaque, seen.required_plaque))
    checks += sharpness_checks(film, job, strips, seen.contrast, seen.duplex)
    if weld is not None:
        placed = placement_check(film, job, seen, weld, strips, lengths)
        checks += [placed] if placed is not None else []
        length = length_check(strips, lengths)
        looked_at = [d.judged for d in lengths]
        checks += [length, markers_check(film, job, weld, marks), *coverage_checks(film, weld, marks, strips, looked_at, job)]
        exposures = exposures_check(job, length.measured or None)
        checks += [exposures] if exposures is not None else []
    checks += tag_checks(film, job)
    return Quality(readable=not any(c.required and c.result == "fail" for c in checks), checks=tuple(checks))


SNR_DOUBT = 2.0
"""Expanded uncertainty (k = 2) of a wire's signal over noise: its standard uncertainty is 1, the noise, by what the word means."""


def wire_check(job: Job, seen: Indicator) -> Check:
    """The thinnest wire seen against the wire that must be."""
    name, needed = "wire seen", seen.required
    asked = needed is not None or bool(job.iqi.kind) or job.testing.standard is not None
    limit = Limit("", "", False) if needed is None else Limit(needed.clause, needed.source, needed.unverified, None, needed.diameter_mm)
    if seen.found is None:
        if seen.why_not != NO_WIRES or not job.iqi.kind:
            return not_assessed(name, seen.why_not, limit, "mm", required=asked)
        if needed is not None and few_are_enough(job, needed):
            return not_assessed(name, f"{seen.why_not}, but no more than the first two of the set are asked for, and so short a row cannot "
                                "be told from other lines; look at the film", limit, "mm", required=asked)
        return failed(name, limit, "mm", seen.why_not)
    if not numbers_are_sure(job):
        count = sum(w.visible for w in seen.found.wires)
        return not_assessed(name, f"{count} wires are seen, but their set is not named; give iqi.set", limit, "mm", required=asked)
    thinnest = seen.found.thinnest_visible
    if thinnest is None:
        return failed(name, limit, "mm", "the set is there, but none of its wires is seen over its visible length")
    letter = "ASTM wire " if job.iqi.kind == "ASTM-wire" else "W"
    says = f"{letter}{thinnest.wire.number} ({thinnest.wire.diameter_mm:g} mm) is the thinnest wire seen"
    if needed is None:
        return not_assessed(name, f"{says}; give wall_mm and the testing standard, or iqi.required_wire", limit, "mm", required=asked,
                            measured=thinnest.wire.diameter_mm)
    says += f", {needed.diameter_mm:g} mm is required"
    thinner = [w for w in seen.found.wires if w.wire.diameter_mm < thinnest.wire.diameter_mm - 1e-6]
    enough = next((k for k, w in enumerate(thinner) if w.wire.diameter_mm <= needed.diameter_mm + 1e-6), None)
    short = thinnest.wire.diameter_mm > needed.diameter_mm + 1e-6
    if short and enough is not None and min(w.snr for w in thinner[: enough + 1]) > VISIBLE_SNR - SNR_DOUBT:
        return not_assessed(name, f"{says}; down to that one they stand at the limit of what shows, look at the film", limit, "mm",
                            required=asked, measured=thinnest.wire.diameter_mm)
    if seen.found.first_may_be_off:
        says += "; a thicker wire may lie off the film, check the numbers"
    return judged(name, thinnest.wire.diameter_mm, limit, "mm", says, passing=says, slack=1e-6)

