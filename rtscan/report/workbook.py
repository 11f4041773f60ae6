"""The worksheet as an XLSX workbook in which a reader may rename, measure anew, remove, add, close reviews and sign.

Sheets: indications (the contract's columns), findings, reader, film. `rtscan judge` reads the first three back.
"""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from typing import Any

from rtscan.findings import Finding, Worksheet
from rtscan.imperfections import IMPERFECTIONS
from rtscan.reader_changes import FINDINGS_SHEET, INDICATIONS_SHEET, READER_SHEET
from rtscan.record_lists import COLUMNS, neutralised, written
from rtscan.report.sheet_facts import about, check_row, file_name, finding_numbers, group_row, heading_facts
from rtscan.report.words import cautions, criteria_words, reader_words
from rtscan.writing import timeless_workbook

_SPARE_ROWS = 40
_OPEN = ("review", "cannot judge")
_FINDINGS_HEADING = ("no", "result", "about", "says", "measured", "limit", "rule", "clause", "unverified", "reader_result", "reader_note")
_WIDTHS = {"id": 5, "type": 24, "iso6520": 9, "surface": 10, "tone": 8, "wall": 9, "group": 8, "run": 7, "note": 34, "result": 13}
_FINDING_WIDTHS = (5, 13, 16, 62, 16, 12, 14, 16, 11, 14, 34)
_CHOICES = {
    "tone": "dark,bright", "wall": "film,source,unknown", "mismatch": "true,false", "darker_than_parent": "true,false",
    "result": "accept,reject,review,cannot judge",
}
_HELP = ("Change type, sizes or place; delete or clear a row to remove an indication; write new ones below (leave id blank). Sizes in mm. "
         "Close reviews on the sheet 'findings', sign on the sheet 'reader', save, then: rtscan judge THIS_FILE --criteria NAME")


def workbook_bytes(worksheet: Worksheet, units: str = "mm") -> bytes:
    """The workbook of one film's worksheet. Lengths in its tables are mm, as in the CSV; the sheet 'film' follows `units`."""
    import openpyxl

    book = openpyxl.Workbook()
    looks = _looks()
    _indications(book.active, worksheet, looks)
    _findings(book.create_sheet(FINDINGS_SHEET), worksheet, looks)
    _reader(book.create_sheet(READER_SHEET), worksheet, looks)
    _film(book.create_sheet("film"), worksheet, units, looks)
    _terms(book.create_sheet("terms"))
    file = io.BytesIO()
    book.save(file)
    return timeless_workbook(file.getvalue())


def _looks() -> dict[str, Any]:
    from openpyxl.styles import Alignment, Border, Font, PatternFill, Protection, Side

    line = Side(style="thin", color="999999")
    return {
        "title": Font(bold=True, size=14), "bold": Font(bold=True), "small": Font(size=9, color="555555"),
        "head": PatternFill("solid", fgColor="D9E1E8"), "open": PatternFill("solid", fgColor="FFF2CC"),
        "box": Border(left=line, right=line, top=line, bottom=line), "free": Protection(locked=False),
        "wrap": Alignment(wrap_text=True, vertical="top"), "middle": Alignment(wrap_text=True, vertical="center", horizontal="center"),
    }


def _title(sheet: Any, worksheet: Worksheet, looks: dict[str, Any], help_text: str) -> int:
    """Title, verdict and help above a table; returns the row of the table's heading."""
    name = worksheet.weld.name or "without a name"
    unverified = " (unverified limit)" if worksheet.verdict_unverified else ""
    for row, (text, font) in enumerate((
        (f"Weld {name}, film {file_name(worksheet.film.file)}", looks["title"]),
        (f"{worksheet.verdict.upper()}{unverified}: {worksheet.verdict_says}", looks["bold"]),
        (help_text, looks["small"]),
    ), 1):
        _put(sheet, row, 1, text).font = font
    return 5


def _put(sheet: Any, row: int, column: int, value: object) -> Any:
    """Writes a cell; a text stays a text whatever it begins with."""
    cell = sheet.cell(row, column)
    if value not in (None, ""):
        cell.value = neutralised(value) if isinstance(value, str) else value
    return cell


