"""The film set CSV: one row per film, paths relative to the CSV, every mistake reported together."""

from __future__ import annotations

import csv
import io
import re
from collections import defaultdict
from dataclasses import dataclass
from datetime import date as Date
from pathlib import Path

from rtscan.errors import ListError

COLUMNS = ("file", "weld", "film", "shot", "job", "station_at_left_mm", "station_at_right_mm", "date", "welder_root", "welder_fill")
LARGEST_SET_BYTES = 64 * 1024 * 1024
_STATIONS = ("station_at_left_mm", "station_at_right_mm")
_SHOT = re.compile(r"(?:|R[1-9]\d?)")


@dataclass(frozen=True)
class SetRow:
    """One film of the set. `line` is its line in the CSV; `job` None means the job sheet given for the whole set."""

    line: int
    file: str
    path: Path
    job: Path | None = None
    weld: str = ""
    film: str = ""
    shot: str = ""
    station_at_left_mm: float | None = None
    station_at_right_mm: float | None = None
    date: Date | None = None
    welder_root: str = ""
    welder_fill: str = ""

    @property
    def stem(self) -> str:
        """Beginning of the names of this film's outputs."""
        return self.path.stem


def load_manifest(path: Path) -> tuple[SetRow, ...]:
    """Reads a film set. Raises ListError with every mistake: not a table, unknown films, double outputs, bad numbers and dates."""
    table = _read_table(path)
    header = [cell.strip().lower() for cell in table[0][1]] if table else []
    if "file" not in header:
        raise ListError(str(path), "has no column 'file'; the first line must name the columns, such as file,weld,film,shot,job")
    if repeated := sorted({name for name in header if name in COLUMNS and header.count(name) > 1}):
        raise ListError(str(path), f"names the column {repeated[0]!r} twice; keep one")
    problems: list[str] = []
    rows = [_parse_row(line, dict(zip(header, cells, strict=False)), path.parent, problems) for line, cells in table[1:]]
    found = [row for row in rows if row is not None]
    problems += _clashes(found)
    if not found and not problems:
        problems.append("lists no film; add one line per film")
    if problems:
        raise ListError(str(path), problems)
    return tuple(found)


def _read_table(path: Path) -> list[tuple[int, list[str]]]:
    """Line number and cells of every line that is not empty; `;` or `,` or tab between cells."""
    try:
        if path.stat().st_size > LARGEST_SET_BYTES:
            raise ListError(str(path), f"is larger than {LARGEST_SET_BYTES // 2**20} MiB; a film set is a short table, name the right file")
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as problem:
        raise ListError(str(path), f"cannot be opened ({problem.strerror}); name an existing film set CSV") from problem
    except UnicodeDecodeError as problem:
        raise ListError(str(path), "is not UTF-8 text; save the table as CSV UTF-8") from problem
    first = text.split("\n", 1)[0]
    delimiter = max(",;\t", key=first.count)
    try:
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
        return [(reader.line_num, cells) for cells in reader if any(cell.strip() for cell in cells)]
    except csv.Error as problem:
        raise ListError(str(path), f"is not a CSV table ({problem}); save it again as CSV") from problem


def _parse_row(line: int, cells: dict[str, str], folder: Path, problems: list[str]) -> SetRow | None:
    cells = {name: value.strip() for name, value in cells.items()}
    before = len(problems)
    stations = {name: _number(cells.get(name, ""), f"line {line}, {name}", problems) for name in _STATIONS}
    day = _date(cells.get("date", ""), f"line {line}, date", problems)
    if not cells.get("file"):
        problems.append(f"line {line}: no file; name the film of this line")
    elif "\0" in cells["file"]:
        problems.append(f"line {line}: the file name holds a zero byte; write the name again")
    if not _SHOT.fullmatch(cells.get("shot", "")):
        problems.append(f"line {line}: shot {cells['shot']!r} is not known; leave it empty or write R1, R2 and so on")
    if len(problems) > before:
        return None
    job = cells.get("job", "")
    return SetRow(line, cells["file"], folder / cells["file"], folder / job if job else None, cells.get("weld", ""), cells.get("film", ""),
                  cells.get("shot", ""), stations["station_at_left_mm"], stations["station_at_right_mm"], day,
                  cells.get("welder_root", ""), cells.get("welder_fill", ""))


def _number(text: str, place: str, problems: list[str]) -> float | None:
    if not text:
        return None
    if re.fullmatch(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)", text):
        return float(text.replace(",", "."))
    problems.append(f"{place}: {text!r} is not a number; write millimetres such as 120.5")
    return None


def _date(text: str, place: str, problems: list[str]) -> Date | None:
    if not text:
        return None
    try:
        return Date.fromisoformat(text)
    except ValueError:
        problems.append(f"{place}: {text!r} is not a date; write it as 2026-05-04")
        return None


def _clashes(rows: list[SetRow]) -> list[str]:
    """Two films whose outputs would have one name (names compared without case, as some file systems do)."""
    by_stem: dict[str, list[SetRow]] = defaultdict(list)
    for row in rows:
        by_stem[row.stem.casefold()].append(row)
    return [
        f"lines {a.line} and {b.line}: {a.file!r} and {b.file!r} would write the same {a.stem}.worksheet.json; rename one film"
        for a, b in ((same[0], other) for same in by_stem.values() for other in same[1:])
    ]
