"""Films of one weld to one weld: placed by station, overlaps merged, later shots first, gaps named."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any

from rtscan.filmset.stations import JOIN_TOLERANCE_MM, Axis, Interval, total_mm, union, without
from rtscan.findings import FilmOfWeld, Indication, Stretch, WeldDocument, WeldFacts, Worksheet
from rtscan.knowledge.testing import overlap_limit
from rtscan.reading.group import group
from rtscan.reading.quality.pair import on_one_film_only

SAME_ALONG_MM = 2.0
"""Films placed by hand disagree by a millimetre or two about a station (common practice, no published source)."""
SAME_ACROSS_MM = 1.5
"""The centreline found on two films disagrees by less than this; parallel slag lines lie further apart."""


@dataclass(frozen=True)
class FilmReading:
    """One film of a weld as the set names it, with its worksheet."""

    name: str
    worksheet: Worksheet
    shot: str = ""
    segment: str = ""
    date: str = ""


@dataclass(frozen=True)
class _Placed:
    """One film with the intervals it still answers for, and the indications that still count."""

    reading: FilmReading
    intervals: tuple[Interval, ...]
    indications: tuple[Indication, ...]


def join_weld(name: str, films: Sequence[FilmReading]) -> WeldDocument:
    """Joins the readings of one weld. The document is not judged yet: findings are empty and the verdict is review."""
    facts = _weld_facts(name, films)
    axis = Axis(facts.length_mm, closed=facts.joint == "girth" and facts.length_mm is not None)
    history: list[str] = []
    sound = _without_artefacts(films, history)
    seen = [_place(film, axis, len(films) > 1, history) for film in sound]
    history += _short_overlaps(seen, axis)
    placed = _latest_shots(seen, axis, history)
    covered = union(piece for film in placed for piece in film.intervals)
    indications, groups = group(_numbered(_merge(placed, axis)))
    counting = [film for film in films if _still_needed(film, placed, axis)]
    return WeldDocument(
        tool=films[0].worksheet.tool, job_sha256=films[0].worksheet.job_sha256, criteria_sha256=films[0].worksheet.criteria_sha256,
        weld=facts, films=tuple(_film_of_weld(film) for film in counting), indications=indications, groups=groups,
        covered_mm=total_mm(covered) if covered else None, gaps=axis.gaps(covered), history=tuple(history),
        covered=tuple(Stretch(start, end) for start, end in covered),
    )


def _weld_facts(name: str, films: Sequence[FilmReading]) -> WeldFacts:
    """The first film's facts; what later films contradict is left unknown rather than guessed."""
    facts = replace(films[0].worksheet.weld, name=name, arcs=())
    for film in films[1:]:
        other = film.worksheet.weld
        unknown: dict[str, Any] = {
            key: None for key in ("length_mm", "wall_mm", "od_mm", "joint", "layers")
            if None not in (getattr(facts, key), getattr(other, key)) and getattr(facts, key) != getattr(other, key)
        }
        caps = [value for value in (facts.cap_width_mm, other.cap_width_mm) if value is not None]
        facts = replace(facts, **unknown, cap_width_mm=min(caps, default=None))
    return facts


def _without_artefacts(films: Sequence[FilmReading], history: list[str]) -> list[FilmReading]:
    """Films of one holder (same segment and shot) without the plain marks that only one of them shows."""
    sound = list(films)
    for i, j in combinations(range(len(films)), 2):
        first, second = sound[i], sound[j]
        alike = _segment(first) and _segment(first) == _segment(second) and first.shot == second.shot
        if not alike or not (first.worksheet.quality.readable and second.worksheet.quality.readable):
            continue
        lone = on_one_film_only(first.worksheet.indications, second.worksheet.indications)
        for k, ids in ((i, lone[0]), (j, lone[1])):
            sheet = sound[k].worksheet
            sound[k] = replace(sound[k], worksheet=replace(sheet, indications=tuple(m for m in sheet.indications if m.id not in ids)))
            history += [f"{sound[k].name}: mark {number} is on one film of the holder only, an artefact" for number in ids]
    return sound


