"""Lists made by hand for the acceptance tests."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from rtscan.acceptance.criteria import Rule
from rtscan.acceptance.situation import Situation
from rtscan.findings import Indication, Worksheet
from rtscan.imperfections import IMPERFECTIONS, by_number

WELD: dict[str, Any] = {
    "wall_mm": 10.0, "od_mm": 323.9, "weld_length_mm": 1000.0, "cap_width_mm": 12.0, "joint": "girth", "layers": "multi",
    "welded_from": "one side",
}


def indication(number: int, iso6520: str, **sizes: Any) -> Indication:
    """An indication with the term of its number; width defaults to nothing."""
    known = by_number(iso6520)
    return Indication(number, type=known.term if known else "", iso6520=iso6520, **sizes)


def a_type_of(rule: Rule) -> str:
    """A type of the vocabulary that the row takes, in keeping with the facts it asks for."""
    drawn = {True: ("3011",), False: ("3012",)}.get(rule.when.drawn_out, ()) if rule.when.drawn_out is not None else ()
    if rule.when.welded_from == "both sides":
        drawn = ("402",)
    choices = [*drawn, *(i.iso6520 for i in IMPERFECTIONS)]
    whole = ("2013", "2014") if rule.on == "indications" else ()
    return next(n for n in choices if rule.takes(n) and n not in whole)


def facts_of(rule: Rule) -> dict[str, Any]:
    """The columns of a list that state the facts the row asks for."""
    when, facts = rule.when, dict[str, Any]()
    if when.surface_open is not None:
        facts["surface"] = "open" if when.surface_open else "not open"
    if when.finish_run is not None:
        facts["run"] = "finish" if when.finish_run else "root"
    facts["mismatch"] = when.mismatch if when.mismatch is not None else False
    facts["darker_than_parent"] = when.darker_than_parent if when.darker_than_parent is not None else True
    if when.in_cluster or when.clustered:
        facts |= {"group": "G1", "run": "root"}
    return facts


@pytest.fixture
def boundary_list() -> Callable[[Rule, float | None], tuple[Worksheet, Situation]]:
    """A list whose only fault under one row is a measure of the given size (None: not measured), with the weld of its boundary case."""
    def build(rule: Rule, value: float | None) -> tuple[Worksheet, Situation]:
        assert rule.boundary is not None
        weld = WELD | {k: v for k in ("layers", "penetration", "welded_from") if (v := getattr(rule.when, k)) is not None}
        if rule.when.joint:
            weld["joint"] = rule.when.joint[0]
        items = MAKERS[rule.kind](rule, value)
        made = [indication(n + 1, a_type_of(rule), **({"along_mm": 200.0, "across_mm": 0.0} | facts_of(rule) | item | rule.boundary.item))
                for n, item in enumerate(items)]
        if rule.when.in_cluster or rule.when.clustered:
            made.append(indication(99, made[0].iso6520, along_mm=203.0, across_mm=0.0, length_mm=0.5, width_mm=0.5, group="G1", run="root"))
        return Worksheet(indications=tuple(made)), Situation(**(weld | rule.boundary.at))

    return build


def _shaped(rule: Rule, length: float) -> float:
    return length if rule.when.shape == "rounded" else length / 4


def _single(rule: Rule, value: float | None) -> list[dict[str, Any]]:
    item: dict[str, Any] = {"length_mm": 2.0, "local_width_mm": 1.0}
    key = {"diameter_mm": "length_mm", "end_to_end_mm": "length_mm", "sum_length_mm": "length_mm"}.get(rule.quantity[-1], rule.quantity[-1])
    item[key] = value
    if key == "length_mm":
        item["local_width_mm"] = None if value is None else _shaped(rule, value)
    elif key == "local_width_mm" and value is not None:
        item["length_mm"] = value * (2 if rule.when.shape == "rounded" else 8)
    return [item]


def _total(rule: Rule, value: float | None) -> list[dict[str, Any]]:
    if value is None or rule.relevant is None or rule.relevant.quantity != "length_mm":
        return [{"length_mm": value, "local_width_mm": 0.5 if value is None else _shaped(rule, value)}]
    piece = value / 8
    return [{"length_mm": piece, "local_width_mm": _shaped(rule, piece), "along_mm": 200.0 + 2.5 * n} for n in range(8)]


def _several(rule: Rule, value: float | None) -> list[dict[str, Any]]:
    size = 2.0 if rule.relevant is None else 1.0
    return [{"length_mm": size, "local_width_mm": _shaped(rule, size), "along_mm": 200.0 + 8.0 * n, "across_mm": float(n % 2)}
            for n in range(int(value or 0))]


def _spaced(rule: Rule, value: float | None) -> list[dict[str, Any]]:
    length = rule.boundary.item.get("length_mm", 5.0) if rule.boundary else 5.0
    first = {"local_width_mm": _shaped(rule, length), "along_mm": None if value is None else 200.0}
    return [first, first | {"along_mm": None if value is None else 200.0 + length + value}]


def _in_line(rule: Rule, value: float | None) -> list[dict[str, Any]]:
    pieces = 4 if rule.kind == "four on a line" else 2
    if value is None:
        return [{"length_mm": None, "local_width_mm": None}] * pieces
    return [{"length_mm": value / pieces, "local_width_mm": _shaped(rule, value / pieces), "along_mm": 200.0 + n * (value / pieces + 1.0)}
            for n in range(pieces)]


def _area(rule: Rule, value: float | None) -> list[dict[str, Any]]:
    if value is None:
        return [{"length_mm": None}]
    area = value / 100 * 100.0 * 10.0
    if rule.quantity:
        return [{"length_mm": 50.0, "local_width_mm": area / 50.0}]
    return [{"length_mm": 2.0, "local_width_mm": 2.0, "area_mm2": area}]


def _stacked(rule: Rule, value: float | None) -> list[dict[str, Any]]:
    width = None if value is None else value / 2
    return [{"length_mm": 6.0, "local_width_mm": width, "across_mm": y} for y in (-3.0, 3.0)]


MAKERS: dict[str, Callable[[Rule, float | None], list[dict[str, Any]]]] = {
    "size": _single, "isolated or random size": _single, "total": _total, "share of weld": _total, "count": _several, "spacing": _spaced,
    "aligned group": _in_line, "four on a line": _in_line, "area share": _area, "stacked": _stacked, "chart": _several,
    "not permitted": lambda rule, value: [{"length_mm": 1.0, "local_width_mm": 0.9}],
    "permitted": lambda rule, value: [{"length_mm": 1.0, "local_width_mm": 0.9}],
    "look": lambda rule, value: [{"length_mm": 1.0, "local_width_mm": 0.9}],
}
