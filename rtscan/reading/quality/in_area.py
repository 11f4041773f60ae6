"""Which marks of film, scan and set-up lie in the area of interest: a reader wants them listed before the weld is judged."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from rtscan.film import Bool, Mark, Marks, Strip
from rtscan.reading.quality.contrast import SPARSE, weld_rows
from rtscan.reading.quality.diagnostic import BESIDE_MM

AREA_STEP = 8
"""Pixels taken together to tell where a mark lies."""


def marks_in_area(marks: Marks, strips: Sequence[Strip], columns: Sequence[Bool]) -> tuple[Mark, ...]:
    """The marks of film, scan or set-up that reach into the weld or the parent metal beside it, where the film is judged."""
    area = np.zeros([-(-n // AREA_STEP) for n in marks.hidden.shape], dtype=np.uint8)
    for strip, judged_at in zip(strips, columns, strict=True):
        inside = (weld_rows(strip, BESIDE_MM) & judged_at)[::SPARSE, ::SPARSE]
        x, y = np.floor(strip.film_xy[::SPARSE, ::SPARSE][inside] / AREA_STEP).astype(int).T
        on_film = (x >= 0) & (y >= 0) & (x < area.shape[1]) & (y < area.shape[0])
        area[y[on_film], x[on_film]] = 1
    return tuple(mark for mark in marks.marks if _reaches(mark, area))


def _reaches(mark: Mark, area: NDArray[np.uint8]) -> bool:
    """Whether a mark lies on any cell of `area` that is not 0: lead as what its outline holds, the others as lines of their width."""
    shape = np.zeros_like(area)
    points = np.round(mark.path_px / AREA_STEP).astype(np.int32).reshape(-1, 1, 2)
    if mark.kind in ("letter", "marker"):
        cv2.fillPoly(shape, [points], (1,))
    cv2.polylines(shape, [points], False, (1,), max(1, round(mark.width_px / AREA_STEP)))
    return bool((shape & area).any())