def _segment(film: FilmReading) -> str:
    return film.segment or film.worksheet.segment


def _place(film: FilmReading, axis: Axis, beside_others: bool, history: list[str]) -> _Placed:
    sheet = film.worksheet
    if not sheet.quality.readable:
        history.append(f"{film.name}: may not be judged; it covers nothing, and its {len(sheet.indications)} marks are not counted")
        return _Placed(film, (), ())
    intervals = _intervals(sheet, axis)
    if beside_others and sheet.weld.location.stations_from_datum is False:
        intervals = ()
    if not intervals:
        history.append(f"{film.name}: its place on the weld is not known; it covers nothing until the job sheet gives a station")
    named = tuple(replace(i, film=film.name, seen_on=(film.name,)) for i in sheet.indications)
    return _Placed(film, intervals, named)


def _intervals(sheet: Worksheet, axis: Axis) -> tuple[Interval, ...]:
    """The stations a film shows, in the growing direction of the weld."""
    return union(piece for arc in sheet.weld.arcs if arc.station_from_mm is not None and arc.station_to_mm is not None
                 for piece in axis.pieces(arc.station_from_mm, arc.station_to_mm))


def _short_overlaps(films: Sequence[_Placed], axis: Axis) -> list[str]:
    """A line for each film that begins where another one ends with less in common than adjoining films have to have."""
    limit, lines = overlap_limit(), list[str]()
    least_mm = limit.min or 0.0
    for film in films:
        others = union(piece for other in films if other is not film for piece in other.intervals)
        for arc in film.reading.worksheet.weld.arcs if film.intervals else ():
            if arc.station_from_mm is None or not _touches(axis.wrapped(arc.station_from_mm), others):
                continue
            start = axis.pieces(arc.station_from_mm, arc.station_from_mm + least_mm)
            left = start
            for cut in others:
                left = without(left, cut)
            shared_mm = total_mm(start) - total_mm(left)
            if shared_mm < least_mm - JOIN_TOLERANCE_MM:
                where = f"{limit.source}; unverified" if limit.unverified else limit.source
                lines.append(f"{film.reading.name}: shares {shared_mm:.0f} mm with the film before it; "
                             f"{least_mm:.0f} mm of overlap are asked ({where})")
    return lines


def _touches(station_mm: float, intervals: Iterable[Interval]) -> bool:
    return any(start - JOIN_TOLERANCE_MM <= station_mm <= end + JOIN_TOLERANCE_MM for start, end in intervals)


def _still_needed(film: FilmReading, placed: Sequence[_Placed], axis: Axis) -> bool:
    """False for a film that may not be judged when later shots show all of its stations: it no longer bears on the verdict."""
    if film.worksheet.quality.readable:
        return True
    left = _intervals(film.worksheet, axis)
    later = [p for p in placed if _shot_number(p.reading.shot) > _shot_number(film.shot)]
    for cut in union(piece for p in later for piece in p.intervals):
        left = without(left, cut)
    return not later or not _intervals(film.worksheet, axis) or total_mm(left) > JOIN_TOLERANCE_MM


def _shot_number(shot: str) -> int:
    return int(shot[1:]) if shot else 0


def _latest_shots(films: list[_Placed], axis: Axis, history: list[str]) -> list[_Placed]:
    """Takes from every film the stations that a later shot shows."""
    left: list[_Placed] = []
    for film in films:
        later = [f for f in films if _shot_number(f.reading.shot) > _shot_number(film.reading.shot)]
        cuts = union(piece for f in later for piece in f.intervals)
        if not cuts or not film.intervals:
            left.append(film)
            continue
        intervals = film.intervals
        for cut in cuts:
            intervals = without(intervals, cut)
        kept = tuple(k for i in film.indications if (k := _outside(i, cuts, axis)) is not None)
        gone = len(film.indications) - len(kept)
        if total_mm(intervals) < total_mm(film.intervals):
            history.append(f"{film.reading.name}: {total_mm(film.intervals) - total_mm(intervals):.0f} mm replaced by "
                           f"{', '.join(f.reading.name for f in later)}; {gone} indications there no longer count")
        left.append(_Placed(film.reading, intervals, kept))
    return left


