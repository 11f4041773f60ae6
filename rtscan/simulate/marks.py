"""Image quality indicators and lead letters: bodies on the part, drawn by the same projection as flaws where they lie on the part, and
as flat lead on the film holder otherwise. Each returns steel-equivalent thickness patches and what the key says of them."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from rtscan.film import F32, F64
from rtscan.findings import Box, ObjectKind, ObjectMark
from rtscan.knowledge.iqi import plaque
from rtscan.simulate.images import shrink
from rtscan.simulate.imaging import Raster
from rtscan.simulate.recipe import IqiPart, LetterPart

ISO_WIRES = (3.20, 2.50, 2.00, 1.60, 1.25, 1.00, 0.80, 0.63, 0.50, 0.40, 0.32, 0.25, 0.20, 0.16, 0.125, 0.100, 0.080, 0.063, 0.050)
ASTM_WIRES_MM = (
    0.08,
    0.10,
    0.13,
    0.16,
    0.20,
    0.25,
    0.33,
    0.41,
    0.51,
    0.64,
    0.81,
    1.02,
    1.27,
    1.60,
    2.03,
    2.54,
    3.20,
    4.06,
    5.08,
    6.35,
    8.13,
)
ASTM_SETS = {"A": 1, "B": 6, "C": 11, "D": 16}
SHIM_RIM_MM = 3.2
DUPLEX_MM = (0.80, 0.63, 0.50, 0.40, 0.32, 0.25, 0.20, 0.16, 0.13, 0.10, 0.08, 0.063, 0.05)


@dataclass(frozen=True)
class FlatPatch:
    """Thickness (mm) of one substance at film pixels, first pixel (x0, y0), and the height over the film that sets its blur."""

    thickness: F32
    x0: int
    y0: int
    substance: str
    height_mm: float


def wires_of(iqi: IqiPart) -> tuple[tuple[int, float], ...]:
    """Wire numbers and diameters (mm) of a wire set. ValueError names what is wrong."""
    if iqi.kind == "ASTM-wire":
        if iqi.set not in ASTM_SETS:
            raise ValueError(f"ASTM wire set {iqi.set!r} is not known; use A, B, C or D")
        first = ASTM_SETS[iqi.set]
        return tuple((n, ASTM_WIRES_MM[n - 1]) for n in range(first, first + 6))
    number = iqi.set.upper().removeprefix("W")
    if number not in {"1", "6", "10", "13"}:
        raise ValueError(f"wire set {iqi.set!r} is not known; use W1, W6, W10 or W13")
    return tuple((n, ISO_WIRES[n - 1]) for n in range(int(number), int(number) + 7))


def _canvas(raster: Raster, u0: float, u1: float, v0: float, v1: float, over: int) -> tuple[int, int, F64, F64]:
    """Pixel window round a rectangle given from the film's middle along (u) and across (v) the weld, and (u, v) of its fine samples."""
    corners = [raster.to_px(raster.c0 + u, raster.z0 + v) for u in (u0, u1) for v in (v0, v1)]
    xs, ys = [float(c[0]) for c in corners], [float(c[1]) for c in corners]
    x0, y0 = int(np.clip(min(xs) - 3, -8, raster.width)), int(np.clip(min(ys) - 3, -8, raster.height))
    x1, y1 = int(np.clip(max(xs) + 3, 0, raster.width + 8)), int(np.clip(max(ys) + 3, 0, raster.height + 8))
    x = x0 - 0.5 + (np.arange(max(x1 - x0, 1) * over) + 0.5) / over
    y = y0 - 0.5 + (np.arange(max(y1 - y0, 1) * over) + 0.5) / over
    c, z = raster.to_mm(x[None, :], y[:, None])
    return x0, y0, c - raster.c0, z - raster.z0


def wire_patches(
    iqi: IqiPart, raster: Raster, height_mm: float, magnification: float, rng: np.random.Generator
) -> tuple[list[FlatPatch], list[ObjectMark]]:
    """The wires of a set as steel, across the weld; one mark for each wire."""
    across = iqi.across_mm or 0.0
    patches, marks = [], []
    wires = wires_of(iqi)
    half = 0.5 * iqi.wire_length_mm * magnification
    for k, (number, diameter) in enumerate(wires):
        d = diameter * magnification
        u = iqi.along_mm + (k - 0.5 * (len(wires) - 1)) * max(5.0, 3 * diameter) * magnification + float(rng.normal(0, 0.12))
        lean, bend = float(rng.normal(0, 0.006)), float(rng.normal(0, 0.0003))
        over = int(np.clip(np.ceil(4.0 / (d * raster.pixels_per_mm)), 2, 8))
        reach = d + abs(lean) * half + abs(bend) * half * half + 0.3
        x0, y0, uu, vv = _canvas(raster, u - reach, u + reach, across - half, across + half, over)
        v = vv - across
        off = uu - u - lean * v - bend * v * v
        chord = 2.0 * np.sqrt(np.maximum((0.5 * d) ** 2 - off * off, 0.0)) / magnification * (np.abs(v) <= half)
        small = shrink(chord.astype(np.float32), over)
        patches.append(FlatPatch(small, x0, y0, "carbon steel", height_mm))
        ends = [raster.to_px(raster.c0 + u + lean * t * half, raster.z0 + across + t * half) for t in (-1.0, 1.0)]
        marks.append(_mark("wire", ends, f"W{number}" if iqi.kind == "ISO-wire" else f"ASTM {number}", 0.5 * d * raster.pixels_per_mm))
    return patches, marks


