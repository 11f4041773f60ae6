"""Pull each weld arc straight: one strip pixel is one film pixel, rows across the weld, columns along it.

The map from strip to film is exact by construction: strip pixel (row, column) is the film point `centre(column) +
(row - centre_row) * normal(column)`, kept in `film_xy`. `to_film` and `to_strip` go both ways for any point. Densities are taken by a
Lanczos kernel of 8 x 8 pixels, which leaves grain nearly as strong between pixels as on them (linear interpolation would halve its
variance half-way and beat along a sloping weld).
"""

from __future__ import annotations

import cv2
import numpy as np

from rtscan.film import F32, F64, Arc, Bool, Film, Marks, Strip, Weld
from rtscan.reading.arcs import length_along, smooth_line

FLANK_MM, FLANK_SHARE = (10.0, 15.0), 0.5
"""Parent metal shown on either side of the cap: this share of the cap width, within these millimetres."""


def straighten(film: Film, weld: Weld, marks: Marks) -> tuple[Strip, ...]:
    """One strip per arc, in the order of the weld's arcs."""
    return tuple(_straighten_arc(film, arc, number, marks) for number, arc in enumerate(weld.arcs))


def _straighten_arc(film: Film, arc: Arc, number: int, marks: Marks) -> Strip:
    length = length_along(arc.centreline_px)
    columns = np.arange(0.0, length[-1] + 1e-9)
    centre, normal = _smooth_frame(arc.centreline_px, length, columns)
    left, right = (_offset(edge, length, columns, centre, normal) for edge in (arc.left_edge_px, arc.right_edge_px))
    offsets = _rows_on_film(film, centre, normal, _half_height(film, left, right))
    film_xy = (centre + offsets[:, None, None] * normal).astype(np.float32)
    sampled = cv2.remap(film.density, film_xy, np.empty(0), cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REPLICATE)
    return Strip(
        arc=number,
        wall=arc.wall,
        density=sampled.astype(np.float32, copy=False),
        usable=_sample_mask(film.valid & ~marks.hidden, film_xy),
        lines=_sample_mask(marks.lines, film_xy),
        film_xy=film_xy,
        centre_row=float(-offsets[0]),
        left_row=left - offsets[0],
        right_row=right - offsets[0],
        pixels_per_mm=film.pixels_per_mm,
        station_mm=None if arc.station_mm is None else np.interp(columns, length, arc.station_mm),
    )


def _half_height(film: Film, left: F64, right: F64) -> int:
    """Rows on either side of the centreline: the widest half cap and the flank."""
    flank = FLANK_SHARE * float(np.median(right - left))
    if film.pixels_per_mm is not None:
        flank = float(np.clip(flank, FLANK_MM[0] * film.pixels_per_mm, FLANK_MM[1] * film.pixels_per_mm))
    return int(np.ceil(max(float(np.abs(left).max()), float(np.abs(right).max())) + flank))


def _rows_on_film(film: Film, centre: F32, normal: F32, half: int) -> F32:
    """Offsets from the centreline, one a row, without the rows that lie off the film nearly everywhere."""
    offsets = np.arange(-half, half + 1, dtype=np.float32)
    some = slice(None, None, max(1, len(centre) // 200))
    x, y = (centre[some, axis] + offsets[:, None] * normal[some, axis] for axis in (0, 1))
    rows, columns = film.density.shape
    on_film = ((x >= 0) & (x <= columns - 1) & (y >= 0) & (y <= rows - 1)).mean(axis=1) > 0.02
    kept = np.flatnonzero(on_film | (offsets == 0))
    return offsets[kept[0] : kept[-1] + 1]


def _smooth_frame(centreline: F64, length: F64, columns: F64) -> tuple[F32, F32]:
    """Centre points and unit normals (to the right) one film pixel apart, float32 (along, 2): the polyline with its corners rounded."""
    rough = np.stack([np.interp(columns, length, centreline[:, axis]) for axis in (0, 1)], axis=1)
    centre = smooth_line(rough, length[-1] / (len(length) - 1))
    run = np.gradient(centre, axis=0)
    run /= np.hypot(run[:, 0], run[:, 1])[:, None]
    return centre.astype(np.float32), np.stack([-run[:, 1], run[:, 0]], axis=1).astype(np.float32)


def _offset(edge: F64, length: F64, columns: F64, centre: F32, normal: F32) -> F64:
    """Signed distance of an edge from the centreline along the normal, per strip column, positive to the right."""
    on_edge = np.stack([np.interp(columns, length, edge[:, axis]) for axis in (0, 1)], axis=1)
    return np.asarray(((on_edge - centre) * normal).sum(axis=1))


def _sample_mask(mask: Bool, film_xy: F32) -> Bool:
    """A boolean film image at strip places, nearest pixel; False off the film."""
    whole = mask.astype(np.uint8)
    # OpenCV 5.0.0 gives garbage for a nearest-pixel remap with a two-channel map; two single-channel maps are right.
    x, y = np.ascontiguousarray(film_xy[..., 0]), np.ascontiguousarray(film_xy[..., 1])
    return cv2.remap(whole, x, y, cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT, borderValue=0).astype(bool)


def to_film(strip: Strip, points: F64) -> F64:
    """Film (x, y) of strip points (column, row), float64 (n, 2); exact between pixels too, linear beyond the ends."""
    points = np.asarray(points, dtype=np.float64).reshape(-1, 2)
    last = strip.film_xy.shape[1] - 1
    column = np.clip(np.floor(points[:, 0]).astype(np.int64), 0, max(last - 1, 0))
    share = (points[:, 0] - column)[:, None]
    rows = strip.film_xy.shape[0] - 1
    top, bottom = strip.film_xy[0].astype(np.float64), strip.film_xy[rows].astype(np.float64)
    down = (points[:, 1] / rows)[:, None]
    following = np.minimum(column + 1, last)
    here = top[column] + (bottom[column] - top[column]) * down
    there = top[following] + (bottom[following] - top[following]) * down
    return np.asarray(here + (there - here) * share, dtype=np.float64)


def to_strip(strip: Strip, points: F64) -> F64:
    """Strip (column, row) of film points (x, y), float64 (n, 2): the inverse of `to_film`, by nearest centreline and Newton steps."""
    points = np.asarray(points, dtype=np.float64).reshape(-1, 2)
    centre = strip.film_xy[round(strip.centre_row)].astype(np.float64)
    nearest = np.array([int(np.argmin(((centre - p) ** 2).sum(axis=1))) for p in points], dtype=np.float64)
    place = np.stack([nearest, np.full(len(points), strip.centre_row)], axis=1)
    half_column, half_row = np.array([0.5, 0.0]), np.array([0.0, 0.5])
    for _ in range(8):
        miss = points - to_film(strip, place)
        along = to_film(strip, place + half_column) - to_film(strip, place - half_column)
        across = to_film(strip, place + half_row) - to_film(strip, place - half_row)
        area = _cross(along, across)
        place += np.stack([_cross(miss, across), _cross(along, miss)], axis=1) / np.where(np.abs(area) < 1e-9, 1e-9, area)[:, None]
    return place


def _cross(first: F64, second: F64) -> F64:
    return np.asarray(first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0], dtype=np.float64)
