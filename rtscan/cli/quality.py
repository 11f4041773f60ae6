"""`rtscan quality`: is the film fit to judge, and what could it have shown."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from rtscan.cli.terminal import Exit, complain, warn, with_progress
from rtscan.errors import FilmError, RtscanError
from rtscan.job import Job, load_job
from rtscan.reading.load import MAX_MEGAPIXELS, load_films


def register(app: typer.Typer) -> None:
    """Adds the command to `app`."""
    app.command("quality", help="Check the film itself: density, wires, unsharpness, coverage, the smallest flaw it could show.")(quality)


def quality(
    films: Annotated[list[Path], typer.Argument(metavar="FILM…", help="Film files; FILM#2 is page 2 of a file.")],
    job: Annotated[Path | None, typer.Option(metavar="JOB.toml", help="Job sheet.")] = None,
    out: Annotated[Path, typer.Option(metavar="DIR", help="Folder for the results.")] = Path("readings"),
    max_megapixels: Annotated[float, typer.Option(min=0.01, help="Refuse a file with more pixels than this.")] = MAX_MEGAPIXELS,
) -> int:
    """Checks each film; one that cannot be read is reported and the others go on."""
    sheet = load_job(job, film_may_tell=True)
    from rtscan.filmset.one_film import refuse_double_names

    refuse_double_names(films, ".quality.json")
    failed = False
    for path in with_progress(films, "films"):
        try:
            _one_file(path, sheet, out, max_megapixels)
        except RtscanError as problem:
            complain(problem)
            failed = True
    return Exit.NOT_DONE if failed else Exit.DONE


def _one_file(path: Path, job: Job, out: Path, max_megapixels: float) -> None:
    from rtscan.filmset.one_film import file_and_page, stem_of
    from rtscan.pipeline import check_quality
    from rtscan.record_json import dump
    from rtscan.report.quality_page import quality_html, quality_lines
    from rtscan.writing import write_text

    file, page = file_and_page(path)
    films = load_films(file, job, max_megapixels)
    if page is not None and not 1 <= page <= len(films):
        raise FilmError(str(path), f"has {len(films)} page(s); name one of them")
    for film in films if page is None else (films[page - 1],):
        stem = stem_of(file, film.facts.page, len(films))
        record = check_quality(film, job)
        write_text(out / f"{stem}.quality.json", dump(record))
        write_text(out / f"{stem}.quality.html", quality_html(record, film))
        for text in film.facts.warnings:
            warn(f"{path}: {text}")
        typer.echo(f"{path}:")
        for line in quality_lines(record):
            typer.echo(line)
        typer.echo(f"  {out / f'{stem}.quality.html'}")
