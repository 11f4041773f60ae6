"""What an unsteady hand makes of a laid bead: steps where it hurried or dwelt, ridges along it, drops of metal, sunken spots.

Sizes are from looking at sound stretches of coarse beads on real films; no published source. None of it is an imperfection.
"""

from __future__ import annotations

import cv2
import numpy as np

from rtscan.film import F32, F64

STEP_EVERY_MM, STEP_SPREAD = 14.0, 0.30
"""Mean length between changes of the hand, and the spread of the bead's height over them (of its logarithm)."""
FRONT_MM, BOWED = (0.3, 2.0), (0.2, 0.9)
"""Length of such a change, and how far it trails at the edges of the bead, over its half width."""
RIDGE_EVERY_MM, RIDGE_LENGTH_MM, RIDGE_WIDTH_MM, RIDGE_HEIGHT_MM = 45.0, (8.0, 70.0), (0.8, 3.0), (0.08, 0.45)
DROP_EVERY_MM, DROP_RADIUS_MM, DROP_HEIGHT_MM = 70.0, (1.5, 6.0), (0.1, 0.6)
SUNK_EVERY_MM, SUNK_RADIUS_MM, SUNK_DEPTH_MM = 60.0, (1.2, 4.5), (0.08, 0.4)
OVER_EDGE_MM = 0.8
"""How far a drop may hang over the edge of its bead."""


def unsteady(bead: F32, hand: float, half_mm: float, across: F64, along: F64, middle: F64, rng: np.random.Generator) -> F32:
    """The bead (mm over the plate, (across, along), its middle at `middle`) as an unsteady hand lays it. hand: 0 steady, 1 coarse."""
    place = ((across[:, None] - middle) / half_mm).astype(np.float32)
    out = bead * _steps(place, hand, half_mm, along, rng)
    out += hand * _ridges(place, half_mm, across, along, middle, rng)
    out += hand * _drops(across, along, middle, half_mm, rng)
    reach = np.clip((1.0 + OVER_EDGE_MM / half_mm - np.abs(place)) * np.float32(half_mm / OVER_EDGE_MM), 0.0, 1.0)
    return np.asarray(np.maximum(out, 0.0) * reach, dtype=np.float32)


def _steps(place: F32, hand: float, half: float, along: F64, rng: np.random.Generator) -> F32:
    """Factor of the height, shape of `place`: levels with bowed fronts between."""
    length = float(along[-1] - along[0])
    count = 2 + int(rng.poisson(length / STEP_EVERY_MM))
    fronts = np.sort(rng.uniform(along[0], along[-1], count))
    levels = np.exp(hand * STEP_SPREAD * rng.standard_normal(count + 1))
    curve = np.full(along.size, levels[0])
    for at, before, after in zip(fronts, levels[:-1], levels[1:], strict=True):
        curve += (after - before) / (1.0 + np.exp(-np.clip((along - at) * 4.0 / rng.uniform(*FRONT_MM), -40, 40)))
    step = float(along[1] - along[0])
    column = np.arange(along.size, dtype=np.float32) + np.float32(rng.uniform(*BOWED) * half / step) * place * place
    row = np.zeros_like(column)
    return np.asarray(cv2.remap(curve[None].astype(np.float32), column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))


def _ridges(place: F32, half: float, across: F64, along: F64, middle: F64, rng: np.random.Generator) -> F32:
    """Long narrow swellings that wander along the bead, mm."""
    out = np.zeros(place.shape, dtype=np.float32)
    for _ in range(int(rng.poisson((along[-1] - along[0]) / RIDGE_EVERY_MM))):
        length, width = rng.uniform(*RIDGE_LENGTH_MM), min(float(rng.uniform(*RIDGE_WIDTH_MM)), 0.8 * half)
        start = rng.uniform(along[0] - length, along[-1])
        c0, c1 = (int(c) for c in np.searchsorted(along, [start, start + length]))
        if c1 - c0 < 10:
            continue
        share = (along[c0:c1] - start) / length
        path = middle[c0:c1] + half * (rng.uniform(-0.8, 0.8) + rng.uniform(-0.3, 0.3) * _wave(share, rng.uniform(0.3, 2), rng))
        swell = rng.uniform(*RIDGE_HEIGHT_MM) * np.sqrt(np.clip(4 * share * (1 - share), 0, 1))
        swell *= 1 + 0.3 * _wave(share, length / rng.uniform(3, 9), rng)
        q = ((across[:, None] - path) / (0.5 * width)).astype(np.float32)
        out[:, c0:c1] += (swell * np.exp(-q * q)).astype(np.float32)
    return out


def _wave(share: F64, turns: float, rng: np.random.Generator) -> F64:
    return np.asarray(np.sin(2 * np.pi * (share * turns + rng.random())))


def _drops(across: F64, along: F64, middle: F64, half: float, rng: np.random.Generator) -> F32:
    """Round swellings and hollows, mm."""
    out = np.zeros((across.size, along.size), dtype=np.float32)
    kinds = ((DROP_EVERY_MM, DROP_RADIUS_MM, DROP_HEIGHT_MM, 1.0), (SUNK_EVERY_MM, SUNK_RADIUS_MM, SUNK_DEPTH_MM, -1.0))
    for every, radii, heights, sign in kinds:
        for _ in range(int(rng.poisson((along[-1] - along[0]) / every))):
            at, radius = rng.uniform(along[0], along[-1]), float(rng.uniform(*radii))
            c0, c1 = (int(c) for c in np.searchsorted(along, [at - radius, at + radius]))
            if c1 - c0 < 4:
                continue
            centre = float(middle[(c0 + c1) // 2]) + half * float(rng.uniform(-0.7, 0.7))
            long, power = float(rng.uniform(0.7, 1.0)), float(rng.uniform(0.6, 2.0))
            u, v = (along[c0:c1] - at) / radius, (across[:, None] - centre) / (long * radius)
            body = np.clip(1.0 - u * u - v * v, 0.0, 1.0) ** power
            out[:, c0:c1] += (sign * rng.uniform(*heights) * body).astype(np.float32)
    return out
