"""The set on one page and in tables: set.json, set.csv, set.xlsx, set.html."""

from __future__ import annotations

import base64
import csv
import io
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from rtscan import __version__
from rtscan.filmset import charts
from rtscan.filmset.tally import Rate, SetWeld, by_date, by_length, by_welder, type_counts
from rtscan.filmset.welds import ReadFilm
from rtscan.findings import WeldDocument
from rtscan.record_json import to_json
from rtscan.record_lists.table_files import neutralised
from rtscan.writing import timeless_workbook, write_bytes, write_text

SCHEMA = "rtscan/set/1"
THUMBNAIL_PX = 440
Row = dict[str, Any]


def film_rows(films: Sequence[ReadFilm]) -> list[Row]:
    """One row per film page; a film that could not be read has one row that says why."""
    rows: list[Row] = []
    for film in films:
        start = {"file": film.row.file, "weld": film.row.weld, "segment": film.row.film, "shot": film.row.shot,
                 "date": film.row.date.isoformat() if film.row.date else ""}
        if not film.sheets:
            rows.append({**start, "page": None, "verdict": "failed", "says": film.outcome.message, "readable": None, "indications": None,
                         "rejected": None, "worksheet": "", "confirmed_by": ""})
        for sheet, name in zip(film.sheets, film.outcome.sheets, strict=True):
            rows.append({**start, "weld": film.row.weld or sheet.weld.name, "page": sheet.film.page, "verdict": sheet.verdict,
                         "says": sheet.verdict_says, "readable": sheet.quality.readable, "indications": len(sheet.indications),
                         "rejected": sum(i.result == "reject" for i in sheet.indications), "worksheet": name,
                         "confirmed_by": sheet.reader.name if sheet.reader else ""})
    return rows


def weld_rows(welds: Sequence[SetWeld]) -> list[Row]:
    """One row per weld."""
    return [{
        "weld": d.weld.name, "verdict": d.verdict, "unverified": d.verdict_unverified, "says": d.verdict_says, "date": weld.date,
        "films": [Path(f.film.file).name for f in d.films], "covered_mm": d.covered_mm, "gaps": [[g.from_mm, g.to_mm] for g in d.gaps],
        "indications": len(d.indications), "removal": list(d.removal), "welders": [list(pair) for pair in weld.welders],
    } for weld in welds for d in (weld.document,)]


def write_summary(films: Sequence[ReadFilm], welds: Sequence[SetWeld], out: Path, title: str) -> None:
    """Writes set.json, set.csv, set.xlsx and set.html. The same set gives the same files."""
    rows, joined = film_rows(films), weld_rows(welds)
    write_text(out / "set.json", json.dumps(_as_json(rows, joined, welds), indent=1, allow_nan=False) + "\n")
    write_text(out / "set.csv", _csv(rows))
    write_bytes(out / "set.xlsx", _xlsx(films, rows, joined, welds))
    write_text(out / "set.html", _html(films, rows, joined, welds, out, title))


def _as_json(rows: list[Row], joined: list[Row], welds: Sequence[SetWeld]) -> Row:
    def plain(rates: Sequence[Rate]) -> list[Row]:
        return [to_json(rate) for rate in rates]

    return {
        "schema": SCHEMA, "tool": f"rtscan {__version__}", "films": rows, "welds": joined,
        "types": dict(type_counts([i for weld in welds for i in weld.document.indications])),
        "reject_rate_by_welder": plain(by_welder(welds)), "reject_rate_by_length": plain(by_length(welds)),
        "reject_rate_by_date": plain(by_date(welds)),
    }


