"""The files of one repair plan."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from rtscan.film import Film
from rtscan.findings import WeldDocument, Worksheet
from rtscan.record_json import dump
from rtscan.repair_records import RepairPlan
from rtscan.report.repair_pictures import can_be_laid_on, film_print_pdf, pieces_of_film
from rtscan.report.repair_sheet import repair_sheet_html, repair_sheet_pdf
from rtscan.report.strip import sides, strip_svg, strips_pdf
from rtscan.writing import write_bytes, write_text


def write_repair_files(
    plan: RepairPlan, document: Worksheet | WeldDocument, films: Mapping[str, Film], missing: Sequence[str], out_dir: Path, stem: str,
    paper: str,
) -> tuple[Path, ...]:
    """Writes `STEM.repair.pdf` and `.html`, the strips as `STEM.strips.pdf` and one `STEM.strip-SIDE.svg` per side, the film pieces
    at film size as `STEM.film.pdf` when there are any, and last `STEM.repair.json`. Returns the paths. Raises OutputError.

    `films` are by file name as in the document; `missing` are sentences about those that are not at hand.
    """
    parts: list[tuple[Path, bytes]] = []
    says = list(missing)
    pieces = pieces_of_film(plan, document, films)
    if plan.stretches:
        parts.append((out_dir / f"{stem}.strips.pdf", strips_pdf(plan, paper)))
        parts += [(out_dir / f"{stem}.strip-{side.name}.svg", strip_svg(plan, side).encode()) for side in sides(plan)]
        why_not = can_be_laid_on(document)
        printed = film_print_pdf(plan, document, films, paper) if not why_not else None
        if printed is not None:
            parts.append((out_dir / f"{stem}.film.pdf", printed))
        elif why_not:
            says.append(why_not)
    parts = [
        (out_dir / f"{stem}.repair.pdf", repair_sheet_pdf(plan, pieces, says, paper)),
        (out_dir / f"{stem}.repair.html", repair_sheet_html(plan, pieces, says).encode(errors="replace")),
        *parts,
    ]
    for path, data in parts:
        write_bytes(path, data)
    record = out_dir / f"{stem}.repair.json"
    write_text(record, dump(plan))
    return (*(path for path, _ in parts), record)
