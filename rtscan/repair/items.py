"""One indication that must come out: where it lies, in which run, how deep, and how sure that is."""

from __future__ import annotations

import math
from typing import Literal

from rtscan.findings import Indication, LocationFacts, WeldFacts
from rtscan.imperfections import is_within
from rtscan.lengths import size_text
from rtscan.repair.places import Frame
from rtscan.repair.practice import Note, Settings
from rtscan.repair_records import RepairItem

DOUBTFUL_CRACK = 0.05
ON_CENTRE_MM = 0.5


def half_along_mm(indication: Indication, stretched_by: float) -> float:
    """Half its extent along the weld; half its length when the angle is not known, zero when the length is not."""
    slope = 1.0 if indication.angle_deg is None else abs(math.cos(math.radians(indication.angle_deg)))
    return (indication.length_mm or 0.0) / 2 * slope * stretched_by


def make_item(
    indication: Indication, middle_mm: float, frame: Frame, note: Note, weld: WeldFacts, settings: Settings, units: str
) -> RepairItem:
    """The item with its middle at `middle_mm` of the taped pipe."""
    wall_mm = weld.wall_mm
    half = half_along_mm(indication, frame.stretched_by)
    top, bottom = _measured_depth(indication, wall_mm)
    run, why = _run(indication, note, weld, settings)
    if note.opens == "surface":
        top = bottom = None
        says = "on the surface, if the look at it confirms that"
    elif top is not None and bottom is not None:
        says = f"{size_text(top, units)} to {size_text(bottom, units)} below the outside, from two exposures"
    elif note.opens == "root":
        top, bottom = (max(wall_mm - settings.root_run_mm, 0.0), wall_mm) if wall_mm is not None else (None, None)
        says = "at the root, by its type" + (f"; wall {size_text(wall_mm, units)}" if wall_mm is not None else "; wall not known")
    else:
        says = "none to dig" if note.opens == "none" else "unknown: open from the outside until clean"
    return RepairItem(
        indication=indication.id, type=indication.type, iso6520=indication.iso6520, length_mm=indication.length_mm,
        width_mm=indication.width_mm, from_mm=frame.wrap(middle_mm - half), to_mm=frame.wrap(middle_mm + half),
        across_mm=indication.across_mm, side=indication.side, run=run, run_reason=why, depth_from_mm=top, depth_to_mm=bottom,
        depth_says=says, practice=note.name, confidence=indication.confidence, alternatives=indication.alternatives,
        film=indication.film, group=indication.group, hand=_hand(indication, weld.location),
    )


def may_be_a_crack(indication: Indication) -> float | None:
    """The probability that an indication named otherwise is a crack, when it is worth treating it as one."""
    if is_within(indication.iso6520, "100"):
        return None
    chance = sum(a.confidence for a in indication.alternatives if is_within(a.iso6520, "100"))
    return chance if chance >= DOUBTFUL_CRACK else None


def _hand(indication: Indication, location: LocationFacts) -> Literal["right", "left"] | None:
    """Side of the centre line facing the growing stations from outside; not known where two walls lie in one picture."""
    across = indication.across_mm
    if across is None or abs(across) <= ON_CENTRE_MM or indication.wall is not None:
        return None
    return "right" if (across > 0) == (location.seen_from == "outside") else "left"


def _measured_depth(indication: Indication, wall_mm: float | None) -> tuple[float | None, float | None]:
    if indication.depth_mm is None:
        return None, None
    reach = (indication.height_mm or 0.0) / 2 + (indication.depth_u_mm or 0.0)
    bottom = indication.depth_mm + reach
    return max(indication.depth_mm - reach, 0.0), bottom if wall_mm is None else min(bottom, wall_mm)


def _run(indication: Indication, note: Note, weld: WeldFacts, settings: Settings) -> tuple[str, str]:
    if indication.run:
        return indication.run, "as the reading states it"
    if note.run:
        return note.run, note.run_why
    if weld.layers == "single":
        return "the only run", "the weld has a single layer"
    if indication.depth_mm is not None:
        if weld.wall_mm is not None and indication.depth_mm >= weld.wall_mm - settings.root_run_mm:
            return "root", "measured depth is near the inside"
        if indication.depth_mm <= settings.cap_run_mm:
            return "cap", "measured depth is near the outside"
        return "fill", "measured depth is between root and cap"
    return "fill, run unknown", "one film does not show the depth"