def _csv(rows: list[Row]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    names = list(rows[0])
    writer.writerow(names)
    writer.writerows([_cell(row[name]) for name in names] for row in rows)
    return text.getvalue()


def _cell(value: Any) -> Any:
    """A table cell: lists joined, text neutralised against formulas."""
    if isinstance(value, list):
        value = "; ".join("–".join(f"{v:.1f}" if isinstance(v, float) else str(v) for v in item) if isinstance(item, list) else str(item)
                          for item in value)
    return neutralised(value) if isinstance(value, str) else value


def _xlsx(films: Sequence[ReadFilm], rows: list[Row], joined: list[Row], welds: Sequence[SetWeld]) -> bytes:
    from openpyxl import Workbook

    book = Workbook(write_only=True)
    indications = [{"weld": w.document.weld.name, **_flat(to_json(i))} for w in welds for i in w.document.indications]
    findings = [{"weld": w.document.weld.name, **_flat(to_json(f))} for w in welds for f in w.document.findings]
    quality = [{"file": film.row.file, "page": sheet.film.page, **_flat(to_json(check))}
               for film in films for sheet in film.sheets for check in sheet.quality.checks]
    for name, table in (("films", rows), ("welds", joined), ("indications", indications), ("findings", findings), ("quality", quality)):
        sheet = book.create_sheet(name)
        sheet.freeze_panes = "A2"
        if table:
            names = list(table[0])
            sheet.append(names)
            for row in table:
                sheet.append([_cell(row[key]) for key in names])
    data = io.BytesIO()
    book.save(data)
    return timeless_workbook(data.getvalue())


def _flat(record: Row) -> Row:
    """The plain values of a record; pictures' coordinates and inner records stay in the JSON."""
    return {key: value for key, value in record.items() if not isinstance(value, dict) and not key.endswith("_px")
            and key not in ("alternatives", "nearest")}


def _html(films: Sequence[ReadFilm], rows: list[Row], joined: list[Row], welds: Sequence[SetWeld], out: Path, title: str) -> str:
    from jinja2 import Environment, PackageLoader, StrictUndefined
    from markupsafe import Markup

    pages = Environment(loader=PackageLoader("rtscan.filmset"), autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    documents = [weld.document for weld in welds]
    counts = type_counts([i for d in documents for i in d.indications])
    drawn = {"pareto": charts.pareto(counts) if counts else "", "welders": _drawn_rates(by_welder(welds)),
             "lengths": _drawn_rates(by_length(welds)), "trend": charts.trend(dated) if (dated := by_date(welds)) else ""}
    criteria = sorted({f"{d.criteria.title} {d.criteria.edition}".strip() for d in documents if d.criteria})
    return pages.get_template("set.html").render(
        title=title, tool=f"rtscan {__version__}", criteria=", ".join(criteria), unverified=any(d.verdict_unverified for d in documents),
        welds=[{**_weld_view(d), "map": Markup(charts.weld_map(d))} for d in documents],
        films=[{**row, "name": row["file"] if row["page"] in (None, 1) else f"{row['file']}#{row['page']}",
                "indications": "" if row["indications"] is None else row["indications"], "thumbnail": _thumbnail(out, row["worksheet"])}
               for row in rows],
        **{name: Markup(drawing) for name, drawing in drawn.items()},
    )


def _drawn_rates(rows: Sequence[Rate]) -> str:
    return charts.rates(rows) if rows else ""


def _weld_view(document: WeldDocument) -> Row:
    return {
        "name": document.weld.name, "verdict": document.verdict, "unverified": document.verdict_unverified, "says": document.verdict_says,
        "films": [Path(f.film.file).name for f in document.films],
        "covered": "" if document.covered_mm is None else f"{document.covered_mm:.0f}",
        "gaps": "; ".join(f"{g.from_mm:.0f}–{g.to_mm:.0f}" for g in document.gaps), "indications": len(document.indications),
        "removal": len(document.removal), "history": document.history,
    }


def _thumbnail(out: Path, worksheet: str) -> str:
    """The annotated picture, small, as a data URI; empty when there is none."""
    picture = out / (worksheet.rpartition(".worksheet.")[0] + ".annotated.png")
    if not worksheet or not picture.exists():
        return ""
    from PIL import Image

    with Image.open(picture) as image:
        image.thumbnail((THUMBNAIL_PX, THUMBNAIL_PX))
        small = io.BytesIO()
        image.convert("RGB").save(small, "JPEG", quality=70)
    return "data:image/jpeg;base64," + base64.b64encode(small.getvalue()).decode()