def hole_patch(
    iqi: IqiPart, raster: Raster, height_mm: float, magnification: float, rng: np.random.Generator
) -> tuple[list[FlatPatch], list[ObjectMark]]:
    """A hole-type plaque as drawn in ASTM E1025, with its shim and, where labelled, its lead number on the end without holes."""
    plate = plaque(iqi.set or "15")
    if plate is None:
        raise ValueError(f"plaque {iqi.set!r} is not known")
    across, turn = iqi.across_mm or 0.0, np.deg2rad(iqi.turn_deg)
    half_p, half_q = 0.5 * plate.length_mm * magnification, 0.5 * plate.width_mm * magnification
    reach = float(np.hypot(half_p, half_q)) + SHIM_RIM_MM * magnification
    x0, y0, uu, vv = _canvas(raster, iqi.along_mm - reach, iqi.along_mm + reach, across - reach, across + reach, 4)
    u, v = uu - iqi.along_mm, vv - across
    p, q = np.abs(u * np.cos(turn) + v * np.sin(turn)), np.abs(v * np.cos(turn) - u * np.sin(turn))
    body = plate.thickness_mm * ((p <= half_p) & (q <= half_q))
    for _, size_mm, place_mm in plate.holes:
        off = np.hypot(u - place_mm * magnification * np.cos(turn), v - place_mm * magnification * np.sin(turn))
        body[off <= 0.5 * size_mm * magnification] = 0.0
    rim = SHIM_RIM_MM * magnification
    body += iqi.shim_mm * ((p <= half_p + rim) & (q <= half_q + rim))
    patches = [FlatPatch(shrink(body.astype(np.float32), 4), x0, y0, "carbon steel", height_mm)]
    corners = [(a * half_p * np.cos(turn) - b * half_q * np.sin(turn), a * half_p * np.sin(turn) + b * half_q * np.cos(turn))
               for a in (-1, 1) for b in (-1, 1)]
    ends = [raster.to_px(raster.c0 + iqi.along_mm + du, raster.z0 + across + dv) for du, dv in corners]
    marks = [_mark("marker", ends, f"plaque {plate.number}")]
    if iqi.label:
        back = 0.5 * half_p + 0.15 * half_p
        number = LetterPart(text=str(plate.number), along_mm=iqi.along_mm - back * np.cos(turn), across_mm=across - back * np.sin(turn),
                            height_mm=0.4 * plate.width_mm, lead_mm=0.8, turn_deg=iqi.turn_deg)
        letter, mark = letter_patch(number, raster, height_mm, rng)
        patches += [] if letter is None else [letter]
        marks.append(mark)
    return patches, marks


def duplex_patch(iqi: IqiPart, raster: Raster, height_mm: float, magnification: float) -> tuple[list[FlatPatch], list[ObjectMark]]:
    """Pairs of tungsten (first three) and platinum wires (drawn as tungsten), diameter and gap from 0.80 to 0.05 mm."""
    across = iqi.across_mm if iqi.across_mm is not None else 0.0
    over = 8
    u0, u1 = iqi.along_mm - 36 * magnification, iqi.along_mm + 36 * magnification
    x0, y0, uu, vv = _canvas(raster, u0, u1, across - 7.5 * magnification, across + 7.5 * magnification, over)
    chord, place = np.zeros(uu.shape, dtype=np.float32), -32.0
    for d in DUPLEX_MM:
        for shift in (0.0, 2 * d):
            off = (uu - iqi.along_mm) / magnification - place - shift
            chord = np.maximum(
                chord,
                (2.0 * np.sqrt(np.maximum((0.5 * d) ** 2 - off * off, 0.0)) * (np.abs(vv - across) <= 7.0 * magnification)).astype(
                    np.float32
                ),
            )
        place += 3.0 + 3 * d
    small = shrink(chord, over)
    ends = [raster.to_px(raster.c0 + u, raster.z0 + across + v) for u in (u0, u1) for v in (-7.0, 7.0)]
    return [FlatPatch(small, x0, y0, "tungsten", height_mm)], [_mark("marker", ends, "duplex wires")]


