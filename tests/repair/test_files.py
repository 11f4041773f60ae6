"""The files of a repair: read back from PDF and HTML, and the three commands with their exit statuses."""

from __future__ import annotations

import json
from dataclasses import replace
from html.parser import HTMLParser
from io import BytesIO
from pathlib import Path

import numpy as np
import pdfplumber
import pypdf
import pytest

from rtscan.cli.main import main
from rtscan.film import Film
from rtscan.findings import Alternative, WeldDocument, Worksheet
from rtscan.record_json import dump, from_json
from rtscan.repair.plan import make_plan
from rtscan.repair_records import RepairPlan
from rtscan.report.repair_pictures import film_print_pdf, pieces_of_film
from rtscan.report.repair_sheet import repair_sheet_html, repair_sheet_pdf
from rtscan.report.repair_words import CAUTIONS, SIGNATURES

MM = 25.4 / 72
STAMP = "Machine reading, not confirmed. Do not cut."


def _text(data: bytes) -> list[str]:
    return [" ".join(page.extract_text().split()) for page in pypdf.PdfReader(BytesIO(data)).pages]


def _film(worksheet: Worksheet) -> Film:
    """A film 200 mm long with a dark bar from station 85 to 115 mm, 20 px/mm; station 60 mm is its left end."""
    density = np.full((900, 4000), 2.0, np.float32)
    density[440:465, 500:1100] = 3.0
    return Film(worksheet.film, density, np.ones(density.shape, bool))


def _with_boxes(worksheet: Worksheet) -> Worksheet:
    slag = replace(worksheet.indications[0], bbox_px=(500.0, 440.0, 1100.0, 465.0),
                   outline_px=((500.0, 440.0), (1100.0, 440.0), (1100.0, 465.0), (500.0, 465.0)))
    return replace(worksheet, indications=(slag, *worksheet.indications[1:]))


# --- the sheet ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("units", ["mm", "in"])
def test_first_page_holds_everything_the_welder_signs_for(weld_document: WeldDocument, units: str) -> None:
    pages = _text(repair_sheet_pdf(make_plan(weld_document, units=units)))
    first = pages[0]
    for needed in ("Provisional, decide first", "No. 5 gas pore", "Repair: what bears on it", "Cut out: what bears on it",
                   "punch mark at top", "clockwise, looking downstream", "STOP: authorisation first", "nominal: check with a tape",
                   *SIGNATURES, *(name for name, _ in CAUTIONS)):
        assert needed in first, needed
    stretch = "75 to 143 mm" if units == "mm" else "2 15/16 to 5 5/8 in"
    assert stretch in first
    assert "386 to 454 mm" in first or units == "in"
    assert all(f"page {n}" in text for n, text in enumerate(pages, 1))


def test_work_pages_tell_each_stretch(weld_document: WeldDocument) -> None:
    text = " ".join(_text(repair_sheet_pdf(make_plan(weld_document)))[1:])
    for part in ("Look first", "You will find", "Take it out", "It is gone when", "Weld it back", "Do not", "Film again"):
        assert text.count(part) >= 4, part
    assert text.count("common practice, no published source; the qualified procedure goes first") == 4
    assert "as R1" in text


def test_stamp_on_every_page_of_pdf_and_on_the_page(weld_document: WeldDocument) -> None:
    plan = make_plan(replace(weld_document, reader=None))
    assert all(STAMP in text for text in _text(repair_sheet_pdf(plan)))
    assert STAMP in repair_sheet_html(plan)
    confirmed = make_plan(weld_document)
    assert not any(STAMP in text for text in _text(repair_sheet_pdf(confirmed)))
    assert STAMP not in repair_sheet_html(confirmed)


