"""The worksheet as one HTML page that needs nothing else: pictures inside, nothing from the network, made for paper."""

from __future__ import annotations

import base64
from dataclasses import dataclass
from functools import cache
from typing import Any

from rtscan.film import Film
from rtscan.findings import Indication, Worksheet
from rtscan.report.annotate import draw_figure
from rtscan.report.crops import crop
from rtscan.report.ink import SCHEME, jpeg_bytes, plain
from rtscan.report.sheet_facts import about, check_row, finding_numbers, graded, group_row, heading_facts
from rtscan.report.words import cautions, criteria_words, length_text, place_words, reader_words, size_words

_MOST_CROPS = 60
_MOST_FINDINGS = 300
_CROP = (264, 150)
_PAGE_SHARE = 0.75


@dataclass(frozen=True)
class _Row:
    """One line of the indications table, as texts. `crop` is a data address or empty, `tick_share` its tick as a share of the width."""

    id: int
    result: str
    letter: str
    crop: str
    tick_share: float
    tick_says: str
    type: str
    iso6520: str
    confidence: str
    alternatives: str
    place: str
    size: str
    details: str
    why: str
    note: str


def worksheet_html(worksheet: Worksheet, film: Film | None, units: str = "mm") -> str:
    """The page. Without a film it has no pictures; every text from outside is escaped."""
    order = {result: rank for rank, result in enumerate(SCHEME)}
    indications = sorted(worksheet.indications, key=lambda i: (order[i.result], i.id))
    findings = graded(worksheet.findings)
    figure = draw_figure(film, worksheet, units) if film is not None else None
    return str(_template().render(
        sheet=worksheet, units=units, title=_title(worksheet), heading=heading_facts(worksheet, units),
        criteria=criteria_words(worksheet.criteria),
        cautions=cautions(worksheet), reader=reader_words(worksheet), verdict_letter=SCHEME[_of(worksheet)].letter,
        figure=_data_address(jpeg_bytes(figure)) if figure is not None else "",
        figure_tall=figure is not None and figure.shape[0] > _PAGE_SHARE * figure.shape[1],
        rows=[_row(i, film if place < _MOST_CROPS else None, units) for place, i in enumerate(indications)],
        findings=[(place, f, about(f), *finding_numbers(f)) for place, f in findings[:_MOST_FINDINGS]],
        findings_left_out=max(0, len(findings) - _MOST_FINDINGS),
        groups=[group_row(g, units) for g in worksheet.groups], checks=[check_row(c) for c in worksheet.quality.checks],
        objects=_objects(worksheet), letters={result: scheme.letter for result, scheme in SCHEME.items()},
    ))


def _of(worksheet: Worksheet) -> str | None:
    return worksheet.verdict if worksheet.verdict in SCHEME else "cannot judge"


def _title(worksheet: Worksheet) -> str:
    return plain(f"Reader sheet – weld {worksheet.weld.name or 'without a name'} – {worksheet.film.file}")


def _row(indication: Indication, film: Film | None, units: str) -> _Row:
    picture, tick_share, tick_says = "", 0.0, ""
    if film is not None and indication.bbox_px is not None:
        piece = crop(film, indication.bbox_px, *_CROP, units)
        picture, tick_share, tick_says = _data_address(jpeg_bytes(piece.grey, 85)), piece.tick_px / _CROP[0], piece.tick_says
    return _Row(
        indication.id, indication.result or "not judged", SCHEME[indication.result].letter, picture, tick_share, tick_says,
        indication.type or "not known", indication.iso6520,
        f"{indication.confidence:.0%}" if indication.confidence is not None else "",
        ", ".join(f"{a.type} {a.confidence:.0%}" for a in indication.alternatives),
        place_words(indication, units), _size(indication, units), _details(indication, units), indication.why, indication.note,
    )


def _size(indication: Indication, units: str) -> str:
    if indication.length_mm is None:
        return size_words(indication, units)
    length = length_text(indication.length_mm, units, indication.length_u_mm, unit=False)
    width = length_text(indication.width_mm, units, indication.width_u_mm, unit=False)
    return f"{length} × {width} {units}"


def _details(indication: Indication, units: str) -> str:
    lengths = (("local width", indication.local_width_mm, None), ("height", indication.height_mm, indication.height_u_mm),
               ("depth", indication.depth_mm, indication.depth_u_mm))
    parts = [f"{name} {length_text(value, units, doubt)}" for name, value, doubt in lengths if value is not None]
    if indication.angle_deg is not None and abs(indication.angle_deg) >= 5:
        parts.append(f"angle {indication.angle_deg:.0f}°")
    parts += [f"{name} {value}" for name, value in (("side", indication.side), ("wall", indication.wall), ("surface", indication.surface),
                                                     ("run", indication.run), ("group", indication.group)) if value]
    if indication.nearest is not None:
        parts.append(f"{length_text(indication.nearest.gap_mm, units)} from {indication.nearest.id}")
    return ", ".join(parts)


def _objects(worksheet: Worksheet) -> str:
    counts: dict[str, list[str]] = {}
    for mark in worksheet.objects:
        counts.setdefault(mark.kind, []).append(mark.says)
    parts = []
    for kind, says in counts.items():
        named = ", ".join(dict.fromkeys(s for s in says if s))
        parts.append(f"{len(says)} × {kind}" + (f" ({named})" if named else ""))
    return "; ".join(parts) or "none"


def _data_address(jpeg: bytes) -> str:
    return "data:image/jpeg;base64," + base64.b64encode(jpeg).decode("ascii")


@cache
def _template() -> Any:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    loader = PackageLoader("rtscan.report", "templates")
    return Environment(loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True).get_template(
        "worksheet.html.j2")
