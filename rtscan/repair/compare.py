"""Before and after a repair: what is gone, still there, new, and what the second film could not have shown."""

from __future__ import annotations

import math
from dataclasses import dataclass

from rtscan.errors import ListError
from rtscan.findings import FilmOfWeld, Indication, Quality, WeldArc, WeldDocument, Worksheet
from rtscan.imperfections import by_number
from rtscan.repair.places import is_girth, weld_length_mm

Document = Worksheet | WeldDocument


@dataclass(frozen=True)
class CompareSettings:
    """How near two marks of two films must be to be the same one (film laid anew: common practice, no published source)."""

    along_mm: float = 5.0
    across_mm: float = 2.5
    margin_mm: float = 1.0


@dataclass(frozen=True)
class Comparison:
    """Indications of before (`gone`, `not_seen` with the reason), pairs still there (before, after), and `new` ones of after."""

    gone: tuple[Indication, ...]
    still_there: tuple[tuple[Indication, Indication], ...]
    not_seen: tuple[tuple[Indication, str], ...]
    new: tuple[Indication, ...]
    removed_gone: bool
    warnings: tuple[str, ...]


def compare(before: Document, after: Document, settings: CompareSettings = CompareSettings(), file: str = "AFTER") -> Comparison:
    """Compares two readings of one weld. Raises ListError naming `file` when they are not of one weld."""
    if before.weld.name and after.weld.name and before.weld.name != after.weld.name:
        raise ListError(file, f"is of weld {after.weld.name}, the other of {before.weld.name}; compare two readings of one weld")
    if before.weld.location.datum != after.weld.location.datum and before.weld.location.datum and after.weld.location.datum:
        raise ListError(file, "has another datum than the first reading; stations cannot be compared")
    pairs = _pairs(before, after, settings)
    paired_before, paired_after = {b.id for b, _ in pairs}, {a.id for _, a in pairs}
    gone: list[Indication] = []
    not_seen: list[tuple[Indication, str]] = []
    for indication in before.indications:
        if indication.id in paired_before:
            continue
        reason = _could_not_show(indication, after, settings)
        if reason:
            not_seen.append((indication, reason))
        else:
            gone.append(indication)
    new = tuple(i for i in after.indications if i.id not in paired_after)
    removed = set(before.removal)
    return Comparison(tuple(gone), pairs, tuple(not_seen), new, removed <= {i.id for i in gone}, _warnings(before, after))


def _pairs(before: Document, after: Document, settings: CompareSettings) -> tuple[tuple[Indication, Indication], ...]:
    round_mm = weld_length_mm(before.weld) if is_girth(before.weld) else None
    near = sorted(
        (cost, b.along_mm or 0.0, b.id, a.id)
        for b in before.indications
        for a in after.indications
        if (cost := _apart(b, a, round_mm, settings)) is not None
    )
    befores, afters = {i.id: i for i in before.indications}, {i.id: i for i in after.indications}
    found: list[tuple[Indication, Indication]] = []
    for _, _, b, a in near:
        if b in befores and a in afters:
            found.append((befores.pop(b), afters.pop(a)))
    return tuple(sorted(found, key=lambda pair: (pair[0].along_mm or 0.0, pair[0].id)))


def _apart(b: Indication, a: Indication, round_mm: float | None, settings: CompareSettings) -> float | None:
    """How far apart two marks are, in units of the settings; None when they are not the same."""
    if b.along_mm is None or a.along_mm is None or (b.tone and a.tone and b.tone != a.tone):
        return None
    if {b.wall, a.wall} == {"film", "source"}:
        return None
    middles = [_gap(x, y, round_mm) for x in _places(b) for y in _places(a)]
    # Long marks may be read longer or shorter; they are the same when their extents come near one another.
    reach = settings.along_mm + ((b.length_mm or 0.0) + (a.length_mm or 0.0)) / 2
    across = abs((b.across_mm or 0.0) - (a.across_mm or 0.0)) if b.across_mm is not None and a.across_mm is not None else 0.0
    along = min(middles)
    if along > reach or across > settings.across_mm + max(b.width_mm or 0.0, a.width_mm or 0.0) / 2:
        return None
    family = 0.0 if _family(a) == _family(b) else 0.5
    return math.hypot(along / reach, across / settings.across_mm) + family


def _places(indication: Indication) -> tuple[float, ...]:
    return tuple(p for p in (indication.along_mm, indication.other_along_mm) if p is not None)


def _gap(x: float, y: float, round_mm: float | None) -> float:
    gap = abs(x - y)
    return min(gap % round_mm, -gap % round_mm) if round_mm else gap


def _family(indication: Indication) -> str:
    known = by_number(indication.iso6520)
    return known.family if known else indication.type


def _could_not_show(indication: Indication, after: Document, settings: CompareSettings) -> str:
    """Why the absence of a mark on the second reading proves nothing; empty when it does."""
    if indication.along_mm is None:
        return "its place is not known"
    qualities = _covering(indication, after, settings)
    if not qualities:
        return "the second film does not show that place"
    readable = [q for q in qualities if q.readable]
    if not readable:
        return "the second film is not fit to judge"
    size = indication.width_mm
    limits = [q.detection_limit.line_width_mm if (indication.length_mm or 0.0) > 3 * (size or 0.0) else q.detection_limit.pore_mm
              for q in readable if q.detection_limit is not None]
    known = [limit for limit in limits if limit is not None]
    if size is not None and known and min(known) > size:
        return f"the second film shows nothing smaller than {min(known):.1f} mm there"
    return ""


def _covering(indication: Indication, after: Document, settings: CompareSettings) -> list[Quality]:
    round_mm = weld_length_mm(after.weld) if is_girth(after.weld) else None
    half = (indication.length_mm or 0.0) / 2 + settings.margin_mm
    if isinstance(after, Worksheet):
        stretches = [(a.station_from_mm, a.station_to_mm, after.quality) for a in after.weld.arcs if _same_wall(a, indication)]
        if not after.weld.arcs:
            return [after.quality]
    else:
        stretches = [(start, end, f.quality) for f in after.films for start, end in _counted(f)]
    places = _places(indication)
    return [
        quality for start, end, quality in stretches
        if start is not None and end is not None and all(_inside(p - half, start, end, round_mm) and _inside(p + half, start, end, round_mm)
                                                         for p in places)
    ]


def _counted(film: FilmOfWeld) -> list[tuple[float | None, float | None]]:
    """The stations for which a film of a weld document counts; a later shot takes some away from an earlier one."""
    return [(s.from_mm, s.to_mm) for s in film.stretches] or [(film.station_from_mm, film.station_to_mm)]


def _same_wall(arc: WeldArc, indication: Indication) -> bool:
    return arc.wall is None or indication.wall is None or "unknown" in (arc.wall, indication.wall) or arc.wall == indication.wall


def _inside(station: float, start: float, end: float, round_mm: float | None) -> bool:
    if not round_mm:
        return min(start, end) <= station <= max(start, end)
    # A stretch may pass the datum: its end is then the smaller number.
    length = end - start if end > start else end - start + round_mm
    return (station - start) % round_mm <= length


def _warnings(before: Document, after: Document) -> tuple[str, ...]:
    says = []
    if after.reader is None:
        says.append("The second reading is a machine reading, not confirmed.")
    if before.weld.name == "" or after.weld.name == "":
        says.append("A reading has no weld name: make sure that both are of the same weld.")
    if not before.weld.location.datum or not after.weld.location.datum:
        says.append("A reading has no datum: stations may not start at the same place.")
    return tuple(says)
