"""Density of the weld along the film against that at the indicator (ASME V T-282.2)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from rtscan.film import F64, Strip
from rtscan.findings import Check
from rtscan.knowledge.testing import Limit, density_variation
from rtscan.reading.quality.contrast import weld_rows
from rtscan.reading.quality.lines import judged, not_assessed
from rtscan.reading.quality.wires import WireSet

READING_TOLERANCE = 0.05
"""What a densitometer may be wrong by (ASME V, from memory)."""
STRAY_STEPS = 0.02
"""Share of the weld's length at either end of its densities that may be a flaw and not the film. Common practice, no published source."""


def along_weld(strip: Strip) -> F64:
    """Median density across the weld at each column, float64 (along,); NaN where nothing of it is usable."""
    masked = np.where(weld_rows(strip) & strip.usable, strip.density, np.nan)
    # One sort, NaN last: numpy's own median goes column by column.
    ordered = np.sort(masked[np.isfinite(masked).any(axis=1)].T, axis=1)
    held = np.isfinite(ordered).sum(axis=1)
    some = np.flatnonzero(held)
    full = np.full(len(ordered), np.nan)
    full[some] = 0.5 * (ordered[some, (held[some] - 1) // 2] + ordered[some, held[some] // 2])
    return full


def variation_limit(strip: Strip, found: WireSet | None) -> Limit | None:
    """The densities that the indicator speaks for, by the density of the weld where the thinnest wire seen crosses it; None where there
    is none. `strip` is the first of the film, whose wall carries the indicator."""
    wire = None if found is None else found.thinnest_visible
    if wire is None or not len(wire.path_px):
        return None
    line = strip.film_xy[int(strip.centre_row) if strip.centre_row < len(strip.film_xy) else len(strip.film_xy) // 2]
    distance = ((line[:, None, :] - wire.path_px[None, ::4, :]) ** 2).sum(axis=2).min(axis=1)
    at = float(along_weld(strip)[int(np.argmin(distance))])
    return density_variation(at) if np.isfinite(at) else None


def variation_check(limit: Limit | None, along: F64) -> Check:
    """The end of the densities `along` the weld that is worse, against the limit."""
    if limit is None or limit.min is None or limit.max is None:
        open_ended = replace(density_variation(1.0), min=None, max=None)
        return not_assessed("density against indicator", "no wire seen over the weld", open_ended, "D")
    low, high = np.nanpercentile(along, [100 * STRAY_STEPS, 100 - 100 * STRAY_STEPS]) if np.isfinite(along).any() else (np.nan, np.nan)
    worst = float(low if low - limit.min < limit.max - high else high)
    return judged("density against indicator", worst, limit, "D", slack=READING_TOLERANCE, digits=2,
                  failing=f"the weld is {low:.2f} to {high:.2f} along the film, {limit.min:.2f} to {limit.max:.2f} are what the indicator "
                          "speaks for; another one is needed")
