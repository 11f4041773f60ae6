"""Dark spots alike at equal steps in line with an edge of the film: pressed by a roller of the processor, once a turn, not the weld.

Common practice, no published source for the tolerances. Three spots count only where size, strength, line and steps all agree and the
steps are far longer than those of a row of pores, because a pore taken for a roller mark is a pore missed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rtscan.film import F64, Mark, Region, Regions, Strip

SAYS = "spot that comes back at equal steps along the film, as a roller of the processor leaves it: look at the film in slanting light"


@dataclass(frozen=True)
class RepeatSettings:
    """At least `least` round spots up to `largest_mm`, sizes and strengths within a factor `alike` and `as_strong` of their middle, off one
    line by at most `off_line_mm` and off equal steps of `shortest_step_mm` or more by at most `off_step_mm`; of the places between the
    first and the last at least `share` show one."""

    least: int = 3
    largest_mm: float = 2.5
    roundest: float = 1.45
    alike: float = 1.35
    as_strong: float = 1.8
    off_line_mm: float = 0.25
    off_step_mm: float = 0.3
    shortest_step_mm: float = 15.0
    share: float = 0.6


def without_repeats(regions: Sequence[Region], strips: Sequence[Strip], settings: RepeatSettings | None = None) -> Regions:
    """The regions with the repeated spots put apart. Nothing is put apart on a film without a scale."""
    chosen = settings or RepeatSettings()
    by_arc = {s.arc: s for s in strips}
    spots = [k for k, r in enumerate(regions) if r.tone == "dark" and _is_spot(r, by_arc[r.arc], chosen)]
    if len(spots) < chosen.least:
        return Regions(tuple(regions))
    pitch = next(iter(by_arc.values())).pixels_per_mm or 1.0
    places = np.concatenate([by_arc[regions[k].arc].on_film(regions[k].outline.mean(axis=0)[None]) for k in spots]) / pitch
    sizes = np.array([float(np.ptp(regions[k].outline, axis=0).max()) for k in spots])
    strengths = np.array([abs(regions[k].contrast) for k in spots])
    apart: set[int] = set()
    for along in (0, 1):
        row = _best_row(places[:, along], places[:, 1 - along], sizes, strengths, chosen)
        apart |= {spots[k] for k in row}
    kept = tuple(r for k, r in enumerate(regions) if k not in apart)
    return Regions(kept, tuple(regions[k] for k in sorted(apart)))


def repeat_marks(regions: Regions, strips: Sequence[Strip]) -> tuple[Mark, ...]:
    """The repeated spots as marks of the film, their outlines in film pixels."""
    by_arc = {s.arc: s for s in strips}
    return tuple(Mark("artefact", by_arc[r.arc].on_film(r.outline), 1.0, SAYS) for r in regions.repeats)


def _is_spot(region: Region, strip: Strip, settings: RepeatSettings) -> bool:
    if strip.pixels_per_mm is None:
        return False
    low, high = sorted(np.ptp(region.outline, axis=0))
    return bool(high <= settings.largest_mm * strip.pixels_per_mm and high <= settings.roundest * max(float(low), 1e-6))


def _best_row(along: F64, across: F64, sizes: F64, strengths: F64, settings: RepeatSettings) -> list[int]:
    """The longest row of spots at equal steps; empty where there is none. Places in mm."""
    best: list[int] = []
    for first in range(len(along)):
        beside = (
            (np.abs(across - across[first]) <= settings.off_line_mm)
            & (np.maximum(sizes / sizes[first], sizes[first] / sizes) <= settings.alike)
            & (np.maximum(strengths / strengths[first], strengths[first] / strengths) <= settings.as_strong)
        )
        for second in np.flatnonzero(beside & (along - along[first] >= settings.shortest_step_mm)):
            step = along[second] - along[first]
            turns = np.round((along - along[first]) / step)
            row = np.flatnonzero(beside & (turns >= 0) & (np.abs(along - along[first] - turns * step) <= settings.off_step_mm))
            once = len(set(turns[row])) == len(row) and len(row) >= settings.share * (turns[row].max() + 1)
            if once and len(row) >= max(settings.least, len(best) + 1):
                best = [int(k) for k in row]
    return best
