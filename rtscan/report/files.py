"""The five files of one film's reading."""

from __future__ import annotations

from pathlib import Path

from rtscan.errors import OutputError
from rtscan.film import Film
from rtscan.findings import Worksheet
from rtscan.reader_changes import signed_by
from rtscan.record_json import dump
from rtscan.record_lists import write_csv
from rtscan.report.annotate import draw_annotated
from rtscan.report.ink import png_bytes
from rtscan.report.workbook import workbook_bytes
from rtscan.report.worksheet import worksheet_html
from rtscan.writing import write_bytes, write_text


def write_worksheet_files(worksheet: Worksheet, film: Film | None, out_dir: Path, stem: str, units: str = "mm") -> tuple[Path, ...]:
    """Writes `STEM.worksheet.csv`, `.html`, `.xlsx`, `STEM.annotated.png` and last `STEM.worksheet.json`, each whole or not at all.

    Without a film (a worksheet judged again) no picture is drawn; one that is there already is kept and shown as first read.
    Returns the paths written. Raises OutputError, also when a reader has signed a CSV or XLSX that would be written over and that
    was not judged since; ListError for a number that is not finite. Nothing is written then.
    """
    text = dump(worksheet)
    sheet, picture = out_dir / f"{stem}.worksheet.json", out_dir / f"{stem}.annotated.png"
    for path in (sheet.with_suffix(".csv"), sheet.with_suffix(".xlsx")):
        _refuse_signed(path, worksheet)
    png = png_bytes(draw_annotated(film, worksheet, units)) if film is not None else None
    earlier = picture.read_bytes() if film is None and picture.is_file() else None
    parts: list[tuple[Path, bytes]] = [(picture, png)] if png is not None else []
    parts += [
        (sheet.with_suffix(".csv"), write_csv(worksheet.indications, worksheet.reader).encode()),
        (sheet.with_suffix(".html"), worksheet_html(worksheet, film, units, earlier).encode(errors="replace")),
        (sheet.with_suffix(".xlsx"), workbook_bytes(worksheet, units)),
    ]
    for path, data in parts:
        write_bytes(path, data)
    write_text(sheet, text)
    return (*(path for path, _ in parts), sheet)


def _refuse_signed(path: Path, worksheet: Worksheet) -> None:
    name = signed_by(path) if path.exists() else ""
    if name and (worksheet.reader is None or worksheet.reader.name != name):
        what = f"was signed by {name} and not judged since; judge it with rtscan judge, or choose another folder with --out"
        raise OutputError(str(path), what)
