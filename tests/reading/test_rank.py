"""Which bar a candidate has to pass."""

from __future__ import annotations

import pytest

from rtscan.reading.net import KINDS
from rtscan.reading.rank import bar_name, model_bar


@pytest.mark.parametrize(("dark", "kind", "name"), [
    (1.0, "pore", "dark"), (1.0, "metal", "dark"), (0.0, "metal", "metal"), (0.0, "spatter", "metal"), (0.0, "excess metal", "bright"),
])
def test_soft_rises_of_the_bead_have_a_bar_of_their_own(dark: float, kind: str, name: str) -> None:
    features = {f"net_kind_{k}": 0.9 if known == kind else 0.01 for k, known in enumerate(KINDS)}
    assert bar_name(features | {"dark": dark}) == name


def test_every_bar_is_a_probability_and_soft_rises_have_the_higher_of_the_bright_ones() -> None:
    assert 0 < model_bar("dark") < 1
    assert 0 < model_bar("metal") < model_bar("bright") < 1
