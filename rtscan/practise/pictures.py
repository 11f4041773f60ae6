"""Pictures of a graded film: truth beside the reader's marks, and crops of what was missed at the contrast where it shows."""

from __future__ import annotations

import base64
import io
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from rtscan.film import F32, F64, Film
from rtscan.findings import Box, Indication
from rtscan.practise.answer_key import AnswerKey
from rtscan.practise.grade import FilmGrade, TargetGrade
from rtscan.practise.match import extent_of
from rtscan.report.crops import Crop, crop
from rtscan.report.display import Picture, film_picture
from rtscan.report.weld_frame import Frame, frames

WIDEST, HIGHEST, NARROWEST = 1500, 1000, 1000
CROP_COLUMNS, CROP_ROWS = 360, 240
AROUND_MM = 6.0


@dataclass(frozen=True)
class Shape:
    """An outline on a picture: SVG points, a label with its place, and the class that styles it."""

    points: str
    label: str
    x: float
    y: float
    style: str


@dataclass(frozen=True)
class Overview:
    """The whole film with outlines. `image` is a data address, sizes are picture pixels."""

    image: str
    width: int
    height: int
    shapes: tuple[Shape, ...]


@dataclass(frozen=True)
class Crops:
    """One place of the film twice: as it is, and flattened with the outline. `tick` is a length in picture pixels and its words."""

    plain: str
    shown: str
    width: int
    height: int
    outlines: tuple[str, ...]
    tick_px: float
    tick_says: str


def overview(film: Film, grade: FilmGrade) -> Overview:
    """Truth (T and the target's name) and marks (M and the mark's number) on the film."""
    picture = film_picture(film, WIDEST, HIGHEST, NARROWEST)
    key = grade.truth.key
    arcs = frames(key.weld, key.film.pixels_per_mm)
    shapes = [s for t in grade.targets for s in _truth_shapes(t, key, picture)]
    for mark in grade.answer.marks:
        outline = np.array(mark.outline_px, dtype=np.float64) if len(mark.outline_px) > 2 else mark_outline(mark, arcs, key)
        if outline is not None:
            style = "false" if mark.id in grade.matched.false_calls else "mark"
            shapes.append(_shape(picture.place(outline), f"M{mark.id}", style, above=False))
    rows, columns = picture.grey.shape
    return Overview(_jpeg(picture.grey), columns, rows, tuple(shapes))


def crops_of(film: Film, key: AnswerKey, target: TargetGrade) -> Crops | None:
    """The place of a target, None when the key does not say where it is on the film."""
    members = [i for i in key.indications if i.id in target.target.members and i.bbox_px is not None]
    if not members:
        return None
    boxes = np.array([m.bbox_px for m in members], dtype=np.float64)
    box: Box = (float(boxes[:, 0].min()), float(boxes[:, 1].min()), float(boxes[:, 2].max()), float(boxes[:, 3].max()))
    plain = crop(film, box, CROP_COLUMNS, CROP_ROWS)
    shown = crop(flattened(film, box, members), box, CROP_COLUMNS, CROP_ROWS)
    outlines = tuple(_points(_in_crop(np.array(_outline(key, m), dtype=np.float64), shown)) for m in members if len(_outline(key, m)) > 2)
    return Crops(_jpeg(plain.grey), _jpeg(shown.grey), CROP_COLUMNS, CROP_ROWS, outlines, plain.tick_px, plain.tick_says)


def flattened(film: Film, box: Box, members: list[Indication]) -> Film:
    """The film round `box` with what changes slowly (caps, fall-off) taken off and a little grain smoothed."""
    scale = film.pixels_per_mm or 10.0
    margin = round(2.5 * AROUND_MM * scale)
    rows = slice(max(int(box[1]) - margin, 0), int(box[3]) + margin)
    columns = slice(max(int(box[0]) - margin, 0), int(box[2]) + margin)
    width_mm = max((m.local_width_mm or m.width_mm or 0.5) for m in members)
    piece = np.nan_to_num(film.density[rows, columns])
    slow = cv2.GaussianBlur(piece, (0, 0), max(2.5 * width_mm, 1.5) * scale)
    smooth = cv2.GaussianBlur(piece, (0, 0), min(max(0.25 * width_mm, 0.05), 0.3) * scale)
    density: F32 = np.zeros_like(film.density)
    density[rows, columns] = smooth - slow
    return replace(film, density=density)


def mark_outline(mark: Indication, arcs: tuple[Frame, ...], key: AnswerKey) -> F64 | None:
    """The mark as a closed outline in film pixels; a mark without an offset spans the weld. None when its station is not on the film."""
    extent, scale = extent_of(mark), key.film.pixels_per_mm
    if extent is None or not scale:
        return None
    for frame in arcs:
        if frame.station_mm is None or (extent.wall and frame.wall and extent.wall != frame.wall):
            continue
        for turn in (0.0, key.weld.length_mm or 0.0):
            station = extent.along_mm + turn
            if frame.station_mm[0] - 1 <= station <= frame.station_mm[-1] + 1:
                return _box_on(frame, station, max(extent.half_along_mm, 0.6), extent.across_mm, extent.half_across_mm, scale)
    return None


def _box_on(frame: Frame, station: float, half_along: float, across: float, half_across: float, scale: float) -> F64:
    stations = np.linspace(station - half_along, station + half_along, 9)
    if np.isfinite(half_across):
        low, high = (across - max(half_across, 0.6)) * scale, (across + max(half_across, 0.6)) * scale
    else:
        low, high = -float(frame.left_px.mean()), float(frame.right_px.mean())
    return np.vstack([frame.at(stations, low), frame.at(stations[::-1], high)])


def _truth_shapes(target: TargetGrade, key: AnswerKey, picture: Picture) -> list[Shape]:
    style = "missed" if not target.found else "truth"
    members = [i for i in key.indications if i.id in target.target.members]
    drawn = [np.array(_outline(key, m), dtype=np.float64) for m in members if len(_outline(key, m)) > 2]
    if not target.relevant and not target.found:
        style = "small"
    return [_shape(picture.place(points), f"T{target.target.id}" if k == 0 else "", style, above=True) for k, points in enumerate(drawn)]


def _outline(key: AnswerKey, indication: Indication) -> tuple[tuple[float, float], ...]:
    return key.fact(indication.id).true_outline_px or indication.outline_px


def _shape(points: F64, label: str, style: str, above: bool) -> Shape:
    low, high = points.min(axis=0), points.max(axis=0)
    if (high - low).max() < 8:
        middle = (low + high) / 2
        angles = np.linspace(0, 2 * np.pi, 13)[:-1]
        points = middle + 6 * np.column_stack([np.cos(angles), np.sin(angles)])
        low, high = middle - 6, middle + 6
    y = low[1] - 5 if above else high[1] + 16
    return Shape(_points(points), label, round(float((low[0] + high[0]) / 2), 1), round(float(y), 1), style)


def _in_crop(points: F64, piece: Crop) -> F64:
    return np.asarray((points - [piece.left_px, piece.top_px]) * piece.scale - 0.5)


def _points(points: F64) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in points)


def _jpeg(grey: NDArray[np.uint8]) -> str:
    from PIL import Image

    file = io.BytesIO()
    Image.fromarray(grey).save(file, format="JPEG", quality=82)
    return "data:image/jpeg;base64," + base64.b64encode(file.getvalue()).decode("ascii")
