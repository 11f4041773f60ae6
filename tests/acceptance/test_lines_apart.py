"""Lines taken apart where no window reaches over say the same as whole lines."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rtscan.acceptance import rules_in_line
from rtscan.acceptance.items import item_of
from rtscan.acceptance.judge import judge
from rtscan.acceptance.library import load_criteria
from rtscan.acceptance.situation import Situation
from rtscan.findings import Indication, Worksheet

RING = 900.0
GIRTH = Situation(wall_mm=10.0, od_mm=RING / math.pi, weld_length_mm=RING, cap_width_mm=14.0, joint="girth", layers="multi",
                  full_girth=True, welded_from="one side", scale_uncertainty=0.01)
PLATE = replace(GIRTH, od_mm=None, joint="plate", full_girth=False)
NAMES = ("asme-viii-uw51", "aws-d1.1-static", "b31.3-normal", "api-1104@2013")


@st.composite
def rows_of_pores(draw: st.DrawFn) -> tuple[Indication, ...]:
    """Rows of pores and slag near a line or two, dense in places, some over the datum; windows of these rows are 20 to 300 mm."""
    found: list[Indication] = []
    for _ in range(draw(st.integers(1, 4))):
        start, step = draw(st.integers(0, 8999)) / 10, draw(st.integers(20, 200)) / 10
        for k in range(draw(st.integers(1, 7))):
            length = draw(st.integers(8, 60)) / 10
            kind, across_mm = draw(st.sampled_from(("2011", "3011", "4012"))), draw(st.integers(-12, 12)) / 10
            found.append(Indication(len(found) + 1, iso6520=kind, along_mm=(start + k * step) % RING, across_mm=across_mm, length_mm=length,
                                    width_mm=min(length, 2.5), length_u_mm=0.2))
    return tuple(found)


@pytest.mark.parametrize("weld", [GIRTH, PLATE], ids=["girth", "plate"])
@given(items=rows_of_pores(), name=st.sampled_from(NAMES))
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_lines_apart_say_what_whole_lines_say(weld: Situation, items: tuple[Indication, ...], name: str) -> None:
    criteria = load_criteria(name)
    apart = judge(Worksheet(indications=items), criteria, weld)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(rules_in_line, "_apart", lambda line, *_: [line])
        whole = judge(Worksheet(indications=items), criteria, weld)
    assert _without_last_bits(apart) == _without_last_bits(whole)


def _without_last_bits(sheet: Worksheet) -> Worksheet:
    """The sums of a short line gather fewer rounding errors."""
    rounded = (replace(f, measured=None if f.measured is None else round(f.measured, 9),
                       measured_u=None if f.measured_u is None else round(f.measured_u, 9)) for f in sheet.findings)
    return replace(sheet, findings=tuple(rounded))


def test_a_line_falls_apart_where_the_window_does_not_reach_and_holds_over_the_datum() -> None:
    """Gaps between ends and starts of 4, 30, 5 and, over the datum, 6 mm; a window of 20 mm."""
    at = {1: (0.0, 2.0), 2: (6.0, 10.0), 3: (40.0, 85.0), 4: (90.0, 94.0)}
    line = [replace(item_of(Indication(n, iso6520="2011")), start=start, end=end) for n, (start, end) in at.items()]
    assert [[i.ids[0] for i in part] for part in rules_in_line._apart(line, 20.0, None)] == [[1, 2], [3, 4]]
    assert [[i.ids[0] for i in part] for part in rules_in_line._apart(line, 20.0, 100.0)] == [[1, 2, 3, 4]]
    assert [[i.ids[0] for i in part] for part in rules_in_line._apart(line, 5.5, 100.0)] == [[1, 2], [3, 4]]
    assert [[i.ids[0] for i in part] for part in rules_in_line._apart(line, None, 100.0)] == [[1, 2, 3, 4]]
