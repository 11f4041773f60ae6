"""What comes out, where, in which words; a wrong place or side would make the welder cut sound metal."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rtscan.errors import ListError
from rtscan.findings import (
    Alternative,
    Closed,
    FilmFacts,
    FilmOfWeld,
    Finding,
    Indication,
    LocationFacts,
    ObjectMark,
    Quality,
    Reader,
    WeldDocument,
    WeldFacts,
    Worksheet,
)
from rtscan.imperfections import IMPERFECTIONS
from rtscan.repair.excavation import excavate, surface_length_mm
from rtscan.repair.places import Frame, clock_hour, upstream_is_right
from rtscan.repair.plan import make_plan
from rtscan.repair.practice import load_practice
from rtscan.repair.stretches import Span, merge
from rtscan.repair_records import RepairPlan

SETTINGS = load_practice().settings
ROUND = math.pi * 168.3


def plan_of(marks: list[Indication], **weld: object) -> RepairPlan:
    facts = WeldFacts(name="W", wall_mm=7.11, od_mm=168.3, joint="girth", cap_width_mm=12.0, repairs_so_far=0, repair_limit=2,
                      location=LocationFacts("punch", "12:00", "downstream", "clockwise", "up"))
    return make_plan(WeldDocument(weld=replace(facts, **weld), indications=tuple(marks), removal=tuple(m.id for m in marks),
                                  verdict="reject", reader=Reader("R. Example")))


def pore(number: int, along: float, length: float = 2.0, **more: object) -> Indication:
    plain = Indication(number, "dark", "gas pore", "2011", along_mm=along, across_mm=0.0, length_mm=length, width_mm=length, angle_deg=0.0)
    return replace(plain, **more)


# --- places ---------------------------------------------------------------------------------------------------------------


def test_one_clock_hour_and_200_mm_on_6_inch_pipe() -> None:
    """Check values 71 of the reference notes: OD 168.3 mm, one hour is 44.06 mm, 200 mm is 4.54 h."""
    frame = Frame(True, ROUND, 1.0, 0.0, 1)
    assert frame.hours()[1].station_mm == pytest.approx(44.06, abs=0.005)
    assert frame.place(200.0).clock == "4:32"  # 0.54 h is 32 min
    assert clock_hour("4:32") == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize(("direction", "datum", "station_share", "clock"), [
    ("clockwise", "12:00", 0.25, "3:00"), ("anticlockwise", "12:00", 0.25, "9:00"),
    ("clockwise", "6:00", 0.25, "9:00"), ("anticlockwise", "6:00", 0.75, "9:00"), ("clockwise", "10:30", 0.5, "4:30"),
])
def test_clock_by_hand(direction: str, datum: str, station_share: float, clock: str) -> None:
    """A quarter of the way round clockwise from the top is three o'clock, as on any clock."""
    location = LocationFacts("punch", datum, "downstream", direction, "up")
    plan = plan_of([pore(1, station_share * ROUND)], location=location)
    assert plan.stretches[0].middle.clock == clock


def test_both_ways_round_meet() -> None:
    place = plan_of([pore(1, 118.0)]).stretches[0].middle
    assert (place.station_mm, place.other_way_mm) == pytest.approx((118.0, ROUND - 118.0))
    assert plan_of([pore(1, 0.0)]).stretches[0].middle.other_way_mm == 0.0


@pytest.mark.parametrize(("direction", "looking", "right"), [
    ("clockwise", "downstream", True), ("anticlockwise", "downstream", False), ("clockwise", "upstream", False),
    ("anticlockwise", "upstream", True), (None, "downstream", None), ("clockwise", None, None),
])
def test_hand_of_the_upstream_side(direction: str | None, looking: str | None, right: bool | None) -> None:
    """Stand at the top of a pipe running away from you downstream: clockwise goes down on your right, and upstream is behind you;
    facing right, what was behind you is on your right hand."""
    assert upstream_is_right(LocationFacts("punch", "12:00", looking, direction)) is right


