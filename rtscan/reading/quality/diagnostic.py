"""The diagnostic length: the stretch of each weld on the film that the film may be judged on.

It is the longest stretch about the middle of the exposure whose density lies inside the limits, that is inside the range of the scan and
inside what the set-up covers (thickness ratio, ends of a double-wall image, location markers told by the job sheet or seen). Ends that
are too thin or too dense shorten it, as a reader shortens it; a film whose middle is not fit fails, and so does one of which hardly any
is left.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from rtscan.film import F32, F64, Arc, Bool, Film, Marks, Strip, Weld
from rtscan.findings import Check
from rtscan.job import Job
from rtscan.knowledge.testing import Limit, density_limits
from rtscan.reading.arcs import length_along
from rtscan.reading.quality.contrast import SPARSE, weld_rows
from rtscan.reading.quality.coverage import BORDER_MM, HIDDEN_WIDTH_SHARE, edge_margins, set_up_columns
from rtscan.reading.quality.lines import PRACTICE, judged, not_assessed
from rtscan.reading.quality.markers import location_markers
from rtscan.reading.quality.variation import READING_TOLERANCE, STRAY_STEPS, along_weld, variation_limit
from rtscan.reading.quality.wires import WireSet

I64 = NDArray[np.int64]
APERTURE_MM = 1.0
"""Side of the field a densitometer averages. Common practice, no published source."""
BESIDE_MM = 5.0
"""Parent metal beside the weld that counts as area of interest. Common practice, no published source."""
STRAY_SHARE = 0.01
"""Share of the area of interest left out at either end, so that a pore or a tungsten chip is not taken for the film's density."""
SATURATED_SHARE_MAX = 0.02
STEP_MM = 1.0
END_MM = 10.0
"""Each end of the diagnostic length has to lie inside the limits by itself over this length, the length over which a wire must be seen."""
END_STEPS = round(END_MM / STEP_MM)
THIN, DENSE = 0, 1
REASONS = ("the film is too thin", "the film is too dense", "outside the range of the scan or its calibration",
           "the indicator does not speak for the density there")
OTHERWISE = "too little beyond is inside the limits"
LEAST_MM, LEAST_SHARE = 20.0, 0.5
"""Adjoining films overlap by 10 mm at either end (from memory), so that 20 mm say nothing the neighbours do not; on a small tube, half
of what the set-up covers. Common practice, no published source."""


@dataclass(frozen=True)
class DiagnosticLength:
    """What one strip may be judged on.

    columns
        bool, shape (along,): one run, or nowhere True where the film fails.
    allowed
        bool, same shape: what the set-up covers, whatever the density.
    readings
        float32, shape (across, along): density under the densitometer's field in the area of interest, NaN elsewhere.
    from_says, to_says
        Why the run ends there, at its first and last column.
    """

    columns: Bool
    allowed: Bool
    readings: F32
    from_says: str = ""
    to_says: str = ""

    @property
    def judged(self) -> Bool:
        """bool, shape (along,): the columns that checks of the film look at: the diagnostic length, else all that the set-up covers, else
        all."""
        return next((some for some in (self.columns, self.allowed) if some.any()), np.ones_like(self.allowed))


@dataclass(frozen=True)
class _Steps:
    """The strip in steps of STEP_MM, (n,) each. `start`: first column. `counts`: for each of REASONS how much of a step speaks against
    it, of how much that was looked at, and the share that may. `barred`: why a step can be no part of the diagnostic length, `no_end` why
    it can be no end of it, empty where it can."""

    start: I64
    counts: tuple[tuple[F64, F64, float], ...]
    barred: tuple[str, ...]
    no_end: tuple[str, ...]


