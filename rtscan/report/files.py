"""The five files of one film's reading."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
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
    earlier = picture.read_bytes() if film is None and picture.is_file() else None
    with ThreadPoolExecutor(1) as beside:  # all lettering on pictures stays in one thread: the fonts are shared
        allowed = [beside.submit(_refuse_signed, sheet.with_suffix(ending), worksheet) for ending in (".csv", ".xlsx")]
        book = beside.submit(workbook_bytes, worksheet, units)
        drawn = beside.submit(png_bytes, draw_annotated(film, worksheet, units)) if film is not None else None
        table = write_csv(worksheet.indications, worksheet.reader).encode()
        page = worksheet_html(worksheet, film, units, earlier).encode(errors="replace")
        for one in allowed:
            one.result()
        parts = [(picture, drawn.result())] if drawn is not None else []
        parts += [(sheet.with_suffix(".csv"), table), (sheet.with_suffix(".html"), page), (sheet.with_suffix(".xlsx"), book.result())]
    for path, data in parts:
        write_bytes(path, data)
    write_text(sheet, text)
    return (*(path for path, _ in parts), sheet)


def _refuse_signed(path: Path, worksheet: Worksheet) -> None:
    name = signed_by(path) if path.exists() else ""
    if name and (worksheet.reader is None or worksheet.reader.name != name):
        what = f"was signed by {name} and not judged since; judge it with rtscan judge, or choose another folder with --out"
        raise OutputError(str(path), what)
