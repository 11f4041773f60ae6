"""Contradictions on the worksheet that could make a welder cut at the wrong place. Each is one sentence for the sheet."""

from __future__ import annotations

from rtscan.findings import Indication, WeldDocument, Worksheet
from rtscan.lengths import tape_text
from rtscan.repair.items import ON_CENTRE_MM
from rtscan.repair.places import Frame, clock_hour, upstream_is_right

TAPE_OFF = 0.01
CLOCK_OFF_HOURS = 0.1


def doubts(document: Worksheet | WeldDocument, frame: Frame, taken_from: str, units: str) -> tuple[str, ...]:
    """What does not fit together or is missing, worst first."""
    removed = [i for i in document.indications if i.id in set(document.removal)]
    says = _contradictions(document, removed, frame)
    location = document.weld.location
    if location.stations_from_datum is False:
        says.append("The stations on the worksheet do not start at the datum: the places on the pipe are not known. Give "
                    "station_at_left_mm or a marker in the job sheet and read the film again.")
    if frame.closed:
        if not location.datum:
            says.append("The datum is not named on the worksheet: find the zero of the stations before marking anything.")
        if location.direction is None or location.looking is None:
            says.append("Which way the stations grow is not on the worksheet: take it from the lead numbers on the film, not from here.")
        if taken_from == "not known":
            says.append("Neither the diameter nor the circumference is known: stations hold one way round only.")
    if frame.closed and any(i.side is None and (i.across_mm is None or abs(i.across_mm) > ON_CENTRE_MM) for i in removed):
        says.append("Side of the pipe not known for some marks: take it from the film.")
    if isinstance(document, Worksheet) and (shown := _shown(document, frame, units)):
        says.append(f"One film only: it shows {shown} of this weld. What the rest holds is not on this sheet.")
    if abs(frame.stretched_by - 1) > TAPE_OFF:
        says.append(f"The taped circumference is {frame.stretched_by - 1:+.1%} off the nominal: check the tape and the diameter.")
    return tuple(says)


def _shown(document: Worksheet, frame: Frame, units: str) -> str:
    """The stations one film shows, in words; empty when it shows the whole weld or that is not known."""
    ends = [(a.station_from_mm * frame.stretched_by, a.station_to_mm * frame.stretched_by) for a in document.weld.arcs
            if a.station_from_mm is not None and a.station_to_mm is not None]
    if not ends or frame.length_mm is None:
        return ""
    lengths = [(end - start) % frame.length_mm if frame.closed else end - start for start, end in ends]
    if sum(lengths) > 0.98 * frame.length_mm:
        return ""
    return " and ".join(f"{tape_text(frame.within(start), units)} to {tape_text(frame.within(end), units)}" for start, end in ends)


def _contradictions(document: Worksheet | WeldDocument, removed: list[Indication], frame: Frame) -> list[str]:
    says = [
        f"No. {i.id}: the side ({i.side}) and the direction of the stations contradict each other. Do not cut until that is settled."
        for i in removed
        if _side_contradicts(i, document)
    ]
    for i in removed:
        stated, place = clock_hour(i.clock), i.along_mm
        if stated is None or place is None:
            continue
        ours = clock_hour(frame.place(place * frame.stretched_by).clock)
        if ours is not None and min((stated - ours) % 12, (ours - stated) % 12) > CLOCK_OFF_HOURS:
            says.append(f"No. {i.id}: the worksheet says {i.clock} but its station is at {frame.place(place * frame.stretched_by).clock}. "
                        "Do not cut until that is settled.")
    return says


def _side_contradicts(indication: Indication, document: Worksheet | WeldDocument) -> bool:
    location = document.weld.location
    right = upstream_is_right(location)
    if right is None or indication.side is None or indication.wall is not None or abs(indication.across_mm or 0.0) <= ON_CENTRE_MM:
        return False
    seen_right = (indication.across_mm or 0.0) > 0
    outside_right = seen_right == (location.seen_from == "outside")
    return (indication.side == "upstream") != (outside_right == right)
