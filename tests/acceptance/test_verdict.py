"""The verdict rules of the contract, doubts about type, facts, walls and sizes, and a reader's answers."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from typing import Any

import pytest

from rtscan.acceptance.criteria import Criteria
from rtscan.acceptance.detection import DETECTION
from rtscan.acceptance.judge import judge
from rtscan.acceptance.library import load_criteria as load_afresh
from rtscan.acceptance.situation import Situation, situation_from_job, welded_from
from rtscan.findings import (
    Alternative,
    Check,
    Closed,
    DetectionLimit,
    FilmFacts,
    Finding,
    Indication,
    Quality,
    Reader,
    Stretch,
    WeldArc,
    WeldDocument,
    WeldFacts,
    Worksheet,
)
from rtscan.job import Job

load_criteria = cache(load_afresh)
WELD = Situation(wall_mm=10.0, od_mm=323.9, weld_length_mm=1017.6, cap_width_mm=14.0, joint="girth", layers="multi", full_girth=True,
                 welded_from="one side")
API = "api-1104@2013"


def pore(number: int = 1, size: float = 1.0, along: float = 100.0, **more: Any) -> Indication:
    return Indication(number, type="gas pore", iso6520="2011", along_mm=along, across_mm=0.0, length_mm=size, width_mm=size, **more)


def slag(number: int, length: float, along: float, **more: Any) -> Indication:
    return Indication(number, type="linear slag inclusion", iso6520="3011", along_mm=along, across_mm=0.0, length_mm=length,
                      width_mm=0.5, **more)


def judged(*indications: Indication, criteria: str | None = API, weld: Situation = WELD, **sheet: Any) -> Worksheet:
    chosen: Criteria | None = load_criteria(criteria) if criteria else None
    return judge(Worksheet(indications=indications, **sheet), chosen, weld)


def the(sheet: Worksheet, rule: str) -> Finding:
    return next(f for f in sheet.findings if f.rule == rule)


def test_clean_weld_is_accepted() -> None:
    sheet = judged()
    assert (sheet.verdict, sheet.verdict_scope, sheet.verdict_unverified) == ("accept", "weld", False)


@pytest.mark.parametrize(("weld", "criteria"), [
    (WELD, None), (replace(WELD, wall_mm=None), API), (replace(WELD, scale_known=False), API),
])
def test_without_criterion_wall_or_scale_it_is_a_review(weld: Situation, criteria: str | None) -> None:
    assert judged(criteria=criteria, weld=weld).verdict == "review"


def test_sizes_in_pixels_only_cannot_be_judged() -> None:
    sheet = judged(replace(pore(), length_mm=None, width_mm=None, length_px=30.0))
    assert the(sheet, "9.3.9.2.a").result == "cannot judge"
    assert sheet.verdict == "review"


NOT_ASSESSED = Quality(checks=(Check("density", "not assessed"),))
FAILED = Quality(readable=False, checks=(Check("wire", "fail"),))


def test_quality_not_assessed_forbids_accept_unless_vouched_for() -> None:
    assert judged(quality=NOT_ASSESSED).verdict == "review"
    assert judged(quality=NOT_ASSESSED, weld=replace(WELD, quality_vouched_by="A. Reader")).verdict == "accept"
    optional = Quality(checks=(Check("scatter", "not assessed", required=False),))
    assert judged(quality=optional).verdict == "accept"


def test_quality_failed_is_unreadable_and_tells_what_was_already_seen() -> None:
    crack = replace(pore(), type="crack", iso6520="100")
    assert judged(quality=FAILED).verdict == "unreadable"
    assert "already seen" not in judged(quality=FAILED).verdict_says
    sheet = judged(crack, quality=FAILED)
    assert sheet.verdict == "unreadable"
    assert "already seen" in sheet.verdict_says
    assert the(sheet, "9.3.10.a").result == "reject"


def test_part_film_may_reject_by_the_whole_weld_but_never_accept() -> None:
    part = replace(WELD, scope="film", covered=((0.0, 250.0),))
    sheet = judged(slag(1, 20.0, 100.0), weld=part)
    assert sheet.verdict == "accept"
    assert sheet.verdict_says.startswith("accepted between stations 0 and 250 mm")
    assert "9.3.8.2.g" not in {f.rule for f in sheet.findings}
    assert "9.3.8.2.g" in sheet.verdict_says
    long = judged(slag(1, 45.0, 60.0), slag(2, 45.0, 160.0), weld=part)
    assert the(long, "9.3.8.2.g").result == "reject"  # 90 > 8 % of 1017.6 = 81.4


def test_unverified_limits_are_told_in_the_verdict() -> None:
    sheet = judged(pore(), criteria="iso-10675-1-level-2")
    assert sheet.verdict_unverified
    assert "UNVERIFIED" in sheet.verdict_says
    assert all(f.unverified for f in sheet.findings)
    assert not judged(pore()).verdict_unverified
    assert judged(pore(), criteria="api-1104").verdict_unverified  # the 22nd edition: text not found


def test_limit_inside_the_uncertainty_is_a_review() -> None:
    # 25 % of 10 = 2.5 mm
    assert the(judged(pore(size=2.3, length_u_mm=0.2)), "9.3.9.2.b").result == "accept"
    assert the(judged(pore(size=2.4, length_u_mm=0.2)), "9.3.9.2.b").result == "review"
    assert the(judged(pore(size=2.6, length_u_mm=0.2)), "9.3.9.2.b").result == "review"
    assert the(judged(pore(size=2.8, length_u_mm=0.2)), "9.3.9.2.b").result == "reject"


def test_uncertainty_of_a_sum_the_scale_in_common_the_rest_in_squares() -> None:
    """Two of 20 mm, scale 1 % (0.2 each, 0.4 together), rest 0.3 each: u = sqrt(0.4^2 + 2 x 0.3^2) = 0.583 (JCGM 100)."""
    u = math.hypot(0.2, 0.3)
    marks = slag(1, 20.0, 100.0, length_u_mm=u), slag(2, 20.0, 150.0, length_u_mm=u)
    found = the(judged(*marks, weld=replace(WELD, scale_uncertainty=0.01)), "9.3.8.2.b")
    assert found.measured == pytest.approx(40.0)
    assert found.measured_u == pytest.approx(0.583, abs=5e-4)
    assert the(judged(*marks), "9.3.8.2.b").measured_u == pytest.approx(2 * u)  # scale not known: all in common


@pytest.mark.parametrize(("confidence", "iso6520", "result"), [
    (0.04, "1011", "accept"), (0.05, "1011", "review"), (0.09, "3041", "accept"),
])
def test_type_in_doubt_above_the_thresholds(confidence: float, iso6520: str, result: str) -> None:
    mark = pore(confidence=1 - confidence, alternatives=(Alternative("another", iso6520, confidence),))
    assert judged(mark).verdict == result


def test_type_in_doubt_names_who_accepts_and_who_rejects() -> None:
    mark = pore(alternatives=(Alternative("longitudinal crack", "101", 0.07),))
    says = the(judged(mark), "9.3.10.a").says
    assert "gas pore: accept" in says
    assert "longitudinal crack (0.07): reject" in says


def test_rejected_under_every_type_is_rejected() -> None:
    mark = pore(size=4.0, alternatives=(Alternative("crack", "100", 0.3),))
    assert judged(mark).verdict == "reject"


def test_missing_fact_that_decides_names_both_outcomes_and_one_that_does_not_is_silent() -> None:
    root = Indication(1, type="incomplete root penetration", iso6520="4021", along_mm=100, across_mm=0, length_mm=30, width_mm=1)
    assert judged(root).verdict == "review"
    assert "high-low" in the(judged(root), "9.3.1.a").says
    assert judged(replace(root, length_mm=60.0)).verdict == "reject"
    assert judged(replace(root, length_mm=20.0)).verdict == "accept"


def test_layers_not_stated_are_weighed_both_ways() -> None:
    """Level 2, 14 mm x 100 mm: 1.5 % is 21 mm², 3 % is 42 mm²."""
    weld = replace(WELD, layers=None)
    assert judged(pore(size=2.0, area_mm2=20.0), criteria="iso-10675-1-level-2", weld=weld).verdict == "accept"
    between = judged(pore(size=2.0, area_mm2=30.0), criteria="iso-10675-1-level-2", weld=weld)
    assert between.verdict == "review"
    assert "single layer" in the(between, "2a-area").says
    assert judged(pore(size=2.0, area_mm2=50.0), criteria="iso-10675-1-level-2", weld=weld).verdict == "reject"


def test_wall_of_a_double_image_not_known_tries_both_stations() -> None:
    marks = slag(1, 30.0, 100.0), slag(2, 30.0, 700.0, wall="unknown", other_along_mm=180.0)
    found = the(judged(*marks), "9.3.8.2.b")
    assert found.result == "review"
    assert "which wall" in found.says


def test_detection_limit_above_the_smallest_rejected_size_is_a_review() -> None:
    def quality(pore_mm: float) -> Quality:
        return Quality(detection_limit=DetectionLimit(pore_mm=pore_mm, line_width_mm=0.2))

    assert judged(quality=quality(2.4)).verdict == "accept"  # 25 % of 10 mm = 2.5 mm
    sheet = judged(quality=quality(2.6))
    assert sheet.verdict == "review"
    assert the(sheet, DETECTION).limit == pytest.approx(2.5)


def test_printed_sets_that_disagree_are_told_with_both_limits() -> None:
    """25.2 mm is over 25 mm and under 1 in = 25.4 mm."""
    root = Indication(1, iso6520="4013", along_mm=100, across_mm=0, length_mm=25.2, width_mm=1)
    metric, inch = judged(root), judged(root, weld=replace(WELD, units="in"))
    assert (the(metric, "9.3.4.a").result, the(inch, "9.3.4.a").result) == ("reject", "accept")
    for sheet in (metric, inch):
        assert "printed sets disagree" in the(sheet, "9.3.4.a").says
    assert the(inch, "9.3.4.a").unit == "in"
    assert the(inch, "9.3.4.a").measured == pytest.approx(25.2 / 25.4)
    assert (the(inch, "9.3.4.a").limit, the(metric, "9.3.4.a").limit) == (1.0, 25.0)


def test_type_without_a_limit_is_never_silently_accepted() -> None:
    assert judged(Indication(1, type="excess penetration", iso6520="504", along_mm=1, length_mm=5)).verdict == "review"


def test_shrinkage_groove_is_not_judged_as_undercut_of_another_row() -> None:
    groove = Indication(1, iso6520="5013", along_mm=100, across_mm=0, length_mm=20, width_mm=1, height_mm=0.6)
    assert {f.rule for f in judged(groove, criteria="iso-5817-b").findings} == {"1.8", "1.8-short"}


def test_two_bad_stretches_are_both_told() -> None:
    marks = [slag(n, 30.0, x) for n, x in enumerate((100.0, 140.0, 600.0, 640.0), 1)]
    found = [f for f in judged(*marks).findings if f.rule == "9.3.8.2.b"]
    assert [f.indications for f in found] == [(1, 2), (3, 4)]
    assert {f.result for f in found} == {"reject"}


def test_a_cluster_across_the_datum_is_as_large_as_elsewhere() -> None:
    """Three pores of 1 mm, 4 mm apart: the circle round them is 9 mm, of 14 / 2 = 7 (level 1) and 14 (level 2)."""
    for first in (300.0, 1015.6):
        marks = [pore(n, along=(first + 4.0 * n) % 1017.6, group="G1") for n in range(3)]
        for level, result in (("1", "reject"), ("2", "accept")):
            found = the(judged(*marks, criteria=f"iso-10675-1-level-{level}"), "3")
            assert found.result == result
            assert found.measured == pytest.approx(9.0, abs=0.01)


# --- a reader's answers ------------------------------------------------------------------------------------------------------


def charted() -> Worksheet:
    return judged(pore(1, along=100.0), pore(2, along=140.0))


def answered(sheet: Worksheet, result: Any, place: int | None = None) -> Worksheet:
    number = next(n for n, f in enumerate(sheet.findings) if f.result == "review") if place is None else place
    return replace(sheet, reader=Reader("A. Reader", "2", "2026-05-04", closed=(Closed(number, result, "laid beside the chart"),)))


def test_a_readers_answer_settles_a_chart() -> None:
    sheet = charted()
    assert sheet.verdict == "review"
    assert judge(answered(sheet, "accept"), load_criteria(API), WELD).verdict == "accept"
    rejected = judge(answered(sheet, "reject"), load_criteria(API), WELD)
    assert rejected.verdict == "reject"
    assert "settled by A. Reader" in the(rejected, "9.3.9.2.c-19").says


def test_an_answer_follows_its_finding_when_the_list_changes() -> None:
    sheet = answered(charted(), "accept")
    crack = Indication(7, type="crack", iso6520="104", along_mm=900, across_mm=0, length_mm=2, width_mm=0.2)
    again = judge(replace(sheet, indications=(*sheet.indications, slag(5, 10.0, 500.0), crack)), load_criteria(API), WELD)
    assert again.verdict == "accept"
    assert again.reader is not None
    assert again.findings[again.reader.closed[0].finding].rule == "9.3.9.2.c-19"


def test_an_answer_does_not_outlive_what_it_was_about() -> None:
    sheet = answered(charted(), "accept")
    more = judge(replace(sheet, indications=(*sheet.indications, pore(3, along=120.0))), load_criteria(API), WELD)
    assert more.verdict == "review"
    assert "no longer" in more.verdict_says


def test_an_answer_never_overturns_a_rejection() -> None:
    sheet = judged(pore(size=4.0))
    place = next(n for n, f in enumerate(sheet.findings) if f.result == "reject")
    assert judge(answered(sheet, "accept", place), load_criteria(API), WELD).verdict == "reject"


@pytest.mark.parametrize(("covered", "along", "shown"), [
    ((0.0, 250.0), 251.0, True),  # 2 mm long: its end lies inside
    ((0.0, 250.0), 252.0, False),
    ((900.0, 1100.0), 60.0, True),  # 1100 is 82.4 round the ring of 1017.6
    ((900.0, 1100.0), 90.0, False),
    ((900.0, 82.4), 1000.0, True),
    ((-20.0, 30.0), 1010.0, True),
])
def test_an_indication_outside_the_covered_weld_is_told_and_never_accepted(covered: tuple[float, float], along: float, shown: bool) -> None:
    sheet = judged(pore(size=2.0, along=along, angle_deg=0.0), weld=replace(WELD, scope="film", covered=(covered,)))
    assert sheet.indications[0].result == ("accept" if shown else "review")
    assert ("no. 1 outside the covered weld" in sheet.verdict_says) is not shown
    assert sheet.verdict == "accept"  # of the stretch it names
    assert sheet.verdict_says.startswith("accepted between stations")


def test_a_rejectable_indication_outside_the_covered_weld_still_rejects() -> None:
    sheet = judged(pore(size=8.0, along=300.0), weld=replace(WELD, scope="film", covered=((0.0, 250.0),)))
    assert (sheet.verdict, sheet.indications[0].result) == ("reject", "reject")


def test_a_joined_weld_without_a_length_does_not_know_where_its_covered_weld_lies() -> None:
    document = WeldDocument(indications=(pore(along=900.0),), covered_mm=250.0)
    assert situation_from_job(Job(), document).shows(document.indications[0])
    gap = replace(document, weld=WeldFacts(length_mm=1017.6, joint="girth"), gaps=(Stretch(250.0, 1017.6),))
    assert not situation_from_job(Job(), gap).shows(document.indications[0])


# --- the situation -----------------------------------------------------------------------------------------------------------


def test_situation_of_a_hand_list_and_of_a_part_film() -> None:
    job = Job.model_validate({"weld": {"od_mm": 168.3, "wall_mm": 7.11}})
    listed = situation_from_job(job, Worksheet())
    assert (listed.scope, listed.joint, listed.full_girth) == ("weld", "girth", True)
    assert listed.weld_length_mm == pytest.approx(math.pi * 168.3)
    arc = WeldArc(None, (), (), (), 500.0, 200.0)  # passes the datum
    film = Worksheet(film=FilmFacts(width_px=100, pixels_per_mm=20.0, scale_uncertainty=0.01), weld=WeldFacts(arcs=(arc,)))
    seen = situation_from_job(job, film)
    assert (seen.scope, seen.scale_known, seen.scale_uncertainty) == ("film", True, 0.01)
    plate = situation_from_job(Job(), replace(film, weld=WeldFacts(arcs=(replace(arc, station_from_mm=0.0),))))
    assert (plate.scope, plate.weld_length_mm, plate.joint) == ("film", 200.0, None)
    assert not situation_from_job(Job(), replace(film, film=FilmFacts(width_px=100))).scale_known


@pytest.mark.parametrize(("preparation", "sides"), [
    ("V 60", "one side"), ("X", "both sides"), ("double V 60", "both sides"), ("K", "both sides"), ("", None), ("special", None),
])
def test_welded_from(preparation: str, sides: str | None) -> None:
    assert welded_from(preparation) == sides