def _half_extent(indication: Indication) -> float:
    """Half the stretch of weld that an indication takes up, by the contract's definition of `along`."""
    return (indication.length_mm or 0.0) / 2 * abs(math.cos(math.radians(indication.angle_deg or 0.0)))


def _outside(indication: Indication, cuts: Iterable[Interval], axis: Axis) -> Indication | None:
    """The indication, or what is left of it outside the replaced stretches; None when nothing is."""
    if indication.along_mm is None:
        return indication
    half = _half_extent(indication)
    pieces = axis.pieces(indication.along_mm - half, indication.along_mm + half) if half else ((axis.wrapped(indication.along_mm),) * 2,)
    left = tuple(pieces)
    for cut in cuts:
        if not half and cut[0] <= left[0][0] <= cut[1]:
            return None
        left = without(left, cut) if half else left
    if not half or total_mm(left) == total_mm(pieces):
        return indication
    if total_mm(left) <= SAME_ALONG_MM / 2:
        return None
    start, end = max(left, key=lambda piece: piece[1] - piece[0])
    return replace(indication, along_mm=(start + end) / 2, length_mm=end - start,
                   note=_add(indication.note, "the rest lies in a repaired stretch"))


def _add(note: str, more: str) -> str:
    return f"{note}; {more}" if note else more


def _merge(films: Sequence[_Placed], axis: Axis) -> list[Indication]:
    """Every indication once. Marks of different films at one place are one indication; the film that shows it best speaks for it."""
    marks = [(index, mark) for index, film in enumerate(films) for mark in film.indications]
    parent = list(range(len(marks)))

    def root(k: int) -> int:
        while parent[k] != k:
            k = parent[k]
        return k

    order = sorted(range(len(marks)), key=lambda k: (marks[k][1].along_mm or 0.0, k))
    for a, b in _close_pairs(order, marks, axis):
        if marks[a][0] != marks[b][0] and _is_same(marks[a][1], marks[b][1], axis):
            parent[root(a)] = root(b)
    bunches: dict[int, list[int]] = defaultdict(list)
    for k in range(len(marks)):
        bunches[root(k)].append(k)
    return [i for bunch in bunches.values() for i in _speak([marks[k] for k in bunch], films, axis)]


def _close_pairs(order: Sequence[int], marks: Sequence[tuple[int, Indication]], axis: Axis) -> Iterable[tuple[int, int]]:
    """Pairs of marks whose middles may lie near enough; sorted by station, so few of many are looked at."""
    reach = 2 * max((_half_extent(mark) for _, mark in marks), default=0.0) + SAME_ALONG_MM
    for place, a in enumerate(order):
        for step in range(1, len(order)):
            b = order[(place + step) % len(order)]
            first, second = marks[a][1].along_mm, marks[b][1].along_mm
            if first is None or second is None:
                continue
            if abs(axis.offset(second, first)) > reach or (place + step >= len(order) and not axis.closed):
                break
            yield a, b


def _is_same(a: Indication, b: Indication, axis: Axis) -> bool:
    if a.tone != b.tone or a.along_mm is None or b.along_mm is None:
        return False
    apart = abs(axis.offset(b.along_mm, a.along_mm)) - _half_extent(a) - _half_extent(b)
    across = abs((a.across_mm or 0.0) - (b.across_mm or 0.0)) if None not in (a.across_mm, b.across_mm) else 0.0
    return apart <= SAME_ALONG_MM and across <= SAME_ACROSS_MM + ((a.width_mm or 0.0) + (b.width_mm or 0.0)) / 2


