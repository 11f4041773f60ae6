"""The columns of an indications list: how a cell becomes a value and a value a cell; type and number complete each other."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from rtscan.findings import Indication
from rtscan.imperfections import IMPERFECTIONS, Imperfection, by_number, by_term, is_within
from rtscan.record_lists.table_files import Cell, neutralised, restored

_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d{1,3})?", re.ASCII)
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}", re.ASCII)
_YES = frozenset({"true", "yes", "y", "1", "x"})
_NO = frozenset({"false", "no", "n", "0"})


class CellError(Exception):
    """What is wrong with one cell and what to do."""


def number(cell: Cell, comma_is_decimal: bool = False) -> float | None:
    """A number with decimal point or comma; None for a blank cell.

    A comma that could just as well mark thousands ("1,234") is refused unless `comma_is_decimal`. Raises CellError.
    """
    if cell is None or isinstance(cell, bool):
        if cell is None:
            return None
        raise CellError("is true or false, not a number; write it like 3.5")
    text = str(cell).replace("\u2212", "-").replace("\u00a0", " ").strip()
    text = restored(text)
    if not text:
        return None
    if not _NUMBER.fullmatch(text):
        raise CellError(f"{_quoted(text)} is not a number; write it like 3.5")
    if not comma_is_decimal and _THOUSANDS.fullmatch(text):
        raise CellError(f"{_quoted(text)} may mean thousands or decimals; write it with a decimal point")
    value = float(text.replace(",", "."))
    if abs(value) > 1e9:
        raise CellError(f"{_quoted(text)} is too large; check it")
    return value


def _size(cell: Cell, comma_is_decimal: bool) -> float | None:
    value = number(cell, comma_is_decimal)
    if value is not None and value < 0:
        raise CellError(f"{value:g} is negative; a size is zero or more")
    return value


def _angle(cell: Cell, comma_is_decimal: bool) -> float | None:
    value = number(cell, comma_is_decimal)
    if value is None:
        return None
    if abs(value) > 180:
        raise CellError(f"{value:g} is not an angle; write -90 to 90 degrees")
    return 90 - (90 - value) % 180


def text(cell: Cell) -> str:
    """The text of a cell, without blanks at its ends; whole numbers without decimals."""
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() else repr(cell)
    if isinstance(cell, bool):
        return "true" if cell else "false"
    return restored((cell or "").strip()).strip()


def _whole(cell: Cell, comma_is_decimal: bool) -> int | None:
    value = number(cell, comma_is_decimal)
    if value is not None and (value != int(value) or value < 0):
        raise CellError(f"{value:g} is not a whole number; write 1, 2, 3 …")
    return None if value is None else int(value)


def _flag(cell: Cell, comma_is_decimal: bool) -> bool | None:
    word = text(cell).lower()
    if word and word not in _YES | _NO:
        raise CellError(f"{_quoted(word)} is neither yes nor no; write true, false or nothing")
    return None if not word else word in _YES


def _plain(cell: Cell, comma_is_decimal: bool) -> str:
    return text(cell)


def _plain_or_none(cell: Cell, comma_is_decimal: bool) -> str | None:
    return text(cell) or None


def _one_of(*words: str) -> Callable[[Cell, bool], str | None]:
    def choose(cell: Cell, comma_is_decimal: bool) -> str | None:
        word = text(cell).lower()
        if word and word not in words:
            raise CellError(f"{_quoted(word)} is not one of {', '.join(words)}; correct it or leave it blank")
        return word or None

    return choose


COLUMNS: dict[str, Callable[[Cell, bool], Any]] = {
    "id": _whole, "type": _plain, "iso6520": _plain, "along_mm": number, "across_mm": number, "length_mm": _size, "width_mm": _size,
    "height_mm": _size, "angle_deg": _angle, "surface": _plain_or_none, "local_width_mm": _size, "area_mm2": _size,
    "tone": _one_of("dark", "bright"), "wall": _one_of("film", "source", "unknown"), "group": _plain_or_none, "run": _plain_or_none,
    "mismatch": _flag, "darker_than_parent": _flag, "length_u_mm": _size, "width_u_mm": _size, "height_u_mm": _size,
    "result": _one_of("accept", "reject", "review", "cannot judge"), "note": _plain,
}
"""Column name, which is also the field of `Indication`, to the function that reads its cell; in the contract's order."""


def written(value: object) -> str | float | bool | None:
    """A field's value as a cell: numbers to 0.0001, texts neutralised against formulas, None for nothing."""
    if value is None or isinstance(value, bool):
        return value
    if isinstance(value, int | float):
        return round(float(value), 4) + 0.0
    return neutralised(str(value)) or None


def written_text(value: object) -> str:
    """As `written`, for a CSV file."""
    cell = written(value)
    if isinstance(cell, bool):
        return "true" if cell else "false"
    if isinstance(cell, float):
        return f"{cell:.4f}".rstrip("0").rstrip(".")
    return cell or ""


def completed(indication: Indication) -> Indication:
    """The indication with type, number and tone filled from one another.

    Where number and term differ the finer one counts when one contains the other ("crack" with 1011). Raises CellError when
    neither is known, or when they contradict each other.
    """
    kind = _kind(indication.type, indication.iso6520)
    return replace(indication, type=kind.term, iso6520=kind.iso6520, tone=indication.tone or kind.tone)


def _kind(term: str, iso6520: str) -> Imperfection:
    numbered, named = by_number(iso6520), by_term(term)
    if iso6520 and numbered is None:
        raise CellError(f"iso6520 {_quoted(iso6520)} is not a reference number of ISO 6520-1 known here; leave it blank and give the type")
    if numbered is None and named is None:
        raise CellError(f"type {_quoted(term)} is not known here{_nearest_term(term)}" if term else "type or iso6520 is needed; give one")
    if numbered is None or named is None:
        return named or numbered or IMPERFECTIONS[0]
    if named.iso6520 == numbered.iso6520 or is_within(named.iso6520, numbered.iso6520):
        return named
    if is_within(numbered.iso6520, named.iso6520):
        return numbered
    raise CellError(
        f"type {_quoted(term)} has the number {named.iso6520}, but iso6520 says {iso6520} ({numbered.term}); correct one or leave it blank"
    )


def _nearest_term(term: str) -> str:
    near = difflib.get_close_matches(term.lower(), [i.term for i in IMPERFECTIONS], n=1, cutoff=0.5)
    return f'; did you mean "{near[0]}"?' if near else "; use a term or number of ISO 6520-1"


def _quoted(words: str) -> str:
    shown = " ".join(words.split())
    return f'"{shown}"' if len(shown) <= 40 else f'"{shown[:37]}..."'
