"""`rtscan score`: reads a whole film set, joins the films of each weld, sums up."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from rtscan.cli.terminal import Exit, complain, warn, with_progress
from rtscan.pipeline import ReadSettings

if TYPE_CHECKING:
    from rtscan.filmset.one_film import FilmOutcome


def register(app: typer.Typer) -> None:
    """Adds the command to `app`."""
    app.command("score", help="Read a whole film set, join the films of each weld, and sum up. Resumes where it stopped.")(score)


def score(
    film_set: Annotated[Path, typer.Argument(metavar="SET.csv", help="The film set: a CSV with at least the column 'file'.")],
    job: Annotated[Path | None, typer.Option(help="Job sheet for films whose row names none.")] = None,
    out: Annotated[Path, typer.Option(help="Folder for all results and the state of the run.")] = Path("readings"),
    workers: Annotated[int, typer.Option(min=0, help="Reading processes; 0 means one per processor.")] = 0,
    scheduler: Annotated[str, typer.Option(metavar="ADDRESS", help="Read on an existing Dask cluster, tcp://HOST:PORT.")] = "",
    max_megapixels: Annotated[float | None, typer.Option(min=0.01, help="Refuse larger films (default 200).")] = None,
    strict: Annotated[bool, typer.Option(help="Exit with 1 when some weld is not accepted.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="One line of JSON per film on standard output.")] = False,
) -> int:
    """Reads the set; the exit status is that of the contract."""
    from rtscan.filmset.manifest import load_manifest
    from rtscan.filmset.run import RunSettings, run_films, tasks_of
    from rtscan.filmset.state import open_state
    from rtscan.filmset.summary import write_summary
    from rtscan.filmset.welds import collect, write_welds

    rows = load_manifest(film_set)
    settings = RunSettings(out, job, read=ReadSettings(), workers=workers, max_megapixels=max_megapixels, scheduler=scheduler)
    with open_state(out) as state:
        state.keep_only(frozenset(row.file for row in rows))
        tasks = tasks_of(rows, settings, state.films())
        outcomes = {}
        for outcome in with_progress(run_films(tasks, settings, state), "films", total=len(tasks)):
            outcomes[outcome.name] = outcome
            _tell(outcome, out, as_json)
        films = collect(rows, tasks, outcomes)
        welds, problems = write_welds(films, out)
        write_summary(films, welds, out, film_set.stem)
    for problem in problems:
        complain(problem)
    failed = [film for film in films if film.outcome.status == "failed"]
    if not as_json:
        verdicts = [weld.document.verdict for weld in welds]
        counts = ", ".join(f"{verdicts.count(word)} {word}" for word in ("accept", "reject", "review", "unreadable") if word in verdicts)
        typer.echo(f"{len(films)} films ({len(failed)} not read), {len(welds)} welds: {counts or 'none'}; see {out / 'set.html'}")
    if failed or problems:
        return Exit.NOT_DONE
    return Exit.NOT_ACCEPTED if strict and any(weld.document.verdict != "accept" for weld in welds) else Exit.DONE


def _tell(outcome: FilmOutcome, out: Path, as_json: bool) -> None:
    """A line per film: JSON lines on standard output when asked for, else plain words; a film that failed also warns."""
    from rtscan.reader_changes import open_for_judging
    from rtscan.record_json import dump_line

    if outcome.status == "failed":
        warn(f"{outcome.message}; the set goes on without it")
    elif outcome.message:
        warn(f"{outcome.name}: {outcome.message}")
    for name in outcome.sheets:
        sheet = open_for_judging(out / name)
        typer.echo(dump_line(sheet) if as_json else f"{outcome.name}: {sheet.verdict} ({outcome.status}) {sheet.verdict_says}")
