"""Marks of film, processing, handling and scan. Those made before development act on the dose, the others on the density.

Looks after the film reading references: section 8 of the project's notes (film artefacts). Strengths are choices of the project.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

from rtscan.film import F32, F64
from rtscan.findings import Box, ObjectKind, ObjectMark
from rtscan.simulate.images import add_patch, gaussian, stretch
from rtscan.simulate.imaging import Raster
from rtscan.simulate.recipe import ArtefactPart, Recipe

BEFORE_DEVELOPMENT = frozenset({"static", "light leak", "double-exposed corner", "screen dirt", "screen mark", "pressure mark"})
Drawn = tuple[F32, int, int, Box]
Drawer = Callable[[ArtefactPart, Raster, np.random.Generator], Drawn]


def mark_dose(dose: F32, recipe: Recipe, raster: Raster, rng: np.random.Generator, usual: float) -> tuple[F32, tuple[ObjectMark, ...]]:
    """Marks that act before development, in units of the `usual` dose; returns the dose with them, and their objects."""
    rows = [(part, child) for part, child in _children(recipe, rng) if part.kind in BEFORE_DEVELOPMENT]
    if not rows:
        return dose, ()
    out, marks = dose.copy(), []
    for part, child in rows:
        patch, x0, y0, box = DRAWERS[part.kind](part, raster, child)
        add_patch(out, patch * np.float32(usual), x0, y0)
        marks.append(_mark(part, box, raster))
    np.maximum(out, 0.0, out=out)
    return out, tuple(marks)


def mark_film(density: F32, recipe: Recipe, raster: Raster, rng: np.random.Generator) -> tuple[ObjectMark, ...]:
    """Marks on the developed film and of the scanner, drawn into the density in place."""
    marks: list[ObjectMark] = []
    for part, child in _children(recipe, rng):
        if part.kind not in BEFORE_DEVELOPMENT:
            patch, x0, y0, box = DRAWERS[part.kind](part, raster, child)
            add_patch(density, patch, x0, y0)
            marks.append(_mark(part, box, raster))
    dust_rng, border_rng = rng.spawn(2)
    for _ in range(recipe.scan.dust):
        patch, x0, y0, box = _dust(ArtefactPart(kind="dust"), raster, dust_rng)
        add_patch(density, patch, x0, y0)
        marks.append(ObjectMark("dust", _cut(box, raster), "dust"))
    np.maximum(density, 0.0, out=density)
    if recipe.film.border_mm > 0:
        marks += _border(density, recipe, raster, border_rng)
    return tuple(marks)


def _children(recipe: Recipe, rng: np.random.Generator) -> list[tuple[ArtefactPart, np.random.Generator]]:
    return list(zip(recipe.artefacts, rng.spawn(len(recipe.artefacts)), strict=True))


def _mark(part: ArtefactPart, box: Box, raster: Raster) -> ObjectMark:
    kinds: dict[str, ObjectKind] = {"scratch": "scratch", "screen mark": "scratch", "dust": "dust"}
    return ObjectMark(kinds.get(part.kind, "artefact"), _cut(box, raster), part.kind)


def _cut(box: Box, raster: Raster) -> Box:
    x = [float(np.clip(v, 0, raster.width - 1)) for v in (box[0], box[2])]
    y = [float(np.clip(v, 0, raster.height - 1)) for v in (box[1], box[3])]
    return round(x[0], 1), round(y[0], 1), round(x[1], 1), round(y[1], 1)


def _spot(part: ArtefactPart, raster: Raster, rng: np.random.Generator) -> tuple[float, float]:
    """Film pixel of the middle of a mark."""
    drawn = rng.uniform(0.04, 0.96) * raster.width, rng.uniform(0.06, 0.94) * raster.height
    if part.along_mm is None and part.across_mm is None:
        return float(drawn[0]), float(drawn[1])
    x, y = raster.to_px(raster.c0 + (part.along_mm or 0.0), raster.z0 + (part.across_mm or 0.0))
    return float(x), float(y)


def _strokes(lines: list[F64], widths: list[float], strength: float, soft_px: float = 0.4) -> Drawn:
    """Lines (film pixels, (n, 2)) of widths (pixels), drawn four times finer and averaged."""
    points = np.concatenate(lines)
    pad = int(max(widths) + 3 * soft_px + 3)
    x0, y0 = int(np.floor(points[:, 0].min())) - pad, int(np.floor(points[:, 1].min())) - pad
    columns, rows = int(np.ceil(points[:, 0].max())) + pad - x0 + 1, int(np.ceil(points[:, 1].max())) + pad - y0 + 1
    canvas = np.zeros((rows * 2, columns * 2), dtype=np.uint8)
    for line, width in zip(lines, widths, strict=True):
        fixed = np.rint((line - np.asarray([x0, y0]) + 0.5) * 2 * 16).astype(np.int32)
        cv2.polylines(canvas, [fixed[:, None, :]], False, 255, max(round(2 * width), 1), cv2.LINE_AA, 4)
    patch = stretch(canvas.astype(np.float32) / np.float32(255.0), (rows, columns))
    patch = gaussian(patch, soft_px) * np.float32(strength)
    low, high = points.min(axis=0), points.max(axis=0)
    return patch, x0, y0, (float(low[0]), float(low[1]), float(high[0]), float(high[1]))


def _walk(start: tuple[float, float], length: float, angle: float, bend: float, rng: np.random.Generator, steps: int = 24) -> F64:
    """A curved line of a length (pixels) from a start, turning slowly and a little at random."""
    turns = angle + np.cumsum(rng.normal(0, 0.06, steps)) + np.linspace(0, bend, steps)
    move = np.column_stack([np.cos(turns), np.sin(turns)]) * length / steps
    return np.asarray(np.vstack([[0.0, 0.0], np.cumsum(move, axis=0)]) + np.asarray(start), dtype=np.float64)


def _scratch(part: ArtefactPart, raster: Raster, rng: np.random.Generator) -> Drawn:
    length = (part.length_mm or float(rng.lognormal(3.0, 0.7))) * raster.pixels_per_mm
    line = _walk(_spot(part, raster, rng), length, float(rng.uniform(0, 2 * np.pi)), float(rng.normal(0, 0.2)), rng)
    sign = 1.0 if rng.random() < 0.5 else -1.0
    return _strokes([line], [float(rng.uniform(0.03, 0.09)) * raster.pixels_per_mm], sign * part.strength * float(rng.uniform(0.15, 0.5)))


def _screen_mark(part: ArtefactPart, raster: Raster, rng: np.random.Generator) -> Drawn:
    line = _walk(_spot(part, raster, rng), (part.length_mm or 18.0) * raster.pixels_per_mm, float(rng.uniform(0, 2 * np.pi)), 0.3, rng)
    sign = 1.0 if rng.random() < 0.5 else -1.0
    return _strokes([line], [0.12 * raster.pixels_per_mm], sign * 0.12 * part.strength, 0.06 * raster.pixels_per_mm)


def _static(part: ArtefactPart, raster: Raster, rng: np.random.Generator) -> Drawn:
    """Branching, crow-foot discharge."""
    size = (part.length_mm or float(rng.uniform(6, 20))) * raster.pixels_per_mm
    start, first = _spot(part, raster, rng), float(rng.uniform(0, 2 * np.pi))
    lines: list[F64] = []
    widths: list[float] = []
    stack = [(start, size, first, 0)]
    while stack and len(lines) < 60:
        place, length, angle, depth = stack.pop()
        line = _walk(place, length, angle, float(rng.normal(0, 0.3)), rng, 10)
        lines.append(line)
        widths.append(max(0.10 * raster.pixels_per_mm * 0.7**depth, 0.7))
        for at in rng.integers(2, 11, int(rng.integers(1, 4)) if depth < 3 else 0):
            stack.append(
                (
                    (float(line[at, 0]), float(line[at, 1])),
                    length * float(rng.uniform(0.3, 0.6)),
                    angle + float(rng.normal(0, 0.8)),
                    depth + 1,
                )
            )
    return _strokes(lines, widths, 0.45 * part.strength, 0.05 * raster.pixels_per_mm)


def _crimp(part: ArtefactPart, raster: Raster, rng: np.random.Generator) -> Drawn:
    """Half-moon of a bent film: light when bent before exposure, dark after."""
    size = (part.length_mm or float(rng.uniform(4, 10))) * raster.pixels_per_mm
    x, y = _spot(part, raster, rng)
    turn, t = float(rng.uniform(0, 2 * np.pi)), np.linspace(-1.1, 1.1, 30)
    arc = np.column_stack([x + size * np.cos(turn + t), y + size * np.sin(turn + t) * 0.9])
    width = 0.35 * raster.pixels_per_mm
    sign = -1.0 if rng.random() < 0.5 else 1.0
    return _strokes([arc[4:-4], arc], [1.6 * width, 0.6 * width], sign * 0.3 * part.strength, 0.25 * raster.pixels_per_mm)


def _pressure(part: ArtefactPart, raster: Raster, rng: np.random.Generator) -> Drawn:
    size = (part.length_mm or float(rng.uniform(2, 8))) * raster.pixels_per_mm
    return _blob(_spot(part, raster, rng), size, 0.7 * size, (-1 if rng.random() < 0.5 else 1) * 0.10 * part.strength, 0.25, rng)


def _screen_dirt(part: ArtefactPart, raster: Raster, rng: np.random.Generator) -> Drawn:
    """A grain between screen and film: light, sharp."""
    size = (part.length_mm or float(rng.lognormal(-0.3, 0.5))) * raster.pixels_per_mm
    return _blob(_spot(part, raster, rng), size, size * float(rng.uniform(0.4, 1.0)), -0.35 * part.strength, 0.03, rng)


def _blob(spot: tuple[float, float], long: float, short: float, strength: float, soft: float, rng: np.random.Generator) -> Drawn:
    """An uneven spot of two axes (pixels); `soft` is its edge as a share of the size."""
    half = int(1.6 * long) + 3
    x0, y0 = int(spot[0]) - half, int(spot[1]) - half
    v, u = np.mgrid[-half : half + 1, -half : half + 1].astype(np.float64)
    turn = float(rng.uniform(0, np.pi))
    a, b = (u * np.cos(turn) + v * np.sin(turn)) / (0.5 * long), (-u * np.sin(turn) + v * np.cos(turn)) / (0.5 * short)
    angle = np.arctan2(b, a)
    edge = 1 + sum(float(rng.normal(0, 0.16 / k)) * np.cos(k * angle + float(rng.uniform(0, 6))) for k in (2, 3, 4, 5))
    inside = np.clip((edge - np.hypot(a, b)) / max(soft, 1.0 / long) + 0.5, 0, 1)
    box = (spot[0] - 0.6 * long, spot[1] - 0.6 * long, spot[0] + 0.6 * long, spot[1] + 0.6 * long)
    return (strength * inside).astype(np.float32), x0, y0, box


def _water(part: ArtefactPart, raster: Raster, rng: np.random.Generator) -> Drawn:
    """Dried drop: a light or dark spot with a sharper ring."""
    size = (part.length_mm or float(rng.uniform(3, 9))) * raster.pixels_per_mm
    patch, x0, y0, box = _blob(_spot(part, raster, rng), size, size * float(rng.uniform(0.7, 1.0)), 1.0, 0.12, rng)
    ring = np.abs(cv2.Laplacian(gaussian(patch, 0.03 * size + 0.5), cv2.CV_32F))
    ring = ring / max(float(ring.max()), 1e-6)
    sign = 1.0 if rng.random() < 0.6 else -1.0
    return (sign * part.strength * (0.05 * patch + 0.10 * ring)).astype(np.float32), x0, y0, box


def _fingerprint(part: ArtefactPart, raster: Raster, rng: np.random.Generator) -> Drawn:
    """Ridges about 0.5 mm apart in an oval, bent round a core, uneven as skin is."""
    ppm = raster.pixels_per_mm
    half = int(11 * ppm)
    v, u = np.mgrid[-half : half + 1 : 2, -half : half + 1 : 2].astype(np.float64) / ppm
    turn, wave = float(rng.uniform(0, np.pi)), float(rng.uniform(0.8, 1.6))
    a, b = u * np.cos(turn) + v * np.sin(turn), -u * np.sin(turn) + v * np.cos(turn)
    skin = 0.35 * stretch(gaussian(rng.standard_normal((24, 24)), 1.2), a.shape) / 0.24
    ridges = np.sin(2 * np.pi / 0.5 * (np.hypot(a * (0.8 + 0.3 * (b > -3.0)), b + 3.0) + wave * 0.3 * np.sin(0.4 * a + wave) + skin))
    oval = np.clip((1 - (a / 6.5) ** 2 - (b / 9.0) ** 2) * 3, 0, 1)
    patchy = np.clip(0.6 + 0.6 * stretch(gaussian(rng.standard_normal((12, 12)), 1.0), ridges.shape), 0, 1)
    fine = stretch(np.clip(ridges, -0.3, 1) * oval * patchy * 0.10 * part.strength, (2 * half + 1, 2 * half + 1))
    x, y = _spot(part, raster, rng)
    sign = 1.0 if rng.random() < 0.6 else -1.0
    return np.asarray(sign * fine, dtype=np.float32), int(x) - half, int(y) - half, (x - 7 * ppm, y - 8 * ppm, x + 7 * ppm, y + 8 * ppm)


def _rollers(part: ArtefactPart, raster: Raster, rng: np.random.Generator) -> Drawn:
    """Straight faint lines along the feed, or spots at the pitch of a roller, over the whole film."""
    patch = np.zeros((raster.height, raster.width), dtype=np.float32)
    if rng.random() < 0.5:
        for x in rng.uniform(0, raster.width, int(rng.integers(2, 7))):
            patch[:, int(x)] = float(rng.uniform(-0.05, 0.05)) * part.strength
        return gaussian(patch, 0.8), 0, 0, (0.0, 0.0, raster.width - 1.0, raster.height - 1.0)
    pitch, y, size = (
        float(rng.uniform(18, 45)) * raster.pixels_per_mm,
        float(rng.uniform(0.1, 0.9)) * raster.height,
        0.5 * raster.pixels_per_mm,
    )
    spots = np.arange(rng.uniform(0, pitch), raster.width, pitch)
    for x in spots:
        cv2.circle(patch, (int(x), int(y)), max(int(size), 1), 0.12 * part.strength, -1, cv2.LINE_8)
    return (
        gaussian(patch, 0.1 * raster.pixels_per_mm),
        0,
        0,
        (float(spots.min(initial=0.0)), y - size, float(spots.max(initial=1.0)), y + size),
    )


def _light_leak(part: ArtefactPart, raster: Raster, rng: np.random.Generator) -> Drawn:
    """Fog that fades from one edge or corner, drawn at a coarse grid."""
    rows, columns = max(raster.height // 16, 8), max(raster.width // 16, 8)
    edge = int(rng.integers(4))
    depth = (part.length_mm or float(rng.uniform(8, 30))) * raster.pixels_per_mm / 16
    away = {0: np.arange(rows)[:, None], 1: np.arange(rows)[::-1, None], 2: np.arange(columns)[None, :], 3: np.arange(columns)[None, ::-1]}[
        edge
    ]
    along = gaussian(rng.standard_normal((1, columns) if edge < 2 else (rows, 1)), 0.12 * max(columns, rows))
    along = np.clip(0.5 + along / (np.abs(along).max() + 1e-9), 0, 1.5)
    fog = stretch(np.exp(-away / depth) * along * 0.6 * part.strength, raster.shape)
    size = 16 * depth
    boxes = [
        (0.0, 0.0, raster.width - 1.0, size),
        (0.0, raster.height - size, raster.width - 1.0, raster.height - 1.0),
        (0.0, 0.0, size, raster.height - 1.0),
        (raster.width - size, 0.0, raster.width - 1.0, raster.height - 1.0),
    ]
    return fog, 0, 0, boxes[edge]


def _double_corner(part: ArtefactPart, raster: Raster, rng: np.random.Generator) -> Drawn:
    """A corner exposed twice: a straight-edged darker area with a soft border."""
    size = (part.length_mm or float(rng.uniform(15, 40))) * raster.pixels_per_mm
    right, low = rng.random() < 0.5, rng.random() < 0.5
    slope = float(rng.uniform(-0.35, 0.35))
    v, u = np.mgrid[0 : raster.height : 8, 0 : raster.width : 8].astype(np.float64)
    du, dv = (raster.width - u if right else u), (raster.height - v if low else v)
    inside = np.clip((size + slope * dv - du) / (0.4 * raster.pixels_per_mm) + 0.5, 0, 1) * np.clip(
        (0.9 * size - dv) / (0.4 * raster.pixels_per_mm) + 0.5, 0, 1
    )
    x = (raster.width - 1.4 * size, raster.width - 1.0) if right else (0.0, 1.4 * size)
    y = (raster.height - 0.9 * size, raster.height - 1.0) if low else (0.0, 0.9 * size)
    return stretch(inside * 0.35 * part.strength, raster.shape), 0, 0, (x[0], y[0], x[1], y[1])


def _handwriting(part: ArtefactPart, raster: Raster, rng: np.random.Generator) -> Drawn:
    """Pen on the film: dark loops, ticks and arrows."""
    ppm = raster.pixels_per_mm
    x, y = _spot(part, raster, rng)
    lines: list[F64] = []
    for k in range(int(rng.integers(1, 5))):
        n = int(rng.integers(5, 9))
        nodes = rng.uniform(-0.5, 0.5, (n, 2)) * np.asarray([2.6, 4.4]) * ppm + np.asarray([x + k * 3.6 * ppm, y])
        fine = np.column_stack([np.interp(np.linspace(0, n - 1, 60), np.arange(n), nodes[:, i]) for i in (0, 1)])
        lines.append(np.column_stack([gaussian(fine[:, i][None, :], 3.0)[0] for i in (0, 1)]).astype(np.float64))
    return _strokes(lines, [0.35 * ppm] * len(lines), 1.2 * part.strength, 0.06 * ppm)


def _bromide(part: ArtefactPart, raster: Raster, rng: np.random.Generator) -> Drawn:
    """Streaks along the way the film hung."""
    rows, columns = max(raster.height // 8, 4), max(raster.width // 8, 8)
    streak = gaussian(rng.standard_normal((1, columns)), 3.0)
    streak = streak / (np.abs(streak).max() + 1e-9)
    fade = np.linspace(0.2, 1.0, rows)[:, None] if rng.random() < 0.5 else np.linspace(1.0, 0.2, rows)[:, None]
    return stretch(streak * fade * 0.07 * part.strength, raster.shape), 0, 0, (0.0, 0.0, raster.width - 1.0, raster.height - 1.0)


def _dust(part: ArtefactPart, raster: Raster, rng: np.random.Generator) -> Drawn:
    """A grain or a hair on the film or the scanner's glass: mostly light, thin, faint."""
    ppm = raster.pixels_per_mm
    sign = -1.0 if rng.random() < 0.7 else 1.0
    strength = sign * part.strength * float(np.clip(rng.lognormal(-2.3, 0.6), 0.03, 0.6))
    if rng.random() < 0.45:
        length = (part.length_mm or float(np.clip(rng.lognormal(-0.5, 0.6), 0.2, 4))) * ppm
        line = _walk(_spot(part, raster, rng), length, float(rng.uniform(0, 6.3)), float(rng.normal(0, 1.2)), rng, 14)
        return _strokes([line], [float(rng.uniform(0.03, 0.06)) * ppm], strength, 0.5)
    size = (part.length_mm or float(np.clip(rng.lognormal(-2.0, 0.5), 0.06, 0.8))) * ppm
    return _blob(_spot(part, raster, rng), max(size, 1.2), max(0.7 * size, 1.0), strength, 0.3, rng)


