"""Marks that belong to film, scan or set-up, not to the part: border, lead, wires, scratches, dust, handwriting.

A mark hides the weld (`hidden`) only where nothing can be judged: border, lead, the edges and holes of a plaque. Under wires and
scratches (`lines`) large indications can still be seen. A mark that swallows a flaw is worse than none, so every kind has to prove itself.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from rtscan.film import Bool, Film, Mark, Marks
from rtscan.job import Job
from rtscan.reading.film_border import find_border
from rtscan.reading.lead import LeadSettings, find_lead
from rtscan.reading.pen import PenSettings, find_pen
from rtscan.reading.plaque import find_plaque, plaque_marks
from rtscan.reading.plaque_search import PlaqueSettings
from rtscan.reading.scan_lines import ScanLineSettings, find_scan_lines
from rtscan.reading.scratches import ScratchSettings, find_scratches
from rtscan.reading.wire_search import WireSettings
from rtscan.reading.wires import find_wires


def find_marks(film: Film, job: Job) -> Marks:
    """All marks of a film, in a fixed order (kind, then place)."""
    return with_lines(film, job, find_hiding(film, job))


def find_hiding(film: Film, job: Job) -> Marks:
    """The marks that hide the weld; all that finding the weld needs to know. `lines` is False everywhere yet."""
    hidden = np.zeros(film.density.shape, dtype=bool)
    marks: list[Mark] = []
    border = find_border(film)
    marks.extend(border.marks)
    hidden |= border.mask
    lead = find_lead(film, film.valid & ~hidden, LeadSettings())
    marks.extend(lead.marks)
    hidden |= lead.mask
    ink, strokes = find_pen(film, ~hidden, PenSettings())
    marks.extend(strokes)
    hidden |= ink
    plaque = find_plaque(film, film.valid & ~(hidden & ~lead.mask), lead, job, PlaqueSettings())
    plate = plaque_marks(plaque, film.pixels_per_mm)
    hidden |= _drawn(plate, film.density.shape)
    return Marks((*marks, *plate), hidden, np.zeros(film.density.shape, dtype=bool), plaque)


def with_lines(film: Film, job: Job, hiding: Marks) -> Marks:
    """The marks that hide the weld and those that only cross it: wires, lines of the scanner, scratches."""
    usable = film.valid & ~hiding.hidden
    wires = find_wires(film, usable, job.iqi, WireSettings())
    scanned = find_scan_lines(film, usable, ScanLineSettings())
    scratches = find_scratches(film, usable, wires, ScratchSettings())
    lines = (*wires, *scanned, *scratches)
    return replace(hiding, marks=(*hiding.marks, *lines), lines=_drawn(lines, film.density.shape))


def _drawn(marks: tuple[Mark, ...], shape: tuple[int, ...]) -> Bool:
    """True under the paths of the marks, as wide as each says."""
    canvas = np.zeros(shape, dtype=np.uint8)
    for mark in marks:
        cv2.polylines(canvas, [np.round(mark.path_px).astype(np.int32)], False, 1, max(1, round(mark.width_px)))
    return canvas.astype(bool)
