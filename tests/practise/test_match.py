"""Matching marks with the truth: the issue's rule (3 mm along, 2 mm across), groups, and what must never happen."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rtscan.findings import Group, Indication
from rtscan.practise.match import extent_of, match, overlap_distance, signed_gap_mm
from rtscan.practise.matching import load_matching

RULE = load_matching()


def at(id: int, along: float, across: float | None = 0.0, length: float | None = 1.0, width: float | None = 1.0, iso: str = "2011",
       **more: object) -> Indication:
    return Indication(id, iso6520=iso, along_mm=along, across_mm=across, length_mm=length, width_mm=width, **more)


@pytest.mark.parametrize(("along", "across", "hit"), [
    (104.0, 0.0, True), (104.01, 0.0, False),   # 0.5 + 0.5 + 3 along
    (96.0, 0.0, True), (95.99, 0.0, False),
    (100.0, 3.0, True), (100.0, 3.01, False),   # 0.5 + 0.5 + 2 across
    (104.0, -3.0, True),
])
def test_a_mark_hits_up_to_the_grown_edge(along: float, across: float, hit: bool) -> None:
    matched = match([at(1, along, across)], [at(7, 100.0)], [], RULE)
    assert matched.hits == ((1,),) if hit else matched.hits == ((),)
    assert matched.false_calls == (() if hit else (1,))
    assert matched.members_found == (frozenset({7}) if hit else frozenset())


def test_a_mark_without_across_is_matched_along_only() -> None:
    assert match([at(1, 100.0, None)], [at(7, 100.0, 9.0)], [], RULE).hits == ((1,),)


def test_a_mark_without_a_station_is_a_false_call() -> None:
    assert match([Indication(1, iso6520="2011")], [at(7, 100.0)], [], RULE).false_calls == (1,)


def test_stations_close_into_a_ring_on_a_girth_weld() -> None:
    truth, mark = at(7, 0.5), at(1, 527.9)
    assert match([mark], [truth], [], RULE, round_mm=528.7).hits == ((1,),)
    assert match([mark], [truth], [], RULE).hits == ((),)
    assert signed_gap_mm(1.0, 527.7, 528.7) == pytest.approx(2.0)


def test_extent_turns_with_the_angle() -> None:
    """A transverse crack of 10 mm lies 10 mm across and its width along (contract: extent (length/2)·|cos angle|)."""
    extent = extent_of(at(1, 50.0, length=10.0, width=0.4, angle_deg=90.0))
    assert extent is not None
    assert (extent.half_along_mm, extent.half_across_mm) == pytest.approx((0.2, 5.0))


def test_walls_must_agree_unless_unknown_and_the_second_station_counts() -> None:
    truth = at(7, 100.0, wall="film")
    assert match([at(1, 100.0, wall="source")], [truth], [], RULE).hits == ((),)
    assert match([at(1, 20.0, wall="unknown", other_along_mm=100.0)], [truth], [], RULE).hits == ((1,),)


def test_a_cluster_called_as_one_finds_its_members_and_counts_once() -> None:
    pores = [at(k, 100.0 + 2 * k) for k in range(6)]
    cluster = Group("G1", "cluster", "clustered porosity", "2013", tuple(range(6)))
    matched = match([at(1, 105.0, length=2.0, iso="2013")], pores, [cluster], RULE)
    assert [(t.id, t.is_group) for t in matched.targets] == [("G1", True)]
    assert matched.members_found == frozenset(range(6))
    long_mark = match([at(1, 105.0, length=9.0, iso="2011")], pores, [cluster], RULE)
    assert long_mark.members_found == frozenset(range(6))


def test_members_marked_singly_are_found_singly() -> None:
    pores = [at(k, 100.0 + 10 * k) for k in range(4)]
    row = Group("G1", "aligned", "linear porosity", "2014", tuple(range(4)))
    matched = match([at(1, 100.0), at(2, 120.0)], pores, [row], RULE)
    assert matched.hits == ((1, 2),)
    assert matched.members_found == frozenset({0, 2})


def test_one_mark_finds_one_target_and_most_targets_are_found() -> None:
    """Mark 1 reaches both pores, mark 2 only the first: the pairing that finds both wins over the nearest one."""
    matched = match([at(1, 101.0), at(2, 98.0)], [at(7, 100.5), at(8, 104.5)], [], RULE)
    assert matched.hits == ((2,), (1,))


def test_a_second_mark_on_a_found_flaw_is_a_repeat_not_a_false_call() -> None:
    matched = match([at(1, 100.0), at(2, 101.0)], [at(7, 100.0)], [], RULE)
    assert (matched.repeats, matched.false_calls) == ((2,), ())


def test_marking_the_whole_weld_finds_nothing() -> None:
    matched = match([at(1, 120.0, length=240.0)], [at(k, 20.0 * k) for k in range(1, 12)], [], RULE)
    assert not matched.members_found
    assert matched.too_long == (1,)


stations = st.lists(st.tuples(st.floats(0, 300), st.floats(-8, 8), st.floats(0, 25)), max_size=8)


@given(stations, stations)
def test_every_mark_ends_in_exactly_one_place(marks: list[tuple[float, float, float]], truth: list[tuple[float, float, float]]) -> None:
    drawn = [at(k, a, c, n) for k, (a, c, n) in enumerate(marks)]
    true = [at(k, a, c, n) for k, (a, c, n) in enumerate(truth)]
    matched = match(drawn, true, [], RULE)
    places = [m for hit in matched.hits for m in hit] + list(matched.repeats) + list(matched.false_calls)
    assert sorted(places) == [m.id for m in drawn]
    assert all(len(hit) <= 1 for hit in matched.hits)
    again = match(drawn[::-1], true[::-1], [], RULE)
    assert len(again.members_found) == len(matched.members_found)
    assert again.false_calls == matched.false_calls


@given(stations)
def test_marking_the_truth_itself_finds_everything(truth: list[tuple[float, float, float]]) -> None:
    true = [at(k, a, c, n) for k, (a, c, n) in enumerate(truth)]
    assert match(true, true, [], RULE).members_found == {t.id for t in true}


def test_distance_is_zero_on_the_spot_and_none_out_of_reach() -> None:
    a, b = extent_of(at(1, 10.0)), extent_of(at(2, 40.0))
    assert a is not None
    assert b is not None
    assert overlap_distance(a, a, RULE, None) == 0.0
    assert overlap_distance(a, b, RULE, None) is None
