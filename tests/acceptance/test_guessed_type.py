"""A type that is little more than a guess neither accepts nor rejects by itself."""

from __future__ import annotations

import pytest

from rtscan.acceptance.judge import judge
from rtscan.acceptance.library import load_criteria
from rtscan.acceptance.situation import Situation
from rtscan.findings import Alternative, Indication, Worksheet

SITUATION = Situation(wall_mm=12.0, weld_length_mm=600.0, cap_width_mm=14.0)


def judged(confidence: float, *others: tuple[str, str, float]) -> str | None:
    alternatives = tuple(Alternative(name, number, share) for name, number, share in others)
    mark = Indication(1, "dark", "branching crack", "106", confidence, alternatives, along_mm=60.0, across_mm=0.0, length_mm=1.7,
                      width_mm=0.6, local_width_mm=0.6, angle_deg=40.0, surface="no")
    return judge(Worksheet(indications=(mark,)), load_criteria("api-1104@2013"), SITUATION).indications[0].result


@pytest.mark.parametrize(("confidence", "result"), [
    (0.95, "reject"),  # sure
    (0.48, "reject"),  # 0.48 + 0.06 of another crack: 0.54 is known, and all of it rejects
    (0.40, "review"),  # 0.46 is known: the pore below the usual 0.10 counts, and a pore of this size is acceptable
])
def test_where_little_is_known_every_alternative_counts(confidence: float, result: str) -> None:
    assert judged(confidence, ("transverse crack", "102", 0.06), ("gas pore", "2011", 0.09)) == result
