"""Whether the wires that show the film's quality lie where the film is judged: inside the diagnostic length, and over the weld where asked.

An indicator beside the diagnostic length was exposed differently (thinner, denser, more oblique) and does not speak for it. Where it lies
outside, the line is left open and forbids accept, but does not refuse the film: a reader may find another indicator.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from rtscan.film import F64, Arc, Film, Strip, Weld
from rtscan.findings import Check
from rtscan.job import Job
from rtscan.knowledge.iqi import visible_length_mm
from rtscan.knowledge.testing import wire_place
from rtscan.reading.arcs import along_of, length_along
from rtscan.reading.quality.diagnostic import DiagnosticLength
from rtscan.reading.quality.indicator import Indicator
from rtscan.reading.quality.lines import judged, not_assessed
from rtscan.reading.quality.wires import SeenWire

NAME = "wires where the film is judged"
SLACK_MM = 1.0
"""The path of a wire is known in cells of 0.5 mm at either end."""


def placement_check(film: Film, job: Job, seen: Indicator, weld: Weld, strips: Sequence[Strip],
                    lengths: Sequence[DiagnosticLength]) -> Check | None:
    """Length of the best placed of the wires that count which lies inside the diagnostic length, against the length that must be seen.

    Those count that are seen and no thicker than required; the thinnest seen where none is required or none is thin enough. None where no
    wire is seen or no diagnostic length is left, for then other lines fail.
    """
    counting = _counting(seen)
    if not counting or film.pixels_per_mm is None or not any(length.columns.any() for length in lengths):
        return None
    limit, on_weld = wire_place(job.testing.standard, visible_length_mm(job.iqi.kind or "ISO-wire"))
    asked = job.testing.standard is not None or seen.required is not None
    inside = [_inside_mm(wire, weld, strips, lengths, film.pixels_per_mm) for wire in counting]
    best = int(np.argmax(inside))
    over = any(_crosses(wire.path_px, arc) for wire in counting for arc in weld.arcs)
    if inside[best] < (limit.min or 0.0) - SLACK_MM:
        return not_assessed(NAME, "the thinnest wire that counts lies outside the diagnostic length; it does not speak for the film there",
                            limit, "mm", required=asked, measured=round(inside[best], 1))
    if on_weld and not over:
        return not_assessed(NAME, "the wires do not reach over the weld", limit, "mm", required=asked,
                            measured=round(inside[best], 1))
    says = "the wires lie over the weld" if over else "the wires lie beside the weld"
    return judged(NAME, inside[best], limit, "mm", says, slack=SLACK_MM, required=asked, passing=says, digits=1)


def _counting(seen: Indicator) -> list[SeenWire]:
    thinnest = None if seen.found is None else seen.found.thinnest_visible
    if seen.found is None or thinnest is None:
        return []
    most_mm = thinnest.wire.diameter_mm
    if seen.required is not None:
        most_mm = max(most_mm, seen.required.diameter_mm)
    return [w for w in seen.found.wires if w.visible and thinnest.wire.diameter_mm <= w.wire.diameter_mm <= most_mm + 1e-6]


def _inside_mm(wire: SeenWire, weld: Weld, strips: Sequence[Strip], lengths: Sequence[DiagnosticLength], per_mm: float) -> float:
    """Length of the seen part of a wire that lies across from the diagnostic length of any arc, mm."""
    if len(wire.stretch_px) < 2:
        return 0.0
    inside = np.zeros(len(wire.stretch_px), dtype=bool)
    for strip, length in zip(strips, lengths, strict=True):
        line, last = weld.arcs[strip.arc].centreline_px, len(length.columns) - 1
        at = [int(np.clip(round(along_of(point, line)), 0, last)) for point in wire.stretch_px]
        inside |= length.columns[at]
    return float(inside.mean() * length_along(wire.stretch_px)[-1] / per_mm)


def _crosses(path_px: F64, arc: Arc) -> bool:
    """Whether any point of a path lies on the weld."""
    outline = np.concatenate([arc.left_edge_px, arc.right_edge_px[::-1]]).astype(np.float32)
    return any(cv2.pointPolygonTest(outline, (float(x), float(y)), False) >= 0 for x, y in path_px)
