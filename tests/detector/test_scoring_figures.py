"""The arithmetic of the bench against slow twins and general libraries, and the layout of what it prints."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scoring import FalseCall, FilmScore, ScoredTruth
from scoring_cost import Cost, with_cost
from scoring_figures import (
    false_call_figures,
    family,
    fit_detection,
    macro_f1,
    names,
    reliability,
    size_errors,
    verdict_figures,
)
from scoring_report import lines
from scoring_verdict import Verdicts
from sklearn.metrics import f1_score

from rtscan.findings import Alternative, Indication

PORE = Indication(1, "dark", "gas pore", "2011", length_mm=1.0, width_mm=0.9, local_width_mm=0.85, height_mm=0.8)
CRACK = Indication(2, "dark", "longitudinal crack in the weld metal", "1011", length_mm=12.0, width_mm=0.4, local_width_mm=0.3)
SLAG = Indication(3, "dark", "linear slag inclusion", "3011", length_mm=6.0, width_mm=0.7, local_width_mm=0.6)


def called(truth: Indication, **changes: Any) -> tuple[Indication, Indication]:
    return truth, replace(truth, **{"confidence": 0.9, "length_u_mm": 0.2, "width_u_mm": 0.1, **changes})


def film(**changes: Any) -> FilmScore:
    blank = FilmScore("film-0000", False, "SWSI", 20.0, True, 150.0, (), 0, (), 0, None, Cost(2.0, 500.0), {"plain": (0, 3)})
    return replace(blank, **changes)


def test_size_errors_are_median_percentile_and_coverage() -> None:
    shifts = [0.05, -0.1, 0.3, 0.15, -0.02]
    pairs = [called(PORE, length_mm=1.0 + s) for s in shifts]
    errors = size_errors(pairs, "length_mm")
    assert errors is not None
    assert (errors.count, errors.signed, errors.median) == (5, pytest.approx(0.05), pytest.approx(0.1))
    # 90th percentile of 0.02 0.05 0.1 0.15 0.3: rank 0.9 · 4 = 3.6 between 0.15 and 0.3 (numpy's linear rule)
    assert errors.p90 == pytest.approx(0.15 + 0.6 * 0.15)
    assert errors.covered == pytest.approx(4 / 5)


def test_the_local_width_is_covered_by_the_stated_uncertainty_of_the_width() -> None:
    pairs = [called(PORE, local_width_mm=0.85 + s, width_u_mm=0.1) for s in (0.05, 0.2)]
    errors = size_errors(pairs, "local_width_mm")
    assert errors is not None
    assert errors.covered == 0.5


def test_unknown_sizes_are_left_out_and_none_known_gives_none() -> None:
    pairs = [called(CRACK, height_mm=0.5), called(PORE, height_mm=0.9, height_u_mm=0.3), called(PORE, height_mm=None)]
    errors = size_errors(pairs, "height_mm")
    assert errors is not None
    assert (errors.count, errors.signed, errors.covered) == (1, pytest.approx(0.1), 1.0)
    assert size_errors(pairs[:1], "height_mm") is None


NAMES = ["crack", "pore", "slag", "metal"]


@given(st.lists(st.tuples(st.sampled_from(NAMES), st.sampled_from(NAMES)), min_size=1, max_size=40))
def test_macro_f1_is_that_of_scikit_learn(rows: list[tuple[str, str]]) -> None:
    true, told = [a for a, _ in rows], [b for _, b in rows]
    assert macro_f1(true, told) == pytest.approx(f1_score(true, told, average="macro", labels=sorted(set(true)), zero_division=0))


def test_names_count_families_types_alternatives_and_planar_doubt() -> None:
    slag_with = (Alternative(CRACK.type, "1011", 0.06),)
    pairs = [
        called(PORE),
        called(PORE, type="uniformly distributed porosity", iso6520="2012"),
        called(CRACK, type=SLAG.type, iso6520="3011", alternatives=slag_with),
        called(CRACK, type=SLAG.type, iso6520="3011", alternatives=(Alternative(CRACK.type, "1011", 0.04),)),
        called(CRACK, type="lack of side-wall fusion", iso6520="4011"),
    ]
    told = names(pairs)
    assert told.count == 5
    assert told.family_right == pytest.approx(2 / 5)
    assert told.type_right == pytest.approx(1 / 5)
    assert told.type_among == pytest.approx(3 / 5)
    # A crack called lack of fusion is doubted in the safe direction; with 0.04 the crack no longer counts in the verdict.
    assert (told.planar, told.planar_untold) == (3, 1)
    assert told.macro_f1 == pytest.approx((2 * 2 / (2 + 2) + 0.0) / 2)


def test_reliability_bins_hold_every_call_once_and_one_belongs_to_the_last() -> None:
    pairs = [called(PORE, confidence=c) for c in (0.0, 0.19, 0.2, 0.6, 0.79, 0.8, 1.0)] + [called(PORE, confidence=0.81, type=SLAG.type)]
    table = reliability(pairs)
    assert [(round(b.low, 1), b.count) for b in table] == [(0.0, 2), (0.2, 1), (0.6, 2), (0.8, 3)]
    assert table[-1].told == pytest.approx((0.8 + 1.0 + 0.81) / 3)
    assert table[-1].type_right == pytest.approx(2 / 3)


def test_the_fitted_points_are_those_of_the_curve_the_data_came_from() -> None:
    rng = np.random.default_rng(3)
    detectability = np.exp(rng.uniform(np.log(3), np.log(300), 6000))
    found = rng.random(6000) < 1 / (1 + np.exp(-1.6 * (np.log(detectability) - np.log(12))))
    fit = fit_detection([ScoredTruth(PORE, float(d), PORE if f else None, False) for d, f in zip(detectability, found, strict=True)])
    # The true curve has 50 % at 12 and 90 % at 12 · exp(ln 9 / 1.6) = 47.4; 6000 draws place ln a50 to about 0.03, ln a90 to 0.05 (1 σ).
    assert fit.a50 == pytest.approx(12, rel=0.1)
    assert fit.a90 == pytest.approx(12 * math.exp(math.log(9) / 1.6), rel=0.15)


def test_no_fit_where_all_or_none_were_found() -> None:
    for call in (PORE, None):
        assert fit_detection([ScoredTruth(PORE, d, call, False) for d in (5.0, 9.0)]).a50 is None
    assert fit_detection([]).a90 is None


def test_a_find_by_a_group_is_a_find() -> None:
    assert ScoredTruth(PORE, 9.0, None, True).found
    assert not ScoredTruth(PORE, 9.0, None, False).found


def test_verdicts_are_compared_among_the_decided_and_wrong_accepts_are_named() -> None:
    rows = [("a", Verdicts("accept", "accept", "accept", "accept")), ("b", Verdicts("review", "accept", "reject", "accept")),
            ("c", Verdicts("reject", "reject", "accept", "accept")), ("d", Verdicts("review", "review", "reject", "reject")),
            ("e", Verdicts("unreadable", "unreadable", "reject", "reject")), ("f", Verdicts("reject", "reject", "reject", "reject")),
            ("g", Verdicts("accept", "accept", "review", "review"))]
    whole, seen = verdict_figures(rows), verdict_figures(rows, seen_only=True)
    assert (whole.films, whole.decided, whole.agreeing, whole.review, whole.unreadable, whole.truth_open) == (7, 4, 2, 1, 1, 1)
    assert (whole.wrongly_accepted, whole.wrongly_rejected) == (("b",), ("c",))
    assert (seen.decided, seen.agreeing, seen.wrongly_accepted) == (4, 3, ())


def test_false_calls_per_film_clean_film_length_and_mark() -> None:
    films = [film(clean=True, weld_mm=100.0, false_calls=(FalseCall(PORE, "wire"), FalseCall(PORE, None))), film(weld_mm=300.0),
             film(weld_mm=100.0, false_calls=(FalseCall(SLAG, "wire"),))]
    told = false_call_figures(films)
    assert (told.a_film, told.a_clean_film, told.per_100_mm) == (1.0, 2.0, pytest.approx(3 / 5))
    assert told.on_marks["wire"] == pytest.approx(2 / 3)
    assert told.on_marks["letter"] == 0.0


def test_the_cost_is_that_of_the_work_alone() -> None:
    before = np.ones(40_000_000)  # 305 MiB that the process held at its peak and gave back
    del before
    _, small = with_cost(lambda: np.ones(250_000).sum())
    held, large = with_cost(lambda: np.ones(20_000_000))  # 153 MiB
    if small.peak_mib is None or large.peak_mib is None:
        pytest.skip("this system does not tell the peak memory of a piece of work")
    assert held.nbytes / 2**20 * 0.9 < large.peak_mib - small.peak_mib < held.nbytes / 2**20 * 1.3
    assert large.seconds >= 0


def test_the_printed_figures_hold_every_section_and_stay_narrow() -> None:
    call = replace(PORE, confidence=0.7, length_mm=1.2, length_u_mm=0.3)
    truths = (ScoredTruth(PORE, 12.0, call, False), ScoredTruth(CRACK, 4.0, None, True), ScoredTruth(SLAG, 2.0, None, False))
    verdict = Verdicts("unreadable", "accept", "reject", "reject", ("wire seen",))
    one = film(truths=truths, outside=2, verdicts=verdict, false_calls=(FalseCall(SLAG, "scratch"),))
    text = lines([one, film(clean=True, found_weld=False)])
    told = "\n".join(text)
    assert "true indications from detectability 3: 2, found 1.00 (by a group alone: 1); not counted: 1 fainter, 2 outside" in told
    assert "false calls: 0.50 a film, 0.00 a clean film (1 clean), 0.33 per 100 mm of weld" in told
    assert "scratch 0.50" in told
    assert "rejectable truth accepted: 1 (film-0000)" in told
    assert "required checks failed, films: wire seen 1" in told
    assert "processor time: median 2.0 s, most 2.0 s" in told
    assert max(map(len, text)) <= 160
    for title in ("DETECTION", "NAMES", "SIZES", "VERDICT", "COST"):
        assert any(line.startswith(title) for line in text)


def test_films_on_which_nothing_was_found_can_be_told() -> None:
    told = "\n".join(lines([film(truths=(ScoredTruth(PORE, 12.0, None, False),))]))
    assert "nothing found, nothing named" in told
    assert "no calibrated film" in told


def test_families_are_those_of_the_term_before_those_of_the_number() -> None:
    assert family(replace(PORE, type="hollow bead", iso6520="2015")) == "cavity"
    assert family(replace(PORE, type="unheard of", iso6520="2011")) == "pore"
    assert family(replace(PORE, type="unheard of", iso6520="")) == "other"
