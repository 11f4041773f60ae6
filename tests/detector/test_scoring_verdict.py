"""Verdicts of reading and true list: the same rules on both; and one film of the tuning draw scored from end to end."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from scoring import score_film
from scoring_verdict import is_calibrated, verdicts

from rtscan.acceptance.library import load_criteria
from rtscan.findings import Alternative, Check, FilmFacts, Indication, Quality, WeldArc, WeldFacts, Worksheet
from rtscan.job import Job
from rtscan.record_json import to_json

CRITERIA = "iso-10675-1-level-2"
WELD = WeldFacts("W", 150.0, 12.0, (WeldArc(None, ((0.0, 400.0), (3000.0, 400.0)), ((0.0, 280.0), (3000.0, 280.0)),
                                            ((0.0, 520.0), (3000.0, 520.0)), 0.0, 150.0),), 10.0, None, "plate")
JOB = Job.model_validate({"film": {"pixels_per_mm": 20.0, "grey_is": "density", "grey_to_density": [[0, 4.5], [65535, 0]]},
                          "weld": {"wall_mm": 10.0, "joint": "plate"}})
SHEET = Worksheet(film=FilmFacts("a.tif", width_px=3000, height_px=800, density_calibrated=True, pixels_per_mm=20.0), weld=WELD)
PORE = Indication(1, "dark", "gas pore", "2011", along_mm=40.0, across_mm=1.0, angle_deg=0.0, length_mm=0.8, width_mm=0.8,
                  local_width_mm=0.8, area_mm2=0.5)
CRACK = Indication(2, "dark", "longitudinal crack in the weld metal", "1011", along_mm=90.0, across_mm=0.0, angle_deg=0.0, length_mm=9.0,
                   width_mm=0.3, local_width_mm=0.3, area_mm2=2.0)


def key(*truths: Indication) -> dict[str, Any]:
    group = {"id": "G1", "kind": "line", "type": "linear porosity", "iso6520": "2014", "members": [1, 2]}
    return {"weld": to_json(WELD), "groups": [group], "indications": list(truths)}


def told(read: tuple[Indication, ...], true: tuple[Indication, ...], sheet: Worksheet = SHEET) -> Any:
    return verdicts(replace(sheet, indications=read), key(*true), true, tuple(t for t in true if t.id == 1), JOB, load_criteria(CRITERIA))


def test_the_true_list_is_judged_by_the_rules_of_the_reading() -> None:
    sure = replace(PORE, confidence=0.99, length_u_mm=0.1, width_u_mm=0.1)
    both = told((sure,), (PORE,))
    assert (both.reading, both.truth) == ("accept", "accept")
    missed = told((sure,), (PORE, CRACK))
    assert (missed.reading, missed.truth, missed.seen_truth) == ("accept", "reject", "accept")


def test_a_planar_possibility_leaves_the_reading_open_and_names_the_row() -> None:
    doubted = replace(PORE, confidence=0.9, alternatives=(Alternative(CRACK.type, "1011", 0.06),))
    both = told((doubted,), (PORE,))
    assert (both.reading, both.truth) == ("review", "accept")
    assert both.open_rows


def test_no_weld_found_is_no_accept() -> None:
    lost = replace(SHEET, weld=replace(WELD, arcs=()))
    assert told((), (PORE,), lost).reading == "unreadable"


def test_checks_of_the_film_are_told_but_do_not_decide() -> None:
    checks = (Check("wire seen", "fail"), Check("scanner pitch", "fail", required=False))
    unfit = replace(SHEET, verdict="unreadable", quality=Quality(False, checks))
    both = told((replace(PORE, confidence=0.99),), (PORE,), unfit)
    assert (both.on_film, both.reading, both.failed) == ("unreadable", "accept", ("wire seen",))


def test_calibrated_needs_density_scale_and_wall() -> None:
    assert is_calibrated(SHEET, JOB)
    assert not is_calibrated(replace(SHEET, film=replace(SHEET.film, density_calibrated=False)), JOB)
    assert not is_calibrated(replace(SHEET, film=replace(SHEET.film, pixels_per_mm=None)), JOB)
    assert not is_calibrated(SHEET, Job())


@pytest.mark.slow
def test_a_film_of_the_tuning_draw_is_scored() -> None:
    score = score_film(72002, 0, 0.25, CRITERIA)
    assert score.name == "film-0000"
    assert (score.weld_mm > 0) is score.found_weld
    assert all(t.call.tone == t.indication.tone for t in score.truths if t.call is not None)
    assert len({t.call.id for t in score.truths if t.call is not None} | {c.call.id for c in score.false_calls}) == (
        sum(t.call is not None for t in score.truths) + len(score.false_calls))  # no call counts twice
    assert (score.verdicts is None) or score.verdicts.truth in ("accept", "reject", "review")
    assert score.cost.seconds > 0.1
    assert all(found <= sum(t.counts for t in score.truths) for found, _ in score.references.values())
