"""Strips read back from the PDF: where the ink is, in millimetres on paper."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from io import BytesIO
from typing import Any

import pdfplumber
import pytest

from rtscan.findings import LocationFacts, WeldDocument
from rtscan.repair.plan import make_plan
from rtscan.report.drawing import RED, Path
from rtscan.report.strip import PAPERS, draw_strip, from_toe_mm, sides, strip_svg, strips_pdf

MM = 25.4 / 72
EXACT_MM = 0.2  # the issue's own demand; the drawing itself is exact, PDF numbers have six digits


def _on(document: WeldDocument, od_mm: float) -> WeldDocument:
    return replace(document, weld=replace(document.weld, od_mm=od_mm, length_mm=None))


@dataclass(frozen=True)
class Piece:
    """One piece of a strip on paper; all in mm from its left edge. `ticks` are the centimetre ticks, `numbers` (value, x)."""

    side: str
    ticks: tuple[float, ...]
    numbers: tuple[tuple[int, float], ...]
    glue_line: float | None
    closing: float | None


def _pieces(pdf: pdfplumber.PDF) -> list[Piece]:
    return [_piece(page, word) for page in pdf.pages for word in page.extract_words(keep_blank_chars=True)
            if re.match(r"\w+ side, piece \d", word["text"])]


def _piece(page: pdfplumber.page.Page, name: dict[str, Any]) -> Piece:
    left, low = name["x0"] * MM, name["top"] * MM + 1
    inside = [e for e in page.lines if low - 42 < e["top"] * MM and e["bottom"] * MM < low and abs(e["x0"] - e["x1"]) < 0.01]
    long = [e for e in inside if (e["bottom"] - e["top"]) * MM == pytest.approx(4.2, abs=0.05)]
    middle = (long[0]["top"] + long[0]["bottom"]) / 2
    words = [w for w in page.extract_words() if re.fullmatch(r"\d+", w["text"]) and abs((w["top"] + w["bottom"]) / 2 - middle) * MM < 4.5]
    across = [e for e in inside if (e["bottom"] - e["top"]) * MM > 38]
    # 0.9 mm wide are the 0 line and the closing line, dashed the glue lines.
    red = [e["x0"] * MM - left for e in across if e["linewidth"] * MM == pytest.approx(0.9, abs=0.01)]
    glue = [e["x0"] * MM - left for e in across if e["dash"] and e["dash"][0]]
    return Piece(
        name["text"].split()[0],
        tuple(sorted(e["x0"] * MM - left for e in long)),
        tuple(sorted((int(w["text"]), w["x0"] * MM - left) for w in words)),
        glue[0] if glue else None,
        max((x for x in red if x > 1), default=None),
    )


@pytest.mark.parametrize(("od_mm", "paper"), [
    (60.3, "A4"), (60.3, "Letter"), (168.3, "A4"), (168.3, "Letter"), pytest.param(610.0, "A4", marks=pytest.mark.slow),
])
def test_ticks_and_closing_length_on_paper(weld_document: WeldDocument, od_mm: float, paper: str) -> None:
    """Every centimetre tick lies where its number says, over all pieces glued at their lines, and the closing line at pi x OD."""
    with pdfplumber.open(BytesIO(strips_pdf(make_plan(_on(weld_document, od_mm)), paper))) as pdf:
        assert {(round(p.width * MM, 1), round(p.height * MM, 1)) for p in pdf.pages} == {PAPERS[paper]}
        pieces = _pieces(pdf)
    for side in ("upstream", "downstream"):
        origin, seen, closing = 0.0, set(), 0.0
        for piece in (p for p in pieces if p.side == side):
            assert all(abs(origin + t - 10 * round((origin + t) / 10)) < EXACT_MM for t in piece.ticks)
            for number, x in piece.numbers:
                tick = min(piece.ticks, key=lambda t: abs(t + 0.4 - x))
                assert abs(origin + tick - number) < EXACT_MM
                seen.add(number)
            closing = origin + piece.closing if piece.closing is not None else closing
            origin += piece.glue_line or 0.0
        assert seen >= set(range(0, int(math.pi * od_mm) - 4, 10))
        assert closing == pytest.approx(math.pi * od_mm, abs=EXACT_MM)


def test_proof_line_is_100_mm_on_every_page(weld_document: WeldDocument) -> None:
    with pdfplumber.open(BytesIO(strips_pdf(make_plan(_on(weld_document, 168.3)), "Letter"))) as pdf:
        for page in pdf.pages:
            flat = [e for e in page.lines if abs(e["top"] - e["bottom"]) < 0.01 and e["top"] > page.height * 0.9]
            assert any((e["x1"] - e["x0"]) * MM == pytest.approx(100.0, abs=0.01) for e in flat)


def test_strip_edge_is_the_toe_on_the_right_side(weld_document: WeldDocument) -> None:
    """Clockwise looking downstream, seen from outside with downstream up: numbers grow to the right, so upstream lies below the weld."""
    expected = {("clockwise", "downstream"): True, ("anticlockwise", "downstream"): False,
                ("clockwise", "upstream"): False, ("anticlockwise", "upstream"): True}
    for (direction, looking), upstream_below in expected.items():
        location = replace(weld_document.weld.location, direction=direction, looking=looking)
        plan = make_plan(replace(weld_document, weld=replace(weld_document.weld, location=location)))
        upstream, downstream = sides(plan)
        assert (upstream.name, downstream.name) == ("upstream", "downstream")
        # A strip below the weld touches it with its upper edge.
        assert upstream.toe_on_top is upstream_below
        assert downstream.toe_on_top is not upstream_below


def test_sides_without_direction_are_hands(weld_document: WeldDocument) -> None:
    plan = make_plan(replace(weld_document, weld=replace(weld_document.weld, location=LocationFacts(datum="punch"))))
    assert [s.name for s in sides(plan)] == ["right", "left"]
    slag = next(i for s in plan.stretches for i in s.items if i.indication == 1)
    # 2.5 mm to the right of the growing station as seen on the film, which was seen from outside; cap 12 mm.
    assert [from_toe_mm(slag, plan, side) for side in sides(plan)] == pytest.approx([3.5, 8.5])
    inside = replace(weld_document.weld, location=LocationFacts(datum="punch", seen_from="inside"))
    plan = make_plan(replace(weld_document, weld=inside))
    slag = next(i for s in plan.stretches for i in s.items if i.indication == 1)
    assert [from_toe_mm(slag, plan, side) for side in sides(plan)] == pytest.approx([8.5, 3.5])


def test_side_not_known_on_a_double_image_says_so(weld_document: WeldDocument) -> None:
    marks = tuple(replace(i, side=None, wall="film") for i in weld_document.indications)
    plan = make_plan(replace(weld_document, indications=marks))
    slag = next(i for s in plan.stretches for i in s.items if i.indication == 1)
    assert from_toe_mm(slag, plan, sides(plan)[0]) is None
    assert "side not known" in strip_svg(plan, sides(plan)[0])


def test_distance_from_the_toe(weld_document: WeldDocument) -> None:
    """Cap 12 mm: 2.5 mm upstream of the centre is 3.5 mm in from the upstream toe and 8.5 mm from the other."""
    plan = make_plan(weld_document)
    slag = next(i for s in plan.stretches for i in s.items if i.indication == 1)
    upstream, downstream = sides(plan)
    assert from_toe_mm(slag, plan, upstream) == pytest.approx(3.5)
    assert from_toe_mm(slag, plan, downstream) == pytest.approx(8.5)


def test_svg_is_true_to_scale_and_the_same_drawing(weld_document: WeldDocument) -> None:
    plan = make_plan(weld_document, circumference_mm=530.0)
    svg = strip_svg(plan, sides(plan)[0])
    size = re.search(r'width="([\d.]+)mm" height="([\d.]+)mm" viewBox="0 0 ([\d.]+) ([\d.]+)"', svg)
    assert size is not None
    assert float(size[1]) == float(size[3]) == pytest.approx(530.0 + 14.0)
    ticks = {round(float(m[1]), 3) for m in re.finditer(r'points="([\d.]+),0 \1,4\.2"', svg)}
    assert ticks == {float(k) for k in range(0, 531, 10)}
    assert "closes at 530.0 mm" in svg


def test_taped_circumference_moves_the_stretches_and_hours_in_proportion(weld_document: WeldDocument) -> None:
    nominal, taped = make_plan(weld_document), make_plan(weld_document, circumference_mm=533.0)
    scale = 533.0 / (math.pi * 168.3)
    assert [s.items[0].from_mm for s in taped.stretches] == pytest.approx([s.items[0].from_mm * scale for s in nominal.stretches])
    assert taped.hours[3].station_mm == pytest.approx(533.0 / 4)
    assert [s.middle.clock for s in taped.stretches] == [s.middle.clock for s in nominal.stretches]


def test_unconfirmed_stamp_is_on_every_page_and_on_the_svg(weld_document: WeldDocument) -> None:
    plan = make_plan(replace(weld_document, reader=None))
    with pdfplumber.open(BytesIO(strips_pdf(plan))) as pdf:
        assert all("Machine reading, not confirmed. Do not cut." in page.extract_text() for page in pdf.pages)
    assert "Machine reading, not confirmed. Do not cut." in strip_svg(plan, sides(plan)[1])
    assert "not confirmed" not in strip_svg(make_plan(weld_document), sides(plan)[1])


def test_stretch_over_the_datum_shows_at_both_ends(weld_document: WeldDocument) -> None:
    drawing = draw_strip(make_plan(weld_document), sides(make_plan(weld_document))[0])
    boxes = [e for e in drawing.elements if isinstance(e, Path) and e.closed and e.stroke == RED and e.width_mm == 0.5]
    outlines = [[x for x, _ in e.points] for e in boxes]
    spans = sorted((min(xs), max(xs)) for xs in outlines)
    assert spans[0] == pytest.approx((0.0, 21.27), abs=0.01)
    assert spans[-1] == pytest.approx((500.0, math.pi * 168.3), abs=0.01)
