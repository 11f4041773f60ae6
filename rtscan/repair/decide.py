"""What a person must decide before and besides the cutting: confirmation, open reviews, repair or cut out."""

from __future__ import annotations

from collections.abc import Mapping

from rtscan.findings import Finding, Indication, Quality, WeldDocument, Worksheet
from rtscan.imperfections import is_within
from rtscan.lengths import size_text, tape_text
from rtscan.repair.places import Frame
from rtscan.repair.practice import Settings
from rtscan.repair_records import RepairStretch

UNCONFIRMED = "Machine reading, not confirmed. Do not cut."
CRACK_SHARE = 0.08
SHOWN_MARKS = 2
SHORT_TEXT = 120


def open_reviews(document: Worksheet | WeldDocument) -> list[int]:
    """Places in `findings` of the reviews that no reader has settled."""
    closed = {c.finding for c in document.reader.closed if c.result in ("accept", "reject")} if document.reader else set()
    return [n for n, f in enumerate(document.findings) if f.result in ("review", "cannot judge") and n not in closed]


def decide_first(document: Worksheet | WeldDocument, frame: Frame, units: str) -> tuple[str, ...]:
    """Everything still open on the worksheet, each with the place it is about."""
    by_id = {i.id: i for i in document.indications}
    says = [f"{_failed(q)}" for q in _qualities(document) if not q.readable]
    for place in open_reviews(document):
        finding = document.findings[place]
        where = "; ".join(_where(by_id[i], frame, units) for i in finding.indications if i in by_id)
        says.append(f"{where}: {finding.says}" if where else finding.says)
    if not says and document.verdict in ("review", "unreadable"):
        says.append(document.verdict_says or f"the verdict is {document.verdict}")
    return tuple(dict.fromkeys(says))


def decide_short(document: Worksheet | WeldDocument, frame: Frame, units: str) -> tuple[str, ...]:
    """The same in one line per mark or group of marks: what is open there, shortened."""
    by_id = {i.id: i for i in document.indications}
    reviews = [document.findings[place] for place in open_reviews(document)]
    if not reviews:
        return decide_first(document, frame, units)
    about: dict[tuple[int, ...], list[Finding]] = {}
    for finding in reviews:
        about.setdefault(tuple(i for i in finding.indications if i in by_id), []).append(finding)
    says = [_failed(q) for q in _qualities(document) if not q.readable]
    for numbers, findings in about.items():
        places = [_where(by_id[i], frame, units) for i in numbers]
        where = "; ".join(places) if len(places) <= SHOWN_MARKS else f"{places[0]} and {len(places) - 1} more marks"
        text = findings[0].says if len(findings) == 1 else f"{len(findings)} reviews open, rules {', '.join(f.rule for f in findings)}"
        if len(text) > SHORT_TEXT:
            text = text[: SHORT_TEXT - 2].rsplit(" ", 1)[0] + " …"
        says.append(f"{where}: {text}" if where else text)
    return tuple(dict.fromkeys(says))


def _qualities(document: Worksheet | WeldDocument) -> tuple[Quality, ...]:
    return (document.quality,) if isinstance(document, Worksheet) else tuple(f.quality for f in document.films)


def _failed(quality: Quality) -> str:
    names = ", ".join(c.name for c in quality.checks if c.required and c.result == "fail") or "quality"
    return f"the film is not fit to judge ({names}); shoot it again before anything is cut"


def _where(indication: Indication, frame: Frame, units: str) -> str:
    name = f"No. {indication.id} {indication.type}".strip()
    if indication.along_mm is None:
        return f"{name}, place not known"
    place = frame.place(indication.along_mm * frame.stretched_by)
    return f"{name} at {tape_text(place.station_mm, units)}" + (f" ({place.clock})" if place.clock else "")


def choice(
    document: Worksheet | WeldDocument, stretches: tuple[RepairStretch, ...], frame: Frame, settings: Settings, units: str
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """What speaks to repairing and what to cutting out, as plain sentences; the inspector decides."""
    repair, cut = _amount(stretches, frame, settings, units)
    if any(s.excavation.opens == "root" for s in stretches):
        repair.append("The root has to be opened: gap, backing gas where the material wants it, access.")
        cut.append("A root flaw that cannot be reached well is cut out.")
    _cracks(stretches, frame, repair, cut)
    weld = document.weld
    if weld.repairs_so_far is None or weld.repair_limit is None:
        repair.append("Repairs so far: not on the worksheet; ask before cutting.")
    elif weld.repairs_so_far >= weld.repair_limit:
        cut.append(f"Repairs so far {weld.repairs_so_far}, limit {weld.repair_limit}: the limit is reached. Cut out, unless authorised "
                   "in writing.")
    else:
        repair.append(f"Repairs so far {weld.repairs_so_far}, limit {weld.repair_limit}: this would be repair {weld.repairs_so_far + 1}.")
    if weld.repairs_so_far:
        cut.append("Where the same place was repaired before, a second repair usually needs authorisation.")
    if weld.od_mm is not None and frame.closed and weld.od_mm <= settings.small_bore_od_mm:
        cut.append(f"Small bore (outside diameter {size_text(weld.od_mm, units)}): cutting out is often quicker and surer.")
    repair.append("More than these stretches may be removed; the inspector decides.")
    cut.append("Cut out leaves a new joint: full examination again, and a pup piece if the pipe will not reach.")
    return tuple(repair), tuple(cut)


def _amount(stretches: tuple[RepairStretch, ...], frame: Frame, settings: Settings, units: str) -> tuple[list[str], list[str]]:
    dressed = sum(s.excavation.opens in ("surface", "none") for s in stretches)
    dug = [s for s in stretches if s.excavation.opens in ("outside", "root") and not s.label.endswith("b")]
    count = f"{len(dug)} stretch{'' if len(dug) == 1 else 'es'} to open"
    if dressed:
        count += f", {dressed} to dress at the surface"
    if not dug:
        return [f"{count}."], []
    total = sum(s.length_mm for s in dug)
    if frame.length_mm is None:
        return [f"{count}. To open {tape_text(total, units)} in all; share of the weld not known."], []
    share = total / frame.length_mm
    repair = [f"{count}. To open {tape_text(total, units)} in all: {share:.0%} of the {'circumference' if frame.closed else 'weld'}."]
    if share <= settings.large_share:
        return repair, []
    return repair, [f"{share:.0%} of the weld comes out: past {settings.large_share:.0%} many cut the joint out."]


def _cracks(stretches: tuple[RepairStretch, ...], frame: Frame, repair: list[str], cut: list[str]) -> None:
    lengths: Mapping[int, float | None] = {
        item.indication: item.length_mm for s in stretches for item in s.items if is_within(item.iso6520, "100")
    }
    if not lengths:
        return
    known = sum(length for length in lengths.values() if length is not None)
    repair.append("Crack: repaired only with its own authorisation.")
    if frame.length_mm is not None:
        share = known / frame.length_mm
        text = f"Cracks make up {share:.1%} of the weld length on the film; API 1104 section 10 allows repair below {CRACK_SHARE:.0%}, "
        (cut if share >= CRACK_SHARE else repair).append(text + "else cut out. Check the edition that applies.")
    cut.append("A second repair of a crack is not permitted by API 1104 section 10: cut out.")
