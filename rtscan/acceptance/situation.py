"""What must be known beside the list to judge a weld: sizes, joint, and how much of the weld was seen."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, TypeVar

from rtscan.findings import Indication, Scope, WeldArc, WeldDocument, Worksheet
from rtscan.job import Job

T = TypeVar("T")
Units = Literal["mm", "in"]
Sides = Literal["one side", "both sides"]

_SHARE_SEEN_AS_WHOLE = 0.999
"""Rounding of stations may leave a hair of a full weld unseen."""


@dataclass(frozen=True)
class Situation:
    """The weld to be judged. Unknown values are None; a rule that needs one then says so instead of guessing.

    wall_mm
        Nominal wall of the thinner part.
    weld_length_mm
        Whole weld; for a girth weld its circumference on the outside.
    units
        The printed limit set to judge by.
    scope
        "film" when only part of the weld was seen: rules over the whole weld may then reject but never accept.
    covered
        Stretches seen, (from, to) stations; may pass the datum of a full girth weld. Empty: not known.
    placed
        False when `covered` says only how much was seen, not where.
    full_girth
        Stations close into a ring of `weld_length_mm`.
    quality_vouched_by
        The reader who checked density and image quality on the film itself; empty when nobody did.
    scale_known
        False when the sizes of the film could not be turned into millimetres.
    scale_uncertainty
        Relative expanded uncertainty of the scale (k = 2), common to all sizes of the film; None when not known.
    """

    wall_mm: float | None = None
    od_mm: float | None = None
    weld_length_mm: float | None = None
    cap_width_mm: float | None = None
    joint: str | None = None
    layers: str | None = None
    penetration: str | None = "full"
    welded_from: Sides | None = None
    units: Units = "mm"
    scope: Scope = "weld"
    covered: tuple[tuple[float, float], ...] = ()
    placed: bool = True
    full_girth: bool = False
    quality_vouched_by: str = ""
    scale_known: bool = True
    scale_uncertainty: float | None = None

    def shows(self, indication: Indication) -> bool:
        """False when an indication lies wholly outside the stretches covered: it is told, but the film or weld is not judged there."""
        if not self.covered or not self.placed or indication.along_mm is None:
            return True
        half = 0.5 * (indication.length_mm or 0.0) * abs(math.cos(math.radians(indication.angle_deg or 0.0)))
        ring = self.weld_length_mm if self.full_girth else None
        places = [p for p in (indication.along_mm, indication.other_along_mm) if p is not None]
        return any(_reaches(place - half, place + half, start, end, ring) for place in places for start, end in self.covered)


def _reaches(low: float, high: float, start: float, end: float, ring_mm: float | None) -> bool:
    """Whether the stretch from `low` to `high` meets that from `start` to `end`, also round the ring."""
    length = _span(start, end, ring_mm)
    if ring_mm is None:
        return high >= start and low <= start + length
    return (low - start) % ring_mm <= length or (start - low) % ring_mm <= high - low


def situation_from_job(job: Job, document: Worksheet | WeldDocument, units: Units = "mm") -> Situation:
    """The situation of a reading, a changed worksheet, a weld document or a hand list; the job sheet counts before the document.

    A hand list is a worksheet without arcs: it is taken to list the whole weld. A girth weld without a length has its
    circumference; plate without one has the visible length, of which more may exist, so that stays a part.
    """
    sheet, seen = job.weld, document.weld
    od_mm, joint = _first(sheet.od_mm, seen.od_mm), _first(sheet.joint, seen.joint)
    joint = joint or ("girth" if od_mm else None)
    covered = _covered(document)
    length_mm = _first(sheet.length_mm, seen.length_mm) or (math.pi * od_mm if od_mm and joint == "girth" else None)
    seen_mm = sum(_span(a, b, length_mm) for a, b in covered)
    whole = not covered or (length_mm is not None and seen_mm >= _SHARE_SEEN_AS_WHOLE * length_mm)
    film = document.film if isinstance(document, Worksheet) else None
    return Situation(
        wall_mm=_first(sheet.wall_mm, seen.wall_mm),
        od_mm=od_mm,
        weld_length_mm=length_mm or seen_mm or None,
        cap_width_mm=_first(sheet.cap_width_mm, seen.cap_width_mm),
        joint=joint,
        layers=sheet.layers or seen.layers,
        penetration=sheet.penetration,
        welded_from=welded_from(sheet.preparation or seen.preparation),
        units=units,
        scope="weld" if whole else "film",
        covered=covered,
        placed=isinstance(document, Worksheet) or bool(document.gaps) or (document.weld.length_mm is None and bool(document.covered)),
        full_girth=joint == "girth" and length_mm is not None,
        quality_vouched_by=job.film.quality_vouched_by,
        scale_known=film is None or film.width_px == 0 or film.pixels_per_mm is not None,
        scale_uncertainty=film.scale_uncertainty if film is not None else None,
    )


def welded_from(preparation: str) -> Sides | None:
    """From how many sides a joint preparation is welded: "V 60" one, "X", "K" or "double V" both; None when it does not say."""
    words = preparation.strip().lower().replace("-", " ")
    if not words:
        return None
    first = words.split()[0]
    if first in ("x", "k", "dv", "du") or words.startswith("double"):
        return "both sides"
    return "one side" if first in ("v", "u", "j", "hv", "single", "half", "y") else None


def _covered(document: Worksheet | WeldDocument) -> tuple[tuple[float, float], ...]:
    if isinstance(document, Worksheet):
        return tuple(stretch for arc in document.weld.arcs if (stretch := _stretch(arc)) is not None)
    if document.covered_mm is None:
        return ()
    length = document.weld.length_mm
    if length is None and document.covered:
        return tuple((s.from_mm, s.to_mm) for s in document.covered)
    if length is None or not document.gaps:
        return ((0.0, document.covered_mm),)
    gaps = sorted((g.from_mm, g.to_mm) for g in document.gaps)
    return tuple((a[1], b[0]) for a, b in zip(gaps, [*gaps[1:], gaps[0]], strict=True))


def _stretch(arc: WeldArc) -> tuple[float, float] | None:
    if arc.station_from_mm is None or arc.station_to_mm is None:
        return None
    return arc.station_from_mm, arc.station_to_mm


def _span(start_mm: float, end_mm: float, ring_mm: float | None) -> float:
    return end_mm - start_mm if end_mm >= start_mm or ring_mm is None else end_mm - start_mm + ring_mm


def _first(stated: T | None, otherwise: T | None) -> T | None:
    return stated if stated is not None else otherwise
