"""The repair sheet in words: one set of texts for the PDF and the HTML page."""

from __future__ import annotations

from dataclasses import dataclass

from rtscan.lengths import size_text, tape_text
from rtscan.repair_records import Place, RepairItem, RepairPlan, RepairStretch, TechniqueNote
from rtscan.report.strip import in_doubt

SHOWN_ITEMS = 6
ASSIST = ("This sheet assists. It never replaces a certified interpreter, the contract code, the qualified repair procedure or local "
          "regulation. The inspector decides what is removed.")
CAUTIONS = (
    ("Radiation", "Nobody near an exposure but the radiographers; keep out of the barrier; film again only by licensed people."),
    ("Grinding", "Face shield, gloves, ears; guard on, disc rated for the speed; extraction on stainless (chromium, nickel)."),
    ("Tungsten dust", "Thoriated electrodes and their dust are radioactive: extract, collect, wash your hands."),
    ("Hot work", "Permit, fire watch, gas test; paper strips and penetrant off first."),
    ("Pressure", "Isolated, drained, vented and proved empty before the disc touches it. Thin wall may break through."),
)
SIGNATURES = ("Inspector, may be cut", "Welder, cut and clean", "Inspector, cavity seen", "Welder, welded", "Inspector, film accepted")


@dataclass(frozen=True)
class Row:
    """One stretch as it stands in the table; each text may hold several lines."""

    label: str
    stop: bool
    doubtful: bool
    this_way: tuple[str, ...]
    other_way: tuple[str, ...]
    inside: tuple[str, ...]
    depth: tuple[str, ...]
    first: tuple[str, ...]


@dataclass(frozen=True)
class Steps:
    """What to do at one stretch, in the order of the work."""

    label: str
    heading: str
    decide: tuple[str, ...]
    parts: tuple[tuple[str, tuple[str, ...]], ...]
    sources: tuple[str, ...]


def facts(plan: RepairPlan) -> tuple[tuple[str, str], ...]:
    """Name and value pairs of the head of the sheet; what is not known says so."""
    weld, location = plan.weld, plan.weld.location
    pipe = ", ".join(
        text for text in (
            f"outside diameter {size_text(weld.od_mm, plan.units)}" if weld.od_mm else "",
            f"wall {size_text(weld.wall_mm, plan.units)}" if weld.wall_mm else "wall not known",
            weld.preparation, weld.process, weld.material,
        ) if text
    )
    if plan.circumference_mm is None:
        round_it = "circumference not known" if plan.closed else "length not known"
    else:
        exact = f"{size_text(plan.circumference_mm, plan.units)}"
        round_it = f"{exact}, taped" if plan.circumference_from == "taped" else f"{exact}, nominal: check with a tape"
    return (
        ("Pipe" if plan.closed else "Joint", pipe),
        ("Round the outside" if plan.closed else "Length", round_it),
        ("Stations start at", location.datum or "datum not named"),
        ("and grow", direction(plan)),
        ("Verdict", verdict_text(plan)),
        *((("Read by", confirmed_by(plan)),) if plan.reader else ()),
    )


def verdict_text(plan: RepairPlan) -> str:
    """The verdict with its reason and its doubt."""
    says = plan.verdict_says if plan.verdict_says.startswith(plan.verdict) else ": ".join(t for t in (plan.verdict, plan.verdict_says) if t)
    told = "unverified" in says.lower()
    return f"{says} (a limit behind it is unverified)" if plan.verdict_unverified and not told else says


def confirmed_by(plan: RepairPlan) -> str:
    """Who stands behind the reading."""
    if plan.reader is None:
        return plan.stamp
    return ", ".join(t for t in (plan.reader.name, f"level {plan.reader.level}" if plan.reader.level else "", plan.reader.date) if t)


def direction(plan: RepairPlan) -> str:
    """Which way the stations grow, in words."""
    location = plan.weld.location
    if not plan.closed:
        return "along the weld, as the lead numbers on the film grow"
    if location.direction is None:
        return "as the lead numbers on the film grow (direction not on the worksheet)"
    return f"{location.direction}, looking {location.looking or '(not stated which way)'}"


def way_names(plan: RepairPlan) -> tuple[str, str]:
    """Column heads for the two ways round from the datum."""
    turned = {"clockwise": "anticlockwise", "anticlockwise": "clockwise"}
    given = plan.weld.location.direction if plan.closed else None
    return (given, turned[given]) if given in turned else ("as the stations grow", "the other way")


def rows(plan: RepairPlan) -> tuple[Row, ...]:
    """The table."""
    return tuple(_row(plan, s) for s in plan.stretches)


def _row(plan: RepairPlan, stretch: RepairStretch) -> Row:
    start, middle, end = stretch.start, stretch.middle, stretch.end
    units = plan.units
    over = ", over the 0" if plan.closed and end.station_mm < start.station_mm else ""
    this_way = [_span(start.station_mm, end.station_mm, units) + over, f"middle {tape_text(middle.station_mm, units)}"]
    if start.clock:
        this_way.append(f"{start.clock} to {end.clock} o'clock")
    if middle.lead is not None and middle.from_lead_mm is not None:
        this_way.append(lead_text(middle, units))
    other: list[str] = []
    if start.other_way_mm is not None and middle.other_way_mm is not None and end.other_way_mm is not None:
        other = [_span(end.other_way_mm, start.other_way_mm, units), f"middle {tape_text(middle.other_way_mm, units)}"]
    return Row(
        stretch.label, stretch.authorisation, in_doubt(stretch), tuple(this_way), tuple(other),
        _first_items(stretch, plan),
        tuple(dict.fromkeys(f"{i.run} ({i.run_reason}). Depth: {i.depth_says}." for i in stretch.items)),
        (first_step(stretch), opening_text(stretch, units)),
    )


