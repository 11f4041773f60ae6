"""The worksheet as one HTML page that needs nothing else: pictures inside, nothing from the network, made for paper."""

from __future__ import annotations

import base64
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np

from rtscan.film import Film
from rtscan.findings import Indication, Worksheet
from rtscan.report.annotate import draw_figure
from rtscan.report.crop_sheet import box_on, draw_brackets
from rtscan.report.crops import crop
from rtscan.report.ink import SCHEME, jpeg_bytes, plain
from rtscan.report.sheet_facts import about, check_row, file_name, finding_numbers, graded, group_row, heading_facts, rule_words
from rtscan.report.words import cautions, criteria_words, length_text, place_parts, reader_words, size_words

_MOST_CROPS = 60
_MOST_FINDINGS = 300
_CROP = (264, 150)
_BRACKET = 13
_LEAST_ALTERNATIVE = 0.05
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
    place: list[str]
    size: list[str]
    why: str
    note: str


def worksheet_html(worksheet: Worksheet, film: Film | None, units: str = "mm", earlier_png: bytes | None = None) -> str:
    """The page; every text from outside is escaped.

    Without a film it has no crops, and its picture is `earlier_png`, the annotated image of the first reading, said to be that.
    """
    order = {result: rank for rank, result in enumerate(SCHEME)}
    indications = sorted(worksheet.indications, key=lambda i: (order[i.result], i.id))
    findings = graded(worksheet.findings)
    figure = draw_figure(film, worksheet, units) if film is not None else None
    return str(_template().render(
        sheet=worksheet, units=units, title=_title(worksheet), heading=heading_facts(worksheet, units),
        criteria=criteria_words(worksheet.criteria),
        cautions=cautions(worksheet), reader=reader_words(worksheet),
        verdict_letter=SCHEME[worksheet.verdict].letter if worksheet.verdict in SCHEME else "",
        figure=_data_address(jpeg_bytes(figure)) if figure is not None else _data_address(earlier_png, "png") if earlier_png else "",
        figure_tall=bool(earlier_png) if figure is None else figure.shape[0] > _PAGE_SHARE * figure.shape[1],
        figure_is_earlier=figure is None, crops=figure is not None,
        rows=[_row(i, film if place < _MOST_CROPS else None, units) for place, i in enumerate(indications)],
        findings=[(place, f, about(f), rule_words(f), *finding_numbers(f)) for place, f in findings[:_MOST_FINDINGS]],
        findings_left_out=max(0, len(findings) - _MOST_FINDINGS),
        groups=[group_row(g, units) for g in worksheet.groups], checks=[check_row(c) for c in worksheet.quality.checks],
        objects=_objects(worksheet), letters={result: scheme.letter for result, scheme in SCHEME.items()},
    ))


def _title(worksheet: Worksheet) -> str:
    return plain(f"Reader sheet – weld {worksheet.weld.name or 'without a name'} – {file_name(worksheet.film.file)}")


def _row(indication: Indication, film: Film | None, units: str) -> _Row:
    picture, tick_share, tick_says = "", 0.0, ""
    box = box_on(film, indication) if film is not None else None
    if film is not None and box is not None:
        piece = crop(film, box, *_CROP, units)
        canvas = np.repeat(piece.grey[..., None], 3, axis=2)
        draw_brackets(canvas, piece, box, SCHEME[indication.result], _BRACKET)
        picture, tick_share, tick_says = _data_address(jpeg_bytes(canvas)), piece.tick_px / _CROP[0], piece.tick_says
    return _Row(
        indication.id, indication.result or "not judged", SCHEME[indication.result].letter, picture, tick_share, tick_says,
        indication.type or "not known", indication.iso6520,
        f"{indication.confidence:.0%}" if indication.confidence is not None else "",
        ", ".join(f"{a.type} {a.confidence:.0%}" for a in indication.alternatives if a.confidence >= _LEAST_ALTERNATIVE),
        place_parts(indication, units), _size(indication, units), indication.why, indication.note,
    )


def _size(indication: Indication, units: str) -> list[str]:
    """Every measured quantity on its own line."""
    lengths = (("long", indication.length_mm, indication.length_u_mm), ("wide", indication.width_mm, indication.width_u_mm),
               ("local width", indication.local_width_mm, None), ("high", indication.height_mm, indication.height_u_mm),
               ("deep", indication.depth_mm, indication.depth_u_mm))
    parts = [f"{length_text(value, units, doubt)} {name}" for name, value, doubt in lengths if value is not None]
    if indication.length_mm is None:
        parts.insert(0, size_words(indication, units))
    if indication.angle_deg is not None and abs(indication.angle_deg) >= 5:
        parts.append(f"turned {indication.angle_deg:.0f}°".replace("-", "−"))
    parts += [f"{name} {value}" for name, value in (("side", indication.side), ("wall", indication.wall), ("surface", indication.surface),
                                                     ("run", indication.run), ("group", indication.group)) if value]
    if indication.nearest is not None:
        parts.append(f"{length_text(indication.nearest.gap_mm, units)} from {indication.nearest.id}")
    return parts


def _objects(worksheet: Worksheet) -> str:
    counts: dict[str, list[str]] = {}
    for mark in worksheet.objects:
        counts.setdefault(mark.kind, []).append(mark.says)
    parts = []
    for kind, says in counts.items():
        named = ", ".join(dict.fromkeys(s for s in says if s))
        parts.append(f"{len(says)} × {kind}" + (f" ({named})" if named else ""))
    return "; ".join(parts) or "none"


def _data_address(picture: bytes, kind: str = "jpeg") -> str:
    return f"data:image/{kind};base64," + base64.b64encode(picture).decode("ascii")


@cache
def _template() -> Any:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    loader = PackageLoader("rtscan.report", "templates")
    return Environment(loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True).get_template(
        "worksheet.html.j2")