DRAWERS: dict[str, Drawer] = {
    "scratch": _scratch,
    "crimp mark": _crimp,
    "static": _static,
    "roller marks": _rollers,
    "dust": _dust,
    "fingerprint": _fingerprint,
    "water spot": _water,
    "screen mark": _screen_mark,
    "light leak": _light_leak,
    "handwriting": _handwriting,
    "double-exposed corner": _double_corner,
    "pressure mark": _pressure,
    "screen dirt": _screen_dirt,
    "bromide streaks": _bromide,
}


def _border(density: F32, recipe: Recipe, raster: Raster, rng: np.random.Generator) -> list[ObjectMark]:
    """The scanner's surround: nothing there but its darkest grey, a little out of true."""
    wide = recipe.film.border_mm * raster.pixels_per_mm
    rows, columns = density.shape
    level = np.float32(recipe.scan.density_max + 0.3)
    sizes = [max(int(wide * rng.uniform(0.6, 1.2)), 1) for _ in range(4)]
    density[: sizes[0]], density[rows - sizes[1] :] = level, level
    density[:, : sizes[2]], density[:, columns - sizes[3] :] = level, level
    boxes = [
        (0.0, 0.0, columns - 1.0, sizes[0] - 1.0),
        (0.0, float(rows - sizes[1]), columns - 1.0, rows - 1.0),
        (0.0, 0.0, sizes[2] - 1.0, rows - 1.0),
        (float(columns - sizes[3]), 0.0, columns - 1.0, rows - 1.0),
    ]
    return [ObjectMark("border", box, "scan border") for box in boxes]