def _first_items(stretch: RepairStretch, plan: RepairPlan) -> tuple[str, ...]:
    more = len(stretch.items) - SHOWN_ITEMS
    shown = tuple(item_text(i, plan) for i in stretch.items[:SHOWN_ITEMS])
    return (*shown, f"and {more} more, see the work pages") if more > 0 else shown


def _span(start_mm: float, end_mm: float, units: str) -> str:
    return f"{tape_text(start_mm, units).removesuffix(f' {units}')} to {tape_text(end_mm, units)}"


def lead_text(place: Place, units: str) -> str:
    """Where a place lies from the nearest lead number."""
    beyond = place.from_lead_mm or 0.0
    if abs(beyond) < 0.5:
        return f"at lead number {place.lead}"
    return f"{tape_text(abs(beyond), units)} {'past' if beyond > 0 else 'before'} lead number {place.lead}"


def item_text(item: RepairItem, plan: RepairPlan) -> str:
    """An indication with its size and place across the weld."""
    size = ""
    if item.length_mm is not None:
        size = f", {size_text(item.length_mm, plan.units)}"
        if item.width_mm is not None:
            size = f"{size.removesuffix(f' {plan.units}')} × {size_text(item.width_mm, plan.units)}"
    return f"No. {item.indication} {item.type or 'type not known'}{size}, {side_text(item, plan)}"


def side_text(item: RepairItem, plan: RepairPlan) -> str:
    """Where across the weld, in pipe words."""
    if item.across_mm is not None and abs(item.across_mm) <= 0.5:
        return "on the centre"
    off = f"{size_text(abs(item.across_mm), plan.units)} " if item.across_mm is not None else ""
    if item.side is not None:
        return f"{off}{item.side} of the centre"
    if item.hand is not None:
        facing = "" if plan.closed else ", facing as the stations grow"
        unknown = ", side of the pipe not known" if plan.closed else ""
        return f"{off}{item.hand} of the centre{facing}{unknown}"
    return f"{off}off the centre, side of the pipe not known" if off else "side of the pipe not known"


def first_step(stretch: RepairStretch) -> str:
    """The first thing to do at a stretch."""
    if in_doubt(stretch):
        return "ONE OF TWO PLACES: re-shoot first, do not cut yet."
    if stretch.authorisation:
        return "STOP: authorisation first, then find the ends."
    return {
        "surface": "Look at the surface: dress or fill, do not excavate.",
        "none": "Do not grind: the inspector decides.",
        "root": "Look at the surface. The root must be opened, or cut out.",
        "outside": "Look at the surface, then open from the outside.",
    }[stretch.excavation.opens]


def opening_text(stretch: RepairStretch, units: str) -> str:
    """The size of the cavity at the surface, in one line."""
    cavity = stretch.excavation
    if cavity.opens == "surface" and cavity.length_mm is not None:
        return f"About {tape_text(cavity.length_mm, units)} along the weld."
    if cavity.opens in ("surface", "none") or cavity.length_mm is None or cavity.width_mm is None:
        return ""
    size = f"{tape_text(cavity.length_mm, units)} long, {tape_text(cavity.width_mm, units)} wide at the surface"
    if cavity.at_most:
        return f"If it runs to the root: {size}."
    left = f", {size_text(cavity.ligament_mm, units)} of wall left" if cavity.ligament_mm else ""
    return f"Cavity {size_text(cavity.depth_mm or 0.0, units)} deep{left}: {size}."


def steps(plan: RepairPlan) -> tuple[Steps, ...]:
    """The work, stretch by stretch."""
    notes = {n.name: n for n in plan.notes}
    return tuple(_steps(plan, s, [notes[name] for name in dict.fromkeys(i.practice for i in s.items)]) for s in plan.stretches)


def _steps(plan: RepairPlan, stretch: RepairStretch, notes: list[TechniqueNote]) -> Steps:
    many = len(notes) > 1

    def told(lines: dict[str, tuple[str, ...]]) -> tuple[str, ...]:
        return tuple(f"{name[0].upper()}{name[1:]}: {text}" if many else text for name, texts in lines.items() for text in texts)

    dug = stretch.excavation.opens in ("outside", "root")
    where = f"{_span(stretch.start.station_mm, stretch.end.station_mm, plan.units)} {way_names(plan)[0]} from the datum"
    clock = f", {stretch.start.clock} to {stretch.end.clock} o'clock" if stretch.start.clock else ""
    grind = told({n.name: n.remove for n in notes}) + ((opening_text(stretch, plan.units),) if opening_text(stretch, plan.units) else ())
    shown = tuple(item_text(i, plan) for i in stretch.items)
    parts = (
        ("What is in it", shown),
        ("Look first", plan.first),
        ("You will find", told({n.name: (n.find,) for n in notes})),
        ("Take it out", grind + stretch.excavation.warnings),
        ("It is gone when", told({n.name: (n.gone,) for n in notes})),
        ("Weld it back", told({n.name: n.weld for n in notes}) + (plan.weld_back if dug else ())),
        ("Do not", told({n.name: n.never for n in notes})),
        ("Film again", (stretch.reshoot,)),
    )
    return Steps(stretch.label, where + clock, stretch.decide_first, parts, tuple(dict.fromkeys(n.source for n in notes)))