def letter_patch(letter: LetterPart, raster: Raster, height_mm: float, rng: np.random.Generator) -> tuple[FlatPatch | None, ObjectMark]:
    """Lead letters as drawn with a round tool; a stencil is a lead plate with the letters cut out and a row of holes along two edges."""
    over = 2
    ppm = raster.pixels_per_mm * over
    glyphs = _text(letter, ppm)
    if letter.mirrored:
        glyphs = np.ascontiguousarray(glyphs[:, ::-1])
    rows, columns = glyphs.shape
    turn = np.deg2rad(letter.turn_deg + raster.turn_deg + float(rng.normal(0, 1.0)))
    cx, cy = (float(v) for v in raster.to_px(raster.c0 + letter.along_mm, raster.z0 + letter.across_mm))
    reach = (
        0.5 * (columns * abs(np.cos(turn)) + rows * abs(np.sin(turn))) / over + 3,
        0.5 * (columns * abs(np.sin(turn)) + rows * abs(np.cos(turn))) / over + 3,
    )
    box = (cx - reach[0], cy - reach[1], cx + reach[0], cy + reach[1])
    mark = ObjectMark("marker" if letter.stencil else "letter", _clip(box, raster), letter.text)
    x0, y0 = max(int(box[0]), -4), max(int(box[1]), -4)
    x1, y1 = min(int(box[2]) + 1, raster.width + 4), min(int(box[3]) + 1, raster.height + 4)
    if x1 - x0 < 2 or y1 - y0 < 2:
        return None, mark
    move = np.asarray([[np.cos(turn), -np.sin(turn), 0.0], [np.sin(turn), np.cos(turn), 0.0]])
    middle = move[:, :2] @ np.asarray([0.5 * (columns - 1), 0.5 * (rows - 1)])
    move[:, 2] = np.asarray([(cx - x0) * over, (cy - y0) * over]) - middle
    fine = cv2.warpAffine(glyphs, move, ((x1 - x0) * over, (y1 - y0) * over), flags=cv2.INTER_LINEAR)
    small = shrink(np.asarray(fine, dtype=np.float32), over) * np.float32(letter.lead_mm)
    return FlatPatch(small, x0, y0, "lead", height_mm), mark


def _text(letter: LetterPart, ppm: float) -> F32:
    """Glyphs of a text, 0 to 1."""
    size = letter.height_mm * ppm
    scale = size / 21.0
    stroke = max(round(size * 0.15), 1)
    gap = int(0.28 * size)
    parts = []
    for letter_ in letter.text.replace("0", "O"):
        (width, _), _ = cv2.getTextSize(letter_, cv2.FONT_HERSHEY_SIMPLEX, scale, stroke)
        cell = np.zeros((int(1.9 * size), max(width, int(0.4 * size)) + gap), dtype=np.uint8)
        cv2.putText(cell, letter_, (gap // 2, int(1.42 * size)), cv2.FONT_HERSHEY_SIMPLEX, scale, 255, stroke, cv2.LINE_AA)
        parts.append(cell.astype(np.float32) / np.float32(255.0))
    text = np.hstack(parts)
    if not letter.stencil:
        return np.asarray(np.clip(text + (0.10 if letter.plate else 0.0), 0, 1), dtype=np.float32)
    plate = np.clip(
        1.0 - np.hstack([np.zeros((text.shape[0], gap), np.float32), text, np.zeros((text.shape[0], gap), np.float32)]), 0.0, 1.0
    )
    for x in np.arange(gap, plate.shape[1] - gap // 2, max(0.42 * size, 2)):
        for y in (0.13, 0.87):
            cv2.circle(plate, (int(x), int(y * plate.shape[0])), max(int(0.07 * size), 1), 0.0, -1, cv2.LINE_AA)
    return np.asarray(plate, dtype=np.float32)


def iqi_frame_text(iqi: IqiPart) -> str:
    """The label of an indicator: first wire, material, standard."""
    return f"{iqi.set.upper().removeprefix('W')} FE ISO" if iqi.kind == "ISO-wire" else f"ASTM {iqi.set}"


def _mark(kind: ObjectKind, ends: list[tuple[F64, F64]], says: str, pad: float = 0.0) -> ObjectMark:
    xs, ys = [float(e[0]) for e in ends], [float(e[1]) for e in ends]
    return ObjectMark(kind, (min(xs) - pad, min(ys) - pad, max(xs) + pad, max(ys) + pad), says)


def _clip(box: Box, raster: Raster) -> Box:
    return max(box[0], 0.0), max(box[1], 0.0), min(box[2], raster.width - 1.0), min(box[3], raster.height - 1.0)
