"""The five files of a reading: page, workbook, list, JSON and picture."""

from __future__ import annotations

import base64
from collections.abc import Callable
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import openpyxl
import pytest

from rtscan import findings as say
from rtscan.errors import ListError, OutputError
from rtscan.film import Film
from rtscan.reader_changes import open_for_judging
from rtscan.record_json import load_document
from rtscan.report.files import write_worksheet_files
from rtscan.report.sheet_facts import finding_numbers, graded, heading_facts, rule_words
from rtscan.report.words import CAUTION, NOT_CONFIRMED, NOT_SIGNED, UNVERIFIED, length_text, place_parts, size_words
from rtscan.report.worksheet import worksheet_html

MakeSheet = Callable[..., say.Worksheet]
MakeFilm = Callable[[say.Worksheet], Film]
VOID = {"meta", "img", "br"}


class Page(HTMLParser):
    """Tags, attributes and text of a page; fails on a tag that is not closed in order."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.feed(html)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text += data + " "


def test_the_page_needs_nothing_else_and_runs_nothing(make_sheet: MakeSheet, make_film: MakeFilm) -> None:
    sheet = make_sheet(7)
    page = Page(worksheet_html(sheet, make_film(sheet)))
    allowed = "html head meta title style body h1 h2 p div span strong em br ul li table thead tbody tr th td figure img i b footer"
    assert {tag for tag, _ in page.tags} <= set(allowed.split())
    addresses = [a["src"] for tag, a in page.tags if tag == "img"]
    assert len(addresses) == 8  # the film and seven crops
    assert all(address and address.startswith("data:image/jpeg;base64,") for address in addresses)
    assert not any(name in a for _, a in page.tags for name in ("href", "onload", "onerror", "srcset"))
    assert all("url(" not in (a.get("style") or "") for _, a in page.tags)


NASTY = "\"><script>alert(1)</script>{{ 7*7 }}{% for %}&amp;\u202e\x00\udce9"


def test_texts_from_outside_stay_texts(make_sheet: MakeSheet) -> None:
    sheet = make_sheet(2)
    first = replace(sheet.indications[0], type=NASTY, why=NASTY, note=NASTY, clock=NASTY, group=NASTY, run=NASTY)
    sheet = replace(
        sheet, indications=(first,), verdict_says=NASTY, tool=NASTY, segment=NASTY, film=replace(sheet.film, file=NASTY, warnings=(NASTY,)),
        findings=(replace(sheet.findings[0], says=NASTY, rule=NASTY, clause=NASTY),),
        quality=say.Quality(True, (say.Check(NASTY, "pass", says=NASTY),)), reader=say.Reader(NASTY, NASTY, NASTY, (NASTY,)),
        weld=replace(sheet.weld, name=NASTY, welders=(NASTY,)), objects=(say.ObjectMark("letter", (0.0, 0.0, 1.0, 1.0), NASTY),),
    )
    page = Page(worksheet_html(sheet, None).encode(errors="replace").decode())
    assert "script" not in {tag for tag, _ in page.tags}
    assert page.text.count("{{ 7*7 }}") >= 12
    assert "49" not in page.text.replace("0.49", "")


@pytest.mark.parametrize("count", [0, 7])
def test_the_page_says_what_a_reader_sheet_must(make_sheet: MakeSheet, count: int) -> None:
    sheet = make_sheet(count)
    text = " ".join(Page(worksheet_html(sheet, None)).text.split())
    for word in ("Line or spool", "W-017", "Segment 0-1", "Shot R1", "Welders A1, B2", "168.3 mm × 7.1 mm", "DWSI", "Density 2.6, pass",
                 "Wire not assessed", "Reader", "Level", "Date", "Signature", "ISO 10675-1 level 2", sheet.verdict_says, CAUTION,
                 NOT_CONFIRMED, UNVERIFIED):
        assert word in text, word
    assert ("No indications found" in text) == (count == 0)
    for indication in sheet.indications:
        assert indication.why in text
    for finding in sheet.findings:
        assert finding.says in text
    assert ("To be removed to make the weld acceptable: 1, 6" in text) == (count > 0)
    assert text.count("unverified") >= 1 + sum(f.unverified for f in sheet.findings)


def test_a_confirmed_sheet_names_its_reader(make_sheet: MakeSheet) -> None:
    sheet = replace(make_sheet(2), reader=say.Reader("A. Reader", "II", "2026-05-04", ("indication 1 renamed",)))
    text = " ".join(Page(worksheet_html(sheet, None)).text.split())
    assert NOT_CONFIRMED not in text
    assert "Read by A. Reader, level II, 2026-05-04" in text
    assert "indication 1 renamed" in text


def test_words_in_both_units() -> None:
    """1 in = 25.4 mm by definition."""
    one = say.Indication(1, length_mm=25.4, width_mm=2.54, along_mm=50.8, across_mm=-12.7, clock="3:25")
    assert size_words(one, "mm") == "25.4 × 2.5 mm"
    assert size_words(one, "in") == "1.000 × 0.100 in"
    assert place_parts(one, "in") == ["at 2.000 in (3:25)", "across −0.500"]
    assert length_text(25.4, "mm", 0.25) == "25.4 ± 0.2 mm"
    assert length_text(None, "mm") == "–"
    assert size_words(say.Indication(1, length_px=30.4, width_px=3.0), "mm") == "30 × 3 px (no scale)"
    assert place_parts(say.Indication(1), "mm") == []
    assert place_parts(say.Indication(1, centre_px=(1234.4, 56.6)), "mm") == ["at pixel 1234, 57"]
    assert length_text(-0.42, "mm") == "−0.42 mm"


def test_findings_are_told_gravest_first_with_their_own_number(make_sheet: MakeSheet) -> None:
    numbers = [(place, finding.result) for place, finding in graded(make_sheet(5).findings)]
    assert numbers == [(1, "reject"), (2, "review"), (3, "cannot judge"), (4, "accept"), (5, "accept")]


def test_a_hand_list_claims_nothing_about_a_film() -> None:
    """Nothing is known of a film that the list does not name: blank lines to write on, and nobody read it by machine."""
    sheet = say.Worksheet(indications=(say.Indication(1, type="gas pore", iso6520="2011"),))
    assert {text for name, text in heading_facts(sheet, "mm")} == {""}
    text = Page(worksheet_html(sheet, None)).text
    assert NOT_SIGNED in text
    assert NOT_CONFIRMED not in text
    facts = dict(heading_facts(replace(sheet, film=say.FilmFacts("a.tif")), "mm"))
    assert (facts["Scale"], facts["Density"], facts["Wire"], facts["Shot"]) == ("unknown", "not calibrated", "not seen", "first shot")


def test_numbers_of_findings() -> None:
    finding = say.Finding("9.3", "accept", "", "9.3", measured=14.0, measured_u=0.0, limit=50.0)
    assert finding_numbers(finding) == ("14.00 mm", "50 mm")
    assert finding_numbers(replace(finding, measured_u=0.0625, measured=0.5, limit=0.0625, unit="in")) == ("0.500 ± 0.062 in", "0.0625 in")
    assert finding_numbers(replace(finding, measured=None, limit=None)) == ("–", "–")
    assert (rule_words(finding), rule_words(replace(finding, clause="9.3 a"))) == ("9.3", "9.3, 9.3 a")


# --- files ------------------------------------------------------------------------------------------------------------------


def test_all_files_are_written(make_sheet: MakeSheet, make_film: MakeFilm, tmp_path: Path) -> None:
    sheet = make_sheet(6)
    written = write_worksheet_files(sheet, make_film(sheet), tmp_path / "out", "f")
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == [
        "f.annotated.png", "f.worksheet.csv", "f.worksheet.html", "f.worksheet.json", "f.worksheet.xlsx"]
    assert sorted(written) == sorted((tmp_path / "out").iterdir())
    assert load_document(tmp_path / "out" / "f.worksheet.json").indications[0].id == 1


def test_without_a_film_the_picture_is_left_alone(make_sheet: MakeSheet, tmp_path: Path) -> None:
    (tmp_path / "f.annotated.png").write_bytes(b"kept")
    write_worksheet_files(make_sheet(2), None, tmp_path, "f")
    assert (tmp_path / "f.annotated.png").read_bytes() == b"kept"


def test_a_worksheet_judged_again_shows_the_first_picture_and_says_so(make_sheet: MakeSheet, make_film: MakeFilm, tmp_path: Path) -> None:
    sheet = make_sheet(2)
    write_worksheet_files(sheet, make_film(sheet), tmp_path, "f")
    write_worksheet_files(replace(sheet, reader=say.Reader("A. Reader")), None, tmp_path, "f")
    page = Page((tmp_path / "f.worksheet.html").read_text(encoding="utf-8"))
    (address,) = [a["src"] for tag, a in page.tags if tag == "img"]
    assert address is not None
    assert base64.b64decode(address.split(",")[1]) == (tmp_path / "f.annotated.png").read_bytes()
    assert "The picture is that of the first reading" in page.text


@pytest.mark.parametrize("suffix", [".csv", ".xlsx"])
def test_a_signed_sheet_is_not_written_over(make_sheet: MakeSheet, tmp_path: Path, suffix: str) -> None:
    """Only the worksheet that carries the same reader, which is the one judged from it, may take its place."""
    sheet = make_sheet(2)
    signed = replace(sheet, reader=say.Reader("A. Reader"))
    write_worksheet_files(signed, None, tmp_path, "f")
    for path in tmp_path.iterdir():
        if path.suffix != suffix:
            path.unlink()
    before = (tmp_path / f"f.worksheet{suffix}").read_bytes()
    with pytest.raises(OutputError, match=r"signed by A\. Reader"):
        write_worksheet_files(sheet, None, tmp_path, "f")
    assert [p.read_bytes() for p in tmp_path.iterdir()] == [before]
    write_worksheet_files(signed, None, tmp_path, "f")
    assert (tmp_path / "f.worksheet.json").exists()


def test_a_number_that_is_none_writes_nothing(make_sheet: MakeSheet, tmp_path: Path) -> None:
    sheet = make_sheet(1)
    broken = replace(sheet, indications=(replace(sheet.indications[0], length_mm=float("nan")),))
    with pytest.raises(ListError):
        write_worksheet_files(broken, None, tmp_path, "f")
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_cannot_be_made_is_a_clear_error(make_sheet: MakeSheet, tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file")
    with pytest.raises(OutputError):
        write_worksheet_files(make_sheet(1), None, tmp_path / "out", "f")


def heading_row(sheet: openpyxl.worksheet.worksheet.Worksheet) -> dict[str, int]:
    """Row and columns of a table's heading in the workbook."""
    for row in sheet.iter_rows(min_row=1, max_row=10):
        names = {str(cell.value): cell.column for cell in row if cell.value}
        if "rule" in names or "iso6520" in names:
            return names | {"row": row[0].row}
    raise AssertionError("no heading")