def diagnostic_lengths(film: Film, job: Job, weld: Weld, marks: Marks, strips: Sequence[Strip],
                       found: WireSet | None = None) -> tuple[DiagnosticLength, ...]:
    """One for each strip. Without a scale all of the weld is taken. `found`: the wires, by which ASME V limits how the density may vary."""
    limit = density_limits(job.testing.standard, job.testing.class_, job.exposure.source) if job.testing.standard else None
    varied = variation_limit(strips[0], found) if strips and job.testing.standard == "asme-v" else None
    if not film.facts.density_calibrated:
        limit, varied = None, None
    markers_px = location_markers(film, job, weld, marks).ends_px
    return tuple(_length_of(film, marks, strip, weld.arcs[strip.arc], set_up_columns(strip, weld.arcs[strip.arc], job, markers_px),
                            (limit, varied)) for strip in strips)


def shortened(weld: Weld, strips: Sequence[Strip], lengths: Sequence[DiagnosticLength]) -> Weld:
    """The weld with its arcs covered on the diagnostic length alone; as it was where nothing is left, for then the film fails."""
    arcs = list(weld.arcs)
    for strip, length in zip(strips, lengths, strict=True):
        arc = arcs[strip.arc]
        if length.columns.any():
            at = np.round(length_along(arc.centreline_px)).astype(int).clip(0, len(length.columns) - 1)
            seen = np.ones(len(at), dtype=bool) if arc.covered is None else arc.covered
            arcs[strip.arc] = replace(arc, covered=seen & length.columns[at])
    return replace(weld, arcs=tuple(arcs))


def length_check(strips: Sequence[Strip], lengths: Sequence[DiagnosticLength]) -> Check:
    """The diagnostic length in mm and by stations, why it ends there; fails where nearly nothing is left, or not the middle."""
    name = "diagnostic length"
    if not strips or any(s.pixels_per_mm is None for s in strips):
        return not_assessed(name, "no scale", unit="mm", required=False)
    spans = [_span_mm(strip, length.columns) for strip, length in zip(strips, lengths, strict=True)]
    least = min(_least_mm(strip, length.allowed) for strip, length in zip(strips, lengths, strict=True))
    says = "; ".join(dict.fromkeys(_words(s, d) for s, d in zip(strips, lengths, strict=True)))
    return judged(name, min(abs(b - a) for a, b in spans), Limit("", PRACTICE, False, round(least, 1)), "mm", says, passing=says, digits=1)


def _words(strip: Strip, length: DiagnosticLength) -> str:
    start, end = _span_mm(strip, length.columns)
    if start == end:
        return f"no diagnostic length is left about the middle of the exposure: {length.from_says}"
    where = "from the left end of the weld" if strip.station_mm is None else "by station"
    if length.from_says == length.to_says:
        return f"{start:.0f} to {end:.0f} mm {where}; ends on both sides: {length.from_says}"
    return f"{start:.0f} to {end:.0f} mm {where}; ends at {start:.0f}: {length.from_says}, at {end:.0f}: {length.to_says}"


def _span_mm(strip: Strip, columns: Bool) -> tuple[float, float]:
    """Station (or mm from the first column) of the first and last column; both 0 where there is none."""
    at = np.flatnonzero(columns)
    if not len(at):
        return 0.0, 0.0
    along = np.arange(len(columns)) / (strip.pixels_per_mm or 1.0) if strip.station_mm is None else strip.station_mm
    return float(along[at[0]]), float(along[at[-1]])


def _least_mm(strip: Strip, allowed: Bool) -> float:
    start, end = _span_mm(strip, allowed)
    return max(STEP_MM, min(LEAST_MM, LEAST_SHARE * abs(end - start)))


