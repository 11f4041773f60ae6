"""Statistics of a session: a simulated trainee is recovered; counts by hand."""

from __future__ import annotations

import importlib.util
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from rtscan.practise.rows import FilmRow, SessionRows, SkillRow, TargetRow, pooled
from rtscan.practise.summary import hit_miss, summarise, weakest

TARGET = TargetRow("f", "1", "gas pore", "2011", "pore", 1.0, 20.0, True, False, True, "named", "2011", "pore", 1.0, 1.2, 1.0)
FILM = FilmRow("f", "accept", "accept", False, 8.0, 10.0, True, 1, 2, 1, 8, 1, 60.0)


def _trainee() -> ModuleType:
    path = Path(__file__).parents[2] / "scripts" / "check_practise.py"
    spec = importlib.util.spec_from_file_location("check_practise", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.slow
def test_a_simulated_trainee_is_recovered() -> None:
    """20 sessions here; scripts/check_practise.py does 200 (0.93 to 0.98 of them recovered, target 0.90)."""
    shares = _trainee().recovered(20, np.random.default_rng(5))
    assert min(shares.values()) >= 0.90, shares


def test_summary_by_hand() -> None:
    missed = replace(
        TARGET, target="2", family="crack", found=False, call="missed", called_family="", size_mm=3.0, read_mm=None, rejectable=True)
    wrong = replace(TARGET, target="3", family="slag", called_family="crack", read_mm=2.6, true_mm=2.0, size_mm=2.0, relevant=False)
    rows = SessionRows(
        (FILM, replace(FILM, film="g", verdict_true="reject", verdict_given="accept", passed=False, false_calls=3, seconds=120.0),
         replace(FILM, film="h", verdict_true="unreadable", verdict_given="unreadable", unfit=True, false_calls=9, seconds=None)),
        (SkillRow("f", "seeing", 2.0, 4.0), SkillRow("g", "seeing", -1.0, 2.0)), (TARGET, missed, wrong))
    figures = summarise(rows)
    assert (figures.films, figures.passed, figures.films_counted) == (3, 2, 2)
    assert (figures.false_calls, figures.false_calls_per_film) == (4, 2.0)  # the unfit film does not count
    assert [(s.name, s.got, s.of) for s in figures.found] == [("all", 2, 3), ("relevant", 1, 2), ("rejectable", 0, 1)]
    assert (figures.sensitivity.hits, figures.sensitivity.with_flaw, figures.sensitivity.false_calls) == (2, 4, 2)
    assert figures.sizes.bias_mm == pytest.approx(0.4)  # (0.2 + 0.6) / 2
    assert {(c.true, c.called): c.count for c in figures.confusion} == {("pore", "pore"): 1, ("crack", ""): 1, ("slag", "crack"): 1}
    assert figures.verdicts[0][0] == figures.verdicts[3][3] == figures.verdicts[1][0] == 1
    assert figures.kappa.agreed == pytest.approx(2 / 3)
    assert figures.seconds_per_film == 90.0
    assert figures.weakest_family == "crack"
    assert next(s for s in figures.skills if s.name == "seeing").share == pytest.approx(1 / 6)


def test_an_empty_session_has_no_figures_and_no_faults() -> None:
    figures = summarise(SessionRows())
    assert (figures.films, figures.size_curve, figures.false_calls_per_film, figures.kappa.count) == (0, None, None, 0)
    assert hit_miss(SessionRows()) is None


def test_one_miss_of_one_is_weaker_than_one_miss_of_many_but_proves_little() -> None:
    from rtscan.practise.summary import Share

    assert weakest([Share("a", 0, 1), Share("b", 2, 12)]) == "b"  # (0+1)/3 against (2+1)/14
    assert weakest([Share("a", 3, 3)]) == ""


def test_pooling_adds_up() -> None:
    rows = SessionRows((FILM,), (), (TARGET,))
    both = pooled([rows, rows])
    assert (len(both.films), len(both.targets)) == (2, 2)
    table = hit_miss(both)
    assert table is not None
    assert table.targets == 2
