"""Records of a repair: what must come out, where it lies, how deep. Made by `repair`, drawn by `report`; no numpy."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from rtscan.findings import Alternative, Reader, Side, Stretch, VerdictWord, WeldFacts


@dataclass(frozen=True)
class Depth:
    """Depth of one indication from two exposures with the source shifted along the weld.

    `indication` and `partner` are its ids on the first and second film. `image_shift_mm` is how far it moved against the
    marker, positive with the growing station. Depths are to its middle, from the parent surface on that side; `depth_mm` is
    from the outside surface, None when it is not known which side that is. `depth_u_mm` goes with all three depths.
    """

    indication: int
    partner: int
    image_shift_mm: float
    image_shift_u_mm: float
    from_film_side_mm: float
    from_source_side_mm: float | None
    depth_mm: float | None
    depth_u_mm: float
    says: str = ""


@dataclass(frozen=True)
class Place:
    """One point of the weld as a welder finds it: from the datum in the growing direction and the other way round.

    `lead` is the nearest lead number on the film and `from_lead_mm` the distance beyond it in the growing direction.
    """

    station_mm: float
    other_way_mm: float | None = None
    clock: str | None = None
    lead: str | None = None
    from_lead_mm: float | None = None


@dataclass(frozen=True)
class RepairItem:
    """One indication that must come out. Depths are from the outside surface to its top and bottom. `hand` is its side of the
    centre line facing the growing stations from outside. `practice` names the technique note that applies."""

    indication: int
    type: str
    iso6520: str
    length_mm: float | None
    width_mm: float | None
    from_mm: float
    to_mm: float
    across_mm: float | None
    side: Side | None
    run: str
    run_reason: str
    depth_from_mm: float | None
    depth_to_mm: float | None
    depth_says: str
    practice: str
    confidence: float | None = None
    alternatives: tuple[Alternative, ...] = ()
    film: str | None = None
    group: str | None = None
    hand: Literal["right", "left"] | None = None


@dataclass(frozen=True)
class Excavation:
    """The cavity. `depth_mm` None when unknown; then the lengths are what it takes if it runs to the root (`at_most`)."""

    opens: Literal["outside", "root", "surface", "none"]
    depth_mm: float | None
    length_mm: float | None
    width_mm: float | None
    ligament_mm: float | None
    at_most: bool
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True)
class TechniqueNote:
    """How one kind of imperfection is taken out, for the welder. Defers to the qualified procedure."""

    name: str
    find: str
    remove: tuple[str, ...]
    gone: str
    weld: tuple[str, ...]
    never: tuple[str, ...]
    source: str


@dataclass(frozen=True)
class RepairStretch:
    """One stretch to open: `label` "1", or "2a" and "2b" when it is one of two places. `from_mm` may exceed `to_mm`: past the datum."""

    label: str
    from_mm: float
    to_mm: float
    length_mm: float
    start: Place
    middle: Place
    end: Place
    items: tuple[RepairItem, ...]
    excavation: Excavation
    authorisation: bool
    decide_first: tuple[str, ...]
    reshoot: str


@dataclass(frozen=True)
class RepairPlan:
    """What to take out of one weld and how: `STEM.repair.json`. Stations are scaled to `circumference_mm` (girth) when given.

    `hours` are the places of the full clock hours. `upstream_is_right` tells whether the upstream side lies to the right
    when facing the growing stations from outside; None when not known. `repair_says` and `cut_out_says` bear on the choice.
    `decide_first` holds every open review, `decide_short` one line per mark.
    """

    schema: str = "rtscan/repair/1"
    tool: str = ""
    weld: WeldFacts = field(default_factory=WeldFacts)
    units: str = "mm"
    closed: bool = False
    circumference_mm: float | None = None
    circumference_from: str = ""
    stretched_by: float = 1.0
    verdict: VerdictWord = "review"
    verdict_says: str = ""
    verdict_unverified: bool = False
    reader: Reader | None = None
    stamp: str = ""
    decide_first: tuple[str, ...] = ()
    decide_short: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    stretches: tuple[RepairStretch, ...] = ()
    not_placed: tuple[str, ...] = ()
    not_seen: tuple[Stretch, ...] = ()
    hours: tuple[Place, ...] = ()
    upstream_is_right: bool | None = None
    repair_says: tuple[str, ...] = ()
    cut_out_says: tuple[str, ...] = ()
    notes: tuple[TechniqueNote, ...] = ()
    first: tuple[str, ...] = ()
    weld_back: tuple[str, ...] = ()
