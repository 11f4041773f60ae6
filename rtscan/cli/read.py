"""`rtscan read`: reads films, judges them, writes annotated pictures and worksheets."""

from __future__ import annotations

from contextlib import suppress
from importlib import import_module
from pathlib import Path
from threading import Thread
from typing import Annotated, Any, Literal

import typer

from rtscan.cli.terminal import Exit, complain, warn, with_progress
from rtscan.errors import RtscanError
from rtscan.filmset.one_film import FilmTask, read_and_write, refuse_double_names
from rtscan.findings import Worksheet
from rtscan.job import Look, Technique
from rtscan.pipeline import ReadSettings
from rtscan.record_json import dump_line


def register(app: typer.Typer) -> None:
    """Adds the command to `app`."""
    app.command("read", help="Read films: annotated picture, worksheet and verdict for each.")(read)


def read(
    films: Annotated[list[Path], typer.Argument(metavar="FILM…", help="Film files; FILM#2 is page 2 of a file.")],
    job: Annotated[Path | None, typer.Option(help="Job sheet (TOML).")] = None,
    px_per_mm: Annotated[float | None, typer.Option(help="Scale of the film, pixels per millimetre.")] = None,
    wall: Annotated[float | None, typer.Option(metavar="MM", help="Wall thickness.")] = None,
    od: Annotated[float | None, typer.Option(metavar="MM", help="Outside diameter; leave out for plate.")] = None,
    technique: Annotated[Technique | None, typer.Option(help="Exposure technique.")] = None,
    criteria: Annotated[str | None, typer.Option(help="Acceptance criteria: a name (see rtscan criteria list) or a file.")] = None,
    look: Annotated[Look | None, typer.Option(help="Whether more metal is brighter or darker.")] = None,
    units: Annotated[Literal["mm", "in"], typer.Option(help="Printed limit set and printed lengths.")] = "mm",
    judge_anyway: Annotated[bool, typer.Option(help="Judge a film that fails a required quality check; every output is stamped.")] = False,
    strict: Annotated[bool, typer.Option(help="Exit with 1 when some verdict is not accept.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print each worksheet as one line of JSON.")] = False,
    out: Annotated[Path, typer.Option(metavar="DIR", help="Folder for the results.")] = Path("readings"),
) -> int:
    """Reads each film; one that cannot be read is reported and the others go on."""
    overrides = {"film.pixels_per_mm": px_per_mm, "weld.wall_mm": wall, "weld.od_mm": od, "exposure.technique": technique,
                 "acceptance.criteria": criteria, "film.look": look}
    given: dict[str, Any] = {key: value for key, value in overrides.items() if value is not None}
    settings = ReadSettings(units=units, judge_anyway=judge_anyway)
    refuse_double_names(films, ".worksheet.json")
    Thread(target=_import_ahead).start()
    failed, verdicts = False, []
    for path in with_progress(films, "films"):
        try:
            sheets = read_and_write(FilmTask(str(path), path, job, out, given, settings))
        except RtscanError as problem:
            complain(problem)
            failed = True
            continue
        for name, sheet in sheets:
            verdicts.append(sheet.verdict)
            _tell(name, sheet, out, as_json)
    if failed:
        return Exit.NOT_DONE
    return Exit.NOT_ACCEPTED if strict and any(verdict != "accept" for verdict in verdicts) else Exit.DONE


def _import_ahead() -> None:
    """Imports what the later stages need while the first ones compute in compiled code."""
    for name in ("onnxruntime", "jinja2", "openpyxl"):
        with suppress(ImportError):
            import_module(name)


def _tell(name: str, sheet: Worksheet, out: Path, as_json: bool) -> None:
    """What was found, in a line and a verdict; warnings of the film go to standard error."""
    for text in sheet.film.warnings:
        warn(f"{sheet.film.file}: {text}")
    if as_json:
        typer.echo(dump_line(sheet))
        return
    typer.echo(f"{sheet.film.file}: {len(sheet.indications)} indications; {sheet.verdict.upper()}: {sheet.verdict_says}")
    typer.echo(f"  {out / name.replace('.worksheet.json', '.annotated.png')}  {out / name.replace('.json', '.html')}")
