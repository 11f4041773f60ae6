"""An indications list in a file: read with every problem reported, written back with the columns that only its owner understands."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rtscan.errors import ListError
from rtscan.findings import Indication, Reader
from rtscan.record_lists.columns import COLUMNS, CellError, completed, text, written_text
from rtscan.record_lists.table_files import Cell, TableFile, neutralised, open_table_file, shortened

READER_COLUMNS = ("reader", "reader_level", "reader_date")
"""Columns of a worksheet's CSV in which a reader signs; the first row that is filled counts."""


@dataclass(frozen=True)
class IndicationList:
    """The indications of a file, in its order.

    columns
        The known columns that the file has; fields of other columns are at their default.
    lines
        Line of each indication in the file, for messages.
    unknown_columns, unknown_cells
        Columns the contract does not name, kept and ignored; one row of texts per indication.
    reader
        Who signed in the reader columns; None when nobody did.
    """

    indications: tuple[Indication, ...] = ()
    columns: tuple[str, ...] = ()
    lines: tuple[int, ...] = ()
    unknown_columns: tuple[str, ...] = ()
    unknown_cells: tuple[tuple[str, ...], ...] = ()
    reader: Reader | None = None


def read_indications(path: Path) -> IndicationList:
    """A hand list (CSV or XLSX): type, number and tone completed from one another. Raises ListError with every problem, line by line."""
    return _listed(open_table_file(path, COLUMNS), None, 0, completed)


def raw_list(file: TableFile, sheet: str | None = None, greatest_id: int = 0) -> IndicationList:
    """A list just as it stands in the file, type and number not yet completed. Raises ListError.

    Missing ids get the next free numbers, above `greatest_id` and all ids of the list.
    """
    return _listed(file, sheet, greatest_id, lambda indication: indication)


def _listed(file: TableFile, sheet: str | None, greatest_id: int, finish: Callable[[Indication], Indication]) -> IndicationList:
    table = file.table(COLUMNS, sheet)
    if table is None:
        return IndicationList()
    known = tuple(name for name in table.columns if name in COLUMNS)
    unknown = tuple(name for name in table.columns if name not in COLUMNS and name not in READER_COLUMNS)
    problems: list[tuple[int, str]] = []
    fields = [_fields(line, cells, known, table.comma_is_decimal, problems) for line, cells in table.rows]
    lines = tuple(line for line, _ in table.rows)
    ids = _ids([row.pop("id", None) for row in fields], lines, greatest_id, problems)
    indications: list[Indication] = []
    for line, number, row in zip(lines, ids, fields, strict=True):
        try:
            indications.append(finish(Indication(number, **row)))
        except CellError as problem:
            problems.append((line, f": {problem}"))
    if problems:
        raise ListError(str(file.path), shortened([f"line {line}{text}" for line, text in sorted(problems, key=lambda told: told[0])]))
    return IndicationList(
        tuple(indications), known, lines, unknown,
        tuple(tuple(text(cells.get(name)) for name in unknown) for _, cells in table.rows),
        _signature(table.rows),
    )


def write_csv(indications: Sequence[Indication], reader: Reader | None = None, listed: IndicationList | None = None) -> str:
    """The contract's CSV: comma, decimal point, text cells neutralised; then the unknown columns of `listed`, then the reader's.

    `listed` is the list the indications came from, for the cells kept of its unknown columns.
    """
    unknown = listed.unknown_columns if listed else ()
    kept = {i.id: cells for i, cells in zip(listed.indications, listed.unknown_cells, strict=True)} if listed else {}
    signature = [reader.name, reader.level, reader.date] if reader else ["", "", ""]
    file = io.StringIO()
    writer = csv.writer(file, lineterminator="\n")
    writer.writerow([*COLUMNS, *map(neutralised, unknown), *READER_COLUMNS])
    for row, indication in enumerate(indications):
        cells = [written_text(getattr(indication, name)) for name in COLUMNS]
        own = kept.get(indication.id, ("",) * len(unknown))
        writer.writerow([*cells, *map(neutralised, own), *(map(neutralised, signature) if row == 0 else ["", "", ""])])
    return file.getvalue()


def _fields(line: int, cells: Mapping[str, Cell], known: Sequence[str], comma: bool, problems: list[tuple[int, str]]) -> dict[str, Any]:
    row: dict[str, Any] = {}
    for name in known:
        try:
            row[name] = COLUMNS[name](cells.get(name), comma)
        except CellError as problem:
            problems.append((line, f", column {name}: {problem}"))
    return row


def _ids(given: Sequence[object], lines: Sequence[int], greatest: int, problems: list[tuple[int, str]]) -> list[int]:
    first_line: dict[int, int] = {}
    for value, line in zip(given, lines, strict=True):
        if isinstance(value, int) and first_line.setdefault(value, line) != line:
            problems.append((line, f", column id: {value} is already used in line {first_line[value]}; give each indication its own"))
    following = max([greatest, *first_line])
    ids: list[int] = []
    for value in given:
        following += not isinstance(value, int)
        ids.append(value if isinstance(value, int) else following)
    return ids


def signature(file: TableFile) -> Reader | None:
    """Who signed in the reader columns of a list; None when nobody did. Raises ListError when it is no list."""
    table = file.table(COLUMNS)
    return _signature(table.rows) if table else None


def _signature(rows: Sequence[tuple[int, Mapping[str, Cell]]]) -> Reader | None:
    for _, cells in rows:
        name, level, day = (text(cells.get(column)) for column in READER_COLUMNS)
        if name:
            return Reader(name, level, day)
    return None