@pytest.fixture
def workbook(make_sheet: MakeSheet, tmp_path: Path) -> Path:
    """A written worksheet with a nasty note; gives the path of its workbook."""
    sheet = make_sheet(6)
    write_worksheet_files(sheet, None, tmp_path, "f")
    return tmp_path / "f.worksheet.xlsx"


def test_an_untouched_workbook_changes_nothing(workbook: Path) -> None:
    assert open_for_judging(workbook) == load_document(workbook.with_suffix(".json"))


def test_a_reader_works_in_the_workbook(workbook: Path) -> None:
    """Renames 1, measures 4 anew, deletes 6, adds one, closes the open review of finding 2, signs; as the sheets' own words tell."""
    book = openpyxl.load_workbook(workbook)
    sheet = book["indications"]
    at = heading_row(sheet)
    first = at["row"] + 1
    sheet.cell(first, at["type"]).value = "slag inclusion"
    sheet.cell(first + 3, at["length_mm"]).value = 4
    sheet.delete_rows(first + 5)
    sheet.cell(first + 5, at["iso6520"]).value = 2011
    sheet.cell(first + 5, at["along_mm"]).value = 77.5
    sheet.cell(first + 5, at["length_mm"]).value = "1,5"
    answers = book["findings"]
    columns = heading_row(answers)
    answers.cell(columns["row"] + 2, columns["reader_result"]).value = "accept"
    answers.cell(columns["row"] + 2, columns["reader_note"]).value = "seen on the film"
    for row, value in ((3, "A. Reader"), (4, "II"), (5, "2026-05-04")):
        book["reader"].cell(row, 2).value = value
    book.save(workbook)
    read = open_for_judging(workbook)
    assert [(i.id, i.type) for i in read.indications if i.id in (1, 7)] == [(1, "slag inclusion"), (7, "gas pore")]
    assert {i.id for i in read.indications} == {1, 2, 3, 4, 5, 7}
    assert next(i for i in read.indications if i.id == 4).length_mm == 4.0
    assert read.reader is not None
    assert (read.reader.name, read.reader.level, read.reader.date) == ("A. Reader", "II", "2026-05-04")
    assert read.reader.closed == (say.Closed(1, "accept", "seen on the film"),)
    assert len(read.reader.changed) == 5


