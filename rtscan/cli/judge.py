"""`rtscan judge`: judges a hand-measured list, or a worksheet after a reader has changed it."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from rtscan import __version__
from rtscan.cli.terminal import Exit

if TYPE_CHECKING:
    from rtscan.acceptance.criteria import Criteria
    from rtscan.acceptance.situation import Situation
    from rtscan.findings import WeldDocument, WeldFacts, Worksheet
    from rtscan.job import WeldSection

_MOST_ROWS = 200
"""Beyond this many findings the accepted ones are counted, not listed."""


def register(app: typer.Typer) -> None:
    """Adds the command to `app`."""
    app.command("judge", help="Judge a hand-measured list, or a worksheet that a reader has changed.")(judge)


def judge(
    listed: Annotated[Path, typer.Argument(metavar="LIST", help="CSV or XLSX list, or a worksheet (JSON, CSV or XLSX).")],
    wall: Annotated[float | None, typer.Option(metavar="MM", help="Wall thickness.")] = None,
    od: Annotated[float | None, typer.Option(metavar="MM", help="Outside diameter; leave out for plate.")] = None,
    weld_length: Annotated[float | None, typer.Option(metavar="MM", help="Length of the whole weld; a girth weld needs none.")] = None,
    cap_width: Annotated[float | None, typer.Option(metavar="MM", help="Width of the weld.")] = None,
    joint: Annotated[Literal["girth", "longitudinal", "plate"] | None, typer.Option(help="Kind of weld.")] = None,
    layers: Annotated[Literal["single", "multi"] | None, typer.Option(help="Welded in one layer or several.")] = None,
    job: Annotated[Path | None, typer.Option(help="Job sheet (TOML).")] = None,
    criteria: Annotated[str | None, typer.Option(help="Acceptance criteria: a name (see rtscan criteria list) or a file.")] = None,
    units: Annotated[Literal["mm", "in"], typer.Option(help="Printed limit set and printed lengths.")] = "mm",
    explain: Annotated[str | None, typer.Option(metavar="RULE", help="Print one rule with its boundary cases and stop.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the worksheet as one line of JSON.")] = False,
    strict: Annotated[bool, typer.Option(help="Exit with 1 when the verdict is not accept.")] = False,
    out: Annotated[Path | None, typer.Option(metavar="DIR", help="Folder for the judged worksheet.")] = None,
) -> int:
    """Judges and prints; the exit status is that of the contract."""
    from rtscan.acceptance.judge import judge as judge_document
    from rtscan.acceptance.library import load_criteria
    from rtscan.acceptance.situation import situation_from_job
    from rtscan.errors import CriteriaError
    from rtscan.job import load_job
    from rtscan.reader_changes import open_for_judging
    from rtscan.record_json import dump_line

    overrides = {"weld.wall_mm": wall, "weld.od_mm": od, "weld.length_mm": weld_length, "weld.cap_width_mm": cap_width,
                 "weld.joint": joint, "weld.layers": layers, "acceptance.criteria": criteria}
    sheet = load_job(job, {key: value for key, value in overrides.items() if value is not None})
    document = open_for_judging(listed)
    document = replace(document, weld=_as_told(document.weld, sheet.weld))
    name = sheet.acceptance.criteria or (f"{document.criteria.name}@{document.criteria.edition}" if document.criteria else None)
    if name is None:
        raise CriteriaError(str(listed), "no acceptance criteria named; give --criteria NAME_OR_FILE (see rtscan criteria list)")
    chosen = load_criteria(name)
    if explain is not None:
        from rtscan.acceptance.explain import explain as explain_rule

        typer.echo(explain_rule(chosen, explain))
        return Exit.DONE
    situation = situation_from_job(sheet, document, units)
    judged = judge_document(replace(document, tool=document.tool or f"rtscan {__version__}"), chosen, situation)
    written = _write(judged, chosen, situation, listed, out) if out is not None else ()
    if as_json:
        typer.echo(dump_line(judged))
    else:
        _print(judged, chosen, situation, written)
    return Exit.NOT_ACCEPTED if strict and judged.verdict != "accept" else Exit.DONE


def _as_told(weld: WeldFacts, told: WeldSection) -> WeldFacts:
    """The facts of the weld with what the command line and the job sheet say, which count before the document's own."""
    keys = ("name", "wall_mm", "od_mm", "length_mm", "cap_width_mm", "joint", "layers", "preparation", "material")
    said: dict[str, Any] = {key: getattr(told, key) for key in keys if getattr(told, key) not in (None, "")}
    return replace(weld, **said)


def _write(document: Worksheet | WeldDocument, criteria: Criteria, situation: Situation, listed: Path, out: Path) -> tuple[Path, ...]:
    """The judged worksheet in all its formats (a weld document as JSON), and the dot pictures for charts."""
    from rtscan.acceptance.chart_picture import chart_pictures
    from rtscan.findings import Worksheet
    from rtscan.record_json import dump
    from rtscan.report.files import write_worksheet_files
    from rtscan.writing import write_text

    stem = listed.name.removesuffix(listed.suffix).removesuffix(".worksheet").removesuffix(".weld")
    if isinstance(document, Worksheet):
        paths = list(write_worksheet_files(document, None, out, stem, criteria.units_for(situation.units)))
    else:
        paths = [out / f"{stem}.weld.json"]
        write_text(paths[0], dump(document))
    for picture in chart_pictures(document, criteria, situation):
        path = out / f"{stem}.chart-{picture.finding + 1}.svg"
        write_text(path, picture.svg)
        paths.append(path)
    return tuple(paths)


def _print(document: Worksheet | WeldDocument, criteria: Criteria, situation: Situation, written: tuple[Path, ...]) -> None:
    """A table a person can follow, then what to remove, the verdict and the cautions."""
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    console = Console(width=None if sys.stdout.isatty() else 160, highlight=False)
    units = criteria.units_for(situation.units)
    console.print(Text(f"{criteria.title}  [{criteria.name}@{criteria.edition}, {units} set]"))
    table = Table(show_lines=False, pad_edge=False)
    for heading in ("No.", "Judged", "Measured, and the limit for this weld", "Clause", "Outcome"):
        table.add_column(heading)
    short = len(document.findings) > _MOST_ROWS
    for number, finding in enumerate(document.findings, 1):
        if short and finding.result == "accept":
            continue
        who, _, says = finding.says.partition(": ")
        outcome = Text(finding.result + (" UNVERIFIED" if finding.unverified else ""), style="" if finding.result == "accept" else "bold")
        table.add_row(str(number), Text(who), Text(says), Text(finding.clause), outcome)
    console.print(table)
    accepted = sum(f.result == "accept" for f in document.findings)
    lines = [f"{accepted} accepted findings not listed"] if short and accepted else []
    lines += [f"to be removed: {', '.join(map(str, document.removal))}"] if document.removal else []
    lines.append(f"{document.verdict.upper()}: {document.verdict_says}")
    if units != situation.units:
        lines.append(f"note: this document prints its limits in {units} only")
    lines += [f"caution: {text}" for text in criteria.cautions]
    lines.append("caution: the tool assists; a certified interpreter and the contract code decide")
    lines += [f"written: {path}" for path in written]
    for line in lines:
        console.print(Text(line))
