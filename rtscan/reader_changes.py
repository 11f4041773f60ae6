"""What a reader changed in a worksheet (CSV or XLSX), merged back into its JSON: renamed, measured anew, removed, added, reviews closed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from rtscan.errors import ListError
from rtscan.findings import Closed, Finding, Group, Indication, Reader, Result, WeldDocument, Worksheet
from rtscan.record_json import load_document, without_dangling
from rtscan.record_lists import (
    COLUMNS,
    CellError,
    IndicationList,
    Table,
    TableFile,
    completed,
    number,
    open_table_file,
    raw_list,
    read_indications,
    shortened,
    signature,
    text,
    written_text,
)

INDICATIONS_SHEET, FINDINGS_SHEET, READER_SHEET = "indications", "findings", "reader"
FINDING_COLUMNS = ("no", "rule", "says", "result", "reader_result", "reader_note")
"""The columns of the findings sheet that are read; `no` counts from 1."""

_OPEN: tuple[Result, ...] = ("review", "cannot judge")
_OTHERWISE_READ = ("id", "type", "iso6520", "result")
_STALE_WITH: dict[str, tuple[str, ...]] = {
    "along_mm": ("clock", "other_along_mm", "nearest"),
    "across_mm": ("nearest",),
    "angle_deg": ("nearest",),
    "length_mm": ("length_u_mm", "area_mm2", "nearest"),
    "width_mm": ("width_u_mm", "area_mm2", "local_width_mm", "nearest"),
    "height_mm": ("height_u_mm",),
}
"""What a changed quantity makes worthless unless the reader gave it anew."""


@dataclass(frozen=True)
class Changes:
    """A changed worksheet as it stands in the file: the list, and the rows of the findings sheet with the reader's answers."""

    file: str
    listed: IndicationList
    answers: Table | None = None
    reader: Reader | None = None


def open_for_judging(path: Path) -> Worksheet | WeldDocument:
    """Whatever `rtscan judge` is given: a worksheet or weld document (JSON), a changed worksheet (CSV, XLSX), or a hand list.

    A file `STEM.worksheet.csv` or `.xlsx` with `STEM.worksheet.json` beside it is that worksheet after a reader has changed it;
    any other CSV or XLSX is a hand list and gives a worksheet of its indications alone. Raises ListError.
    """
    if path.suffix.lower() not in (".csv", ".xlsx", ".xlsm", ".txt"):
        return _with_complete_types(load_document(path), str(path))
    beside = path.with_suffix(".json")
    if path.stem.endswith(".worksheet") and beside.exists():
        document = load_document(beside)
        return merged(document, read_changes(path, max((i.id for i in document.indications), default=0)))
    listed = read_indications(path)
    return Worksheet(indications=listed.indications, reader=listed.reader)


def read_changes(path: Path, greatest_id: int = 0) -> Changes:
    """The indications, the answers to reviews and the signature in a changed worksheet; new rows get ids above `greatest_id`.

    Raises ListError.
    """
    file = open_table_file(path, COLUMNS)
    listed = raw_list(file, INDICATIONS_SHEET if INDICATIONS_SHEET in file.sheets else None, greatest_id)
    return Changes(str(path), listed, file.table(FINDING_COLUMNS, FINDINGS_SHEET), _signature(file) or listed.reader)


def signed_by(path: Path) -> str:
    """Who signed a changed worksheet (CSV or XLSX); empty when nobody did or the file cannot be read."""
    try:
        file = open_table_file(path, COLUMNS)
        reader = _signature(file) or signature(file)
    except ListError:
        return ""
    return reader.name if reader else ""


def merged(document: Worksheet | WeldDocument, changes: Changes) -> Worksheet | WeldDocument:
    """The document with the reader's changes, told in words in `reader.changed`; findings stay as they were until judged again.

    A renamed indication is no longer in doubt: its alternatives go. A quantity measured anew loses the machine's uncertainty
    unless the reader gave one. Raises ListError with every problem.
    """
    problems: list[str] = []
    words: list[str] = []
    before = {i.id: i for i in document.indications}
    after = [_changed(before.get(row.id), row, line, changes.listed.columns, words, problems)
             for row, line in zip(changes.listed.indications, changes.listed.lines, strict=True)]
    kept = {i.id for i in after}
    words += [f"indication {i.id} removed ({_named(i)})" for i in document.indications if i.id not in kept]
    answers, cleared = _answers(document, changes, problems)
    closed = _closed_by_result(document, changes, problems) | answers
    if problems:
        raise ListError(changes.file, shortened(problems))
    words += [f"review of {_said(document.findings[c.finding])} closed: {c.result}{'; ' * bool(c.note)}{c.note}" for c in closed.values()]
    words += [f"review of {_said(document.findings[place])} opened again" for place in sorted(cleared)]
    groups = _regrouped(document.groups, document.indications, after)
    reader = _reader(document.reader, changes.reader, words, closed, cleared)
    return without_dangling(replace(document, indications=_without_old_gaps(before, after), groups=groups, reader=reader))