def test_no_sense_no_clock_and_a_warning() -> None:
    plan = plan_of([pore(1, 100.0)], location=LocationFacts("punch", "12:00"))
    assert plan.stretches[0].middle.clock is None
    assert plan.hours == ()
    assert any("lead numbers" in w for w in plan.warnings)


def test_side_that_contradicts_the_stations_is_refused_loudly() -> None:
    """Clockwise looking downstream, seen from outside: right of the growing station is upstream. Seen from inside it is the other way."""
    wrong = pore(1, 100.0, across_mm=3.0, side="downstream")
    assert any("contradict" in w for w in plan_of([wrong]).warnings)
    assert not any("contradict" in w for w in plan_of([replace(wrong, side="upstream")]).warnings)
    inside = LocationFacts("punch", "12:00", "downstream", "clockwise", "up", "inside")
    assert not any("contradict" in w for w in plan_of([wrong], location=inside).warnings)
    assert any("contradict" in w for w in plan_of([replace(wrong, side="upstream")], location=inside).warnings)


def test_clock_of_the_worksheet_that_does_not_fit_is_named() -> None:
    assert any("says 9:00" in w for w in plan_of([pore(1, ROUND / 4, clock="9:00")]).warnings)
    assert not any("says" in w for w in plan_of([pore(1, ROUND / 4, clock="3:00")]).warnings)


def test_stations_not_from_the_datum_place_nothing() -> None:
    plan = plan_of([pore(1, 100.0)], location=LocationFacts("punch", "12:00", "downstream", "clockwise", stations_from_datum=False))
    assert plan.stretches == ()
    assert plan.not_placed == ("No. 1 gas pore",)
    assert any("do not start at the datum" in w for w in plan.warnings)


def test_nearest_lead_number(worksheet: Worksheet) -> None:
    """Film 60 to 260 mm over 4000 px: x = 1000 px is station 110 mm."""
    objects = (ObjectMark("letter", (990.0, 100.0, 1010.0, 140.0), "11"), ObjectMark("letter", (0.0, 100.0, 20.0, 140.0), "W017"))
    place = make_plan(replace(worksheet, objects=objects)).stretches[0].middle
    assert place.lead == "11"
    assert place.from_lead_mm == pytest.approx(100.0 - 110.0)


def test_a_lead_number_is_placed_by_the_whole_picture_where_the_film_covers_less(worksheet: Worksheet) -> None:
    objects = (ObjectMark("letter", (990.0, 100.0, 1010.0, 140.0), "11"),)
    arc = replace(worksheet.weld.arcs[0], station_from_mm=80.0, station_to_mm=200.0, station_mm=(60.0, 260.0))
    place = make_plan(replace(worksheet, weld=replace(worksheet.weld, arcs=(arc,)), objects=objects)).stretches[0].middle
    assert place.from_lead_mm == pytest.approx(100.0 - 110.0)


# --- stretches ------------------------------------------------------------------------------------------------------------


def test_margin_and_least_length() -> None:
    short, long = plan_of([pore(1, 200.0)]).stretches[0], plan_of([pore(1, 200.0, 80.0)]).stretches[0]
    assert (short.from_mm, short.to_mm) == (175.0, 225.0)
    assert (long.from_mm, long.to_mm) == (150.0, 250.0)


def test_slanting_mark_takes_its_extent_along_the_weld() -> None:
    """A 100 mm crack across the weld at 60 degrees reaches 50 mm along it."""
    plan = plan_of([pore(1, 200.0, 100.0, angle_deg=60.0)])
    assert plan.stretches[0].items[0].to_mm - plan.stretches[0].items[0].from_mm == pytest.approx(50.0)


@pytest.mark.parametrize(("apart", "count"), [(74.9, 1), (75.1, 2)])
def test_merged_when_less_sound_metal_than_the_least(apart: float, count: int) -> None:
    """Two 50 mm stretches 75 mm apart leave the stated 25 mm between them."""
    assert len(plan_of([pore(1, 100.0), pore(2, 100.0 + apart)]).stretches) == count