class _Texts(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.words: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        for name, value in attrs:
            assert not (name in ("src", "href") and value and not value.startswith("data:")), "the page must not load outside files"

    def handle_data(self, data: str) -> None:
        self.words.append(data)


def test_html_says_the_same_and_is_safe(weld_document: WeldDocument) -> None:
    hostile = replace(weld_document, weld=replace(weld_document.weld, name="<script>alert(1)</script>"))
    parser = _Texts()
    parser.feed(repair_sheet_html(make_plan(hostile)))
    assert "script" not in parser.tags
    text = " ".join(" ".join(parser.words).split())
    assert "<script>alert(1)</script>" in text
    for needed in ("75 to 143 mm", "386 to 454 mm", "STOP: authorisation first", *SIGNATURES):
        assert needed in text


@pytest.mark.parametrize("name", ["Große Naht <b>&", "Шов 17", "溶接", "x" * 300, ""])
def test_any_name_can_be_printed(weld_document: WeldDocument, name: str) -> None:
    plan = make_plan(replace(weld_document, weld=replace(weld_document.weld, name=name)))
    assert repair_sheet_pdf(plan).startswith(b"%PDF")
    assert "Repair sheet" in repair_sheet_html(plan)


def test_many_reviews_leave_the_table_on_the_first_page(weld_document: WeldDocument) -> None:
    review = weld_document.findings[1]
    many = tuple(replace(review, rule=f"r{n}", says=f"rule {n}: " + "the limit lies inside the uncertainty " * 5, indications=(n % 6 + 1,))
                 for n in range(30))
    pages = _text(repair_sheet_pdf(make_plan(replace(weld_document, findings=many))))
    assert "75 to 143 mm" in pages[0]
    assert "reviews open, rules" in pages[0]
    assert "Open reviews in full" in " ".join(pages[1:])
    assert "rule 29:" in " ".join(pages[1:])


def test_nothing_to_cut_is_said(weld_document: WeldDocument) -> None:
    for verdict, says in (("accept", "nothing is to be removed"), ("unreadable", "shoot it again"), ("review", "Not decided yet")):
        plan = make_plan(replace(weld_document, removal=(), verdict=verdict))
        assert says in _text(repair_sheet_pdf(plan))[0]
        assert says in repair_sheet_html(plan)


# --- pictures -------------------------------------------------------------------------------------------------------------


def test_film_piece_is_printed_at_film_size(worksheet: Worksheet) -> None:
    """The bar is 30 mm long on the film: its outline measures 30 mm on paper; the proof line 100 mm."""
    sheet = _with_boxes(worksheet)
    data = film_print_pdf(make_plan(sheet), sheet, {"W-017-1.tif": _film(sheet)})
    assert data is not None
    with pdfplumber.open(BytesIO(data)) as pdf:
        page = pdf.pages[0]
        image = page.images[0]
        wide = (image["x1"] - image["x0"]) * MM
        assert wide == pytest.approx((1100 + 600 + 1) / 20 - (500 - 600 + 100) / 20, abs=0.1)  # 30 mm before, or the film's end, and after
        outlines = [c for c in page.curves + page.rects if 29 < (c["x1"] - c["x0"]) * MM < 31]
        assert (outlines[0]["x1"] - outlines[0]["x0"]) * MM == pytest.approx(30.0, abs=0.05)
        assert any((e["x1"] - e["x0"]) * MM == pytest.approx(100.0, abs=0.01) for e in page.lines)
        assert STAMP in page.extract_text()


@pytest.mark.parametrize(("seen_from", "left"), [("outside", True), ("inside", False)])
def test_film_seen_from_inside_is_printed_mirrored(worksheet: Worksheet, seen_from: str, left: bool) -> None:
    """The bar lies 25 mm from the left end of the film and farther from the right end of the piece."""
    sheet = _with_boxes(worksheet)
    weld = replace(sheet.weld, location=replace(sheet.weld.location, seen_from=seen_from))
    sheet = replace(sheet, weld=weld)
    data = film_print_pdf(make_plan(sheet), sheet, {"W-017-1.tif": _film(sheet)})
    assert data is not None
    with pdfplumber.open(BytesIO(data)) as pdf:
        page = pdf.pages[0]
        image = page.images[0]
        bar = next(c for c in page.curves + page.rects if 29 < (c["x1"] - c["x0"]) * MM < 31)
        assert ((bar["x0"] - image["x0"]) < (image["x1"] - bar["x1"])) is left
        grey = np.frombuffer(image["stream"].get_data(), np.uint8)
        columns = grey.reshape(int(image["srcsize"][1]), int(image["srcsize"][0]), -1)[..., 0].astype(float)
        dark = columns.mean(axis=0) < columns.mean(axis=0).mean()  # denser film is darker: where the bar is
        assert bool(np.flatnonzero(dark).mean() < columns.shape[1] / 2) is left
        first_mm = np.flatnonzero(dark)[0] / columns.shape[1] * (image["x1"] - image["x0"]) * MM
        assert (bar["x0"] - image["x0"]) * MM == pytest.approx(first_mm, abs=0.2)  # the outline lies on its mark; two printed pixels
        assert ("mirrored" in page.extract_text()) is not left


def test_pieces_of_film_and_what_is_missing(worksheet: Worksheet) -> None:
    sheet = _with_boxes(worksheet)
    plan = make_plan(sheet)
    assert [p.indication for p in pieces_of_film(plan, sheet, {"W-017-1.tif": _film(sheet)})] == [1]
    assert pieces_of_film(plan, sheet, {}) == ()
    assert "no pictures" in " ".join(_text(repair_sheet_pdf(plan, (), ("W-017-1.tif is not beside the sheet: no pictures of its marks.",))))


# --- the commands ---------------------------------------------------------------------------------------------------------


def _saved(document: Worksheet | WeldDocument, path: Path) -> str:
    path.write_text(dump(document), encoding="utf-8")
    return str(path)


def test_repair_writes_all_files(weld_document: WeldDocument, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sheet = _saved(weld_document, tmp_path / "W-017.weld.json")
    assert main(["repair", sheet, "--circumference-mm", "530", "--out", str(tmp_path / "out")]) == 0
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == [
        "W-017.repair.html", "W-017.repair.json", "W-017.repair.pdf", "W-017.strip-downstream.svg", "W-017.strip-upstream.svg",
        "W-017.strips.pdf"]
    told = capsys.readouterr()
    assert "4 stretches" in told.out
    assert "No film is named" in told.err
    record = json.loads((tmp_path / "out" / "W-017.repair.json").read_text())
    assert record["schema"] == "rtscan/repair/1"
    assert record["circumference_mm"] == 530.0
    assert from_json(record, RepairPlan) == make_plan(weld_document, 530.0)


def test_repair_on_letter_with_inches(weld_document: WeldDocument, tmp_path: Path) -> None:
    sheet = _saved(weld_document, tmp_path / "W.weld.json")
    assert main(["repair", sheet, "--units", "in", "--out", str(tmp_path)]) == 0
    page = pypdf.PdfReader(tmp_path / "W.repair.pdf").pages[0]
    assert [round(float(v) / 72, 2) for v in page.mediabox[2:]] == [8.5, 11.0]


@pytest.mark.parametrize(("content", "options", "says"), [
    (None, [], "cannot be read"), ("{", [], "is not JSON"), ('{"schema": "rtscan/key/1"}', [], "expected rtscan/worksheet/1"),
    ("sheet", ["--circumference-mm", "60"], "not that of this weld"), ("sheet", ["--circumference-mm", "nan"], "Invalid value"),
    ("sheet", ["--practice", "missing.toml"], "cannot be read"),
])
def test_repair_refuses_in_one_line(
    weld_document: WeldDocument, tmp_path: Path, capsys: pytest.CaptureFixture[str], content: str | None, options: list[str], says: str
) -> None:
    path = tmp_path / "W.weld.json"
    if content is not None:
        path.write_text(dump(weld_document) if content == "sheet" else content, encoding="utf-8")
    assert main(["repair", str(path), *options, "--out", str(tmp_path / "out")]) == 2
    told = capsys.readouterr().err.strip()
    assert told.startswith("error: ")
    assert says in told
    assert "\n" not in told
    assert not (tmp_path / "out").exists()


def test_own_practice_changes_lengths_and_notes(weld_document: WeldDocument, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    import rtscan.repair

    own = (Path(rtscan.repair.__file__).parent / "practice.toml").read_text(encoding="utf-8")
    path = tmp_path / "own.toml"
    path.write_text(own.replace("beyond_ends_mm = 10.0", "beyond_ends_mm = 20.0"), encoding="utf-8")
    sheet = _saved(weld_document, tmp_path / "W.weld.json")
    assert main(["repair", sheet, "--practice", str(path), "--out", str(tmp_path)]) == 0
    assert json.loads((tmp_path / "W.repair.json").read_text())["stretches"][0]["from_mm"] == pytest.approx(65.0)
    path.write_text(own.replace("end_taper = 4.0", "end_tapper = -4.0"), encoding="utf-8")
    capsys.readouterr()
    assert main(["repair", sheet, "--practice", str(path), "--out", str(tmp_path)]) == 2
    told = capsys.readouterr().err
    assert "settings.end_taper" in told
    assert "settings.end_tapper" in told


def test_depth_prints_and_fills_in(worksheet: Worksheet, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """d = b t / (a + b) with a 100, t 600: a shift of -0.8 mm against a marker 2 mm above the film is 4.75 mm above the marker."""
    first = replace(worksheet, indications=worksheet.indications[1:])
    moved = tuple(replace(i, along_mm=(i.along_mm or 0.0) - 0.8) for i in first.indications)
    a, b = _saved(first, tmp_path / "A.worksheet.json"), _saved(replace(first, indications=moved), tmp_path / "B.worksheet.json")
    numbers = ["--shift-mm", "100", "--source-to-film-mm", "600", "--marker-side", "film"]
    assert main(["depth", a, b, *numbers, "--out", str(tmp_path / "out")]) == 0
    assert "No. 2 (No. 2 on the second film): 4.7 mm from the film side, 2.4 mm from the source side" in capsys.readouterr().out
    filled = json.loads((tmp_path / "out" / "A.worksheet.json").read_text())["indications"][0]
    assert filled["depth_mm"] == pytest.approx(4.74, abs=0.01)
    assert filled["depth_u_mm"] > 1
    assert main(["depth", a, b, *numbers, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["from_film_side_mm"] == pytest.approx(4.74, abs=0.01)
    assert main(["depth", a, b, *numbers, "--out", str(tmp_path)]) == 2
    assert "would be replaced" in capsys.readouterr().err


def test_depth_wants_worksheets(weld_document: WeldDocument, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    a = _saved(weld_document, tmp_path / "W.weld.json")
    assert main(["depth", a, a, "--shift-mm", "100", "--source-to-film-mm", "600", "--marker-side", "film"]) == 2
    assert "is a weld document" in capsys.readouterr().err


def test_compare_prints(weld_document: WeldDocument, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    after = replace(weld_document, indications=weld_document.indications[3:5], removal=(4,), verdict="reject", verdict_says="one mark left")
    before = _saved(weld_document, tmp_path / "before.weld.json")
    assert main(["compare", before, _saved(after, tmp_path / "after.weld.json")]) == 0
    told = capsys.readouterr().out
    assert "gone: No. 1 linear slag inclusion at 100 mm, 30.0 mm long, was to be removed" in told
    assert "still there: No. 4 continuous undercut at 400 mm, 60.0 mm long, was to be removed; now No. 4" in told
    assert "NOT everything that was to be removed is gone" in told
    assert "verdict before: reject; after: reject (one mark left)" in told


def test_doubt_about_a_crack_reaches_the_paper(weld_document: WeldDocument) -> None:
    pore = replace(weld_document.indications[1], alternatives=(Alternative("crack", "100", 0.08),))
    document = replace(weld_document, indications=(pore,), removal=(2,), findings=())
    assert "may be a crack (8%)" in " ".join(_text(repair_sheet_pdf(make_plan(document))))
