"""Hit/miss tables in a file: a row per target (size, hit) or per size (size, hits, trials)."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from rtscan.errors import ListError
from rtscan.practise.reliability import HitMiss
from rtscan.record_lists import Cell, CellError, number, open_table_file, shortened, text

SIZE_COLUMNS = ("size_mm", "size", "length_mm", "a", "detectability", "x")
HIT_COLUMNS = ("hit", "hits", "found", "detected")
TRIAL_COLUMNS = ("trials", "n", "of")
_YES, _NO = frozenset({"yes", "y", "true", "hit", "x"}), frozenset({"no", "n", "false", "miss", "missed"})


def read_hits(path: Path, size_column: str | None = None) -> tuple[HitMiss, str]:
    """The table and the name of its size column. A row without a size is left out. Raises ListError with every problem."""
    known = (*SIZE_COLUMNS, *HIT_COLUMNS, *TRIAL_COLUMNS, *((size_column,) if size_column else ()))
    table = open_table_file(path, known).table(known)
    columns = table.columns if table else ()
    size = size_column if size_column in columns else None if size_column else _first(columns, SIZE_COLUMNS)
    hit, trials = _first(columns, HIT_COLUMNS), _first(columns, TRIAL_COLUMNS)
    if table is None or size is None or hit is None:
        wanted = size_column or f"a size ({', '.join(SIZE_COLUMNS[:3])} …)"
        raise ListError(str(path), f"needs a column {wanted} and a column hit (1 or 0), or hits with trials; name the columns so")
    problems: list[str] = []
    rows: list[tuple[float, float, float]] = []
    for line, cells in table.rows:
        try:
            row = _row(cells.get(size), cells.get(hit), cells.get(trials) if trials else 1.0, table.comma_is_decimal)
        except CellError as problem:
            problems.append(f"line {line}: {problem}")
            continue
        if row is not None:
            rows.append(row)
    if not rows and not problems:
        problems.append("holds no row with a size; add one row per target")
    if problems:
        raise ListError(str(path), shortened(problems))
    sizes, tried, found = np.array(rows, dtype=np.float64).T
    return HitMiss(sizes, tried, found), size


def _first(columns: tuple[str, ...], names: tuple[str, ...]) -> str | None:
    return next((name for name in names if name in columns), None)


def _row(size: Cell, hit: Cell, trials: Cell, comma: bool) -> tuple[float, float, float] | None:
    a, n = number(size, comma), number(trials, comma)
    if a is None:
        return None
    if a <= 0:
        raise CellError(f"size {a:g} is not above zero; correct it")
    if n is None or n < 1 or n != int(n):
        raise CellError("trials must be a whole number, 1 or more; correct it")
    h = _hits(hit, comma)
    if not 0 <= h <= n or h != int(h):
        raise CellError(f"hits {h:g} must be a whole number between 0 and the trials ({n:g}); correct it")
    return a, n, h


def _hits(cell: Cell, comma: bool) -> float:
    word = text(cell).lower()
    if word in _YES | _NO:
        return float(word in _YES)
    value = number(cell, comma)
    if value is None:
        raise CellError("hit is blank; write 1 or 0")
    return value
