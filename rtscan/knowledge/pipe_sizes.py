"""Steel pipe sizes by nominal size and schedule: ASME B36.10M and B36.19M (`pipe_sizes.toml`, with its sources)."""

from __future__ import annotations

import difflib
import re
import tomllib
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from importlib import resources
from types import MappingProxyType
from typing import Any

MM_PER_INCH = 25.4


@dataclass(frozen=True)
class Pipe:
    """One pipe size. `od_in` is the inch size the standard prints, `edition` the standard the wall comes from."""

    nps: str
    schedule: str
    od_mm: float
    od_in: float
    wall_mm: float
    edition: str


@cache
def _sizes() -> MappingProxyType[tuple[str, str], Pipe]:
    data: dict[str, Any] = tomllib.loads(resources.files(__package__).joinpath("pipe_sizes.toml").read_text("utf-8"))
    return MappingProxyType({
        (nps, schedule): Pipe(nps, schedule, row["od_mm"], row["od_in"], wall_mm, table["edition"])
        for table in (data["B36-10M"], data["B36-19M"])
        for nps, row in table["rows"].items()
        for schedule, wall_mm in zip(table["schedules"], row["wall_mm"], strict=True)
        if wall_mm > 0
    })


def nominal_sizes() -> tuple[str, ...]:
    """The nominal pipe sizes known, in growing order: "1/8" … "24"."""
    return tuple(dict.fromkeys(nps for nps, _ in _sizes()))


def schedules_of(nps: str) -> tuple[str, ...]:
    """The schedules made in a nominal size; empty when the size is unknown."""
    size = _clean_nps(nps)
    return tuple(schedule for known, schedule in _sizes() if known == size)


def pipe(nps: str, schedule: str) -> Pipe | None:
    """The pipe of a nominal size and schedule; None when the tables have none.

    Spellings of the shop are understood: "1 1/2", "1-1/2", "1.5", "NPS 6"; "40", "Sch 40", "10s", "std".
    """
    return _sizes().get((_clean_nps(nps), _clean_schedule(schedule)))


def inch_size(size_mm: float) -> float:
    """A nominal size in inches: that of the pipe tables, a whole 1/16 in within 0.05 mm, else the plain conversion."""
    for row in _sizes().values():
        if abs(row.od_mm - size_mm) < 0.005:
            return row.od_in
    if any(abs(row.wall_mm - size_mm) < 0.005 for row in _sizes().values()):
        return round(size_mm / MM_PER_INCH, 3)
    sixteenths = round(size_mm / MM_PER_INCH * 16)
    if sixteenths and abs(sixteenths * MM_PER_INCH / 16 - size_mm) <= 0.05:
        return sixteenths / 16
    return size_mm / MM_PER_INCH


def nearest_names(text: str, known: tuple[str, ...]) -> str:
    """A hint for a mistyped name: the nearest known one, or all of them."""
    close = difflib.get_close_matches(text, known, n=1, cutoff=0.5)
    return f"did you mean {close[0]!r}?" if close else f"known: {', '.join(known)}"


def _clean_nps(nps: str) -> str:
    text = re.sub(r"^nps\s*", "", nps.strip().lower()).rstrip('" ').replace("-", " ")
    if not re.fullmatch(r"[\d\s./]{1,20}", text):  # no exponent: a fraction would write out all its digits
        return text
    try:
        value = sum((Fraction(part) for part in text.split()), Fraction(0))
    except (ValueError, ZeroDivisionError):
        return text
    whole, rest = divmod(value, 1)
    return " ".join(([str(whole)] if whole else []) + ([str(rest)] if rest else []))


def _clean_schedule(schedule: str) -> str:
    return re.sub(r"^SCH(EDULE)?\.?\s*", "", schedule.strip().upper())
