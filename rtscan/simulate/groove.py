"""The groove before welding: where its two faces lie, mm across from the middle of the root gap, positive to the right."""

from __future__ import annotations

from typing import Literal

import numpy as np

from rtscan.simulate.recipe import WeldPart

ROOT_RADIUS_MM = 5.0
"""Radius at the bottom of U and J grooves where the wall leaves room for it (common practice: 4 to 8 mm)."""
OVERLAP_MM = 1.5
"""How far a cap covers the plate beside the groove."""
GrooveSide = Literal["left", "right"]


def face_mm(weld: WeldPart, depth_mm: float, side: str) -> float:
    """Groove face at a depth from the outside. The left face of a J is square: only one plate is machined."""
    sign = -1.0 if side == "left" else 1.0
    opening = 0.0 if weld.preparation == "J" and side == "left" else _opening_mm(weld, depth_mm)
    return sign * (0.5 * weld.gap_mm + opening)


def face_slope(weld: WeldPart, depth_mm: float, side: str) -> float:
    """Shift across of the face per mm of depth, signed."""
    return (face_mm(weld, depth_mm + 0.05, side) - face_mm(weld, depth_mm - 0.05, side)) / 0.1


def lean_mm(weld: WeldPart) -> float:
    """Middle of the groove at the outside, from the middle of the root gap: the weld's centreline. Only a J leans."""
    return 0.5 * (face_mm(weld, 0.0, "left") + face_mm(weld, 0.0, "right"))


def cap_width_mm(weld: WeldPart) -> float:
    """As given, else the groove and OVERLAP_MM each side."""
    if weld.cap_width_mm is not None:
        return weld.cap_width_mm
    groove = face_mm(weld, 0.0, "right") - face_mm(weld, 0.0, "left")
    return float(np.clip(groove + 2 * OVERLAP_MM, 4.0, 60.0))


def _opening_mm(weld: WeldPart, depth_mm: float) -> float:
    """How far a machined face stands back from the edge of the land."""
    if weld.preparation == "square":
        return 0.0
    tangent = float(np.tan(np.deg2rad(weld.bevel_deg)))
    if weld.preparation == "X":
        return tangent * max(abs(0.5 * weld.wall_mm - depth_mm) - 0.5 * weld.land_mm, 0.0)
    over_land = max(weld.wall_mm - weld.land_mm - depth_mm, 0.0)
    if weld.preparation == "V":
        return tangent * over_land
    radius = min(ROOT_RADIUS_MM, 0.6 * max(weld.wall_mm - weld.land_mm, 0.1))
    sine = float(np.sin(np.deg2rad(weld.bevel_deg)))
    if over_land < radius * (1.0 - sine):
        return float(np.sqrt(radius**2 - (radius - over_land) ** 2))
    return radius * float(np.sqrt(1.0 - sine**2)) + tangent * (over_land - radius * (1.0 - sine))