def _head(sheet: Any, row: int, names: Sequence[str], widths: Sequence[float], looks: dict[str, Any]) -> None:
    from openpyxl.utils import get_column_letter

    for column, (name, width) in enumerate(zip(names, widths, strict=True), 1):
        cell = _put(sheet, row, column, name)
        cell.font, cell.fill, cell.border, cell.alignment = looks["bold"], looks["head"], looks["box"], looks["middle"]
        sheet.column_dimensions[get_column_letter(column)].width = width
    sheet.row_dimensions[row].height = 32
    sheet.freeze_panes = sheet.cell(row + 1, 1)
    sheet.print_title_rows = f"{row}:{row}"


def _page(sheet: Any, landscape: bool = True) -> None:
    """One page wide, with the file's name and page numbers below; protected without a password against a slip of the hand."""
    sheet.page_setup.orientation = "landscape" if landscape else "portrait"
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    sheet.page_margins.left = sheet.page_margins.right = 0.4
    sheet.oddFooter.left.text, sheet.oddFooter.right.text = "&F, &A", "&P of &N"
    sheet.protection.sheet = True
    for allowed in ("deleteRows", "insertRows", "formatColumns", "formatRows", "formatCells", "sort", "autoFilter"):
        setattr(sheet.protection, allowed, False)


def _indications(sheet: Any, worksheet: Worksheet, looks: dict[str, Any]) -> None:
    sheet.title = INDICATIONS_SHEET
    head = _title(sheet, worksheet, looks, _HELP)
    _head(sheet, head, tuple(COLUMNS), [_WIDTHS.get(name, 10.0) for name in COLUMNS], looks)
    last = head + len(worksheet.indications) + _SPARE_ROWS
    for row, indication in enumerate(worksheet.indications, head + 1):
        for column, name in enumerate(COLUMNS, 1):
            sheet.cell(row, column).value = indication.id if name == "id" else written(getattr(indication, name))
    _free(sheet, head + 1, last, range(1, len(COLUMNS) + 1), looks)
    _free_beyond(sheet, len(COLUMNS) + 1, looks)
    _choices(sheet, head + 1, last)
    for name in ("area_mm2", "length_u_mm", "width_u_mm", "height_u_mm"):
        sheet.column_dimensions[_letter(name)].outlineLevel = 1
    _page(sheet)


def _free(sheet: Any, first: int, last: int, columns: Iterable[int], looks: dict[str, Any]) -> None:
    """Unlocks and frames a block of cells; the style is made once and shared."""
    model = sheet.cell(first, 1)
    model.protection, model.border, model.alignment = looks["free"], looks["box"], looks["wrap"]
    shared = model._style
    for column in columns:
        for row in range(first, last + 1):
            sheet.cell(row, column)._style = shared


def _free_beyond(sheet: Any, first: int, looks: dict[str, Any]) -> None:
    """Unlocks all further columns: a row can only be deleted from a protected sheet when none of its cells is locked."""
    from openpyxl.utils import get_column_letter
    from openpyxl.worksheet.dimensions import ColumnDimension

    rest = ColumnDimension(sheet, index=get_column_letter(first), min=first, max=16384, width=9)
    rest.protection = looks["free"]
    sheet.column_dimensions[get_column_letter(first)] = rest


def _letter(name: str) -> str:
    from openpyxl.utils import get_column_letter

    return str(get_column_letter(list(COLUMNS).index(name) + 1))


def _choices(sheet: Any, first: int, last: int) -> None:
    """Drop-down lists; the types come from the sheet 'terms'."""
    from openpyxl.worksheet.datavalidation import DataValidation

    sources = {"type": f"terms!$A$2:$A${len(IMPERFECTIONS) + 1}"} | {name: f'"{words}"' for name, words in _CHOICES.items()}
    for name, source in sources.items():
        validation = DataValidation(type="list", formula1=source, allow_blank=True, showErrorMessage=True)
        validation.error = "Choose an entry of the list" + (", or clear the cell and give the number in iso6520." * (name == "type"))
        validation.add(f"{_letter(name)}{first}:{_letter(name)}{last}")
        sheet.add_data_validation(validation)


