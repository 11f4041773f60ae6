"""Beads: rows of overlapping drops, each a leaning paraboloid laid by one dab or ripple of the arc. Nothing here knows a joint."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from rtscan.film import F32, F64
from rtscan.simulate.hand import unsteady

FRONT_SHARE = 0.75
"""Reach of a drop ahead of its middle over its mean reach: the front is the steep end."""
LUMP_MM = 6.0
"""Along the bead: what sound stretches of real films vary over, from looking; no published source."""


@dataclass(frozen=True)
class BeadPlan:
    """What a bead is made from: half width, height (mm), ripple height and pitch, unevenness of its drops,
    power of its profile, how far the ripples trail at the edges (share of the half width), rounding of its toes and seams (mm), lumps:
    how far it rises and sinks over a few mm, as a share of its height; hand: how unsteady the hand was (`hand.unsteady`)."""

    half: float
    height: float
    ripple_mm: float
    pitch_mm: float
    uneven: float
    power: float
    bow: float
    toe_mm: float
    lumps: float = 0.0
    hand: float = 0.0


def smooth_noise(n: int, step_mm: float, scale_mm: float, rng: np.random.Generator) -> F64:
    """Gaussian random curve of unit spread that changes over `scale_mm`, shape (n,)."""
    coarse = max(int(n * step_mm / scale_mm * 4) + 8, 8)
    nodes = cv2.GaussianBlur(rng.standard_normal((1, coarse)), (0, 0), 2.0, borderType=cv2.BORDER_REFLECT)[0]
    nodes = nodes * np.sqrt(4.0 * np.sqrt(np.pi))
    where = np.linspace(2.0, 2.0 + (n - 1) * step_mm / scale_mm * 4, n)
    return np.asarray(np.interp(where, np.arange(coarse), nodes), dtype=np.float64)


def lay_bead(plan: BeadPlan, across: F64, along: F64, middle: F64, stops: tuple[float, ...], rng: np.random.Generator) -> F32:
    """One bead along `along`, its middle at `middle` across (same shape): the highest of its drops, smoothed by surface tension, thicker
    or thinner at `stops`. Steps of `across` and `along` are even. float32 (across, along), zero beside it."""
    height = max(plan.height, 1e-3)
    ripple = float(np.clip(plan.ripple_mm, 0.004 * height, 0.5 * height))
    reach = 0.5 * plan.pitch_mm * np.sqrt(height / ripple)
    level = np.full((across.size, along.size), -1.0, dtype=np.float32)
    places = _drop_places(plan, along, reach, rng)
    n, rough = places.size, plan.uneven
    wide = plan.half * (1 + rough * (0.05 * rng.standard_normal(n) * min(plan.pitch_mm / 3, 1) + 0.06 * _along(places, 16, rng)))
    tall = height * np.clip(
        1 + rough * (0.05 * rng.standard_normal(n) * min(plan.pitch_mm / 2, 1) + 0.10 * _along(places, 14, rng)), 0.1, 2.2
    )
    if plan.lumps > 0:
        tall = tall * np.maximum(1 + plan.lumps * _along(places, LUMP_MM, rng), 0.1)
    swing = plan.half * rough * (0.05 * _along(places, 5, rng) + 0.05 * _along(places, 28, rng))
    for stop in stops:
        near = np.exp(-0.5 * ((places - stop) / 3.0) ** 2)
        tall = tall * (
            1
            + min(rough, 1.5)
            * (near * rng.uniform(-0.05, 0.3) - 0.45 * np.exp(-0.5 * ((places - stop + 5.0) / 2.0) ** 2) * rng.uniform(0, 1))
        )
        wide = wide * (1 + 0.12 * near)
    for place, w, h, o in zip(places, np.maximum(wide, 0.2), np.maximum(tall, 0.0), swing, strict=True):
        _lay_drop(level, across, along, middle, (float(place), float(reach), float(w), float(h), float(o), plan.bow * float(w)))
    bead = np.asarray(np.float32(height) * (np.maximum(level, 0.0) / np.float32(height)) ** np.float32(plan.power), dtype=np.float32)
    if plan.hand > 0:
        bead = unsteady(bead, plan.hand, plan.half, across, along, middle, rng)
    step = float(across[1] - across[0]), float(along[1] - along[0])
    return np.asarray(cv2.GaussianBlur(bead, (0, 0), 0.5 * plan.toe_mm / step[1], sigmaY=plan.toe_mm / step[0]), dtype=np.float32)


def _along(places: F64, scale_mm: float, rng: np.random.Generator) -> F64:
    step = float(np.mean(np.diff(places))) if places.size > 1 else 1.0
    return smooth_noise(places.size, step, scale_mm, rng)


def _drop_places(plan: BeadPlan, along: F64, reach: float, rng: np.random.Generator) -> F64:
    """Stations of the drops: pitch with jitter and a slow change of travel speed."""
    n = int((along[-1] - along[0] + 4 * reach) / plan.pitch_mm * 1.6) + 8
    steps = plan.pitch_mm * np.clip(1 + 0.15 * rng.standard_normal(n) + 0.15 * smooth_noise(n, plan.pitch_mm, 20.0, rng), 0.45, 1.8)
    places = along[0] - 1.5 * reach + np.cumsum(steps)
    return np.asarray(places[places < along[-1] + 1.5 * reach], dtype=np.float64)


def _lay_drop(level: F32, across: F64, along: F64, middle: F64, drop: tuple[float, ...]) -> None:
    """Raises `level` to one drop: place, reach, half width, height, offset across, trail of its edges."""
    place, reach, half, height, offset, bow = drop
    back, front = reach * (2.0 - FRONT_SHARE), reach * FRONT_SHARE
    c0, c1 = np.searchsorted(along, [place - back - bow, place + front])
    if c1 <= c0:
        return
    centre = float(middle[min((c0 + c1) // 2, middle.size - 1)]) + offset
    r0, r1 = np.searchsorted(across, [centre - half - 0.5, centre + half + 0.5])
    v = (across[r0:r1, None] - (middle[c0:c1] + offset)).astype(np.float32)
    v *= np.float32(1.0 / half)
    v *= v
    u = (along[c0:c1] - place).astype(np.float32) + np.float32(bow) * v
    u *= np.where(u > 0, np.float32(1.0 / front), np.float32(1.0 / back))
    u *= u
    u += v
    np.maximum(level[r0:r1, c0:c1], np.float32(height) * (np.float32(1.0) - u), out=level[r0:r1, c0:c1])
