"""The records of an acceptance criterion: rows of data, each naming one of the fixed kinds of rule (`rules.py`)."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, field_validator, model_validator

from rtscan.acceptance.limits import Base, ByWall, Choice, Limit, Term, inches, is_dual
from rtscan.findings import CriteriaFacts
from rtscan.imperfections import IMPERFECTIONS
from rtscan.knowledge.pipe_sizes import nearest_names

Kind = Literal[
    "not permitted", "permitted", "look", "size", "isolated or random size", "total", "share of weld", "count", "spacing", "aligned group",
    "four on a line", "area share", "stacked", "chart",
]
Quantity = Literal["length_mm", "width_mm", "local_width_mm", "height_mm", "diameter_mm", "end_to_end_mm", "sum_length_mm"]
Comparator = Literal["exceeds", "not more than", "less than", "at least"]
Grade = Literal["g1", "g2", "g3", "g4"]
Units = Literal["mm", "in"]
COMPARATOR_SIGNS: dict[str, str] = {"exceeds": "≤", "not more than": "≤", "less than": "<", "at least": "≥"}
"""Comparator as printed to the sign of acceptance."""

NEEDS: dict[str, tuple[str, ...]] = {
    "not permitted": (), "permitted": (), "look": ("text",), "size": ("quantity", "limit"),
    "isolated or random size": ("quantity", "limit", "isolated_limit", "apart"), "total": ("quantity", "limit", "window"),
    "share of weld": ("quantity", "limit"), "count": ("most", "window"), "spacing": ("limit",),
    "aligned group": ("limit", "window"), "four on a line": ("limit", "window"),
    "area share": ("percent", "window"), "stacked": ("quantity", "limit"), "chart": ("window", "text"),
}
"""Kind of rule to the keys its rows must have."""

_BASES: tuple[Base, ...] = ("wall", "weld_length", "cap_width", "width", "length")
_NUMBERS = frozenset(i.iso6520 for i in IMPERFECTIONS)


def parse_limit(raw: object) -> Limit:
    """`{ mm = 25, in = "1" }`, `{ wall = 0.25 }`, `{ mm = 1, width = 0.6 }` (a sum), `{ least = [ … ] }`, `{ greatest = [ … ] }`."""
    if isinstance(raw, Term | Choice | ByWall):
        return raw
    if not isinstance(raw, dict) or not raw:
        raise ValueError("is not a limit; write it like { mm = 25, in = 1 } or { least = [{ wall = 0.25 }, { mm = 4 }] }")
    for pick in ("least", "greatest"):
        if pick in raw:
            if len(raw) > 1 or not isinstance(raw[pick], list) or len(raw[pick]) < 2:
                raise ValueError(f'"{pick}" stands alone and lists at least two limits')
            return Choice("least" if pick == "least" else "greatest", tuple(parse_limit(part) for part in raw[pick]))
    if "by_wall" in raw:
        return _by_wall(raw)
    if unknown := sorted(set(raw) - {"mm", "in", *_BASES}):
        hint = nearest_names(unknown[0], ("mm", "in", "least", "greatest", "by_wall", *_BASES))
        raise ValueError(f'has the unknown key "{unknown[0]}"; {hint}')
    printed = raw.get("in", 0.0)
    shares = tuple((base, _positive(raw[base], base)) for base in _BASES if base in raw)
    return Term(_positive(raw.get("mm", 0.0), "mm"), _positive(printed, "in"), printed if isinstance(printed, str) else "", shares)


def _by_wall(raw: dict[str, Any]) -> ByWall:
    """`{ by_wall = [{ below = { mm = 3 }, limit = { … } }, { up_to = { … }, limit = { … } }, { limit = { … } }] }`."""
    rows = raw["by_wall"]
    if len(raw) > 1 or not isinstance(rows, list) or not rows or not all(isinstance(row, dict) and "limit" in row for row in rows):
        raise ValueError('"by_wall" stands alone and lists bands, each with a "limit"')
    bands = []
    for n, row in enumerate(rows):
        bounds = [key for key in row if key != "limit"]
        last = n == len(rows) - 1
        if bounds not in ([["below"], ["up_to"]] if not last else [[]]):
            raise ValueError('every band of "by_wall" has "below" or "up_to", but the last one neither')
        edge = Term() if last else parse_limit(row[bounds[0]])
        if not isinstance(edge, Term):
            raise ValueError('the bound of a band is a printed length like { mm = 19, in = "3/4" }')
        bound: Literal["below", "up_to", "above all"] = "above all" if last else "below" if bounds == ["below"] else "up_to"
        bands.append((bound, edge, parse_limit(row["limit"])))
    return ByWall(tuple(bands))


def _positive(raw: object, key: str) -> float:
    if isinstance(raw, bool) or not isinstance(raw, int | float | str):
        raise ValueError(f'"{key}" is not a number')
    try:
        value = inches(raw)
    except ValueError:
        raise ValueError(f'"{key}" is not a number; write it like 3.2 or "1/8"') from None
    if not 0 <= value < 1e6:
        raise ValueError(f'"{key}" is {value:g}; a limit is zero or more')
    return value


class _Row(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, arbitrary_types_allowed=True, populate_by_name=True)


LimitField = Annotated[Limit, BeforeValidator(parse_limit)]


class Band(_Row):
    """A range of a size of the weld; every bound is a limit of its own."""

    above: LimitField | None = None
    from_: LimitField | None = Field(default=None, alias="from")
    up_to: LimitField | None = None
    below: LimitField | None = None


class When(_Row):
    """When a row applies. The first nine are facts of the indication, the rest of the weld."""

    surface_open: bool | None = None
    finish_run: bool | None = None
    mismatch: bool | None = None
    darker_than_parent: bool | None = None
    shape: Literal["rounded", "elongated"] | None = None
    in_cluster: bool | None = None
    clustered: bool | None = None
    drawn_out: bool | None = None
    welded_from: Literal["one side", "both sides"] | None = None
    layers: Literal["single", "multi"] | None = None
    penetration: Literal["full", "partial"] | None = None
    joint: tuple[str, ...] = ()
    wall: Band | None = None
    od: Band | None = None
    weld_length: Band | None = None

    @field_validator("joint", mode="before")
    @classmethod
    def _one_or_more(cls, raw: object) -> object:
        return (raw,) if isinstance(raw, str) else raw


class Gate(_Row):
    """Which sizes a row looks at: a relevance floor or a size class."""

    quantity: Quantity = "length_mm"
    above: LimitField | None = None
    from_: LimitField | None = Field(default=None, alias="from")
    up_to: LimitField | None = None
    below: LimitField | None = None


class Parallel(_Row):
    """Two parallel lines count as one indication unless either is wider than `unless_wider`."""

    apart: LimitField
    unless_wider: LimitField
    types: tuple[str, ...] = ("*",)

    def takes(self, iso6520: str) -> bool:
        """Whether lines of this type are looked at."""
        return any(_matches(p, iso6520) for p in self.types)


class Boundary(_Row):
    """A worked case of the row: sizes below, on and above its limit, for the weld and the facts in `at` and `item`."""

    below: float | None = None
    on: float | None = None
    above: float | None = None
    at: dict[str, Any] = Field(default_factory=dict)
    item: dict[str, Any] = Field(default_factory=dict)


class Rule(_Row):
    """One row of a criterion. `types` are ISO 6520-1 numbers; "401*" takes the sub-numbers too. `grade` g3 and g4 are unverified."""

    id: str
    clause: str = ""
    what: str
    kind: Kind
    types: tuple[str, ...]
    except_types: tuple[str, ...] = ()
    on: Literal["indications", "clusters", "aligned"] = "indications"
    quantity: tuple[Quantity, ...] = ()
    comparator: Comparator = "not more than"
    limit: LimitField | None = None
    most: int | None = Field(default=None, ge=0)
    percent: float | None = Field(default=None, gt=0, le=100)
    window: Annotated[Limit | None, BeforeValidator(lambda raw: None if raw in (None, "weld") else parse_limit(raw))] = None
    whole_weld: bool = False
    edge: str = ""
    when: When = When()
    relevant: Gate | None = None
    only_if_measured: bool = False
    isolated_limit: LimitField | None = None
    apart: LimitField | None = None
    gap_factor: float | None = Field(default=None, gt=0)
    joined: bool = False
    parallel: Parallel | None = None
    pro_rata: bool = False
    merged: bool = False
    printed_for_short_welds: bool = True
    text: str = ""
    grade: Grade
    source: str
    note: str = ""
    boundary: Boundary | None = None

    @field_validator("quantity", mode="before")
    @classmethod
    def _one_or_more(cls, raw: object) -> object:
        return (raw,) if isinstance(raw, str) else raw

    @field_validator("types", "except_types")
    @classmethod
    def _known_types(cls, types: tuple[str, ...]) -> tuple[str, ...]:
        for number in types:
            if number != "*" and not _matches_any(number):
                raise ValueError(f'"{number}" is not a type of ISO 6520-1 known here; {nearest_names(number, tuple(sorted(_NUMBERS)))}')
        return types

    @model_validator(mode="before")
    @classmethod
    def _whole_weld_window(cls, raw: Any) -> Any:
        if isinstance(raw, dict) and raw.get("window") == "weld":
            return {**raw, "whole_weld": True}
        return raw

    @model_validator(mode="after")
    def _complete(self) -> Rule:
        for key in NEEDS[self.kind]:
            if getattr(self, key) in (None, (), "") and not (key == "window" and self.whole_weld):
                raise ValueError(f'needs the key "{key}" for the kind "{self.kind}"')
        return self

    @property
    def unverified(self) -> bool:
        """Whether the limit rests on memory alone or on sources that disagree."""
        return self.grade in ("g3", "g4")

    @property
    def prints_lengths(self) -> bool:
        """Whether the row compares with printed lengths, so that its metric and inch figures may disagree."""
        if self.kind in ("chart", "look", "permitted", "not permitted"):
            return False
        gates = (self.when.wall, self.when.od, self.when.weld_length, self.relevant)
        limits = [self.limit, self.window, self.isolated_limit, self.apart, *(b for g in gates if g for b in (g.above, g.from_, g.below))]
        return any(limit is not None and is_dual(limit) for limit in limits)

    def takes(self, iso6520: str) -> bool:
        """Whether the row is about the type `iso6520`. "501" takes 501 alone, "401*" also 4011, 4012 …, "100*" every crack."""
        return any(_matches(p, iso6520) for p in self.types) and not any(_matches(p, iso6520) for p in self.except_types)


class Criteria(_Row):
    """One acceptance criterion: a document, an edition, its rows in order. `units` are the printed limit sets, the usual one first."""

    name: str
    title: str
    edition: str
    units: tuple[Units, ...]
    rules: tuple[Rule, ...]
    sha256: str = ""
    cautions: tuple[str, ...] = ()

    def facts(self, units: Units) -> CriteriaFacts:
        """What the worksheet says about the criterion; `units` when the document prints that set, else its own."""
        return CriteriaFacts(self.name, self.title, self.edition, self.units_for(units))

    def units_for(self, wanted: Units) -> Units:
        """The printed set to judge by."""
        return wanted if wanted in self.units else self.units[0]


def _matches(pattern: str, iso6520: str) -> bool:
    if pattern == "*":
        return True
    if not pattern.endswith("*"):
        return iso6520 == pattern
    head = pattern[:-1]
    return iso6520.startswith(head[0]) if head.endswith("00") else iso6520.startswith(head)


def _matches_any(pattern: str) -> bool:
    return any(_matches(pattern, number) for number in _NUMBERS)
