"""Grading one film: every answer, its points and its sentence; the machine's worksheet by the same code."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rtscan.findings import Check, FilmFacts, Finding, Group, Indication, ObjectMark, Quality, WeldArc, WeldFacts, Worksheet
from rtscan.practise.answer import FilmAnswer, from_worksheet
from rtscan.practise.answer_key import AnswerKey, KeyFacts
from rtscan.practise.grade import FilmGrade, Truth, grade_film
from rtscan.practise.matching import load_matching
from rtscan.practise.scale import load_grading

ARC = WeldArc(None, ((0.0, 400.0), (2400.0, 400.0)), ((0.0, 300.0), (2400.0, 300.0)), ((0.0, 500.0), (2400.0, 500.0)), 0.0, 240.0)
PORE = Indication(1, type="gas pore", iso6520="2011", along_mm=40.0, across_mm=1.0, length_mm=0.4, width_mm=0.4)
FUSION = Indication(2, type="lack of side-wall fusion", iso6520="4011", along_mm=120.0, across_mm=-4.0, length_mm=14.0, width_mm=0.4)
SCRATCH = ObjectMark("scratch", (1950.0, 300.0, 2050.0, 330.0))


def truth(**more: object) -> Truth:
    key = AnswerKey(film=FilmFacts(pixels_per_mm=10.0), weld=WeldFacts(length_mm=528.7, joint="girth", arcs=(ARC,)),
                    indications=(PORE, FUSION), objects=(SCRATCH,), facts=(KeyFacts(2, detectability=21.0),))
    judged = Worksheet(verdict="reject", verdict_says="lack of side-wall fusion at 120 mm", findings=(
        Finding("lack of fusion", "reject", "not permitted", clause="1.5", indications=(2,)),))
    return replace(Truth(key, judged, frozenset({2}), frozenset({2})), **more)


def mark(id: int, along: float, iso: str = "4011", length: float | None = 14.0, across: float = -4.0) -> Indication:
    return Indication(id, iso6520=iso, along_mm=along, across_mm=across, length_mm=length, width_mm=0.5)


def grade(answer: FilmAnswer, of: Truth | None = None) -> FilmGrade:
    return grade_film(answer, of or truth(), load_matching(), load_grading())


def got(result: FilmGrade, part: str) -> float:
    return next(line.got for line in result.lines if line.part.endswith(part))


RIGHT = FilmAnswer("f", (mark(1, 121.0),), film_fit=True, verdict="reject", rule="1.5")


def test_the_right_answer_gets_everything_and_passes() -> None:
    result = grade(RIGHT)
    assert result.passed
    assert result.points == result.possible == 2 + 2 + 1 + 1 + 3 + 1  # fit, see, name, size, judgement, rule of grading.toml
    assert all(not line.says for line in result.lines if line.of)
    assert (result.count("all").found, result.count("all").of) == (1, 2)
    assert (result.count("relevant").found, result.count("relevant").of) == (1, 1)
    assert (result.count("rejectable").found, result.count("rejectable").of) == (1, 1)


def test_missing_a_rejectable_lack_of_fusion_fails_whatever_the_rest() -> None:
    result = grade(replace(RIGHT, marks=()))
    assert not result.passed
    assert "missed a rejectable lack of side-wall fusion" in result.fails[0]
    says = next(t.says for t in result.targets if t.fatal)
    assert "at station 120 mm" in says
    assert "4.0 mm left of the centreline" in says
    assert "straight dark line" in says


@pytest.mark.parametrize(("iso", "share"), [("4011", 1.0), ("401", 0.5), ("4013", 0.5), ("3011", 0.0), ("101", 0.0)])
def test_full_for_the_number_and_half_for_the_family(iso: str, share: float) -> None:
    result = grade(replace(RIGHT, marks=(mark(1, 121.0, iso),)))
    assert got(result, "named") == share
    assert result.targets[-1].name_share == share
    assert result.passed


def test_a_misnaming_says_how_to_tell_the_two_apart() -> None:
    result = grade(replace(RIGHT, marks=(mark(1, 121.0, "3011"),)))
    assert "slag winds" in result.targets[-1].says


@pytest.mark.parametrize(("length", "points"), [(14.0, 1.0), (16.8, 1.0), (16.81, 0.0), (11.2, 1.0), (11.1, 0.0), (None, 0.0)])
def test_size_within_the_tolerance(length: float | None, points: float) -> None:
    assert got(grade(replace(RIGHT, marks=(mark(1, 121.0, length=length),))), "sized") == points


def test_false_calls_cost_a_point_and_name_what_they_sit_on() -> None:
    result = grade(replace(RIGHT, marks=(*RIGHT.marks, mark(2, 200.0, across=-8.0), mark(3, 30.0, across=-9.0))))
    assert [c.on for c in result.false_calls] == ["scratch", ""]
    assert "reflected light" in result.false_calls[0].says
    assert result.points == result.possible - 2


@pytest.mark.parametrize(("across", "says"), [(9.0, "parent metal"), (6.4, "toe of the cap"), (-0.5, "root bead"), (3.5, "ripples")])
def test_a_false_call_says_what_of_the_sound_weld_lies_there(across: float, says: str) -> None:
    wide = truth()
    wide = replace(wide, key=replace(wide.key, weld=replace(wide.key.weld, cap_width_mm=12.0)))
    assert says in grade(replace(RIGHT, marks=(mark(1, 121.0), mark(2, 70.0, across=across))), wide).false_calls[0].says


def test_too_small_to_call_is_right_below_the_floor_and_wrong_above_it() -> None:
    right = grade(replace(RIGHT, marks=(*RIGHT.marks, mark(2, 40.0, "", None, 1.0)), too_small=frozenset({2})))
    assert got(right, "rightly") == 1.0
    wrong = grade(replace(RIGHT, marks=(mark(1, 121.0, ""),), too_small=frozenset({1})))
    assert got(wrong, "too small") == 0.0
    assert "Too large to pass over" in wrong.targets[-1].says
    assert wrong.fails  # a rejectable lack of fusion passed over is a missed one
    nothing = grade(replace(RIGHT, marks=(*RIGHT.marks, mark(2, 60.0, "")), too_small=frozenset({2})))
    assert nothing.points == nothing.possible - 0.5


def test_second_shot_saves_a_crack_and_earns_a_scratch() -> None:
    left_open = grade(replace(RIGHT, marks=(mark(1, 121.0, ""),), second_shot=frozenset({1})))
    assert not left_open.fails
    assert got(left_open, "second shot") == 1.5
    scratch = grade(replace(RIGHT, marks=(*RIGHT.marks, mark(2, 200.0, "", across=-8.0)), second_shot=frozenset({2})))
    assert got(scratch, "asked for") == 1.0
    assert scratch.points == scratch.possible


@pytest.mark.parametrize(("verdict", "points"), [("reject", 3.0), ("accept", 0.0), ("review", 1.5), ("unreadable", 0.0), (None, 0.0)])
def test_judgement_by_the_table(verdict: str | None, points: float) -> None:
    result = grade(replace(RIGHT, verdict=verdict))
    assert got(result, "judgement") == points
    assert ("accepted a weld that the criterion rejects" in result.fails) == (verdict == "accept")


def test_rule_may_be_named_by_name_or_clause() -> None:
    assert got(grade(replace(RIGHT, rule="Lack of  Fusion")), "rule") == 1.0
    wrong = grade(replace(RIGHT, rule="porosity"))
    assert "lack of fusion (1.5)" in next(line.says for line in wrong.lines if line.part == "rule")


def test_an_unfit_film_asks_for_the_reason_and_counts_nothing_else() -> None:
    unfit = truth(unfit=("density too low",), wire_seen=11)
    right = grade(FilmAnswer("f", (), film_fit=False, why="density too low", wire_seen=11, verdict="unreadable"), unfit)
    assert right.passed
    assert right.points == right.possible
    assert (right.targets, right.false_calls) == ((), ())
    judged = grade(replace(RIGHT, wire_seen=12), unfit)
    assert "judged a film that is not fit to judge" in judged.fails
    assert got(judged, "wire seen") == 0.5


def test_markers_are_compared_when_asked() -> None:
    asked = truth(markers="wrong")
    assert got(grade(replace(RIGHT, markers="wrong"), asked), "markers") == 1.0
    assert got(grade(replace(RIGHT, markers="complete"), asked), "markers") == 0.0


def test_a_group_is_named_and_counted_once() -> None:
    pores = tuple(Indication(k, type="gas pore", iso6520="2011", along_mm=100.0 + 2 * k, across_mm=0.0, length_mm=1.0) for k in range(1, 6))
    key = AnswerKey(film=FilmFacts(pixels_per_mm=10.0), weld=WeldFacts(arcs=(ARC,)), indications=pores,
                    groups=(Group("G1", "cluster", "clustered porosity", "2013", (1, 2, 3, 4, 5)),))
    group = Truth(key, Worksheet(verdict="accept"), frozenset({1}), frozenset())
    result = grade(FilmAnswer("f", (Indication(1, iso6520="2013", along_mm=106.0, across_mm=0.0, length_mm=9.0),), film_fit=True,
                              verdict="accept"), group)
    assert (result.count("all").found, result.count("all").of) == (1, 1)
    assert result.points == result.possible  # end to end 9 mm: 102 - 0.5 to 110 + 0.5


def test_a_machine_worksheet_is_graded_by_the_same_code() -> None:
    machine = Worksheet(
        quality=Quality(True, (Check("wire seen", "pass", measured=0.20, unit="mm"),)), verdict="reject",
        indications=(replace(mark(4, 120.5), type="lack of side-wall fusion", confidence=0.8),),
        findings=(Finding("lack of fusion", "reject", "", clause="1.5", indications=(4,)),))
    result = grade(from_worksheet(machine, "f"), truth(wire_seen=13))
    assert result.passed
    assert result.points == result.possible


def test_a_blank_answer_gets_no_points() -> None:
    blank = FilmAnswer("f")
    assert blank.blank
    result = grade(blank)
    assert result.points == 0
    assert not result.passed
