"""Limits as printed: a length, a share of wall or weld, sums of these, the smaller or the larger of several; and their arithmetic.

Metric and inch figures are two printed sets. A measurement is converted into the set in use, a limit never.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from types import MappingProxyType
from typing import Literal

from rtscan.acceptance.situation import Situation, Units
from rtscan.knowledge.pipe_sizes import inch_size

MM_PER_INCH = 25.4
EQUAL_WITHIN = 1e-6
"""Relative difference below which two sizes are the same: rounding of the arithmetic, far below any measurement."""

Base = Literal["wall", "weld_length", "cap_width", "width", "length"]
BASE_WORDS: dict[str, str] = {"wall": "wall", "weld_length": "weld length", "cap_width": "weld width", "width": "width of the indication",
                              "length": "length of the longer"}


Own = Mapping[str, float]
NOTHING: Own = MappingProxyType({})


class MissingError(Exception):
    """A quantity the limit rests on is not known; `what` names it."""

    def __init__(self, what: str) -> None:
        super().__init__(what)
        self.what = what


@dataclass(frozen=True)
class Scale:
    """The weld in one unit set. `factor` turns millimetres into `units`; nominal sizes are taken as their inch sizes."""

    units: Units
    factor: float
    sizes: Mapping[str, float | None]

    @classmethod
    def of(cls, situation: Situation, units: Units) -> Scale:
        """The sizes of `situation` in `units`. The circumference of a nominal pipe follows from its inch diameter."""
        if units == "mm":
            return cls("mm", 1.0, {
                "wall": situation.wall_mm,
                "od": _od(situation),
                "weld_length": situation.weld_length_mm,
                "cap_width": situation.cap_width_mm,
            })
        cap = situation.cap_width_mm
        return cls("in", 1 / MM_PER_INCH, {
            "wall": None if situation.wall_mm is None else inch_size(situation.wall_mm),
            "od": _od(situation) if situation.od_mm is None else inch_size(situation.od_mm),
            "weld_length": _length_in(situation),
            "cap_width": None if cap is None else cap / MM_PER_INCH,
        })

    def size(self, name: str) -> float:
        """A size of the weld in `units`. Raises MissingError."""
        value = self.sizes.get(name)
        if value is None:
            raise MissingError(BASE_WORDS.get(name, "outside diameter"))
        return value

    def show(self, value: float) -> str:
        """A length as the findings print it: 0.1 mm with a second decimal where it matters, or three decimals of an inch."""
        if self.units == "in":
            return f"{value:.3f} in"
        return f"{value:.1f} mm" if abs(value * 10 - round(value * 10)) < 0.05 else f"{value:.2f} mm"


@dataclass(frozen=True)
class Term:
    """A sum of parts: a printed length (`mm` and `inch`) and shares of sizes ("wall" 0.25 is a quarter of the wall)."""

    mm: float = 0.0
    inch: float = 0.0
    inch_as_printed: str = ""
    shares: tuple[tuple[Base, float], ...] = ()

    def value(self, scale: Scale, own: Own = NOTHING) -> float:
        """In the units of `scale`; `own` are the indication's sizes ("width", "length") in the same units. Raises MissingError."""
        total = self.mm if scale.units == "mm" else self.inch
        for base, share in self.shares:
            total += share * _size(base, scale, own)
        return total

    def says(self, scale: Scale, own: Own = NOTHING) -> str:
        """The arithmetic: "25 % of 8.0 mm = 2.0 mm", "13 mm"."""
        parts = [self._printed(scale.units)] if self._printed(scale.units) else []
        for base, share in self.shares:
            size = _size(base, scale, own)
            parts.append(f"{_share(share)} {scale.show(size)} ({BASE_WORDS[base]})")
        text = " + ".join(parts)
        return f"{text} = {scale.show(self.value(scale, own))}" if self.shares else text

    def _printed(self, units: Units) -> str:
        if units == "mm":
            return f"{self.mm:g} mm" if self.mm else ""
        return f"{self.inch_as_printed or format(self.inch, 'g')} in" if self.inch else ""


@dataclass(frozen=True)
class Choice:
    """The smaller ("least") or the larger ("greatest") of several limits."""

    pick: Literal["least", "greatest"]
    among: tuple[Limit, ...]

    def value(self, scale: Scale, own: Own = NOTHING) -> float:
        """In the units of `scale`. Raises MissingError."""
        values = [limit.value(scale, own) for limit in self.among]
        return min(values) if self.pick == "least" else max(values)

    def says(self, scale: Scale, own: Own = NOTHING) -> str:
        """The arithmetic of every choice and the one taken."""
        word = "smaller" if self.pick == "least" else "larger"
        options = " and ".join(limit.says(scale, own) for limit in self.among)
        return f"the {word} of {options}: {scale.show(self.value(scale, own))}"


