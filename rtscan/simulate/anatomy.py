"""The shape of the weld: cap and root heights over the plate, in mm, along and across the weld. No flaws, no rays.

A relief is an array (across, along) of heights: row 0 at -`half_mm` across, column 0 at `from_mm` along.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from rtscan.film import F32, F64
from rtscan.simulate.recipe import WeldPart

ALONG_STEP_MM = 0.1
ACROSS_STEP_MM = 0.05


@dataclass(frozen=True)
class Relief:
    """Heights (mm, float32, (across, along)) of one surface over the parent metal, and where they lie."""

    height: F32
    from_mm: float
    half_mm: float


@dataclass(frozen=True)
class WallRelief:
    """Both surfaces of one wall, and the edges of the cap across (mm, at `along`), left (negative) and right."""

    external: Relief
    internal: Relief
    along: F64
    left: F64
    right: F64
    centre: F64
    root_centre: F64
    root_half: F64


def cap_width_mm(weld: WeldPart) -> float:
    """As given, else what the preparation needs: groove plus 1.5 mm overlap each side."""
    if weld.cap_width_mm is not None:
        return weld.cap_width_mm
    slope = {"V": 1.0, "X": 0.5, "U": 0.45, "J": 0.45, "square": 0.0}[weld.preparation]
    groove = weld.gap_mm + 2 * slope * np.tan(np.deg2rad(weld.bevel_deg)) * max(weld.wall_mm - weld.land_mm, 0.0)
    return float(np.clip(groove + 3.0, 4.0, 60.0))


def smooth_noise(n: int, step_mm: float, scale_mm: float, rng: np.random.Generator) -> F64:
    """Gaussian random curve of unit spread that changes over `scale_mm`, shape (n,)."""
    coarse = max(int(n * step_mm / scale_mm * 4) + 8, 8)
    nodes = cv2.GaussianBlur(rng.standard_normal((1, coarse)), (0, 0), 2.0, borderType=cv2.BORDER_REFLECT)[0]
    nodes *= np.sqrt(2.0 * np.sqrt(np.pi) * 2.0)
    where = np.linspace(2.0, 2.0 + (n - 1) * step_mm / scale_mm * 4, n)
    return np.asarray(np.interp(where, np.arange(coarse), nodes))


def make_relief(weld: WeldPart, centre: F64, from_mm: float, rng: np.random.Generator) -> WallRelief:
    """The reliefs of one wall. `centre` is the weld centreline across (mm) at steps of ALONG_STEP_MM from `from_mm`."""
    n = centre.size
    along = from_mm + ALONG_STEP_MM * np.arange(n)
    width = cap_width_mm(weld)
    double = weld.preparation == "X"
    half = 0.5 * width + 4.0 + float(np.max(np.abs(centre), initial=0.0))
    across = np.arange(-half, half + ACROSS_STEP_MM, ACROSS_STEP_MM)[:, None]
    stops = _stops(weld, along, rng)
    cap, left, right = _bead_row(weld, across, along, centre, width, weld.cap_height_mm, weld.cap_passes, stops, rng)
    root_centre = centre + 0.15 * weld.roughness * smooth_noise(n, ALONG_STEP_MM, 12.0, rng)
    if double:
        root, r_left, r_right = _bead_row(weld, across, along, root_centre, 0.85 * width, 0.8 * weld.cap_height_mm, 1, stops, rng)
        root_half = 0.5 * (r_right - r_left)
    else:
        root, root_half = _root(weld, across, along, root_centre, rng)
    mismatch = weld.mismatch_mm
    if mismatch:
        outer = np.clip((across - left) / np.maximum(right - left, 1e-3), 0, 1)
        inner = np.clip(0.5 + (across - root_centre) / (2 * root_half), 0, 1)
        root = root + mismatch * (inner - outer)
    cap32, root32 = cap.astype(np.float32), root.astype(np.float32)
    return WallRelief(Relief(cap32, from_mm, half), Relief(root32, from_mm, half), along, left, right, centre, root_centre, root_half)


def _stops(weld: WeldPart, along: F64, rng: np.random.Generator) -> tuple[float, ...]:
    if weld.stops_mm is not None:
        return weld.stops_mm
    place, found = along[0] + rng.uniform(10, 150), []
    while place < along[-1]:
        found.append(float(place))
        place += rng.uniform(70, 220)
    return tuple(found)


def _ripple_phase(along: F64, pitch: float, stops: tuple[float, ...], rng: np.random.Generator) -> F64:
    """Ripple number along the weld: travel speed wanders, and every stop starts anew."""
    n = along.size
    rate = 1.0 / (
        pitch * np.clip(1.0 + 0.22 * smooth_noise(n, ALONG_STEP_MM, 6.0, rng) + 0.15 * smooth_noise(n, ALONG_STEP_MM, 1.6, rng), 0.4, 2.0)
    )
    phase = np.cumsum(rate) * ALONG_STEP_MM
    for stop in stops:
        phase[along >= stop] += rng.uniform(0, 1)
    return np.asarray(phase)


def _bead_row(
    weld: WeldPart,
    across: F64,
    along: F64,
    centre: F64,
    width: float,
    height: float,
    passes: int,
    stops: tuple[float, ...],
    rng: np.random.Generator,
) -> tuple[F64, F64, F64]:
    """A layer of one or several beads side by side; returns heights and the two edges."""
    step = width / (passes + 0.6 * (passes > 1))
    top = np.full((across.shape[0], along.size), -1.0, dtype=np.float64)
    left, right = np.full(along.size, np.inf), np.full(along.size, -np.inf)
    for k in range(passes):
        middle = centre + (k - 0.5 * (passes - 1)) * step
        bead, l_edge, r_edge = _bead(weld, across, along, middle, width if passes == 1 else 1.6 * step, height, stops, rng)
        top = np.maximum(top, bead)
        left, right = np.minimum(left, l_edge), np.maximum(right, r_edge)
    top = np.where(top < 0, 0.0, top)
    if weld.ground:
        top = np.minimum(top, 0.15 + 0.03 * smooth_noise(along.size, ALONG_STEP_MM, 25.0, rng))
    return top, left, right


def _bead(
    weld: WeldPart, across: F64, along: F64, middle: F64, width: float, height: float, stops: tuple[float, ...], rng: np.random.Generator
) -> tuple[F64, F64, F64]:
    n, rough = along.size, weld.roughness
    phase = _ripple_phase(along, weld.ripple_pitch_mm, stops, rng)
    wave = np.mod(phase, 1.0)
    scallop = np.sqrt(np.abs(np.sin(np.pi * phase)))
    ripple_share = min(weld.ripple_mm / 0.25, 2.0)
    edges = []
    for sign in (-1.0, 1.0):
        wander = 0.03 * width * smooth_noise(n, ALONG_STEP_MM, 18.0, rng) + 0.012 * width * smooth_noise(n, ALONG_STEP_MM, 3.0, rng)
        edges.append(middle + sign * 0.5 * width + rough * (wander + sign * 0.10 * ripple_share * (scallop - 0.7)))
    left, right = edges
    share = (across - 0.5 * (left + right)) / (0.5 * np.maximum(right - left, 0.5))
    level = height * np.clip(
        1.0 + rough * (0.07 * smooth_noise(n, ALONG_STEP_MM, 25.0, rng) + 0.03 * smooth_noise(n, ALONG_STEP_MM, 5.0, rng)), 0.2, 2.0
    )
    for stop in stops:
        lump = np.exp(-0.5 * ((along - stop) / 3.5) ** 2) * rng.uniform(-0.05, 0.22) - 0.3 * np.exp(
            -0.5 * ((along - stop + 6.0) / 2.2) ** 2
        ) * rng.uniform(0, 1)
        level = level * (1.0 + min(rough, 1.5) * lump)
    square = share * share
    tilt = 1.0 + 0.12 * rough * rng.uniform(-1, 1) * share
    bead = level * (1.0 - square) * (0.8 + 0.2 * (1.0 + square)) * tilt
    # the crests are arcs that trail behind the arc: ripple number falls with the distance from the bead's middle
    bow = phase[None, :] + 0.45 * width / max(weld.ripple_pitch_mm, 0.3) * 0.35 * square
    crest = np.mod(bow, 1.0)
    sawtooth = np.where(crest < 0.72, crest / 0.72, (1.0 - crest) / 0.28) - 0.5
    strength = weld.ripple_mm * np.clip(1.0 + 0.35 * smooth_noise(n, ALONG_STEP_MM, 9.0, rng), 0.1, 2.5)
    bead = bead + strength * sawtooth * np.sqrt(np.clip(1.0 - square, 0.0, 1.0)) * (1.0 + 0.0 * wave)
    return np.where(square <= 1.0, bead, -1.0), left, right


def _root(weld: WeldPart, across: F64, along: F64, centre: F64, rng: np.random.Generator) -> tuple[F64, F64]:
    n, rough = along.size, weld.roughness
    half = (
        0.5
        * weld.root_width_mm
        * np.clip(
            1.0 + rough * (0.10 * smooth_noise(n, ALONG_STEP_MM, 10.0, rng) + 0.05 * smooth_noise(n, ALONG_STEP_MM, 2.5, rng)), 0.4, 2.0
        )
    )
    level = weld.root_height_mm * np.clip(
        1.0 + rough * (0.18 * smooth_noise(n, ALONG_STEP_MM, 12.0, rng) + 0.08 * smooth_noise(n, ALONG_STEP_MM, 3.0, rng)), 0.05, 2.5
    )
    for tack in weld.tacks_mm:
        level = level * (1.0 + 0.45 * np.exp(-0.5 * ((along - tack) / 7.0) ** 4))
        half = half * (1.0 + 0.12 * np.exp(-0.5 * ((along - tack) / 7.0) ** 4))
    phase = _ripple_phase(along, 0.7 * weld.ripple_pitch_mm, weld.tacks_mm, rng)
    square = ((across - centre) / half) ** 2
    crest = np.mod(phase[None, :] + 0.5 * square, 1.0) - 0.5
    bead = level * np.clip(1.0 - square, 0.0, 1.0) ** 0.8 + 0.5 * weld.ripple_mm * crest * np.clip(1.0 - square, 0.0, 1.0)
    return np.where(square < 1.0, bead, 0.0), half
