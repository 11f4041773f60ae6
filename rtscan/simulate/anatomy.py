"""The shape of the weld: cap and root heights over the plate, in mm, along and across the weld. No flaws, no rays.

A relief is an array (across, along) of heights: row 0 at -`half_mm` across, column 0 at `from_mm` along.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rtscan.film import F32, F64
from rtscan.simulate.beads import BeadPlan, lay_bead, smooth_noise
from rtscan.simulate.groove import cap_width_mm, lean_mm
from rtscan.simulate.recipe import WeldPart
from rtscan.simulate.runs import add_seams, add_tacks, open_groove

ALONG_STEP_MM = 0.1
ACROSS_STEP_MM = 0.05
EDGE_MM = 0.10
"""Height at which a rounded bead counts as ended."""


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


def make_relief(weld: WeldPart, centre: F64, from_mm: float, rng: np.random.Generator, reach_mm: float = 0.0) -> WallRelief:
    """The reliefs of one wall. `centre` is the weld centreline across (mm) at steps of ALONG_STEP_MM from `from_mm`; `reach_mm` how far
    across the pipe's own seams must reach."""
    n = centre.size
    along = np.asarray(from_mm + ALONG_STEP_MM * np.arange(n), dtype=np.float64)
    width = cap_width_mm(weld)
    half = 0.6 * width + 4.0 + float(np.max(np.abs(centre), initial=0.0))
    half = max(half, reach_mm if weld.seams_mm else 0.0)
    across = np.asarray(np.arange(-half, half + ACROSS_STEP_MM, ACROSS_STEP_MM), dtype=np.float64)
    cap = _cap(weld, across, along, centre, width, rng)
    if weld.ground:
        cap = np.minimum(cap, (0.15 + 0.03 * smooth_noise(n, ALONG_STEP_MM, 25.0, rng)).astype(np.float32))
    left, right = _edges(cap, across, centre, 0.5 * width)
    root_centre = centre - lean_mm(weld) + 0.15 * weld.roughness * smooth_noise(n, ALONG_STEP_MM, 12.0, rng)
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
    for surface, edges in ((cap, (left, right)), (root, (r_left, r_right))):
        add_seams(surface, weld, across, along, edges, rng)
    return WallRelief(Relief(cap, from_mm, half), Relief(root, from_mm, half), along, left, right, centre, root_centre, root_half)


def _cap(weld: WeldPart, across: F64, along: F64, centre: F64, width: float, rng: np.random.Generator) -> F32:
    """The outside: a cap, or the open groove where its height is negative."""
    if weld.cap_height_mm < 0:
        return open_groove(weld, across, along, centre, width, rng)
    return _layer(weld, across, along, centre, width, rng)


def _layer(weld: WeldPart, across: F64, along: F64, centre: F64, width: float, rng: np.random.Generator) -> F32:
    """A cap of one bead, or of several side by side with valleys between."""
    passes, overlap = weld.cap_passes, float(rng.uniform(0.8, 1.4))
    step = width / (passes - 1 + 2 * overlap)
    half = 0.5 * width if passes == 1 else overlap * step
    power, bow, dome = float(rng.uniform(0.6, 1.4)), float(rng.uniform(0.15, 0.7)), float(rng.uniform(0.1, 0.5))
    top = np.zeros((across.size, along.size), dtype=np.float32)
    for k in range(passes):
        high = abs(weld.cap_height_mm) * (1.0 - dome * ((2 * k + 1) / passes - 1.0) ** 2)
        plan = BeadPlan(half, high, weld.ripple_mm, weld.ripple_pitch_mm, weld.roughness, power, bow, weld.toe_mm, weld.lumps, weld.hand)
        bead = lay_bead(plan, across, along, centre + (k - 0.5 * (passes - 1)) * step, _stops(weld, along, rng), rng)
        np.maximum(top, bead, out=top)
    return top


def _root(weld: WeldPart, across: F64, along: F64, centre: F64, rng: np.random.Generator) -> F32:
    """The root bead and its tacks."""
    pitch = weld.ripple_pitch_mm * float(rng.uniform(0.7, 1.1))
    power, bow = float(rng.uniform(0.6, 1.0)), float(rng.uniform(0.2, 0.9))
    plan = BeadPlan(
        0.5 * weld.root_width_mm,
        abs(weld.root_height_mm),
        0.8 * weld.ripple_mm,
        pitch,
        2.0 * weld.roughness * weld.root_uneven,
        power,
        bow,
        weld.toe_mm,
        weld.lumps,
        weld.hand,
    )
    bead = lay_bead(plan, across, along, centre, (), rng)
    return add_tacks(bead if weld.root_height_mm >= 0 else -bead, weld, across, along, centre, rng)


def _stops(weld: WeldPart, along: F64, rng: np.random.Generator) -> tuple[float, ...]:
    if weld.stops_mm is not None:
        return weld.stops_mm
    place, found = float(along[0]) + float(rng.uniform(10, 150)), []
    while place < along[-1]:
        found.append(place)
        place += float(rng.uniform(70, 220))
    return tuple(found)


def _edges(relief: F32, across: F64, centre: F64, half: float) -> tuple[F64, F64]:
    """Outer edges of a bead at every station: where its height ends; half a width off the centre where there is none."""
    metal = np.abs(relief) > EDGE_MM
    some = metal.any(axis=0)
    first = across[np.argmax(metal, axis=0)]
    last = across[across.size - 1 - np.argmax(metal[::-1], axis=0)]
    left, right = np.where(some, first, centre - half), np.where(some, last, centre + half)
    return np.asarray(left, dtype=np.float64), np.asarray(right, dtype=np.float64)
