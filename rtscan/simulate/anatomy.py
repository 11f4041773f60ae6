"""The shape of the weld: cap and root heights over the plate, in mm, along and across the weld. No flaws, no rays.

A relief is an array (across, along) of heights: row 0 at -`half_mm` across, column 0 at `from_mm` along. A bead is a row of overlapping
drops, each a leaning paraboloid laid by one dab or ripple of the arc; their seams are the ripples, their ends the scalloped toe.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from rtscan.film import F32, F64
from rtscan.simulate.recipe import WeldPart

ALONG_STEP_MM = 0.1
ACROSS_STEP_MM = 0.05
TOE_MM = 0.30
"""Standard deviation of the rounding of toes and seams by the flow of the metal."""
EDGE_MM = 0.10
"""Height at which a rounded bead counts as ended."""
FRONT_SHARE = 0.75
"""Reach of a drop ahead of its middle over its mean reach: the front is the steep end."""


@dataclass(frozen=True)
class Relief:
    """Heights (mm, float32, (across, along)) of one surface over the parent metal, and where they lie."""

    height: F32
    from_mm: float
    half_mm: float


@dataclass(frozen=True)
class WallRelief:
    """Both surfaces of one wall. `along` float64 (n,) stations; `left` (negative) and `right` edges of the cap, `centre` of the weld,
    `root_centre` and `root_half` of the root bead: mm across, same shape."""

    external: Relief
    internal: Relief
    along: F64
    left: F64
    right: F64
    centre: F64
    root_centre: F64
    root_half: F64


@dataclass(frozen=True)
class BeadPlan:
    """What a bead is made from: half width, height (mm), ripple height and pitch, unevenness of its drops,
    power of its profile, and how far the ripples trail at the edges (share of the half width)."""

    half: float
    height: float
    ripple_mm: float
    pitch_mm: float
    uneven: float
    power: float
    bow: float


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
    nodes = nodes * np.sqrt(4.0 * np.sqrt(np.pi))
    where = np.linspace(2.0, 2.0 + (n - 1) * step_mm / scale_mm * 4, n)
    return np.asarray(np.interp(where, np.arange(coarse), nodes), dtype=np.float64)


def make_relief(weld: WeldPart, centre: F64, from_mm: float, rng: np.random.Generator) -> WallRelief:
    """The reliefs of one wall. `centre` is the weld centreline across (mm) at steps of ALONG_STEP_MM from `from_mm`."""
    n = centre.size
    along = np.asarray(from_mm + ALONG_STEP_MM * np.arange(n), dtype=np.float64)
    width = cap_width_mm(weld)
    half = 0.6 * width + 4.0 + float(np.max(np.abs(centre), initial=0.0))
    across = np.asarray(np.arange(-half, half + ACROSS_STEP_MM, ACROSS_STEP_MM), dtype=np.float64)
    cap = _layer(weld, across, along, centre, width, rng)
    if weld.ground:
        cap = np.minimum(cap, (0.15 + 0.03 * smooth_noise(n, ALONG_STEP_MM, 25.0, rng)).astype(np.float32))
    left, right = _edges(cap, across, centre, 0.5 * width)
    root_centre = centre + 0.15 * weld.roughness * smooth_noise(n, ALONG_STEP_MM, 12.0, rng)
    root = (
        _layer(weld, across, along, root_centre, 0.85 * width, rng)
        if weld.preparation == "X"
        else _root(weld, across, along, root_centre, rng)
    )
    r_left, r_right = _edges(root, across, root_centre, 0.5 * weld.root_width_mm)
    root_half = np.maximum(0.5 * (r_right - r_left), 0.3)
    if weld.mismatch_mm:
        outer = np.clip((across[:, None] - left) / np.maximum(right - left, 1e-3), 0, 1)
        inner = np.clip(0.5 + (across[:, None] - root_centre) / (2 * root_half), 0, 1)
        root = root + (weld.mismatch_mm * (inner - outer)).astype(np.float32)
    return WallRelief(Relief(cap, from_mm, half), Relief(root, from_mm, half), along, left, right, centre, root_centre, root_half)


def _layer(weld: WeldPart, across: F64, along: F64, centre: F64, width: float, rng: np.random.Generator) -> F32:
    """A cap of one bead, or of several side by side with valleys between."""
    passes = weld.cap_passes
    step = width / (passes + 0.6 * (passes > 1))
    half = 0.5 * width if passes == 1 else 0.8 * step
    power, bow = float(rng.uniform(0.35, 0.9)), float(rng.uniform(0.15, 0.7))
    top = np.zeros((across.size, along.size), dtype=np.float32)
    for k in range(passes):
        plan = BeadPlan(half, abs(weld.cap_height_mm), weld.ripple_mm, weld.ripple_pitch_mm, weld.roughness, power, bow)
        bead = _bead(plan, across, along, centre + (k - 0.5 * (passes - 1)) * step, _stops(weld, along, rng), rng)
        np.maximum(top, bead, out=top)
    return top if weld.cap_height_mm >= 0 else -top


def _root(weld: WeldPart, across: F64, along: F64, centre: F64, rng: np.random.Generator) -> F32:
    """The root bead, higher and wider at tacks."""
    pitch = weld.ripple_pitch_mm * float(rng.uniform(0.7, 1.1))
    power, bow = float(rng.uniform(0.6, 1.0)), float(rng.uniform(0.2, 0.9))
    plan = BeadPlan(0.5 * weld.root_width_mm, abs(weld.root_height_mm), 0.8 * weld.ripple_mm, pitch, 2.0 * weld.roughness, power, bow)
    bead = _bead(plan, across, along, centre, weld.tacks_mm, rng)
    for tack in weld.tacks_mm:
        bead *= (1.0 + 0.45 * np.exp(-0.5 * ((along - tack) / 7.0) ** 4)).astype(np.float32)
    return bead if weld.root_height_mm >= 0 else -bead


def _stops(weld: WeldPart, along: F64, rng: np.random.Generator) -> tuple[float, ...]:
    if weld.stops_mm is not None:
        return weld.stops_mm
    place, found = float(along[0]) + float(rng.uniform(10, 150)), []
    while place < along[-1]:
        found.append(place)
        place += float(rng.uniform(70, 220))
    return tuple(found)


def _bead(plan: BeadPlan, across: F64, along: F64, middle: F64, stops: tuple[float, ...], rng: np.random.Generator) -> F32:
    """One bead: the highest of its drops, smoothed by surface tension. float32 (across, along), zero beside it."""
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
    bead = np.float32(height) * (np.maximum(level, 0.0) / np.float32(height)) ** np.float32(plan.power)
    return np.asarray(cv2.GaussianBlur(bead, (0, 0), TOE_MM / ALONG_STEP_MM * 0.5, sigmaY=TOE_MM / ACROSS_STEP_MM), dtype=np.float32)


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


def _edges(relief: F32, across: F64, centre: F64, half: float) -> tuple[F64, F64]:
    """Outer edges of a bead at every station: where its height ends; half a width off the centre where there is none."""
    metal = np.abs(relief) > EDGE_MM
    some = metal.any(axis=0)
    first = across[np.argmax(metal, axis=0)]
    last = across[across.size - 1 - np.argmax(metal[::-1], axis=0)]
    left, right = np.where(some, first, centre - half), np.where(some, last, centre + half)
    return np.asarray(left, dtype=np.float64), np.asarray(right, dtype=np.float64)
