"""What a session is made of: roles in fixed numbers, the focus rule, levels and settings as data."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rtscan.errors import ListError
from rtscan.practise.draw import UNFIT, plan_session
from rtscan.practise.focus import focus_on
from rtscan.practise.levels import find_level, load_levels
from rtscan.practise.matching import load_matching
from rtscan.practise.rows import TargetRow
from rtscan.practise.scale import load_grading

TARGET = TargetRow("f", "1", "gas pore", "2011", "pore", 1.0, 20.0, True, False, True, "named", "2011", "pore", 1.0, None, None)


@given(st.sampled_from([1, 2, 3, 4, 5]), st.integers(1, 60), st.integers(0, 2**31))
def test_roles_are_dealt_in_fixed_numbers(number: int, count: int, seed: int) -> None:
    level = find_level(number)
    plans = plan_session(level, count, np.random.default_rng(seed))
    assert [p.name for p in plans] == sorted({p.name for p in plans})
    assert len(plans) == count
    assert sum(not p.flawed for p in plans) <= round(level.clean * count) + 1
    if count >= 10:
        assert sum(not p.flawed for p in plans) == round(level.clean * count)  # about a third, as the issue asks
        assert any(p.unfit in UNFIT for p in plans)
    assert all(p.unfit for p in plans if p.markers != "complete")
    assert not any(p.pair and not p.flawed for p in plans)


def test_levels_grow_harder() -> None:
    levels = load_levels().level
    assert [n.number for n in levels] == [1, 2, 3, 4, 5]
    for easier, harder in pairwise(levels):
        assert harder.detectability[0] < easier.detectability[0]
        assert harder.smallest_mm < easier.smallest_mm
        assert harder.confusing >= easier.confusing
        assert harder.nuisances[1] >= easier.nuisances[1]
        assert 0.3 <= harder.clean <= 0.36


def test_focus_follows_its_documented_rule() -> None:
    missed = replace(TARGET, family="crack", found=False, call="missed")
    misnamed = replace(TARGET, family="slag", called_family="crack")
    focus = focus_on([TARGET, TARGET, missed, missed, misnamed])
    assert focus.family["pore"] == pytest.approx(1 + 4 * 1 / 4)
    assert focus.family["crack"] == pytest.approx(1 + 4 * 3 / 4)
    assert focus.family["slag"] == pytest.approx(1 + 4 * 1.5 / 3)
    assert focus.family["undercut"] == pytest.approx(3.0)  # never met
    assert focus_on([]).family == {}
    faint = [replace(TARGET, detectability=d, found=d > 20) for d in (5.0, 10.0, 50.0, 90.0)]
    assert focus_on(faint).faint == 2.0
    assert focus_on([TARGET] * 6).faint == 1.0


@pytest.mark.parametrize(("load", "text", "says"), [
    (load_matching, "grow_along_mm = -1", "grow_along_mm"), (load_matching, "grow = 1", "grow"),
    (load_grading, "pass_share = 2", "pass_share"),
    (load_levels, "[[level]]\nnumber = 1\n", "set_up"), (load_levels, "not toml at all [", "not a TOML file"),
])
def test_changed_data_files_are_checked_key_by_key(load: object, text: str, says: str, tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ListError, match=says):
        load(path)
    with pytest.raises(ListError, match="cannot be read"):
        load(tmp_path / "none.toml")