def _speak(bunch: Sequence[tuple[int, Indication]], films: Sequence[_Placed], axis: Axis) -> list[Indication]:
    best, _ = max(bunch, key=lambda item: (_covers(films[item[0]], item[1], axis), item[1].signal_to_noise or 0.0, -item[0]))
    seen_on = tuple(dict.fromkeys(films[index].reading.name for index, _ in sorted(bunch, key=lambda item: item[0])))
    others = [mark for index, mark in bunch if index != best]
    spoken = []
    for mark in (mark for index, mark in bunch if index == best):
        for other in others:
            mark = _extended(mark, other, films[best], axis) if _is_same(mark, other, axis) else mark
        named = sorted({f"{o.type} on {o.film}" for o in others if o.iso6520 != mark.iso6520})
        note = _add(mark.note, f"read as {', '.join(named)}") if named else mark.note
        blind = [] if _covers(films[best], mark, axis) else [f.reading.name for f in films if _covers(f, mark, axis)]
        note = _add(note, f"{', '.join(blind)} covers the place and does not show it") if blind else note
        spoken.append(replace(mark, seen_on=seen_on, note=note))
    return spoken


def _covers(film: _Placed, mark: Indication, axis: Axis) -> bool:
    """Whether the middle of a mark lies in the diagnostic length of the film that shows it."""
    return mark.along_mm is not None and any(start <= axis.wrapped(mark.along_mm) <= end for start, end in film.intervals)


def _ends_seen(film: _Placed, axis: Axis) -> list[float]:
    """The stations where the film's view of the weld ends: those of its picture, which may lie beyond the diagnostic length."""
    arcs = [arc for arc in film.reading.worksheet.weld.arcs if arc.station_mm]
    return [axis.wrapped(end) for arc in arcs for end in (arc.station_mm[0], arc.station_mm[-1])] or [e for i in film.intervals for e in i]


def _extended(mark: Indication, other: Indication, film: _Placed, axis: Axis) -> Indication:
    """A mark cut off at the end of its film takes in what the neighbouring film shows of it."""
    if mark.along_mm is None or other.along_mm is None:
        return mark
    half, shift, reach = _half_extent(mark), axis.offset(other.along_mm, mark.along_mm), _half_extent(other)
    low, high = -half, half
    ends = [axis.offset(end, mark.along_mm) for end in _ends_seen(film, axis)]
    if any(abs(end - low) <= SAME_ALONG_MM for end in ends):
        low = min(low, shift - reach)
    if any(abs(end - high) <= SAME_ALONG_MM for end in ends):
        high = max(high, shift + reach)
    if high - low <= 2 * half:
        return mark
    return replace(mark, along_mm=axis.wrapped(mark.along_mm + (low + high) / 2), length_mm=high - low,
                   note=_add(mark.note, "length joined across the film ends"))


def _numbered(indications: Iterable[Indication]) -> tuple[Indication, ...]:
    """Numbered from 1 in the order of the weld; group and neighbour are found anew."""
    ordered = sorted(indications, key=lambda i: (i.along_mm is None, i.along_mm or 0.0, i.across_mm or 0.0, i.film or "", i.id))
    return tuple(replace(i, id=k, group=None, nearest=None, result=None) for k, i in enumerate(ordered, start=1))


def _film_of_weld(film: FilmReading) -> FilmOfWeld:
    sheet = film.worksheet
    stretches = tuple(Stretch(a.station_from_mm, a.station_to_mm) for a in sheet.weld.arcs
                      if a.station_from_mm is not None and a.station_to_mm is not None)
    only = stretches[0] if len(stretches) == 1 else None
    return FilmOfWeld(
        film=sheet.film, quality=sheet.quality, station_from_mm=only.from_mm if only else None, station_to_mm=only.to_mm if only else None,
        shot=film.shot or sheet.shot, segment=_segment(film), date=film.date or sheet.date,
        exposure=sheet.exposure, objects=sheet.objects, stretches=stretches,
    )

