"""The cavity: how long and wide it is at the surface and what metal is left below.

Formula: length at the surface = length of the indication + 2 x end taper x depth (10 mm long, 6 mm deep, 4:1 gives 58 mm);
width = bottom + 2 x depth x tan(side angle). Common practice, no published source; the qualified procedure goes first.
"""

from __future__ import annotations

import math
from typing import Literal

from rtscan.lengths import size_text
from rtscan.repair.practice import Settings
from rtscan.repair_records import Excavation


def surface_length_mm(length_mm: float, depth_mm: float, end_taper: float) -> float:
    """Length of the cavity at the surface."""
    return length_mm + 2 * end_taper * depth_mm


def surface_width_mm(width_mm: float, depth_mm: float, settings: Settings) -> float:
    """Width of the cavity at the surface, with room for a round bottom."""
    return max(width_mm, settings.bottom_width_mm) + 2 * depth_mm * math.tan(math.radians(settings.side_angle_deg))


def excavate(
    opens: Literal["outside", "root", "surface", "none"],
    length_mm: float,
    width_mm: float,
    depth_mm: float | None,
    wall_mm: float | None,
    settings: Settings,
    units: str = "mm",
) -> Excavation:
    """The cavity over flaws `length_mm` long and `width_mm` wide with their bottom `depth_mm` below the outside (None unknown)."""
    if opens in ("surface", "none"):
        return Excavation(opens, None, length_mm, None, None, False)
    known = wall_mm if opens == "root" else depth_mm
    down = known if known is not None else wall_mm
    if down is None:
        return Excavation(opens, None, None, None, None, False, _warnings(opens, None, None, settings, units))
    if wall_mm is not None:
        down = min(down, wall_mm)
    return Excavation(
        opens=opens,
        depth_mm=down if known is not None else None,
        length_mm=surface_length_mm(length_mm, down, settings.end_taper),
        width_mm=surface_width_mm(width_mm, down, settings),
        ligament_mm=wall_mm - down if wall_mm is not None and known is not None else None,
        at_most=known is None,
        warnings=_warnings(opens, known, wall_mm, settings, units),
    )


BREAK_THROUGH = "Measure the remaining wall before you break through; backing gas on first where the material wants it."


def _warnings(opens: str, depth_mm: float | None, wall_mm: float | None, settings: Settings, units: str) -> tuple[str, ...]:
    if opens == "root":
        return (f"Goes through the wall: the root must be opened, or the weld cut out. {BREAK_THROUGH}",)
    if depth_mm is None:
        deep = f"past {size_text(settings.deep_share * wall_mm, units)}" if wall_mm else f"past {settings.deep_share:.0%} of the wall"
        return (f"Depth unknown: stop when it is clean. Going {deep} stop and ask: many procedures call that a major repair.",)
    if wall_mm is None:
        return ("Wall not known: measure it before and while grinding.",)
    if depth_mm >= wall_mm:
        return (f"Goes through the wall. {BREAK_THROUGH}",)
    if depth_mm > settings.deep_share * wall_mm:
        left = size_text(wall_mm - depth_mm, units)
        return (f"Deeper than {settings.deep_share:.0%} of the wall, {left} left: many procedures call that a major repair and want it "
                "approved in writing.",)
    return ()
