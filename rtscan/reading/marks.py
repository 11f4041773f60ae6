"""Marks that belong to film, scan or set-up, not to the part: border, lead, wires, scratches, dust, handwriting.

A mark hides the weld (`hidden`) only where nothing can be judged: border and lead. Under wires and scratches (`lines`) large
indications can still be seen. A mark that swallows a flaw is worse than none, so every kind has to prove itself.
"""

from __future__ import annotations

import numpy as np

from rtscan.film import Film, Mark, Marks
from rtscan.job import Job
from rtscan.reading.film_border import find_border
from rtscan.reading.lead import LeadSettings, find_lead


def find_marks(film: Film, job: Job) -> Marks:
    """All marks of a film, in a fixed order (kind, then place)."""
    hidden = np.zeros(film.density.shape, dtype=bool)
    marks: list[Mark] = []
    border = find_border(film)
    marks.extend(border.marks)
    hidden |= border.mask
    lead = find_lead(film, film.valid & ~hidden, LeadSettings())
    marks.extend(lead.marks)
    hidden |= lead.mask
    return Marks(tuple(marks), hidden, np.zeros_like(hidden))
