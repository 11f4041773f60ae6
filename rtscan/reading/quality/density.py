"""Density in the area of interest: parent metal, cap and root along the covered weld; fog; saturation; ASME's variation rule."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from rtscan.film import F32, F64, Film, Marks, Strip
from rtscan.findings import Check
from rtscan.job import Job
from rtscan.knowledge.testing import density_limits, density_variation, fog_limit
from rtscan.reading.quality.contrast import SPARSE, film_values
from rtscan.reading.quality.diagnostic import (
    BESIDE_MM,
    SATURATED_SHARE_MAX,
    STRAY_SHARE,
    DiagnosticLength,
)
from rtscan.reading.quality.lines import judged, not_assessed, practice
from rtscan.reading.quality.plaque import SeenPlaque, density_inside
from rtscan.reading.quality.variation import READING_TOLERANCE, along_weld, variation_check, variation_limit
from rtscan.reading.quality.wires import WireSet

LOST_SHARE_MAX = 0.3
"""Share of a whole film without a weld beyond which it is plain that the film is at fault, not the search."""


def density_checks(film: Film, job: Job, marks: Marks, strips: Sequence[Strip], lengths: Sequence[DiagnosticLength],
                   found: WireSet | None, plaque: SeenPlaque | None = None) -> list[Check]:
    """Minimum and maximum by standard and source, saturation, fog, variation, over the diagnostic length; over all that the set-up covers
    where the film has none. Not assessed without calibration or weld."""
    checks = [_saturation(film, marks, strips, lengths)]
    standard = job.testing.standard
    limit = None if standard is None else density_limits(standard, job.testing.class_, job.exposure.source)
    if limit is None:
        return checks
    least, greatest = replace(limit, max=None), replace(limit, min=None)
    if not film.facts.density_calibrated or not strips:
        why = "no weld found" if film.facts.density_calibrated else "no density calibration"
        return [*checks, not_assessed("least density", why, least, "D"), not_assessed("greatest density", why, greatest, "D")]
    read = np.concatenate([length.readings[::SPARSE, ::SPARSE][:, length.judged[::SPARSE]].ravel() for length in lengths])
    low, high = _ends(read[np.isfinite(read)], 100 * STRAY_SHARE)
    checks += [
        judged("least density", low, least, "D", "the film is too thin", slack=READING_TOLERANCE, digits=2),
        judged("greatest density", high, greatest, "D", "the film is too dense", slack=READING_TOLERANCE, digits=2),
        _fog(film),
    ]
    if standard == "asme-v":
        along = np.concatenate([along_weld(strip)[length.judged] for strip, length in zip(strips, lengths, strict=True)])
        speaks_for = variation_limit(strips[0], found) if plaque is None else density_variation(density_inside(film, plaque))
        checks.append(variation_check(speaks_for, along))
    return checks


def _ends(values: F32 | F64, percent: float) -> tuple[float, float]:
    """Percentiles from either end; NaN of nothing."""
    return (float(np.percentile(values, percent)), float(np.percentile(values, 100 - percent))) if len(values) else (np.nan, np.nan)


def _saturation(film: Film, marks: Marks, strips: Sequence[Strip], lengths: Sequence[DiagnosticLength]) -> Check:
    """Share of the area of interest at either end of the scanner's range: nothing can be seen there. Lead and the border of the scan are
    no part of it (they are listed as hidden)."""
    seen = [film_values(film.valid | marks.hidden, strip, BESIDE_MM, length.judged) for strip, length in zip(strips, lengths, strict=True)]
    shares = [1 - float(valid.mean()) for valid in seen if valid.size]
    limit = practice(greatest=SATURATED_SHARE_MAX)
    if not shares:
        share = 1 - float(film.valid[::SPARSE, ::SPARSE].mean())
        if share > LOST_SHARE_MAX:
            return judged("scan range", share, practice(greatest=LOST_SHARE_MAX), "share",
                          f"{share:.0%} of the film is outside the range of the scan or its calibration: too dense or too thin")
        return not_assessed("scan range", "no weld found", limit, "share")
    return judged("scan range", max(shares), limit, "share",
                  f"{max(shares):.0%} of the area of interest is outside the range of the scan or its calibration")


def _fog(film: Film) -> Check:
    """The least density anywhere (behind lead) is not below fog; where even that is above the limit the fog cannot be told."""
    limit = fog_limit()
    least = float(np.percentile(film.density[::8, ::8], 0.1))
    if least <= (limit.max or 0.0):
        return judged("fog and base", least, limit, "D", "", required=False, digits=2)
    return not_assessed("fog and base", "no unexposed place on the film; measure a blank of the batch", limit, "D", required=False)
