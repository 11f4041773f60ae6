"""The rules of a match, against exact geometry (shapely) and drawn cases."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scoring_match import GROUP_FILL, GROW_MM, Outline, found_by_group, mark_under, matched, overlap_px
from scoring_references import scored_boxes
from shapely.geometry import Polygon

PER_MM = 20.0
GROW = round(GROW_MM * PER_MM)


def ellipse(x: float, y: float, a: float, b: float) -> np.ndarray:
    t = np.linspace(0, 2 * np.pi, 64, endpoint=False)
    return np.column_stack([x + a * np.cos(t), y + b * np.sin(t)])


def box(x: float, y: float, width: float, height: float) -> np.ndarray:
    return np.array([[x, y], [x + width, y], [x + width, y + height], [x, y + height]], dtype=float)


@settings(max_examples=60, deadline=None)
@given(st.floats(-60, 60), st.floats(-40, 40), st.floats(2, 30), st.floats(2, 12))
def test_overlap_is_the_area_shared_with_the_grown_truth(x: float, y: float, a: float, b: float) -> None:
    truth, call = ellipse(100, 70, 25, 9), ellipse(100 + x, 70 + y, a, b)
    exact = Polygon(truth).buffer(GROW).intersection(Polygon(call)).area
    rim = Polygon(call).length + Polygon(truth).buffer(GROW).length
    # Both shapes are drawn with their rim pixels: each rim pixel counts half too much, and the grown shape is a stepped one.
    assert overlap_px(truth, call, GROW) == pytest.approx(exact, abs=0.75 * rim)


def test_a_call_finds_a_truth_up_to_half_a_millimetre_away_and_not_beyond() -> None:
    truth = [Outline("dark", box(100, 50, 40, 12))]
    for gap_px, found in ((GROW - 2, True), (GROW + 3, False)):  # two pixels for the rims that are drawn
        call = Outline("dark", box(140 + gap_px, 50, 10, 12))
        assert (matched(truth, [call], PER_MM).pairs == {0: 0}) is found
        assert matched(truth, [call], PER_MM).false == (() if found else (0,))


def test_one_call_for_one_truth_best_overlap_first_and_the_rest_are_second_calls() -> None:
    truths = [Outline("dark", box(0, 0, 40, 10)), Outline("dark", box(60, 0, 20, 10)), Outline("bright", box(0, 40, 20, 10))]
    calls = [Outline("dark", box(0, 0, 10, 10)), Outline("dark", box(5, 0, 70, 10)), Outline("dark", box(0, 40, 20, 10)),
             Outline("bright", box(2, 42, 5, 5)), Outline("dark", box(30, 2, 4, 4))]
    found = matched(truths, calls, PER_MM)
    # The long call shares most with the first truth; what is left for the second truth is no call at all; the dark call on the bright
    # truth is false.
    assert found.pairs == {0: 1, 2: 3}
    assert found.second == (0, 4)
    assert found.false == (2,)


def test_nothing_called_and_nothing_true_are_normal() -> None:
    assert matched([], [Outline("dark", box(0, 0, 5, 9))], PER_MM).false == (0,)
    assert matched([Outline("dark", box(0, 0, 5, 9))], [], PER_MM).pairs == {}


def grown_share(truths: list[np.ndarray], members: list[np.ndarray]) -> float:
    hull = Polygon(np.concatenate(members)).convex_hull
    filled = Polygon()
    for t in truths:
        filled = filled.union(Polygon(t).buffer(GROW))
    return float(filled.intersection(hull).area / hull.area)


@pytest.mark.parametrize("apart", [30, 42, 70, 95])
def test_a_group_finds_its_members_when_they_fill_enough_of_it(apart: float) -> None:
    truths = [ellipse(200 + apart * k, 150 + 7 * (k % 2), 5, 4) for k in range(-2, 3)]
    members = [box(200 - 2 * apart - 4, 110, 8, 6), box(200 + 2 * apart, 185, 8, 6), box(205, 105, 6, 6), box(195, 190, 6, 8)]
    share = grown_share(truths, members)
    assert abs(share - GROUP_FILL) > 0.02  # the drawn area is within 2 % of the exact one
    found = found_by_group([Outline("dark", t) for t in truths], [Outline("dark", m) for m in members], PER_MM)
    held = {k for k, t in enumerate(truths) if Polygon(np.concatenate(members)).convex_hull.contains(Polygon(t).centroid)}
    assert found == (held if share >= GROUP_FILL else set())


def test_a_group_finds_no_truth_of_the_other_tone_or_outside_it() -> None:
    members = [Outline("dark", box(0, 0, 30, 20)), Outline("dark", box(40, 0, 30, 20))]
    truths = [Outline("bright", ellipse(35, 10, 6, 4)), Outline("dark", ellipse(90, 10, 6, 4)), Outline("dark", ellipse(36, 10, 9, 4))]
    assert found_by_group(truths, members, PER_MM) == {2}


def test_a_false_call_is_laid_to_the_smallest_mark_that_holds_its_middle() -> None:
    objects = [{"kind": "artefact", "bbox_px": [0, 0, 400, 300]}, {"kind": "wire", "bbox_px": [90, 10, 99, 200]}]
    assert mark_under((95.0, 20.0), objects) == "wire"
    assert mark_under((105.0, 20.0), objects) == "artefact"
    assert mark_under((405.0, 20.0), objects) is None
    assert mark_under(None, objects) is None


def test_plain_references_find_one_truth_a_box() -> None:
    truths = [ellipse(50, 40, 6, 3), ellipse(58, 40, 6, 3), ellipse(200, 40, 6, 3)]
    both, nothing = box(45, 35, 20, 10), box(300, 35, 20, 10)
    assert scored_boxes(truths, [both, nothing], 10.0) == ({0}, 1)
    assert scored_boxes(truths, [both, both, both], 10.0) == ({0, 1}, 0)
    beside = box(216, 35, 5, 10)  # its left side is 10 pixels from the third truth
    assert scored_boxes(truths, [beside], 10.5)[0] == {2}
    assert scored_boxes(truths, [beside], 9.0) == (set(), 1)
