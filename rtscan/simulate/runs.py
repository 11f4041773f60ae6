"""Runs that lie beside or under the cap and root: tacks, the runs of the last fill layer where no cap covers them, seams of the pipe.

Filled layers under a sound cap are one piece of metal and do not show; only surfaces do.
"""

from __future__ import annotations

import numpy as np

from rtscan.film import F32, F64
from rtscan.simulate.beads import BeadPlan, lay_bead
from rtscan.simulate.recipe import WeldPart

TACK_MM = (12.0, 26.0)
TACK_END_MM = 4.0
"""Length of a tack and of its ground (feathered) ends; common practice."""
RUN_WIDTH_MM = 6.0
"""Usual width of one run of a fill layer."""
SEAM_FADE_MM = 12.0
"""A seam is ground flush towards the girth weld over about this length."""


def fill_runs(weld: WeldPart, width_mm: float) -> int:
    """Runs side by side in the last fill layer: as given, else from the width."""
    return weld.fill_runs or max(round(width_mm / RUN_WIDTH_MM), 1)


def open_groove(weld: WeldPart, across: F64, along: F64, centre: F64, width: float, rng: np.random.Generator) -> F32:
    """Surface of a groove not filled up: walls, a floor at the cap height (below the plate), and on it the runs of the last layer."""
    count, deep = fill_runs(weld, width), -weld.cap_height_mm
    step = width / (count + 0.4)
    high = min(0.45 * deep + 0.15, 0.9)
    runs = np.zeros((across.size, along.size), dtype=np.float32)
    for k in range(count):
        plan = BeadPlan(0.7 * step, high, min(weld.ripple_mm, 0.2 * high), weld.ripple_pitch_mm, weld.roughness, 0.8, 0.4, weld.toe_mm)
        np.maximum(runs, lay_bead(plan, across, along, centre + (k - 0.5 * (count - 1)) * step, (), rng), out=runs)
    wall = np.clip((0.5 * width - np.abs(across[:, None] - centre)) / (0.4 + 0.5 * deep), 0.0, 1.0)
    return np.asarray(np.minimum(-(deep + high) * wall + runs, 0.0), dtype=np.float32)


def add_tacks(root: F32, weld: WeldPart, across: F64, along: F64, centre: F64, rng: np.random.Generator) -> F32:
    """The root with its tacks: each a short bead of its own ripple, thinned towards its ground ends, where the root run dips a little."""
    out = root
    for tack, child in zip(weld.tacks_mm, rng.spawn(len(weld.tacks_mm)), strict=True):
        length = float(child.uniform(*TACK_MM))
        high = max(abs(weld.root_height_mm), 0.4) * float(child.uniform(0.9, 1.5)) + 0.2
        half = 0.5 * weld.root_width_mm * float(child.uniform(0.95, 1.3))
        pitch = weld.ripple_pitch_mm * float(child.uniform(0.6, 1.1))
        plan = BeadPlan(half, high, max(weld.ripple_mm, 0.03), pitch, weld.roughness, 0.8, float(child.uniform(0.2, 0.9)), weld.toe_mm)
        first, last = np.searchsorted(along, [tack - 0.5 * length - 3.0, tack + 0.5 * length + 3.0])
        if last - first < 10:
            continue
        here = slice(int(first), int(last))
        from_end = 0.5 * length - np.abs(along[here] - tack)
        bead = lay_bead(plan, across, along[here], centre[here], (), child) * np.clip(from_end / TACK_END_MM, 0.0, 1.0).astype(np.float32)
        dip = 1.0 - 0.35 * np.exp(-0.5 * ((from_end - 0.5) / 1.2) ** 2) - 0.5 * np.clip(from_end / TACK_END_MM, 0.0, 1.0)
        out[:, here] = np.maximum(out[:, here] * dip.astype(np.float32), bead)
    return out


def add_seams(surface: F32, weld: WeldPart, across: F64, along: F64, edges: tuple[F64, F64], rng: np.random.Generator) -> F32:
    """The surface with the pipe's own seams, square to the weld: the first ends at its left edge, the second at its right, and so on."""
    out = surface
    for number, (seam, child) in enumerate(zip(weld.seams_mm, rng.spawn(len(weld.seams_mm)), strict=True)):
        half = 0.5 * weld.seam_width_mm
        first, last = np.searchsorted(along, [seam - 2 * half - 3.0, seam + 2 * half + 3.0])
        if last - first < 10:
            continue
        here = slice(int(first), int(last))
        plan = BeadPlan(half, weld.seam_height_mm, 0.04, 1.6, 0.5 * weld.roughness, 0.8, 0.5, weld.toe_mm)
        bead = lay_bead(plan, along[here], across, np.full(across.size, seam), (), child).T
        away = edges[0][here] - across[:, None] if number % 2 == 0 else across[:, None] - edges[1][here]
        out[:, here] = np.maximum(out[:, here], bead * np.clip(0.15 + away / SEAM_FADE_MM, 0.0, 1.0) * (away > 0))
    return out