def _findings(sheet: Any, worksheet: Worksheet, looks: dict[str, Any]) -> None:
    from openpyxl.worksheet.datavalidation import DataValidation

    head = _title(sheet, worksheet, looks, "Only the yellow cells are yours: close an open review with accept or reject and say why.")
    _head(sheet, head, _FINDINGS_HEADING, _FINDING_WIDTHS, looks)
    answers = DataValidation(type="list", formula1='"accept,reject"', allow_blank=True, showErrorMessage=True)
    closed = {c.finding: c for c in worksheet.reader.closed} if worksheet.reader else {}
    for place, finding in enumerate(worksheet.findings):
        row = head + 1 + place
        _finding_row(sheet, row, place, finding, looks)
        if place in closed:
            _put(sheet, row, 10, closed[place].result)
            _put(sheet, row, 11, closed[place].note)
        if finding.result in _OPEN or place in closed:
            answers.add(sheet.cell(row, 10).coordinate)
            for column in (10, 11):
                sheet.cell(row, column).fill, sheet.cell(row, column).protection = looks["open"], looks["free"]
    sheet.add_data_validation(answers)
    _page(sheet)


def _finding_row(sheet: Any, row: int, place: int, finding: Finding, looks: dict[str, Any]) -> None:
    measured, limit = finding_numbers(finding)
    values = (place + 1, finding.result, about(finding), finding.says, measured, limit, finding.rule, finding.clause,
              "unverified" if finding.unverified else "")
    for column, value in enumerate(values, 1):
        cell = _put(sheet, row, column, value)
        cell.alignment, cell.border = looks["wrap"], looks["box"]


def _reader(sheet: Any, worksheet: Worksheet, looks: dict[str, Any]) -> None:
    reader = worksheet.reader
    rows = [("name", reader.name if reader else ""), ("level", reader.level if reader else ""), ("date", reader.date if reader else "")]
    _put(sheet, 1, 1, "Signing confirms the reading as it stands in this workbook.").font = looks["small"]
    for row, (name, value) in enumerate(rows, 3):
        _put(sheet, row, 1, name).font = looks["bold"]
        cell = _put(sheet, row, 2, value)
        cell.fill, cell.border, cell.protection = looks["open"], looks["box"], looks["free"]
    _put(sheet, 7, 1, reader_words(worksheet))
    for row, text in enumerate((*(reader.changed if reader else ()), *cautions(worksheet)), 8):
        _put(sheet, row, 1, text).font = looks["small"]
    sheet.column_dimensions["A"].width, sheet.column_dimensions["B"].width = 14, 40
    _page(sheet, landscape=False)


def _film(sheet: Any, worksheet: Worksheet, units: str, looks: dict[str, Any]) -> None:
    head = _title(sheet, worksheet, looks, criteria_words(worksheet.criteria))
    row = head
    for name, value in heading_facts(worksheet, units):
        _put(sheet, row, 1, name).font = looks["bold"]
        _put(sheet, row, 2, value).alignment = looks["wrap"]
        row += 1
    tables: tuple[tuple[Sequence[str], list[tuple[str, ...]]], ...] = (
        (("quality check", "measured", "limit", "result", "clause", "remark"), [check_row(c) for c in worksheet.quality.checks]),
        (("group", "kind", "type", "iso6520", "members", "sizes"), [group_row(g, units) for g in worksheet.groups]),
    )
    for names, lines in tables:
        row += 1
        for line in ([names, *lines] if lines else []):
            for column, text in enumerate(line, 1):
                cell = _put(sheet, row, column, text)
                cell.border, cell.alignment = looks["box"], looks["wrap"]
                if line is names:
                    cell.font, cell.fill = looks["bold"], looks["head"]
            row += 1
    for letter, width in zip("ABCDEF", (30, 30, 20, 14, 26, 46), strict=True):
        sheet.column_dimensions[letter].width = width
    _page(sheet)


def _terms(sheet: Any) -> None:
    for row, (term, number) in enumerate((("type", "iso6520"), *((i.term, i.iso6520) for i in IMPERFECTIONS)), 1):
        _put(sheet, row, 1, term)
        _put(sheet, row, 2, number)
    sheet.column_dimensions["A"].width = 46
    sheet.protection.sheet = True
