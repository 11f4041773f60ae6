"""From a judged worksheet or weld document to what must come out of the weld: where, how far, how deep, what to decide first."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from rtscan import __version__
from rtscan.errors import ListError
from rtscan.findings import ExposureFacts, Indication, ObjectMark, Stretch, WeldArc, WeldDocument, Worksheet
from rtscan.lengths import tape_text
from rtscan.repair.decide import UNCONFIRMED, choice, decide_first, decide_short, open_reviews
from rtscan.repair.doubts import doubts
from rtscan.repair.excavation import excavate
from rtscan.repair.items import half_along_mm, make_item, may_be_a_crack
from rtscan.repair.places import Frame, clock_hour, clock_sense, is_girth, lead_numbers, upstream_is_right, weld_length_mm
from rtscan.repair.practice import Note, Practice, load_practice
from rtscan.repair.stretches import Span, around, merge
from rtscan.repair_records import Excavation, RepairItem, RepairPlan, RepairStretch

FARTHEST_OFF = 0.05
_OPENING = {"root": 3, "outside": 2, "surface": 1, "none": 0}


def make_plan(
    document: Worksheet | WeldDocument,
    circumference_mm: float | None = None,
    units: str = "mm",
    practice: Practice | None = None,
    file: str = "worksheet",
) -> RepairPlan:
    """What to take out of the weld of `document`, on a pipe that measures `circumference_mm` with a tape (None: nominal).

    Raises ListError naming `file` when the taped circumference cannot belong to this weld.
    """
    practice = practice or load_practice()
    frame, taken_from = _frame(document, circumference_mm, file)
    placed = [i for i in _to_remove(document) if _is_placed(i, document)]
    build = _Builder(document, frame, practice, units)
    stretches = build.stretches(placed)
    repair, cut = choice(document, stretches, frame, practice.settings, units) if stretches else ((), ())
    names = {item.practice for s in stretches for item in s.items}
    return RepairPlan(
        tool=f"rtscan {__version__}",
        weld=document.weld,
        units=units,
        closed=frame.closed,
        circumference_mm=frame.length_mm,
        circumference_from=taken_from,
        stretched_by=frame.stretched_by,
        verdict=document.verdict,
        verdict_says=document.verdict_says,
        verdict_unverified=document.verdict_unverified,
        reader=document.reader,
        stamp="" if document.reader else UNCONFIRMED,
        decide_first=decide_first(document, frame, units),
        decide_short=decide_short(document, frame, units),
        warnings=doubts(document, frame, taken_from, units),
        stretches=stretches,
        not_placed=tuple(f"No. {i.id} {i.type}" for i in _to_remove(document) if not _is_placed(i, document)),
        not_seen=_not_seen(document, frame),
        hours=frame.hours(),
        upstream_is_right=upstream_is_right(document.weld.location) if frame.closed else None,
        repair_says=repair,
        cut_out_says=cut,
        notes=tuple(n.for_welder() for n in practice.note if n.name in names),
        first=practice.all.first,
        weld_back=practice.all.weld,
    )


def _to_remove(document: Worksheet | WeldDocument) -> list[Indication]:
    return [i for i in document.indications if i.id in set(document.removal)]


def _is_placed(indication: Indication, document: Worksheet | WeldDocument) -> bool:
    """True when the indication has a station that can be found on the pipe."""
    return indication.along_mm is not None and document.weld.location.stations_from_datum is not False


def _frame(document: Worksheet | WeldDocument, taped_mm: float | None, file: str) -> tuple[Frame, str]:
    weld = document.weld
    closed, nominal = is_girth(weld), weld_length_mm(weld)
    if taped_mm is not None and not closed:
        raise ListError(file, "a circumference was given but the weld is not round a pipe; leave --circumference-mm out")
    if taped_mm is not None and not (math.isfinite(taped_mm) and taped_mm > 0):
        raise ListError(file, f"a circumference of {taped_mm} mm is not a length; give --circumference-mm in mm")
    if taped_mm is not None and nominal is not None and abs(taped_mm / nominal - 1) > FARTHEST_OFF:
        raise ListError(file, f"the taped circumference {taped_mm:g} mm is not that of this weld ({nominal:.1f} mm); tape the pipe again "
                              "in mm, round the outside, or correct od_mm in the job sheet")
    stretched_by = taped_mm / nominal if taped_mm is not None and nominal is not None else 1.0
    leads = tuple((says, at * stretched_by) for objects, arcs in _marks(document) for says, at in lead_numbers(objects, arcs))
    frame = Frame(closed, taped_mm or nominal, stretched_by, clock_hour(weld.location.datum_clock), clock_sense(weld.location), leads)
    return frame, "taped" if taped_mm is not None else "nominal" if nominal is not None else "not known"


def _marks(document: Worksheet | WeldDocument) -> list[tuple[tuple[ObjectMark, ...], tuple[WeldArc, ...]]]:
    if isinstance(document, Worksheet):
        return [(document.objects, document.weld.arcs)]
    return [(film.objects, ()) for film in document.films]


def _not_seen(document: Worksheet | WeldDocument, frame: Frame) -> tuple[Stretch, ...]:
    gaps = document.gaps if isinstance(document, WeldDocument) else ()
    return tuple(Stretch(g.from_mm * frame.stretched_by, g.to_mm * frame.stretched_by) for g in gaps)


@dataclass(frozen=True)
class _Placed:
    """An indication and the place taken for it; `other_mm` is the second possible place."""

    indication: Indication
    middle_mm: float
    other_mm: float | None


@dataclass(frozen=True)
class _Builder:
    document: Worksheet | WeldDocument
    frame: Frame
    practice: Practice
    units: str

    def stretches(self, indications: list[Indication]) -> tuple[RepairStretch, ...]:
        """All stretches in the order of their stations; the two places of an unknown wall follow one another."""
        scale = self.frame.stretched_by
        placed = [
            _Placed(i, i.along_mm * scale, i.other_along_mm * scale if _two_places(i) and i.other_along_mm is not None else None)
            for i in indications
            if i.along_mm is not None
        ]
        sure = self._merged([p for p in placed if p.other_mm is None])
        doubtful = self._merged([p for p in placed if p.other_mm is not None])
        numbered = sorted([(s, False) for s in sure] + [(s, True) for s in doubtful], key=lambda pair: pair[0].start_mm)
        found: list[RepairStretch] = []
        for number, (span, two) in enumerate(numbered, 1):
            found.append(self._stretch(span, f"{number}a" if two else str(number)))
            if two:
                there = [_Placed(p.indication, p.other_mm, p.middle_mm) for p in span.holds if p.other_mm is not None]
                # On the other wall the same marks run the other way, so they may fall apart differently: taken as one piece.
                other = merge([self._span(p) for p in there], span.length_mm, self.frame.length_mm, self.frame.closed)
                found += [self._stretch(s, f"{number}b") for s in other]
        return tuple(found)

    def _merged(self, placed: list[_Placed]) -> list[Span[_Placed]]:
        least = self.practice.settings.least_sound_metal_mm
        return merge([self._span(p) for p in placed], least, self.frame.length_mm, self.frame.closed)

    def _span(self, placed: _Placed) -> Span[_Placed]:
        settings = self.practice.settings
        half = half_along_mm(placed.indication, self.frame.stretched_by)
        cavity = self._cavity([self._item(placed)], 2 * half, (self.practice.note_for(placed.indication),))
        opening = cavity.length_mm / 2 if cavity.length_mm is not None and not cavity.at_most else 0.0
        return around(placed.middle_mm, max(half + settings.beyond_ends_mm, opening), settings.shortest_stretch_mm, placed)

    def _item(self, placed: _Placed) -> RepairItem:
        note = self.practice.note_for(placed.indication)
        return make_item(placed.indication, placed.middle_mm, self.frame, note, self.document.weld, self.practice.settings, self.units)

    def _cavity(self, items: list[RepairItem], length_mm: float, notes: tuple[Note, ...]) -> Excavation:
        opens = max((n.opens for n in notes), key=lambda o: _OPENING[o])
        dug = [i for i, n in zip(items, notes, strict=True) if n.opens not in ("surface", "none")]
        depths = [i.depth_to_mm for i in dug if i.depth_to_mm is not None]
        deepest = max(depths) if len(depths) == len(dug) and depths else None
        width = max((i.width_mm or 0.0 for i in items), default=0.0)
        return excavate(opens, length_mm, width, deepest, self.document.weld.wall_mm, self.practice.settings, self.units)

    def _stretch(self, span: Span[_Placed], label: str) -> RepairStretch:
        frame = self.frame
        items = [self._item(p) for p in span.holds]
        notes = tuple(self.practice.note_for(p.indication) for p in span.holds)
        starts = [frame.wrap(i.from_mm - span.start_mm) for i in items]
        ends = [s + 2 * half_along_mm(p.indication, frame.stretched_by) for s, p in zip(starts, span.holds, strict=True)]
        return RepairStretch(
            label=label,
            from_mm=frame.wrap(span.start_mm),
            to_mm=span.end_mm if frame.length_mm is not None and span.end_mm == frame.length_mm else frame.wrap(span.end_mm),
            length_mm=span.length_mm,
            start=frame.place(span.start_mm),
            middle=frame.place((span.start_mm + span.end_mm) / 2),
            end=frame.place(span.end_mm),
            items=tuple(items),
            excavation=self._cavity(items, max(ends) - min(starts), notes),
            authorisation=any(n.authorisation for n in notes) or any(may_be_a_crack(p.indication) for p in span.holds),
            decide_first=self._decide([p.indication for p in span.holds], notes, two_places=label[-1] in "ab"),
            reshoot=self._reshoot(span),
        )

    def _decide(self, indications: list[Indication], notes: tuple[Note, ...], two_places: bool) -> tuple[str, ...]:
        says: list[str] = []
        if two_places:
            says.append("The film does not tell which wall it is on: this is one of two places. Before cutting, re-shoot so that the walls "
                        "lie apart.")
        if any(n.authorisation for n in notes):
            says.append("Crack: stop. Needs its own authorisation before anything is cut.")
        for indication in indications:
            chance = may_be_a_crack(indication)
            if chance is not None:
                says.append(f"No. {indication.id} may be a crack ({chance:.0%}): treat it as one until magnetic particle or penetrant "
                            "shows otherwise.")
        if any(n.lower_bound for n in notes):
            says.append("Length on the film is the least it can be: find the true ends with magnetic particle or penetrant.")
        own = {i.id for i in indications}
        reviews = [f for n in open_reviews(self.document) if own & set((f := self.document.findings[n]).indications)]
        if len(reviews) == 1:
            says.append(f"Provisional, decide first: {reviews[0].says}")
        elif reviews:
            rules = ", ".join(dict.fromkeys(f.rule for f in reviews))
            says.append(f"Provisional, decide first: {len(reviews)} reviews are open on the marks here (rules {rules}), see page 1.")
        return tuple(dict.fromkeys(says))

    def _reshoot(self, span: Span[_Placed]) -> str:
        margin = self.practice.settings.reshoot_margin_mm
        whole = self.frame.length_mm is not None and self.frame.closed and span.length_mm + 2 * margin >= self.frame.length_mm
        at = self.frame.within(span.start_mm - margin), self.frame.within(span.end_mm + margin)
        start, end = (tape_text(station, self.units) for station in at)
        where = "the whole weld" if whole else f"{start} to {end}"
        return f"Re-shoot {where} as {_next_shot(self.document)}, with the technique of the first film{_technique(self.document)}."


def _two_places(indication: Indication) -> bool:
    return indication.wall == "unknown" and indication.other_along_mm is not None


def _next_shot(document: Worksheet | WeldDocument) -> str:
    shots = (document.shot,) if isinstance(document, Worksheet) else tuple(f.shot for f in document.films)
    done = [int(found[1]) for shot in shots if (found := re.fullmatch(r"R(\d+)", shot.strip()))]
    return f"R{max([*done, document.weld.repairs_so_far or 0]) + 1}"


def _technique(document: Worksheet | WeldDocument) -> str:
    exposures = {document.exposure} if isinstance(document, Worksheet) else {f.exposure for f in document.films}
    if len(exposures) != 1:
        return ""
    says = _exposure_text(exposures.pop())
    return f" ({says})" if says else ""


def _exposure_text(exposure: ExposureFacts) -> str:
    parts = [exposure.technique or "", exposure.source]
    if exposure.kv is not None:
        parts.append(f"{exposure.kv:g} kV")
    if exposure.source_to_film_mm is not None:
        parts.append(f"source to film {exposure.source_to_film_mm:g} mm")
    return ", ".join(p for p in parts if p)