@dataclass(frozen=True)
class ByWall:
    """A limit chosen from bands of wall thickness: the first whose bound ("below" or "up_to") holds, the last without a bound."""

    bands: tuple[tuple[Literal["below", "up_to", "above all"], Term, Limit], ...]

    def chosen(self, scale: Scale) -> Limit:
        """The limit of the band the wall lies in. Raises MissingError."""
        wall = scale.size("wall")
        for bound, at, limit in self.bands:
            edge = at.value(scale)
            slack = EQUAL_WITHIN * max(1.0, edge)
            if bound == "above all" or (bound == "below" and wall < edge - slack) or (bound == "up_to" and wall <= edge + slack):
                return limit
        raise ValueError("bands without an end")

    def value(self, scale: Scale, own: Own = NOTHING) -> float:
        """In the units of `scale`. Raises MissingError."""
        return self.chosen(scale).value(scale, own)

    def says(self, scale: Scale, own: Own = NOTHING) -> str:
        """The arithmetic of the band taken."""
        return self.chosen(scale).says(scale, own)


Limit = Term | Choice | ByWall


def _parts(limit: Limit) -> tuple[Limit, ...]:
    return limit.among if isinstance(limit, Choice) else tuple(part for _, _, part in limit.bands) if isinstance(limit, ByWall) else ()


def uses(limit: Limit, base: str) -> bool:
    """Whether the limit rests on the size `base`."""
    if not isinstance(limit, Term):
        return any(uses(part, base) for part in _parts(limit)) or (base == "wall" and isinstance(limit, ByWall))
    return any(name == base for name, _ in limit.shares)


def printed(limit: Limit) -> str:
    """The limit as the document prints it, for no weld in particular: "the smaller of 25 % of wall and 4 mm (5/32 in)"."""
    if isinstance(limit, Choice):
        return f"the {'smaller' if limit.pick == 'least' else 'larger'} of {' and '.join(printed(part) for part in limit.among)}"
    if isinstance(limit, ByWall):
        words = {"up_to": "up to", "below": "below"}
        bands = [f"{printed(part)} for wall {words[bound]} {printed(at)}" for bound, at, part in limit.bands[:-1]]
        return "; ".join([*bands, f"{printed(limit.bands[-1][2])} above"])
    inch = f"{limit.inch_as_printed or format(limit.inch, 'g')} in" if limit.inch else ""
    lengths = f"{limit.mm:g} mm ({inch})" if limit.mm and inch else f"{limit.mm:g} mm" if limit.mm else inch
    parts = ([lengths] if lengths else []) + [f"{_share(share)} {BASE_WORDS[base]}" for base, share in limit.shares]
    return " + ".join(parts) or "0"


def is_dual(limit: Limit) -> bool:
    """Whether the limit has a printed length, so that the metric and the inch set may disagree."""
    if not isinstance(limit, Term):
        return isinstance(limit, ByWall) or any(is_dual(part) for part in _parts(limit))
    return bool(limit.mm or limit.inch)


def inches(text: str | float) -> float:
    """A printed inch figure: 0.5, "5/32", "1 1/8". Raises ValueError."""
    try:
        if isinstance(text, int | float):
            return float(text)
        if not re.fullmatch(r"[\d\s./-]{1,40}", text):  # no exponent: a fraction would write out all its digits
            raise ValueError(text)
        return float(sum((Fraction(part) for part in text.replace("-", " ").split()), Fraction(0)))
    except (ZeroDivisionError, OverflowError) as problem:
        raise ValueError(text) from problem


def _od(situation: Situation) -> float | None:
    """Plate and longitudinal welds without a diameter are judged like the largest pipe."""
    flat = situation.joint in ("plate", "longitudinal")
    return math.inf if situation.od_mm is None and flat else situation.od_mm


def _length_in(situation: Situation) -> float | None:
    length, od = situation.weld_length_mm, situation.od_mm
    if length is None:
        return None
    if od is not None and abs(length - math.pi * od) < 0.05:
        return math.pi * inch_size(od)
    return length / MM_PER_INCH


def _share(share: float) -> str:
    if share >= 1:
        return f"{share:g} ×"
    fraction = Fraction(share).limit_denominator(12)
    if fraction.denominator % 3 == 0 and abs(float(fraction) - share) < 1e-9:
        return f"{fraction} of"
    return f"{share * 100:g} % of"


def _size(base: Base, scale: Scale, own: Own) -> float:
    if base not in ("width", "length"):
        return scale.size(base)
    if base not in own:
        raise MissingError(BASE_WORDS[base])
    return own[base]