def test_merged_over_the_datum() -> None:
    plan = plan_of([pore(1, 10.0), pore(2, ROUND - 20.0)])
    assert len(plan.stretches) == 1
    stretch = plan.stretches[0]
    assert (stretch.from_mm, stretch.to_mm, stretch.length_mm) == pytest.approx((ROUND - 45.0, 35.0, 80.0))
    assert stretch.middle.station_mm == pytest.approx(ROUND - 5.0)


@given(st.lists(st.tuples(st.floats(0, 1000), st.floats(1, 300)), min_size=1, max_size=12), st.floats(0, 80))
def test_merged_stretches_hold_every_mark_and_leave_the_least_between(marks: list[tuple[float, float]], least: float) -> None:
    spans = [Span(middle - half, middle + half, (number,)) for number, (middle, half) in enumerate(marks)]
    merged = merge(spans, least, 1000.0, closed=True)
    assert sorted(n for s in merged for n in s.holds) == list(range(len(marks)))
    for span in merged:
        for number in span.holds:
            middle, half = marks[number]
            offset = (middle - half - span.start_mm) % 1000.0
            assert span.length_mm >= 1000.0 or offset > 1000 - 1e-6 or offset + 2 * half <= span.length_mm + 1e-6
    for one, other in zip(merged, [*merged[1:], None], strict=True):
        after = other.start_mm if other else merged[0].start_mm + 1000.0
        assert len(merged) == 1 or after - one.end_mm >= least - 1e-9


def test_whole_girth() -> None:
    plan = plan_of([pore(n, n * ROUND / 8) for n in range(1, 9)])
    assert len(plan.stretches) == 1
    assert (plan.stretches[0].from_mm, plan.stretches[0].to_mm) == (0.0, ROUND)


def test_plate_is_cut_at_its_ends() -> None:
    plan = plan_of([pore(1, 5.0), pore(2, 395.0)], joint="plate", od_mm=None, length_mm=400.0)
    assert [(s.from_mm, s.to_mm) for s in plan.stretches] == [(0.0, 30.0), (370.0, 400.0)]
    assert plan.stretches[0].middle.clock is None
    assert plan.stretches[0].middle.other_way_mm is None


def test_unknown_wall_of_an_ellipse_shows_both_places() -> None:
    plan = plan_of([pore(1, 100.0, wall="unknown", other_along_mm=370.0)])
    assert [(s.label, s.middle.station_mm) for s in plan.stretches] == [("1a", 100.0), ("1b", 370.0)]
    assert all("one of two places" in s.decide_first[0] for s in plan.stretches)


def test_marks_on_an_unknown_wall_stay_apart_from_sure_ones() -> None:
    plan = plan_of([pore(1, 100.0, wall="unknown", other_along_mm=370.0), pore(2, 105.0)])
    assert [(s.label, [i.indication for i in s.items]) for s in plan.stretches] == [("1a", [1]), ("1b", [1]), ("2", [2])]


# --- depth, cavity, run, technique ----------------------------------------------------------------------------------------


def test_length_of_the_cavity() -> None:
    """Check value 72: 10 mm long, 6 mm deep, 4:1 is 58 mm."""
    assert surface_length_mm(10.0, 6.0, 4.0) == 58.0
    cavity = excavate("outside", 10.0, 2.0, 6.0, 12.7, SETTINGS)
    assert (cavity.length_mm, cavity.ligament_mm, cavity.warnings) == (58.0, pytest.approx(6.7), ())


@pytest.mark.parametrize(("depth", "says"), [(3.5, ""), (3.7, "Deeper than 50%"), (7.11, "Goes through the wall")])
def test_warns_past_the_share_of_the_wall_and_through_it(depth: float, says: str) -> None:
    warnings = excavate("outside", 10.0, 2.0, depth, 7.11, SETTINGS).warnings
    assert warnings == () if not says else says in warnings[0]


