"""The annotated image: the film with its marks, heading, legend and magnified crops."""

from __future__ import annotations

import numpy as np

from rtscan.film import Film
from rtscan.findings import Worksheet
from rtscan.report.captions import heading, legend
from rtscan.report.crop_sheet import crop_sheet
from rtscan.report.display import film_picture
from rtscan.report.film_panel import draw_film
from rtscan.report.ink import Canvas, paper

_WIDEST, _HIGHEST, _NARROWEST = 2600, 2600, 1500
_TALL = 0.7
_SIDE_WIDTH = 1500
_CROPS_HIGH = 1700
_PAGE_WIDE, _PAGE_HIGH = 1800, 2200


def draw_annotated(film: Film, worksheet: Worksheet, units: str = "mm") -> Canvas:
    """The annotated image of one film as red green blue, uint8, shape (rows, columns, 3).

    A wide film stands between its heading and its crops, a tall one beside them.
    """
    picture = film_picture(film, _WIDEST, _HIGHEST, _NARROWEST)
    rows, columns = picture.grey.shape
    font = min(28, max(20, max(rows, columns) // 90))
    panel = draw_film(film, picture, worksheet, units, font)
    tall = rows > _TALL * columns
    width = _SIDE_WIDTH if tall else panel.canvas.shape[1]
    above = heading(worksheet, width, font)
    key = legend(worksheet, panel, film, picture, units, width, font)
    room = max(_CROPS_HIGH, panel.canvas.shape[0] - len(above) - len(key)) if tall else _CROPS_HIGH
    crops = crop_sheet(film, panel, units, width, room, font)
    return _beside(panel.canvas, np.vstack([above, key, crops])) if tall else np.vstack([above, panel.canvas, key, crops])


def draw_figure(film: Film, worksheet: Worksheet, units: str = "mm") -> Canvas:
    """The film with its marks and legend alone, its words sized to be read on a printed page 180 mm wide."""
    picture = film_picture(film, _PAGE_WIDE, _PAGE_HIGH, _PAGE_WIDE)
    rows, columns = picture.grey.shape
    font = max(16, columns // 66, rows // 76)
    panel = draw_film(film, picture, worksheet, units, font)
    return np.vstack([panel.canvas, legend(worksheet, panel, film, picture, units, panel.canvas.shape[1], font)])


def _beside(left: Canvas, right: Canvas) -> Canvas:
    canvas = paper(max(left.shape[0], right.shape[0]), left.shape[1] + right.shape[1])
    canvas[:left.shape[0], :left.shape[1]] = left
    canvas[:right.shape[0], left.shape[1]:] = right
    return canvas
