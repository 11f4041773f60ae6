"""Judged lists as data (`cases/*.toml`): every criterion, the outcome of every finding."""

from __future__ import annotations

import tomllib
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from rtscan.acceptance.judge import judge
from rtscan.acceptance.library import known_criteria
from rtscan.acceptance.library import load_criteria as load_afresh
from rtscan.acceptance.situation import Situation
from rtscan.findings import Indication, Worksheet
from rtscan.imperfections import by_number

FILES = sorted((Path(__file__).parent / "cases").glob("*.toml"))
load_criteria = cache(load_afresh)
YES_NO = {"yes": True, "no": False}


def read_line(number: int, line: str) -> Indication:
    """TYPE LENGTH WIDTH @ALONG,ACROSS key=value …; without a place the indications lie 100 mm apart."""
    iso6520, length, width, *rest = line.split()
    fields: dict[str, Any] = {"along_mm": 100.0 * number, "across_mm": 0.0}
    for word in rest:
        if word.startswith("@"):
            fields["along_mm"], fields["across_mm"] = map(float, word[1:].split(","))
        else:
            key, value = word.split("=")
            fields[key] = value if key in ("surface", "run", "group") else YES_NO[value] if value in YES_NO else float(value)
    known = by_number(iso6520)
    sizes = {name: None if text == "-" else float(text) for name, text in (("length_mm", length), ("width_mm", width))}
    return Indication(number, type=known.term if known else "", iso6520=iso6520, **sizes, **fields)


def cases() -> list[Any]:
    found = []
    for path in FILES:
        data = tomllib.loads(path.read_text("utf-8"))
        for case in data["case"]:
            for key, expected in case["expect"].items():
                weld = {**data["weld"], **case.get("weld", {})}
                criterion = data["criteria"][key]
                found.append(pytest.param(criterion, weld, case["list"], expected, id=f"{criterion}: {case['name']}"))
    return found


@pytest.mark.parametrize(("name", "weld", "lines", "expected"), cases())
def test_list_is_judged_as_expected(name: str, weld: dict[str, Any], lines: list[str], expected: dict[str, str]) -> None:
    worksheet = Worksheet(indications=tuple(read_line(n, line) for n, line in enumerate(lines, 1)))
    judged = judge(worksheet, load_criteria(name), Situation(**weld))
    got: dict[str, list[str]] = {}
    for f in judged.findings:
        got.setdefault(f.result, []).append(f"{f.rule.replace(' ', '_')}:{','.join(map(str, f.indications))}")
    assert {k: sorted(v) for k, v in got.items()} == {k: sorted(v.split()) for k, v in expected.items()}
    worst = "reject" if "reject" in expected else "review" if set(expected) - {"accept"} else "accept"
    assert judged.verdict == worst


def test_every_criterion_has_at_least_twelve_lists() -> None:
    counts: dict[str, int] = {}
    for path in FILES:
        data = tomllib.loads(path.read_text("utf-8"))
        for case in data["case"]:
            assert case["arithmetic"], case["name"]
            for key in case["expect"]:
                name = data["criteria"][key].partition("@")[0]
                counts[name] = counts.get(name, 0) + 1
    for known in known_criteria():
        assert counts.get(known.name, 0) >= 12, known.name