def test_measured_depth_goes_to_the_bottom_of_the_mark() -> None:
    """Middle 4 mm below the outside, 1 mm high, known to 0.6 mm: its bottom lies 4 + 0.5 + 0.6 mm down."""
    stretch = plan_of([pore(1, 100.0, depth_mm=4.0, height_mm=1.0, depth_u_mm=0.6)]).stretches[0]
    assert stretch.excavation.depth_mm == pytest.approx(5.1)
    assert stretch.excavation.length_mm == pytest.approx(2.0 + 8 * 5.1)
    assert (stretch.items[0].depth_from_mm, stretch.items[0].depth_to_mm) == pytest.approx((2.9, 5.1))
    assert stretch.items[0].run == "fill"


def test_depth_never_from_contrast() -> None:
    cavity = plan_of([pore(1, 100.0, contrast=1.2, height_mm=3.0)]).stretches[0].excavation
    assert cavity.depth_mm is None
    assert cavity.at_most


def test_a_known_opening_longer_than_the_margins_widens_the_stretch() -> None:
    stretch = plan_of([pore(1, 200.0, 10.0, depth_mm=6.5)]).stretches[0]
    assert stretch.length_mm == pytest.approx(10.0 + 8 * 6.5)


@pytest.mark.parametrize(("type_", "number", "opens", "run"), [
    ("continuous undercut", "5011", "surface", "cap"), ("missed bevel edge", "511", "surface", "cap"), ("spatter", "602", "surface", "cap"),
    ("stray arc", "601", "surface", "cap"), ("excess penetration", "504", "root", "root"),
    ("protruding filler wire", "3043", "root", "root"),
    ("incomplete root penetration", "4021", "root", "root"), ("lack of root fusion", "4013", "root", "root"),
    ("hollow bead", "2015", "root", "root"),
    ("elongated cavity", "2015", "outside", "fill, run unknown"), ("missed tie-in", "517", "root", "root"),
    ("lack of side-wall fusion", "4011", "outside", "fill, run unknown"), ("tungsten inclusion", "3041", "outside", "fill, run unknown"),
    ("linear misalignment between tubes", "5072", "none", "whole joint"),
])
def test_how_each_type_is_opened(type_: str, number: str, opens: str, run: str) -> None:
    stretch = plan_of([pore(1, 100.0, type=type_, iso6520=number)]).stretches[0]
    assert (stretch.excavation.opens, stretch.items[0].run) == (opens, run)
    if opens in ("surface", "none"):
        assert stretch.excavation.depth_mm is None
        assert stretch.excavation.width_mm is None


def test_undercut_on_the_inside_is_not_dug_at_the_cap() -> None:
    stretch = plan_of([pore(1, 100.0, type="continuous undercut", iso6520="5011", surface="internal")]).stretches[0]
    assert (stretch.excavation.opens, stretch.items[0].practice) == ("root", "undercut at the root")


def test_every_type_has_a_technique_note_marked_and_deferring() -> None:
    practice = load_practice()
    for kind in IMPERFECTIONS:
        note = practice.note_for(Indication(1, type=kind.term, iso6520=kind.iso6520))
        assert note.applies_to, kind.term
    for note in practice.note:
        assert "common practice, no published source" in note.source
        assert "qualified procedure goes first" in note.source
        assert note.find
        assert note.remove
        assert note.gone
        assert note.never


def test_cracks_stop_and_say_why() -> None:
    plan = plan_of([pore(1, 100.0, 14.0, type="longitudinal crack", iso6520="101")])
    assert plan.stretches[0].authorisation
    assert "authorisation" in plan.stretches[0].decide_first[0]
    assert any("least it can be" in t for t in plan.stretches[0].decide_first)
    assert any("2.6%" in t and "below 8%" in t for t in plan.repair_says)  # 14 mm of 528.7 mm
    assert any("second repair of a crack" in t for t in plan.cut_out_says)


@pytest.mark.parametrize(("chance", "stops"), [(0.04, False), (0.05, True)])
def test_what_may_be_a_crack_is_treated_as_one(chance: float, stops: bool) -> None:
    stretch = plan_of([pore(1, 100.0, alternatives=(Alternative("crack", "100", chance),))]).stretches[0]
    assert stretch.authorisation is stops