def _length_of(film: Film, marks: Marks, strip: Strip, arc: Arc, rules: Sequence[tuple[Bool, str]],
               limits: tuple[Limit | None, Limit | None]) -> DiagnosticLength:
    count = strip.density.shape[1]
    readings = _readings(strip)
    if strip.pixels_per_mm is None:
        everywhere = np.ones(count, dtype=bool)
        return DiagnosticLength(everywhere, everywhere, readings)
    allowed = np.logical_and.reduce([seen for seen, _ in rules], axis=0) if rules else np.ones(count, dtype=bool)
    starts = np.arange(0, count, max(1, round(STEP_MM * strip.pixels_per_mm)))
    beyond = [next((why for seen, why in rules if not seen[at]), "") for at in starts]
    steps = _steps(film, arc, marks, strip, readings, limits, starts, beyond)
    middle = int(np.median(np.flatnonzero(allowed))) if allowed.any() else 0
    here = int(np.searchsorted(starts, middle, side="right")) - 1
    first, last = _longest_about(here, steps)
    columns = np.zeros(count, dtype=bool)
    bounds = [*starts, count]
    columns[bounds[first] : bounds[last]] = True
    columns &= allowed
    start, end = _span_mm(strip, columns)
    if abs(end - start) < _least_mm(strip, allowed):
        about = max(0, here - END_STEPS // 2), min(len(starts), here + END_STEPS // 2 + 1)
        return DiagnosticLength(columns & False, allowed, readings,
                                steps.barred[here] or _against(steps, readings, *about) or _end_says(steps, readings, here + 1, 1))
    return DiagnosticLength(columns, allowed, readings, _end_says(steps, readings, first - 1, -1), _end_says(steps, readings, last, 1))


def _readings(strip: Strip) -> F32:
    """Density averaged over the densitometer's field where all of it lies on usable weld or parent metal beside it; NaN elsewhere."""
    inside = weld_rows(strip, BESIDE_MM) & strip.usable
    field = max(1, round(APERTURE_MM * (strip.pixels_per_mm or 10.0)))
    calm = cv2.erode(inside.view(np.uint8), np.ones((field | 1, field | 1), np.uint8), borderValue=0) > 0
    return np.where(calm, cv2.blur(strip.density, (field, field)), np.float32(np.nan))


def _steps(film: Film, arc: Arc, marks: Marks, strip: Strip, readings: F32, limits: tuple[Limit | None, Limit | None],
           starts: I64, beyond: Sequence[str]) -> _Steps:
    area = weld_rows(strip, BESIDE_MM)[::SPARSE, ::SPARSE]
    step = np.searchsorted(starts, np.arange(0, strip.density.shape[1], SPARSE), side="right") - 1

    def counted(mask: Bool) -> F64:
        return np.asarray(np.bincount(step, mask.sum(axis=0), len(starts)), dtype=np.float64)

    some, (least, greatest) = readings[::SPARSE, ::SPARSE], _bounds(limits[0])
    looked_at, every_step = counted(np.isfinite(some)), np.ones(len(starts))
    edge = edge_margins(arc, marks, starts) < max(1.0, BORDER_MM * (film.pixels_per_mm or 0.0))
    return _Steps(
        start=starts,
        counts=((counted(some < least), looked_at, STRAY_SHARE), (counted(some > greatest), looked_at, STRAY_SHARE),
                (counted(area & outside_range(film, marks, strip)), counted(area), SATURATED_SHARE_MAX),
                (_varied(strip, limits[1], starts), every_step, STRAY_STEPS)),
        barred=tuple("an edge of the weld leaves the film" if off else why for off, why in zip(edge, beyond, strict=True)),
        no_end=tuple("the weld lies under lead or border" if share > HIDDEN_WIDTH_SHARE else "" for share in _hidden_share(strip, starts)),
    )


def _bounds(limit: Limit | None) -> tuple[float, float]:
    """The densities that count as inside a limit, what a densitometer may be wrong by allowed for."""
    least, greatest = (None, None) if limit is None else (limit.min, limit.max)
    return (-np.inf if least is None else least - READING_TOLERANCE), (np.inf if greatest is None else greatest + READING_TOLERANCE)


def _varied(strip: Strip, limit: Limit | None, starts: I64) -> F64:
    """1 for a step whose weld lies outside the densities that the indicator speaks for, else 0."""
    if limit is None:
        return np.zeros(len(starts))
    least, greatest = _bounds(limit)
    along = along_weld(strip)
    middle = np.array([np.nanmedian(part) if np.isfinite(part).any() else np.nan for part in np.split(along, starts[1:])])
    return np.asarray((middle < least) | (middle > greatest), dtype=np.float64)


def outside_range(film: Film, marks: Marks, strip: Strip) -> Bool:
    """Every third place of the strip both ways: True where the scan or its calibration cannot tell the density, lead and border apart."""
    rows, columns = film.valid.shape
    xy = np.round(strip.film_xy[::SPARSE, ::SPARSE]).astype(int)
    x, y = xy[..., 0].clip(0, columns - 1), xy[..., 1].clip(0, rows - 1)
    on_film = (xy[..., 0] == x) & (xy[..., 1] == y)
    return np.asarray(on_film & ~film.valid[y, x] & ~marks.hidden[y, x])


def _longest_about(here: int, steps: _Steps) -> tuple[int, int]:
    """First step and the one after the last of the longest run that holds step `here`; both `here` when there is none.

    In the run and in each END_MM at its ends no more than the allowed share speaks against it; no step is barred; its ends can be seen.
    """
    n = len(steps.start)
    barred = (np.array([bool(why) for why in steps.barred], dtype=np.float64), np.ones(n), 0.0)
    # Rises by what speaks against a step, falls by what may: where it does not rise over a run, the run is fit.
    over = np.array([np.concatenate([[0.0], np.cumsum(bad - share * of)]) for bad, of, share in (*steps.counts, barred)])
    reach = min(END_STEPS, n)
    clear = np.array([not why for why in steps.no_end])
    fits = np.flatnonzero(((over[:, reach:] - over[:, :-reach]) <= 1e-9).all(axis=0))  # first steps of ends that are fit by themselves
    firsts = fits[(fits <= here) & clear[fits]]
    lasts = fits[clear[fits + reach - 1]] + reach
    best = (here, here)
    for first in firsts[::-1]:
        good = lasts[(lasts > here) & (lasts >= first + reach)]
        good = good[((over[:, good] - over[:, [first]]) <= 1e-9).all(axis=0)]
        if len(good) and good[-1] - first > best[1] - best[0]:
            best = (int(first), int(good[-1]))
    return best


def _hidden_share(strip: Strip, starts: I64) -> F64:
    """Share of the width of the weld under lead, border or off the film, at each step."""
    inside = weld_rows(strip)[:, starts]
    return np.asarray((inside & ~strip.usable[:, starts]).sum(axis=0) / np.maximum(inside.sum(axis=0), 1))


def _end_says(steps: _Steps, readings: F32, at: int, way: int) -> str:
    """Why the run ends before step `at`, going `way` (1 or -1)."""
    if not 0 <= at < len(steps.start):
        return "the end of the weld on the film"
    low, high = sorted((at, at + way * END_STEPS))
    return steps.barred[at] or _against(steps, readings, max(0, low), min(len(steps.start), high + 1)) or steps.no_end[at] or OTHERWISE


def _against(steps: _Steps, readings: F32, low: int, high: int) -> str:
    """What speaks most against the steps from `low` to before `high`, with the density read there; empty when nothing does."""
    part = slice(low, high)
    shares = [float(bad[part].sum()) / max(float(of[part].sum()), 1.0) / share for bad, of, share in steps.counts]
    worst = int(np.argmax(shares))
    if shares[worst] <= 0:
        return ""
    if worst not in (THIN, DENSE):
        return REASONS[worst]
    end = int(steps.start[high]) if high < len(steps.start) else readings.shape[1]
    density = np.nanpercentile(readings[:, int(steps.start[low]) : end], 100 * (STRAY_SHARE if worst == THIN else 1 - STRAY_SHARE))
    return f"{REASONS[worst]} ({density:.2f})"
