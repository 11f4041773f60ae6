"""The five files of one film's reading."""

from __future__ import annotations

from pathlib import Path

from rtscan.film import Film
from rtscan.findings import Worksheet
from rtscan.record_json import dump
from rtscan.record_lists import write_csv
from rtscan.report.annotate import draw_annotated
from rtscan.report.ink import png_bytes
from rtscan.report.workbook import workbook_bytes
from rtscan.report.worksheet import worksheet_html
from rtscan.writing import write_bytes, write_text


def write_worksheet_files(worksheet: Worksheet, film: Film | None, out_dir: Path, stem: str, units: str = "mm") -> tuple[Path, ...]:
    """Writes `STEM.worksheet.csv`, `.html`, `.xlsx`, `STEM.annotated.png` and last `STEM.worksheet.json`, each whole or not at all.

    Without a film (a worksheet judged again) there is no picture, and one that is there already is left alone. Returns the
    paths written. Raises OutputError; ListError for a number that is not finite, before anything is written.
    """
    text = dump(worksheet)
    canvas = draw_annotated(film, worksheet, units) if film is not None else None
    sheet = out_dir / f"{stem}.worksheet.json"
    parts: list[tuple[Path, bytes]] = [(out_dir / f"{stem}.annotated.png", png_bytes(canvas))] if canvas is not None else []
    parts += [
        (sheet.with_suffix(".csv"), write_csv(worksheet.indications, worksheet.reader).encode()),
        (sheet.with_suffix(".html"), worksheet_html(worksheet, film, units).encode(errors="replace")),
        (sheet.with_suffix(".xlsx"), workbook_bytes(worksheet, units)),
    ]
    for path, data in parts:
        write_bytes(path, data)
    write_text(sheet, text)
    return (*(path for path, _ in parts), sheet)