def test_long_crack_speaks_for_cutting_out() -> None:
    plan = plan_of([pore(1, 100.0, 45.0, type="longitudinal crack", iso6520="101")])
    assert any("8.5%" in t for t in plan.cut_out_says)


# --- who decides ----------------------------------------------------------------------------------------------------------


def test_without_a_reader_everything_is_stamped(weld_document: WeldDocument) -> None:
    assert make_plan(weld_document).stamp == ""
    assert make_plan(replace(weld_document, reader=None)).stamp == "Machine reading, not confirmed. Do not cut."


def test_open_reviews_come_with_their_place_until_closed(weld_document: WeldDocument) -> None:
    plan = make_plan(weld_document)
    assert plan.decide_first == ("No. 5 gas pore at 330 mm (7:29): pore No. 5: 1.0 mm, the limit 1.0 mm lies inside the uncertainty",)
    assert weld_document.reader is not None
    closed = replace(weld_document, reader=replace(weld_document.reader, closed=(Closed(1, "accept", "measured again"),)))
    assert make_plan(closed).decide_first == ()


def test_provisional_on_the_stretch_itself() -> None:
    mark = pore(1, 100.0)
    document = WeldDocument(weld=WeldFacts(name="W", od_mm=168.3, joint="girth"), indications=(mark,), removal=(1,), verdict="reject",
                            findings=(Finding("p", "review", "type in doubt", indications=(1,)),), reader=Reader("R. Example"))
    assert "Provisional, decide first: type in doubt" in make_plan(document).stretches[0].decide_first


def test_repair_limit_reached_speaks_for_cutting_out() -> None:
    assert any("limit is reached" in t for t in plan_of([pore(1, 100.0)], repairs_so_far=2).cut_out_says)
    assert any("would be repair 2" in t for t in plan_of([pore(1, 100.0)], repairs_so_far=1).repair_says)


def test_small_bore_and_large_share() -> None:
    small = plan_of([pore(1, 50.0)], od_mm=60.3, length_mm=None)
    assert any("Small bore" in t for t in small.cut_out_says)
    assert any("past 30%" in t for t in plan_of([pore(1, 200.0, 160.0)]).cut_out_says)
    assert not any("Small bore" in t for t in plan_of([pore(1, 50.0)]).cut_out_says)


def test_reshoot_names_stations_technique_and_number(weld_document: WeldDocument) -> None:
    assert make_plan(weld_document).stretches[0].reshoot == (
        "Re-shoot 50 mm to 168 mm as R1, with the technique of the first film (DWSI, Se-75, source to film 600 mm).")
    again = FilmOfWeld(FilmFacts(), Quality(), shot="R1", exposure=weld_document.films[0].exposure)
    assert " as R2," in make_plan(replace(weld_document, films=(*weld_document.films, again))).stretches[0].reshoot


@pytest.mark.parametrize("taped", [52.8, 660.0, math.nan, math.inf, -528.0])
def test_taped_circumference_of_another_pipe_is_refused(weld_document: WeldDocument, taped: float) -> None:
    with pytest.raises(ListError, match="circumference"):
        make_plan(weld_document, circumference_mm=taped)


def test_taped_circumference_of_a_plate_is_refused() -> None:
    with pytest.raises(ListError, match="not round a pipe"):
        make_plan(Worksheet(weld=WeldFacts(joint="plate")), circumference_mm=500.0)


def test_part_film_says_which_part(worksheet: Worksheet, weld_document: WeldDocument) -> None:
    assert any("it shows 60 mm to 260 mm of this weld" in w for w in make_plan(worksheet).warnings)
    assert not any("One film only" in w for w in make_plan(weld_document).warnings)


def test_unreadable_film_is_said_first() -> None:
    plan = make_plan(Worksheet(weld=WeldFacts(name="W", od_mm=60.3), quality=Quality(readable=False), verdict="unreadable"))
    assert "not fit to judge" in plan.decide_first[0]
