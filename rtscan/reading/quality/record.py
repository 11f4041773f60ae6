"""The quality record of one film: checks, wires with their profiles, density and detection limit along the weld, as plain numbers."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from rtscan import __version__
from rtscan.film import F64, Film, Strip, Weld
from rtscan.findings import Quality, Stretch
from rtscan.job import Job, job_sha256
from rtscan.quality_records import FilmQuality, HoleSeen, PlaqueSeen, WireSeen
from rtscan.reading.quality.contrast import REACH_MM, weld_rows
from rtscan.reading.quality.indicator import Indicator
from rtscan.reading.quality.plaque import SeenPlaque
from rtscan.reading.quality.wires import SeenWire, profile_across

PLACES = 400
"""Most places along the weld kept for the density curve."""


def film_quality(film: Film, job: Job, weld: Weld | None, strips: Sequence[Strip], indicator: Indicator, quality: Quality) -> FilmQuality:
    """Everything a page about the film needs; `weld` is covered on its diagnostic length alone."""
    along, low, middle, high = _density_along(strips)
    contrast, found = indicator.contrast, indicator.found
    return FilmQuality(
        tool=f"rtscan {__version__}", job_sha256=job_sha256(job), film=film.facts,
        quality=quality,
        testing=" class ".join(t for t in (job.testing.standard or "", job.testing.class_ or "") if t),
        iqi=" ".join(t for t in (job.iqi.kind or "", job.iqi.set) if t),
        wires=() if found is None else tuple(_wire(film, wire, found.turned) for wire in found.wires),
        plaque=None if indicator.plaque is None else _plaque(indicator.plaque),
        contrast_per_mm=None if contrast is None else contrast.per_mm, contrast_from="" if contrast is None else contrast.said_by,
        unsharpness_mm=None if contrast is None else contrast.unsharpness_mm,
        along_mm=_rounded(along, 2), density_along=_rounded(middle, 3), density_low_along=_rounded(low, 3),
        density_high_along=_rounded(high, 3), judged=_judged(weld),
    )


def _judged(weld: Weld | None) -> tuple[Stretch, ...]:
    """The stations covered, one stretch for each arc; none where stations are not known."""
    found = [arc.station_mm[arc.covered] for arc in (weld.arcs if weld else ()) if arc.station_mm is not None and arc.covered is not None]
    return tuple(Stretch(round(float(s[0]), 2), round(float(s[-1]), 2)) for s in found if len(s))


def _wire(film: Film, wire: SeenWire, turned: bool) -> WireSeen:
    profile: tuple[tuple[float, float], ...] = ()
    if len(wire.stretch_px) >= 4:
        density, u_mm = profile_across(film, wire.stretch_px, turned, REACH_MM)
        level = float(np.median(density[np.abs(u_mm) > 0.5 * wire.wire.diameter_mm + 0.5]))
        profile = tuple((round(float(u), 3), round(float(level - d), 5)) for u, d in zip(u_mm, density, strict=True))
    return WireSeen(wire.wire.number, wire.wire.diameter_mm, wire.visible, round(wire.snr, 1), round(wire.visible_mm, 1),
                    round(wire.contrast, 4), tuple((round(float(x), 1), round(float(y), 1)) for x, y in wire.path_px), profile)


def _plaque(seen: SeenPlaque) -> PlaqueSeen:
    corners = tuple((round(float(x), 1), round(float(y), 1)) for x, y in seen.on_film.corners_px)
    holes = tuple(HoleSeen(one.hole.name, round(one.hole.diameter_mm, 4), one.visible, round(one.snr, 1), round(one.hole.contrast, 4),
                           (round(float(one.hole.centre_px[0]), 1), round(float(one.hole.centre_px[1]), 1))) for one in seen.holes)
    return PlaqueSeen(seen.plaque.number, round(seen.plaque.thickness_mm, 4), round(seen.on_film.step, 4), corners, holes)


def _density_along(strips: Sequence[Strip]) -> tuple[F64, F64, F64, F64]:
    """Station (or mm from the left end) and least (5 %), median and greatest (95 %) density across the weld, over all strips."""
    columns: list[tuple[float, float, float, float]] = []
    for strip in strips:
        inside = weld_rows(strip) & strip.usable
        count = strip.density.shape[1]
        for place in np.unique(np.linspace(0, count - 1, min(count, PLACES)).astype(int)):
            block = slice(max(0, place - 2), place + 3)
            values = strip.density[:, block][inside[:, block]]
            if values.size >= 8:
                low, middle, high = np.percentile(values, [5, 50, 95])
                where = place / (strip.pixels_per_mm or 1.0) if strip.station_mm is None else float(strip.station_mm[place])
                columns.append((where, low, middle, high))
    columns.sort()
    table = np.array(columns, dtype=np.float64).reshape(-1, 4)
    return table[:, 0], table[:, 1], table[:, 2], table[:, 3]


def _rounded(values: F64, digits: int) -> tuple[float, ...]:
    return tuple(round(float(v), digits) for v in values)
