"""Counts and rates of a set against published intervals."""

from __future__ import annotations

import pytest

from rtscan.filmset.tally import SetWeld, by_date, by_length, by_welder, rate_of, type_counts
from rtscan.findings import Indication, WeldDocument, WeldFacts


def weld(verdict: str, *, welder: str = "A1", day: str = "2026-05-04", removal: tuple[float, ...] = (), covered: float = 528.0) -> SetWeld:
    marks = tuple(Indication(k, along_mm=along, length_mm=10.0, angle_deg=0.0, type="gas pore") for k, along in enumerate(removal, start=1))
    document = WeldDocument(weld=WeldFacts("W"), verdict=verdict, indications=marks, removal=tuple(m.id for m in marks), covered_mm=covered)
    return SetWeld(document, (("root", welder),), day)


@pytest.mark.parametrize(("rejected", "of", "low", "high"), [
    # R. G. Newcombe, Statistics in Medicine 17 (1998) 857, Table I, method 3 (Wilson score without continuity correction), from memory;
    # they also follow from the formula of the score interval to the four digits printed.
    (81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718),
])
def test_wilson_interval(rejected: int, of: int, low: float, high: float) -> None:
    rate = rate_of("x", rejected, of)
    assert (rate.low, rate.high) == (pytest.approx(low, abs=5e-5), pytest.approx(high, abs=5e-5))  # the table prints four decimals


def test_two_films_blame_nobody() -> None:
    rate = rate_of("A1 (root)", 2, 2)
    assert rate.rate == 1.0
    assert rate.low < 0.35


def test_undecided_welds_do_not_count() -> None:
    rates = by_welder([weld("accept"), weld("reject"), weld("review"), weld("unreadable")])
    assert [(r.name, r.rejected, r.of) for r in rates] == [("A1 (root)", 1, 2)]


def test_rate_by_length_counts_the_sections_that_must_be_opened() -> None:
    # 95 to 105 mm touches two sections of 100 mm; 528 mm are six sections.
    rates = by_length([weld("reject", removal=(100.0,)), weld("accept", welder="B2")])
    assert {r.name: (r.rejected, r.of) for r in rates} == {"A1 (root)": (2, 6), "B2 (root)": (0, 6), "all welds": (2, 12)}


def test_dates_in_order() -> None:
    assert [r.name for r in by_date([weld("accept", day="2026-06-01"), weld("reject", day="2026-05-04"), weld("accept", day="")])] == [
        "2026-05-04", "2026-06-01"]


def test_types_commonest_first() -> None:
    assert type_counts([Indication(1, type="b"), Indication(2, type="a"), Indication(3, type="b"), Indication(4)]) == (
        ("b", 2), ("a", 1), ("not named", 1))
