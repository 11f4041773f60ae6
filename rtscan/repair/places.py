"""Stations as a welder finds them: both ways round from the datum, by the clock, from the nearest lead number.

Contract: on the wall facing the viewer clockwise stations (looking downstream) grow to the right when downstream is up. So
facing the growing stations from outside, the upstream side lies to the right; anticlockwise or looking upstream turns it round.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from rtscan.findings import LocationFacts, ObjectMark, WeldArc, WeldFacts
from rtscan.repair_records import Place

HOURS = 12
_CLOCK = re.compile(r"^\s*(\d{1,2})(?::([0-5]\d))?\s*$")


@dataclass(frozen=True)
class Frame:
    """The line on which stations lie. `closed` for a girth weld; `length_mm` is then its circumference as the welder tapes it.

    `stretched_by` turns stations of the worksheet into stations on the taped pipe. `clock_sense` is +1 when stations grow
    clockwise on the clock face of the job sheet, -1 against, None when not known. `leads` are (number, station) in taped mm.
    """

    closed: bool
    length_mm: float | None
    stretched_by: float = 1.0
    datum_hour: float | None = None
    clock_sense: int | None = None
    leads: tuple[tuple[str, float], ...] = ()

    def wrap(self, station_mm: float) -> float:
        """The station in [0, circumference) on a girth weld, unchanged elsewhere."""
        return station_mm % self.length_mm if self.closed and self.length_mm else station_mm

    def within(self, station_mm: float) -> float:
        """The station wrapped on a girth weld; on a straight one not before its start nor past its end."""
        if self.closed:
            return self.wrap(station_mm)
        return max(0.0, min(station_mm, self.length_mm if self.length_mm is not None else station_mm))

    def place(self, station_mm: float) -> Place:
        """The point at a station of the taped pipe, in every way it can be found."""
        station = self.wrap(station_mm)
        lead, beyond = self._nearest_lead(station)
        other = (self.length_mm - station) % self.length_mm if self.closed and self.length_mm else None
        return Place(station, other, self._clock(station), lead, beyond)

    def hours(self) -> tuple[Place, ...]:
        """The places of the full hours, in the order of the stations; empty without a clock."""
        if self.length_mm is None or self._clock(0.0) is None or self.datum_hour is None or self.clock_sense is None:
            return ()
        arc = self.length_mm / HOURS
        stations = sorted(self.wrap((hour - self.datum_hour) * self.clock_sense * arc) for hour in range(HOURS))
        return tuple(self.place(s) for s in stations)

    def _clock(self, station_mm: float) -> str | None:
        if not self.closed or not self.length_mm or self.datum_hour is None or self.clock_sense is None:
            return None
        minutes = round((self.datum_hour + self.clock_sense * HOURS * station_mm / self.length_mm) * 60) % (HOURS * 60)
        return f"{minutes // 60 or HOURS}:{minutes % 60:02d}"

    def _nearest_lead(self, station_mm: float) -> tuple[str | None, float | None]:
        if not self.leads:
            return None, None
        says, beyond = min(((says, self.signed_gap(at, station_mm)) for says, at in self.leads), key=lambda lead: (abs(lead[1]), lead[1]))
        return says, beyond

    def signed_gap(self, start_mm: float, end_mm: float) -> float:
        """From one station to another, the short way round, positive in the growing direction."""
        gap = end_mm - start_mm
        return (gap + self.length_mm / 2) % self.length_mm - self.length_mm / 2 if self.closed and self.length_mm else gap


def weld_length_mm(weld: WeldFacts) -> float | None:
    """Length of the whole weld: as stated, else the circumference of a girth weld; None when unknown."""
    return weld.length_mm or (math.pi * weld.od_mm if weld.od_mm and is_girth(weld) else None)


def is_girth(weld: WeldFacts) -> bool:
    """True for a weld round a pipe: stated so, or a diameter is given and nothing else is stated."""
    return weld.joint == "girth" or (weld.joint is None and weld.od_mm is not None)


def clock_hour(text: str | None) -> float | None:
    """ "3:30" to 3.5; None when it is not a clock time."""
    found = _CLOCK.match(text or "")
    if found is None or int(found[1]) > HOURS:
        return None
    return int(found[1]) % HOURS + int(found[2] or 0) / 60


def clock_sense(location: LocationFacts) -> int | None:
    """+1 when stations grow clockwise as the job sheet looks, -1 anticlockwise, None when not stated."""
    return {"clockwise": 1, "anticlockwise": -1}.get(location.direction or "")


def upstream_is_right(location: LocationFacts) -> bool | None:
    """Whether the upstream side lies to the right when facing the growing stations from outside; None when not known."""
    sense = clock_sense(location)
    if sense is None or location.looking not in ("downstream", "upstream"):
        return None
    return (sense == 1) == (location.looking == "downstream")


def lead_numbers(objects: tuple[ObjectMark, ...], arcs: tuple[WeldArc, ...]) -> tuple[tuple[str, float], ...]:
    """Lead numbers with their stations: as stated, else from the weld beside them on a film with a single wall in the picture."""
    single = arcs[0] if len(arcs) == 1 and arcs[0].wall is None else None
    found = []
    for mark in objects:
        if mark.kind not in ("letter", "marker") or not re.fullmatch(r"\d+(\.\d+)?", mark.says.strip()):
            continue
        station = mark.along_mm
        if station is None and single is not None:
            station = _station_beside(mark, single)
        if station is not None:
            found.append((mark.says.strip(), station))
    return tuple(sorted(found, key=lambda lead: lead[1]))


def _station_beside(mark: ObjectMark, arc: WeldArc) -> float | None:
    start, end = (arc.station_mm[0], arc.station_mm[-1]) if arc.station_mm else (arc.station_from_mm, arc.station_to_mm)
    if start is None or end is None or end <= start or len(arc.centreline_px) < 2:
        return None
    x, y = (mark.bbox_px[0] + mark.bbox_px[2]) / 2, (mark.bbox_px[1] + mark.bbox_px[3]) / 2
    run, best, at = 0.0, math.inf, 0.0
    for (x0, y0), (x1, y1) in zip(arc.centreline_px, arc.centreline_px[1:], strict=False):
        step = math.hypot(x1 - x0, y1 - y0)
        share = min(max(((x - x0) * (x1 - x0) + (y - y0) * (y1 - y0)) / step**2, 0.0), 1.0) if step else 0.0
        away = math.hypot(x0 + share * (x1 - x0) - x, y0 + share * (y1 - y0) - y)
        if away < best:
            best, at = away, run + share * step
        run += step
    return start + (end - start) * at / run if run else None
