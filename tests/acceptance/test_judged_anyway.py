"""A film judged past a failed quality check says so, also when it is judged again."""

from __future__ import annotations

from rtscan.acceptance.judge import judge
from rtscan.acceptance.library import load_criteria
from rtscan.acceptance.situation import Situation
from rtscan.findings import Check, Quality, Worksheet


def test_a_waived_failure_stamps_every_verdict() -> None:
    thin = Check("least density", "fail", required=False, waived=True)
    sheet = Worksheet(quality=Quality(True, (thin,)))
    situation = Situation(wall_mm=8.0, weld_length_mm=500.0)
    judged = judge(sheet, load_criteria("api-1104@2013"), situation)
    assert judged.verdict == "accept"
    assert judged.verdict_says.startswith("JUDGED ANYWAY although the film may not be judged (least density): not a valid result.")
    assert judge(judged, load_criteria("api-1104@2013"), situation).verdict_says == judged.verdict_says
