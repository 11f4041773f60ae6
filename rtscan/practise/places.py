"""Between millimetres of the weld and pixels of the film, by the arcs of a worksheet or key: for drawing and for what lies under a mark."""

from __future__ import annotations

import math

import numpy as np

from rtscan.film import F64
from rtscan.findings import WeldArc, WeldFacts


def to_px(weld: WeldFacts, pixels_per_mm: float, along_mm: float, across_mm: float, wall: str | None = None) -> tuple[float, float] | None:
    """Film pixel (x, y) of a place on the weld; None when no arc shows that station. Across is to the right of the growing station."""
    for arc in weld.arcs:
        if wall in ("film", "source") and arc.wall in ("film", "source") and wall != arc.wall:
            continue
        share = _share(arc, weld, along_mm)
        if share is not None:
            return _at_share(arc, share, across_mm * pixels_per_mm)
    return None


def box_px(weld: WeldFacts, pixels_per_mm: float, along: tuple[float, float], across: tuple[float, float], wall: str | None) -> F64 | None:
    """Corners (4, 2) in film pixels of a box on the weld, mm; None when it is not on the film."""
    corners = [to_px(weld, pixels_per_mm, a, b, wall) for a, b in zip((along[0], along[1], along[1], along[0]),
                                                                       (across[0], across[0], across[1], across[1]), strict=True)]
    return None if any(c is None for c in corners) else np.array(corners, dtype=np.float64)


def _share(arc: WeldArc, weld: WeldFacts, along_mm: float) -> float | None:
    """Where a station lies along the arc, 0 to 1 of its length in the picture; None when off the arc."""
    start, end = arc.station_from_mm, arc.station_to_mm
    if start is None or end is None or len(arc.centreline_px) < 2:
        return None
    ring = weld.length_mm if weld.joint == "girth" else None
    length = (end - start) % ring if ring and end - start != ring else end - start
    distance = (along_mm - start) % ring if ring else along_mm - start
    if ring and distance > length and ring - distance < 20.0:
        distance -= ring
    if not -20.0 <= distance <= length + 20.0 or length <= 0:
        return None
    if arc.wall in ("film", "source") and weld.od_mm:
        radius, half = weld.od_mm / 2, length / 2
        reach = math.sin(min(half / radius, math.pi / 2))
        angle = max(-math.pi / 2, min(math.pi / 2, (distance - half) / radius))
        return 0.5 + 0.5 * math.sin(angle) / reach
    return distance / length


def _at_share(arc: WeldArc, share: float, offset_px: float) -> tuple[float, float]:
    line = np.asarray(arc.centreline_px, dtype=np.float64)
    steps = np.hypot(*np.diff(line, axis=0).T)
    run = np.concatenate([[0.0], np.cumsum(steps)])
    at = share * run[-1]
    k = int(np.clip(np.searchsorted(run, at) - 1, 0, len(line) - 2))
    direction = (line[k + 1] - line[k]) / (steps[k] or 1.0)
    point = line[k] + direction * (at - run[k])
    return float(point[0] - direction[1] * offset_px), float(point[1] + direction[0] * offset_px)
