"""CSV and XLSX files to rows of cells under named columns, whatever separator, decimal sign, encoding or title rows they have."""

from __future__ import annotations

import csv
import io
import re
import warnings
import zipfile
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from functools import lru_cache
from itertools import islice
from pathlib import Path
from typing import Any

from rtscan.errors import ListError

Cell = str | float | bool | None

LARGEST_FILE_BYTES = 64 * 2**20
MOST_ROWS = 100_000
MOST_COLUMNS = 300
_MOST_BLANK_ROWS = 1000
_HEADER_WITHIN = 20
_SEPARATORS = (",", ";", "\t")
_FORMULA = re.compile(r"['\s]*[=+\-@\uff1d\uff0b\uff0d\uff20]")
_NOT_FOR_XML = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")

Rows = list[tuple[int, list[Cell]]]
"""Line (from 1) and cells of each row that is not blank."""


@dataclass(frozen=True)
class Table:
    """Rows under named columns. `columns` are lower case with `_` for blanks; `rows` are (line, cells by column).

    `comma_is_decimal` when a comma in a number can only be the decimal sign, because the cells are separated otherwise.
    """

    columns: tuple[str, ...]
    rows: tuple[tuple[int, Mapping[str, Cell]], ...]
    comma_is_decimal: bool = False


@dataclass(frozen=True)
class TableFile:
    """An open CSV file (one sheet without a name) or workbook: its rows by lower-case sheet title."""

    path: Path
    sheets: Mapping[str, Rows]
    comma_is_decimal: bool = False

    def table(self, known: Collection[str], sheet: str | None = None) -> Table | None:
        """The table under the heading that names most of the `known` columns; title rows above it are skipped.

        With `sheet` only that sheet counts, and None says that there is none. Raises ListError.
        """
        if sheet is not None:
            rows = self.sheets.get(sheet)
            return None if rows is None else self._under_heading(rows, known)
        return self._under_heading(max(self.sheets.values(), key=lambda rows: _heading(rows, known)[1], default=[]), known)

    def pairs(self, sheet: str) -> dict[str, Cell]:
        """First and second column of a sheet as names and values; empty when there is no such sheet."""
        return {_name(cells[0]): cells[1] for _, cells in self.sheets.get(sheet, []) if len(cells) > 1}

    def _under_heading(self, rows: Rows, known: Collection[str]) -> Table:
        place, named = _heading(rows, known)
        if not named:
            examples = ", ".join(list(known)[:4])
            raise ListError(str(self.path), f"has no row of column names; the first row must name columns such as {examples}")
        columns = _column_names(rows[place][1])
        twice = sorted({name for name in columns if columns.count(name) > 1})
        if twice:
            raise ListError(str(self.path), f"line {rows[place][0]}: column {', '.join(twice)} is there more than once; keep one")
        problems = [
            f"line {line}: more cells than columns; check for a comma inside a number or a text without quotes"
            for line, cells in rows[place + 1:] if not all(map(_is_blank, cells[len(columns):]))
        ]
        if problems:
            raise ListError(str(self.path), shortened(problems))
        named_rows = tuple((line, dict(zip(columns, cells, strict=False))) for line, cells in rows[place + 1:])
        return Table(tuple(columns), named_rows, self.comma_is_decimal)


def open_table_file(path: Path, known: Collection[str]) -> TableFile:
    """Reads a CSV file or an XLSX workbook whole. `known` column names tell the separator of a CSV file. Raises ListError."""
    if path.suffix.lower() in (".xlsx", ".xlsm"):
        return TableFile(path, _workbook_sheets(path))
    text = _decoded(_bytes_of(path))
    if not text.strip():
        raise ListError(str(path), "is empty; the first row must name the columns")
    separator, start = _separator(path, text, known)
    rows = _without_blank(_split(path, text[start:], separator, 2 if start else 1), path)
    return TableFile(path, {"": rows}, comma_is_decimal=separator != ",")


def neutralised(text: str) -> str:
    """`text` so that no spreadsheet program takes it for a formula: an apostrophe goes in front where one could.

    Characters that XML cannot carry become U+FFFD. `restored` undoes the apostrophe.
    """
    text = _NOT_FOR_XML.sub("\ufffd", text)
    return "'" + text if _FORMULA.match(text) else text


def restored(text: str) -> str:
    """The text that was given to `neutralised`."""
    return text[1:] if text.startswith("'") and _FORMULA.match(text) else text


@lru_cache(4096, typed=True)
def _name(cell: Cell) -> str:
    """A heading or title as it is compared. Remembered, because every cell near the top of a sheet may be a heading and is asked again."""
    return re.sub(r"[\s\-]+", "_", str(cell if cell is not None else "").strip("\ufeff \t").lower())


def _is_blank(cell: Cell) -> bool:
    return cell is None or (isinstance(cell, str) and not cell.strip())