def _reader(
    before: Reader | None, signed: Reader | None, words: list[str], closed: dict[int, Closed], cleared: set[int]
) -> Reader | None:
    if before is None and signed is None and not words:
        return None
    last = signed or before or Reader("")
    all_closed = {c.finding: c for c in (before.closed if before else ()) if c.finding not in cleared} | closed
    changed = (before.changed if before else ()) + tuple(words)
    return Reader(last.name, last.level, last.date, changed, tuple(all_closed[k] for k in sorted(all_closed)))


def _signature(file: TableFile) -> Reader | None:
    cells = file.pairs(READER_SHEET)
    name = text(cells.get("name"))
    return Reader(name, text(cells.get("level")), text(cells.get("date"))) if name else None


def _with_complete_types(document: Worksheet | WeldDocument, file: str) -> Worksheet | WeldDocument:
    problems: list[str] = []
    indications: list[Indication] = []
    for indication in document.indications:
        try:
            indications.append(completed(indication) if indication.type or indication.iso6520 else indication)
        except CellError as problem:
            problems.append(f"indication {indication.id}: {problem}")
    if problems:
        raise ListError(file, shortened(problems))
    return replace(document, indications=tuple(indications))


# --- one indication -------------------------------------------------------------------------------------------------------


def _changed(
    before: Indication | None, row: Indication, line: int, columns: Sequence[str], words: list[str], problems: list[str]
) -> Indication:
    try:
        if before is None:
            added = replace(completed(row), result=None, why="added by the reader")
            words.append(f"indication {row.id} added ({_named(added)})")
            return added
        new = {name: getattr(row, name) for name in columns if name not in _OTHERWISE_READ and _differs(before, row, name)}
        words += [f"indication {row.id}: {_in_words(name, getattr(before, name), value)}" for name, value in new.items()]
        return _renamed(replace(before, **_stale(new) | new), row, columns, words)
    except CellError as problem:
        problems.append(f"line {line}: {problem}")
        return row


def _differs(before: Indication, row: Indication, name: str) -> bool:
    old, new = (" ".join(written_text(getattr(indication, name)).split()) for indication in (before, row))
    return old != new


def _without_old_gaps(before: dict[int, Indication], after: Sequence[Indication]) -> tuple[Indication, ...]:
    """The indications without the gap to a neighbour that was moved or measured anew."""
    moved = {i.id for i in after if i.id in before and i.nearest is None and before[i.id].nearest is not None}
    return tuple(replace(i, nearest=None) if i.nearest and i.nearest.id in moved else i for i in after)


def _stale(new: dict[str, Any]) -> dict[str, Any]:
    return {stale: None for name in new for stale in _STALE_WITH.get(name, ()) if stale not in new}


def _renamed(indication: Indication, row: Indication, columns: Sequence[str], words: list[str]) -> Indication:
    """Type and number as the reader left them; where only one of the two was changed, the other follows it."""
    term = row.type if "type" in columns else indication.type
    iso6520 = row.iso6520 if "iso6520" in columns else indication.iso6520
    new_term, new_number = term.lower() != indication.type.strip().lower(), iso6520 != indication.iso6520.strip()
    if not (new_term or new_number):
        return indication
    given = replace(indication, type=term if new_term or not new_number else "", iso6520=iso6520 if new_number or not new_term else "")
    named = completed(given)
    words.append(f"indication {indication.id} renamed from {indication.type or 'no type'} to {named.type} ({named.iso6520})")
    why = f"named by the reader; read by the machine as {indication.type or 'no type'}"
    return replace(named, confidence=None, alternatives=(), why=why)


def _in_words(name: str, old: object, new: object) -> str:
    label, unit = (name[:-3].replace("_", " "), " mm") if name.endswith("_mm") else (name.removesuffix("_deg").replace("_", " "), "")
    shown = [f"{cell}{unit}" if (cell := written_text(value)) else "nothing" for value in (old, new)]
    return f"{label} from {shown[0]} to {shown[1]}"


def _named(indication: Indication) -> str:
    place = f" at {indication.along_mm:.1f} mm" if indication.along_mm is not None else ""
    return f"{indication.type or 'no type'}{place}"


