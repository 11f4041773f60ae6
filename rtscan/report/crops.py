"""Magnified pieces of the film, each with its own contrast and a scale tick."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from rtscan.film import F32, Film
from rtscan.findings import Box
from rtscan.report.display import Grey, stretched, without_gaps
from rtscan.report.ruler import length_label, nice_step

_AROUND = 2.2
_LEAST_MM = 8.0
_LEAST_PX = 60.0
_MOST_MAGNIFIED = 12.0


@dataclass(frozen=True)
class Crop:
    """A piece of film as a picture.

    `grey` uint8 (rows, columns); `scale` picture pixels per film pixel; `left_px`, `top_px` the film pixel at its upper left
    corner; `tick_px` and `tick_says` a round length in picture pixels and words, 0 and "" without a scale.
    """

    grey: Grey
    scale: float
    left_px: float
    top_px: float
    tick_px: float
    tick_says: str


def crop(film: Film, bbox_px: Box, columns: int, rows: int, units: str = "mm") -> Crop:
    """The film round `bbox_px`, magnified to a picture of `columns` × `rows`, dense metal bright, contrast stretched.

    The box fills at most 45 % of the picture either way, with at least 8 mm of film in view.
    """
    scale = _magnification(film, bbox_px, columns, rows)
    width, height = columns / scale, rows / scale
    left = (bbox_px[0] + bbox_px[2]) / 2 - width / 2
    top = (bbox_px[1] + bbox_px[3]) / 2 - height / 2
    film_rows, film_columns = film.density.shape
    left = min(max(left, -0.5), max(film_columns - 0.5 - width, -0.5))
    top = min(max(top, -0.5), max(film_rows - 0.5 - height, -0.5))
    picture = _resampled(film, left, top, scale, columns, rows)
    tick, says = 0.0, ""
    if film.pixels_per_mm:
        length_mm = nice_step(0.1 * width / film.pixels_per_mm, units)
        tick, says = length_mm * film.pixels_per_mm * scale, f"{length_label(length_mm, units)} {units}"
    return Crop(stretched(picture), scale, left, top, tick, says)


def _magnification(film: Film, bbox_px: Box, columns: int, rows: int) -> float:
    per_mm = film.pixels_per_mm
    least = max(_LEAST_MM * per_mm, _LEAST_PX) if per_mm else _LEAST_PX
    needed_x = max(_AROUND * (bbox_px[2] - bbox_px[0]), least)
    needed_y = max(_AROUND * (bbox_px[3] - bbox_px[1]), least * rows / columns)
    return min(columns / needed_x, rows / needed_y, _MOST_MAGNIFIED)


def _resampled(film: Film, left: float, top: float, scale: float, columns: int, rows: int) -> F32:
    """Averaged when the film has more pixels than the picture, smoothly interpolated when it has fewer; even grey off the film."""
    x0, y0 = max(0, int(left)), max(0, int(top))
    piece = without_gaps(film.density[y0:int(top + rows / scale) + 3, x0:int(left + columns / scale) + 3])
    smooth = np.asarray(cv2.blur(piece, (max(1, round(1 / scale)),) * 2) if scale < 1 else piece, np.float32)
    move = np.array([[scale, 0.0, (x0 - left) * scale - 0.5], [0.0, scale, (y0 - top) * scale - 0.5]])
    outside = float(smooth.mean()) if smooth.size else 0.0
    drawn = cv2.warpAffine(smooth, move, (columns, rows), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_CONSTANT, borderValue=outside)
    return np.asarray(drawn, np.float32)
