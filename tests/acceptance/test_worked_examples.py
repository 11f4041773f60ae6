"""Worked examples of the reference notes (section 9.1) that are not in `cases/`, and Table 4-1 of VIII Division 1 Appendix 4."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from rtscan.acceptance.judge import judge
from rtscan.acceptance.library import load_criteria
from rtscan.acceptance.situation import Situation
from rtscan.findings import Indication, Worksheet

MM = 25.4


def judged(criteria: str, situation: Situation, *indications: Indication) -> Worksheet:
    return judge(Worksheet(indications=indications), load_criteria(criteria), situation)


def finding(sheet: Worksheet, rule: str) -> tuple[str, float | None, float | None]:
    found = next(f for f in sheet.findings if f.rule == rule)
    return found.result, found.measured, found.limit


def ip(length_mm: float, mismatch: bool = False) -> Indication:
    return Indication(1, iso6520="4021", along_mm=50, across_mm=0, length_mm=length_mm, width_mm=1, mismatch=mismatch)


def two_inch_pipe(wall_mm: float) -> Situation:
    length_mm = math.pi * 60.325
    return Situation(wall_mm=wall_mm, od_mm=60.325, weld_length_mm=length_mm, joint="girth", full_girth=True, welded_from="one side")


def test_w1_two_inch_pipe_in_a_weld_shorter_than_twelve_inches() -> None:
    weld = two_inch_pipe(0.109 * MM)
    sheet = judged("api-1104@2013", weld, ip(15.0))
    assert finding(sheet, "9.3.1.a") == ("accept", 15.0, 25.0)
    share = next(f for f in sheet.findings if f.rule == "9.3.1.c")
    assert share.limit == pytest.approx(15.177, abs=0.05)  # the page rounds the circumference by 0.1 %
    ipd = judged("api-1104@2013", weld, ip(49.0, mismatch=True))
    assert finding(ipd, "9.3.2.a") == ("accept", 49.0, 50.0)
    assert not any(f.rule.startswith("9.3.8.3") for f in judged("api-1104@2013", weld, ip(5.0)).findings)


def test_w1_twelve_inch_rules_never_reject_a_shorter_weld_by_themselves() -> None:
    """The page calls them not applicable; counting the whole weld would reject: the reader is told both."""
    sheet = judged("api-1104@2013", two_inch_pipe(2.77), ip(40.0, True), replace(ip(40.0, True), id=2, along_mm=120))
    assert finding(sheet, "9.3.2.b")[0] == "review"
    assert "shorter" in next(f.says for f in sheet.findings if f.rule == "9.3.2.b")


def test_w5_ipd_over_two_inches_or_over_three_in_twelve() -> None:
    weld = Situation(wall_mm=9.5, od_mm=323.9, weld_length_mm=1017.6, joint="girth", full_girth=True, welded_from="one side", units="in")
    over_one = judged("api-1104@2013", weld, ip(1.1 * MM, mismatch=True))
    assert finding(over_one, "9.3.2.a")[0] == "accept"
    assert finding(judged("api-1104@2013", weld, ip(2.1 * MM, mismatch=True)), "9.3.2.a")[0] == "reject"
    two = [replace(ip(1.6 * MM, True), id=n, along_mm=50.0 + 80 * n) for n in (1, 2)]
    sheet = judged("api-1104@2013", weld, *two)
    assert finding(sheet, "9.3.2.b")[0] == "reject"  # 3.2 in > 3 in
    assert finding(sheet, "9.3.2.a")[0] == "accept"


@pytest.mark.parametrize(("inches", "result"), [(0.125, "accept"), (0.2, "accept"), (0.6, "reject"), (1.2, "reject")])
def test_w6_section_ix_slag_in_0_6_inch_plate(inches: float, result: str) -> None:
    slag = Indication(1, iso6520="3011", along_mm=50, across_mm=0, length_mm=inches * MM, width_mm=0.5)
    sheet = judged("asme-ix", Situation(wall_mm=0.6 * MM, weld_length_mm=150, joint="plate", units="in"), slag)
    assert finding(sheet, "QW-191.1.2.2(a)(2)") == (result, pytest.approx(inches), pytest.approx(0.2))


@pytest.mark.parametrize(("criteria", "rule"), [("asme-viii-uw51", "UW-51(b)(2)"), ("asme-viii-uw52", "UW-52(c)(2)-floor")])
def test_w7_w8_three_eighths_plate_allows_a_quarter_inch(criteria: str, rule: str) -> None:
    """W8's page says 1/8 in and is wrong: 2/3 of 3/8 in is 1/4 in."""
    slag = Indication(1, iso6520="3011", along_mm=50, across_mm=0, length_mm=0.25 * MM, width_mm=0.5)
    sheet = judged(criteria, Situation(wall_mm=0.375 * MM, weld_length_mm=500, joint="plate", units="in"), slag)
    assert finding(sheet, rule) == ("accept", pytest.approx(0.25), pytest.approx(0.25))