@pytest.mark.parametrize(("answer", "closed", "told"), [
    ("accept", (say.Closed(1, "accept", "seen"),), ()),
    ("reject", (say.Closed(1, "reject", "seen"),), ("review of rule 9.3.2 on indication 2 closed: reject; seen",)),
    (None, (), ("review of rule 9.3.2 on indication 2 opened again",)),
])
def test_an_answered_review_can_be_left_changed_or_opened_again(
    make_sheet: MakeSheet, tmp_path: Path, answer: str | None, closed: tuple[say.Closed, ...], told: tuple[str, ...]
) -> None:
    """As a worksheet is after it was judged again: the answered finding is no longer a review but carries the reader's result."""
    sheet = make_sheet(3)
    settled = replace(sheet.findings[1], result="accept")
    reader = say.Reader("A. Reader", closed=(say.Closed(1, "accept", "seen"),))
    write_worksheet_files(replace(sheet, findings=(sheet.findings[0], settled, sheet.findings[2]), reader=reader), None, tmp_path, "f")
    book = openpyxl.load_workbook(tmp_path / "f.worksheet.xlsx")
    at = heading_row(book["findings"])
    cell = book["findings"].cell(at["row"] + 2, at["reader_result"])
    assert (cell.value, cell.protection.locked) == ("accept", False)
    cell.value = answer
    book.save(tmp_path / "f.worksheet.xlsx")
    read = open_for_judging(tmp_path / "f.worksheet.xlsx")
    assert read.reader is not None
    assert (read.reader.closed, read.reader.changed) == (closed, told)