def _said(finding: Finding) -> str:
    who = [*(f"indication {i}" for i in finding.indications[:3]), *finding.groups[:3]]
    return f"rule {finding.rule}" + (f" on {', '.join(who)}" if who else "")


# --- reviews closed -------------------------------------------------------------------------------------------------------


def _answers(document: Worksheet | WeldDocument, changes: Changes, problems: list[str]) -> tuple[dict[int, Closed], set[int]]:
    """New or changed answers of the findings sheet by the place of their finding, and the places of answers that were cleared."""
    before = {c.finding: c for c in document.reader.closed} if document.reader else {}
    closed: dict[int, Closed] = {}
    cleared: set[int] = set()
    for line, cells in changes.answers.rows if changes.answers else ():
        answer = text(cells.get("reader_result")).lower()
        try:
            place = int(number(cells.get("no")) or 0) - 1
            if not answer:
                cleared |= {place} & before.keys()
                continue
            _check_open(document.findings, place, text(cells.get("rule")), place in before)
            if answer not in ("accept", "reject"):
                raise CellError(f'reader_result "{answer[:20]}" is neither accept nor reject; choose one')
        except CellError as problem:
            problems.append(f"findings sheet, line {line}: {problem}")
            continue
        entry = Closed(place, "accept" if answer == "accept" else "reject", text(cells.get("reader_note")))
        if entry != before.get(place):
            closed[place] = entry
    return closed, cleared


def _check_open(findings: Sequence[Finding], place: int, rule: str, answered: bool) -> None:
    """Raises CellError unless the finding is an open review, or one that a reader has answered before."""
    finding = findings[place] if 0 <= place < len(findings) else None
    if finding is None or finding.rule != rule:
        raise CellError("does not belong to the worksheet beside it; read the film again and use the new workbook")
    if finding.result not in _OPEN and not answered:
        raise CellError(f"the finding is {finding.result}, not an open review; rename, correct or remove the indication instead")


def _closed_by_result(document: Worksheet | WeldDocument, changes: Changes, problems: list[str]) -> dict[int, Closed]:
    """Reviews closed by writing accept or reject into the result column of the indications they name."""
    if "result" not in changes.listed.columns:
        return {}
    before = {i.id: i for i in document.indications}
    answers: dict[int, Result] = {}
    lines: dict[int, int] = {}
    for row, line in zip(changes.listed.indications, changes.listed.lines, strict=True):
        old = before[row.id].result if row.id in before else row.result
        if row.result is None or row.result == old:
            continue
        if old not in _OPEN or row.result in _OPEN:
            problems.append(f"line {line}, column result: {old or 'nothing'} cannot be set to {row.result}; only an open review can be "
                            "closed here: rename, correct or remove the indication instead")
            continue
        answers[row.id], lines[row.id] = row.result, line
    notes = {row.id: row.note for row in changes.listed.indications}
    closed: dict[int, Closed] = {}
    for place, finding in enumerate(document.findings):
        given = {answers.get(i) for i in finding.indications}
        if finding.result in _OPEN and len(given) == 1 and (result := given.pop()) is not None:
            closed[place] = Closed(place, result, notes[finding.indications[0]])
    settled = {i for place in closed for i in document.findings[place].indications}
    problems += [f"line {lines[i]}, column result: no open review is about indication {i} alone; close it in the findings sheet"
                 for i in sorted(set(answers) - settled)]
    return closed


def _regrouped(groups: Sequence[Group], before: Sequence[Indication], after: Sequence[Indication]) -> tuple[Group, ...]:
    """The groups after a reader's changes: members moved in or out by the `group` column, or removed.

    A group whose members changed in any way loses its sizes (whoever judges works them out from the members); one with fewer
    than two members is dropped. Names that are new in the column make no group here: they are judged as groups by their name.
    """
    old = {i.id: i for i in before}
    new = {i.id: i for i in after}
    moved = {i for i in new if i not in old or old[i].group != new[i].group}
    result: list[Group] = []
    for group in groups:
        stayed = [i for i in group.members if i in new and (i not in moved or new[i].group == group.id)]
        joined = [i for i in new if i in moved and new[i].group == group.id and i not in group.members]
        members = tuple(stayed + joined)
        if members == group.members and all(old.get(i) == new[i] for i in members):
            result.append(group)
        elif len(members) > 1:
            result.append(replace(group, members=members, sum_length_mm=None, end_to_end_mm=None, diameter_mm=None))
    return tuple(result)