def _heading(rows: Rows, known: Collection[str]) -> tuple[int, int]:
    """Place of the heading among `rows` and how many of the `known` columns it names."""
    counts = [len({_name(cell) for cell in cells} & set(known)) for _, cells in rows[:_HEADER_WITHIN]]
    best = max(counts, default=0)
    return (counts.index(best) if best else 0), best


def _column_names(cells: list[Cell]) -> list[str]:
    names = [_name(cell) for cell in cells]
    while names and not names[-1]:
        names.pop()
    return [name or f"column_{place}" for place, name in enumerate(names, 1)]


def shortened(problems: list[str], most: int = 20) -> list[str]:
    """The first `most` problems, and how many more there are."""
    more = len(problems) - most
    return problems if more <= 0 else [*problems[:most], f"and {more} more problems; correct these first"]


def _without_blank(rows: Iterable[tuple[int, list[Cell]]], path: Path) -> Rows:
    kept: Rows = []
    last = 0
    for line, cells in rows:
        if all(map(_is_blank, cells)):
            if line - last > _MOST_BLANK_ROWS:
                break
            continue
        last = line
        kept.append((line, cells))
        if len(kept) > MOST_ROWS:
            raise ListError(str(path), f"has more than {MOST_ROWS} rows; split it")
        if len(cells) > MOST_COLUMNS and any(not _is_blank(cell) for cell in cells[MOST_COLUMNS:]):
            raise ListError(str(path), f"line {line}: more than {MOST_COLUMNS} columns; check the separator")
    return kept


def _bytes_of(path: Path) -> bytes:
    try:
        if path.stat().st_size > LARGEST_FILE_BYTES:
            raise ListError(str(path), f"larger than {LARGEST_FILE_BYTES // 2**20} MiB; split it")
        return path.read_bytes()
    except OSError as problem:
        raise ListError(str(path), f"cannot be read ({problem.strerror or problem}); check the name") from None


# --- CSV ------------------------------------------------------------------------------------------------------------------


def _separator(path: Path, text: str, known: Collection[str]) -> tuple[str, int]:
    """The separator that makes most known column names, and where the rows start (after a `sep=` line)."""
    declared = re.match(r"sep=(.)\r?\n", text)
    if declared:
        return declared[1], declared.end()
    starts = {separator: list(islice(_split(path, text, separator), _HEADER_WITHIN)) for separator in _SEPARATORS}
    return max(_SEPARATORS, key=lambda separator: _heading(starts[separator], known)[1]), 0


def _decoded(data: bytes) -> str:
    """UTF-8 with or without mark, UTF-16 with a mark, else Windows-1252, which is what spreadsheet programs write."""
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return data.decode("utf-16", errors="replace")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("cp1252", errors="replace")


def _split(path: Path, text: str, separator: str, first_line: int = 1) -> Iterator[tuple[int, list[Cell]]]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
    line = 0
    try:
        for cells in reader:
            yield line + first_line, list(cells)
            line = reader.line_num
    except csv.Error as problem:
        raise ListError(str(path), f"line {line + first_line}: cannot be split into cells ({problem}); save it again as CSV") from None


# --- XLSX -----------------------------------------------------------------------------------------------------------------


def _workbook_sheets(path: Path) -> dict[str, Rows]:
    """All sheets by lower-case title. Formulas give the value their program last saved."""
    data = io.BytesIO(_bytes_of(path))
    try:
        unpacked = sum(entry.file_size for entry in zipfile.ZipFile(data).infolist())
    except (zipfile.BadZipFile, ValueError, OSError, NotImplementedError):
        raise ListError(str(path), "is not an XLSX workbook; save it as XLSX or CSV") from None
    if unpacked > LARGEST_FILE_BYTES:
        raise ListError(str(path), f"unpacks to more than {LARGEST_FILE_BYTES // 2**20} MiB; split it")
    import openpyxl

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            workbook = openpyxl.load_workbook(data, read_only=True, data_only=True)
            return {_name(sheet.title): _without_blank(_sheet_rows(sheet), path) for sheet in workbook.worksheets}
    except ListError:
        raise
    except Exception as problem:  # a damaged workbook breaks its parser in many ways, all of which mean the same to the user
        reason = " ".join(f"{type(problem).__name__} {problem}".split())[:120]
        raise ListError(str(path), f"is not a usable XLSX workbook ({reason}); save it again as XLSX or CSV") from None


def _sheet_rows(sheet: Any) -> Iterator[tuple[int, list[Cell]]]:
    sheet.reset_dimensions()
    for line, values in enumerate(sheet.iter_rows(max_col=MOST_COLUMNS + 1, values_only=True), 1):
        yield line, [_cell(value) for value in values]


def _cell(value: object) -> Cell:
    if value is None or isinstance(value, str | bool | float):
        return value
    if isinstance(value, int):
        return float(value)
    if isinstance(value, datetime):
        return value.date().isoformat() if value.time().isoformat() == "00:00:00" else value.isoformat()
    return value.isoformat() if isinstance(value, date) else str(value)