def test_nps_2_in_inches_takes_the_branch_of_2_375_inches() -> None:
    """60.3 mm / 25.4 is 2.374 in, below 2.375 in: the nominal size counts, not the conversion."""
    slag = Indication(1, iso6520="3011", along_mm=50, across_mm=0, length_mm=11.0, width_mm=0.5)
    weld = Situation(wall_mm=3.91, od_mm=60.3, weld_length_mm=math.pi * 60.3, joint="girth", full_girth=True, units="in")
    rules = {f.rule for f in judged("api-1104@2013", weld, slag).findings}
    assert "9.3.8.2.a" in rules
    assert "9.3.8.3.a" not in rules


# Section I A-250 / VIII-1 Table 4-1, inch columns as printed on S24; the formulas govern, hence ±0.003 in.
TABLE_4_1 = [
    (1 / 8, 0.031, 0.042, 0.015), (3 / 16, 0.047, 0.063, 0.015), (1 / 4, 0.063, 0.083, 0.015), (5 / 16, 0.078, 0.104, 0.031),
    (3 / 8, 0.091, 0.125, 0.031), (7 / 16, 0.109, 0.146, 0.031), (1 / 2, 0.125, 0.168, 0.031), (9 / 16, 0.142, 0.188, 0.031),
    (5 / 8, 0.156, 0.210, 0.031), (11 / 16, 0.156, 0.230, 0.031), (3 / 4, 0.156, 0.250, 0.031), (1.0, 0.156, 0.250, 0.031),
    (2.0, 0.156, 0.250, 0.031), (2.5, 0.156, 0.375, 0.063),
]


@pytest.mark.parametrize(("wall_in", "random_in", "isolated_in", "not_relevant_in"), TABLE_4_1)
def test_table_4_1_in_inches(wall_in: float, random_in: float, isolated_in: float, not_relevant_in: float) -> None:
    weld = Situation(wall_mm=wall_in * MM, weld_length_mm=2000, cap_width_mm=40, joint="plate", units="in")

    def pores(size_in: float, apart_in: float) -> list[Indication]:
        return [Indication(n, iso6520="2011", along_mm=500 + n * (apart_in + size_in) * MM, across_mm=0, length_mm=size_in * MM,
                           width_mm=size_in * MM) for n in (1, 2)]

    def accepted(size_in: float, apart_in: float) -> bool:
        sheet = judged("asme-viii-uw51", weld, *pores(size_in, apart_in))
        return all(f.result == "accept" for f in sheet.findings if f.rule == "4-3(c)")

    tolerance = 0.003
    assert accepted(random_in - tolerance, 0.5)
    assert not accepted(random_in + tolerance, 0.5)
    assert accepted(isolated_in - tolerance, 1.0)
    assert not accepted(isolated_in + tolerance, 1.0)
    small = judged("asme-viii-uw51", weld, *pores(not_relevant_in - tolerance, 0.5))
    assert {f.rule for f in small.findings} == {"4-3(b)"}
    large = judged("asme-viii-uw51", weld, *pores(not_relevant_in + tolerance, 0.5))
    assert "4-3(c)" in {f.rule for f in large.findings}
