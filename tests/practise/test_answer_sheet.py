"""The answer sheet: blank and back, all terms, the shapes people fill in, every mistake named."""

from __future__ import annotations

from pathlib import Path

import pytest
from openpyxl import load_workbook

from rtscan.errors import ListError
from rtscan.imperfections import by_number
from rtscan.practise.answer_sheet import FIRST, blank_csv, blank_xlsx, choices, load_terms, read_answers

FILMS = ("film-01", "film-02")
HEAD = "film,markers,film_fit,why,wire_seen,type,iso6520,along_mm,across_mm,length_mm,verdict,rule,seconds\n"


def test_blank_sheets_read_back_as_nothing_answered(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text(blank_csv(FILMS), encoding="utf-8")
    (tmp_path / "a.xlsx").write_bytes(blank_xlsx(FILMS, "iso"))
    for name in ("a.csv", "a.xlsx"):
        answers = read_answers(tmp_path / name, FILMS)
        assert [a.film for a in answers] == list(FILMS)
        assert all(a.blank for a in answers)


def test_workbook_offers_lists_and_a_filled_cell_comes_back(tmp_path: Path) -> None:
    path = tmp_path / "a.xlsx"
    path.write_bytes(blank_xlsx(FILMS, "api"))
    book = load_workbook(path)
    sheet = book["answers"]
    lists = {str(v.sqref).split("2:")[0] for v in sheet.data_validations.dataValidation}
    assert len(lists) == len(choices("api"))
    column = {cell.value: cell.column for cell in sheet[1]}
    sheet.cell(2, column["type"], "4011 IFD")
    sheet.cell(2, column["along_mm"], 120.5)
    sheet.cell(2, column["film_fit"], "yes")
    sheet.cell(2, column["wire_seen"], "W13")
    sheet.cell(3, column["type"], "too small to call")
    sheet.cell(3, column["along_mm"], 40)
    sheet.cell(2, column["verdict"], "cannot tell, second shot")
    book.save(path)
    first, second = read_answers(path, FILMS)
    assert [(m.type, m.iso6520, m.along_mm) for m in first.marks] == [("lack of side-wall fusion", "4011", 120.5), ("", "", 40.0)]
    assert (first.film_fit, first.wire_seen, first.verdict, first.too_small) == (True, 13, "review", frozenset({2}))
    assert second.blank


@pytest.mark.parametrize("terms", ["iso", "api", "plain"])
def test_every_choice_reads_back_as_its_number(terms: str, tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    rows = [f"film-01,,,,,{t.shown(terms)!r},,10,,,,,".replace("'", '"') for t in load_terms()]
    path.write_text(HEAD + "\n".join(rows) + "\n", encoding="utf-8")
    assert [m.iso6520 for m in read_answers(path, FILMS)[0].marks] == [t.iso6520 for t in load_terms()]
    assert all(by_number(t.iso6520) for t in load_terms())


def test_semicolons_decimal_commas_and_letters_alone(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    rows = "film-01.tif;complete;no;density too low;13;IF;;120,5;-4,0;14,2;unreadable;;95\n;;;;;gas pore;;40;;;;;\n"
    path.write_text(HEAD.replace(",", ";") + rows, encoding="utf-8")
    answer = read_answers(path, FILMS)[0]
    marks = [(m.iso6520, m.along_mm, m.across_mm, m.length_mm) for m in answer.marks]
    assert marks == [("4013", 120.5, -4.0, 14.2), ("2011", 40.0, None, None)]
    facts = (answer.markers, answer.film_fit, answer.why, answer.verdict, answer.seconds)
    assert facts == ("complete", False, "density too low", "unreadable", 95.0)


def test_every_mistake_is_reported_with_its_line(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text(
        HEAD + "film-01,,perhaps,,,gas pore,,40,,,,,\nfilm-09,,,,,gas pore,,40,,,,,\nfilm-02,,,,99,,,,,,,,\n"
        "film-02,,,,,gas pipe,,40,,,,,\n"
        "film-02,,,,,gas pore,,forty,,,,,\nfilm-02,,,,,,,,,,maybe,,\nfilm-02,,,,,,,,,,,,-5\n"
        "film-01,,yes,,,,,,,,,,\nfilm-01,,no,,,,,,,,,,\n",
        encoding="utf-8")
    with pytest.raises(ListError) as raised:
        read_answers(path, FILMS)
    text = str(raised.value)
    for expected in ("line 3: film \"film-09\" is not in this session", "film_fit \"perhaps\"", "wire_seen \"99\"", "gas pipe", "forty",
                     "verdict \"maybe\"", "seconds must lie", "film_fit is answered twice"):
        assert expected in text
    assert all(line.startswith(str(path)) for line in text.splitlines())


def test_a_sheet_without_films_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("type,along_mm\ngas pore,3\n", encoding="utf-8")
    with pytest.raises(ListError, match="no column film"):
        read_answers(path, FILMS)
    assert "film" in FIRST