def test_the_workbook_of_another_reading_is_refused(workbook: Path, make_sheet: MakeSheet) -> None:
    book = openpyxl.load_workbook(workbook)
    columns = heading_row(book["findings"])
    book["findings"].cell(columns["row"] + 2, columns["reader_result"]).value = "accept"
    book["findings"].cell(columns["row"] + 2, columns["rule"]).value = "some other rule"
    book.save(workbook)
    with pytest.raises(ListError, match="does not belong"):
        open_for_judging(workbook)


def test_no_cell_is_a_formula_and_headings_are_locked(workbook: Path) -> None:
    book = openpyxl.load_workbook(workbook)
    assert all(cell.data_type != "f" for sheet in book for row in sheet.iter_rows() for cell in row)
    sheet = book["indications"]
    at = heading_row(sheet)
    assert sheet.protection.sheet
    assert sheet.cell(at["row"], at["type"]).protection.locked
    assert not sheet.cell(at["row"] + 1, at["type"]).protection.locked
    assert not sheet.cell(at["row"] + 30, at["type"]).protection.locked  # rows to write on
    assert any(f"{sheet.cell(at['row'] + 1, at['type']).coordinate}" in str(v.sqref) for v in sheet.data_validations.dataValidation)
    note = [sheet.cell(row, at["note"]).value for row in range(at["row"] + 1, at["row"] + 7)]
    assert "'=1+1 <b>by eye</b>" in note
