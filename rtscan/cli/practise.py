"""`rtscan practise`: deals films, grades answers, keeps the history, fits detection curves."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal, get_args

import typer

from rtscan.cli.terminal import Exit, with_progress
from rtscan.errors import ListError
from rtscan.job import Technique

if TYPE_CHECKING:
    from rtscan.practise.draw import Focus
    from rtscan.practise.history import Session

Terms = Literal["iso", "api", "plain"]
HELP = "Practise reading: deal films, grade answers, look back, fit detection curves."


def register(app: typer.Typer) -> None:
    """Adds the command with its four parts to `app`."""
    group = typer.Typer(help=HELP, no_args_is_help=True)
    group.command("deal", help="Deal practice films with job sheets, blank answer sheets and a sealed key.")(deal)
    group.command("grade", help="Grade the answers of a dealt folder: pages, tables, history.")(grade)
    group.command("history", help="A trainee's progress, a class on one page, export and delete of a person's data.")(history)
    group.command("reliability", help="Detection curve of any hit/miss table: a50, a90, a90/95.")(reliability)
    app.add_typer(group, name="practise")


def deal(
    out: Annotated[Path, typer.Option(metavar="DIR", help="A new folder for the session.")],
    level: Annotated[int, typer.Option(min=1, help="1 (plain) to 5 (hard).")] = 1,
    films: Annotated[int, typer.Option(min=1, max=200, help="How many films.")] = 12,
    technique: Annotated[str, typer.Option(help="Exposure techniques, separated by commas; they are dealt in turn.")] = "SWSI",
    criteria: Annotated[str, typer.Option(help="Acceptance criteria to judge by: a name or a file.")] = "iso-10675-1-level-2",
    terms: Annotated[Terms, typer.Option(help="Words on the answer sheet, always beside the ISO 6520-1 number.")] = "iso",
    seed: Annotated[int | None, typer.Option(min=0, help="The same seed deals the same films.")] = None,
    focus: Annotated[str | None, typer.Option(metavar="TRAINEE", help="Draw more of what this trainee misses, by the history.")] = None,
    db: Annotated[Path | None, typer.Option(help="History file for --focus; default in the user's data folder.")] = None,
    levels: Annotated[Path | None, typer.Option(help="A levels file of your own.")] = None,
) -> int:
    """Deals a session. The key is sealed against reading by accident only."""
    import secrets

    from rtscan.practise.deal import Wanted, deal
    from rtscan.practise.levels import DEFAULT_FILE

    number = secrets.randbelow(2**31) if seed is None else seed
    weights = None if focus is None else _focus(focus, db)
    wanted = Wanted(films, level, _techniques(technique), criteria, number, terms, weights, levels or DEFAULT_FILE)
    for _ in with_progress(deal(wanted, out), "films", films):
        pass
    typer.echo(f"{films} film{'' if films == 1 else 's'} of level {level} in {out} (seed {number}); begin with {out / 'START_HERE.txt'}")
    typer.echo("The key is sealed only against reading it by accident; it is no security measure.")
    return Exit.DONE


def grade(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The folder that deal wrote, with the answer sheet filled in.")],
    trainee: Annotated[str, typer.Option(help="Whose answers these are; the history is kept under this name.")] = "trainee",
    answers: Annotated[Path | None, typer.Option(help="Another answer sheet, or a folder of worksheets to be graded.")] = None,
    db: Annotated[Path | None, typer.Option(help="History file; default in the user's data folder.")] = None,
    no_history: Annotated[bool, typer.Option("--no-history", help="Keep nothing of this grade.")] = False,
    matching: Annotated[Path | None, typer.Option(help="A matching rule of your own.")] = None,
    grading: Annotated[Path | None, typer.Option(help="A grading scale of your own.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the grade as JSON.")] = False,
    out: Annotated[Path | None, typer.Option(metavar="DIR", help="Folder for the pages; default DIR/graded-NAME.")] = None,
) -> int:
    """Grades by the sealed key. Films without any answer are neither graded nor counted."""
    from rtscan.practise import matching as rules
    from rtscan.practise import scale
    from rtscan.practise.grade_report import grade_json, write_grade
    from rtscan.practise.history import default_path, load_sessions, save_session
    from rtscan.practise.history_report import file_name
    from rtscan.practise.rows import pooled
    from rtscan.practise.session import grade_session
    from rtscan.practise.summary import summarise

    graded = grade_session(
        folder, trainee, rules.load_matching(matching or rules.DEFAULT_FILE), scale.load_grading(grading or scale.DEFAULT_FILE), answers)
    target, history = out or folder / f"graded-{file_name(trainee)}", db or default_path()
    if not no_history:
        save_session(history, graded.for_history())
    kept = () if no_history else load_sessions(history, trainee)
    everything = pooled(s.rows for s in kept) if kept else None
    for _ in with_progress(write_grade(graded, folder, target, everything, len(kept)), "pages", len(graded.grades)):
        pass
    figures = summarise(graded.rows)
    if as_json:
        typer.echo(grade_json(graded, figures), nl=False)
        return Exit.DONE
    typer.echo(f"{trainee}: {figures.passed} of {figures.films} films passed, {figures.points:.1f} of {figures.possible:.1f} points")
    if graded.skipped:
        typer.echo(f"not answered, not counted: {', '.join(graded.skipped)}")
    typer.echo(f"  {target / 'grade.html'}")
    return Exit.DONE


def _focus(trainee: str, db: Path | None) -> Focus:
    from rtscan.practise.focus import focus_on
    from rtscan.practise.history import default_path

    sessions = _sessions_of(trainee, db or default_path())
    return focus_on([t for s in sessions for t in s.rows.targets])


def _sessions_of(trainee: str, history: Path) -> tuple[Session, ...]:
    """The sessions of one person. Raises ListError when there are none."""
    from rtscan.practise.history import load_sessions, trainees

    sessions = load_sessions(history, trainee)
    if not sessions:
        known = ", ".join(trainees(history)) or "nobody yet"
        raise ListError(str(history), f"holds no session of \"{trainee}\"; it knows {known}")
    return sessions


def _techniques(text: str) -> tuple[Technique, ...]:
    known: dict[str, Technique] = {name.lower(): name for name in get_args(Technique)}
    words = [word.strip() for word in text.split(",") if word.strip()]
    unknown = [word for word in words if word.lower() not in known]
    if unknown or not words:
        choices = ", ".join(get_args(Technique))
        raise ListError("--technique", f"{', '.join(unknown) or 'nothing'} is not a technique; choose from {choices}")
    return tuple(known[word.lower()] for word in words)


def history(
    trainee: Annotated[str | None, typer.Option(help="Whose progress; everybody on one page when left out.")] = None,
    export: Annotated[bool, typer.Option("--export", help="Also write all data kept of the trainee, as JSON and CSV.")] = False,
    delete: Annotated[bool, typer.Option("--delete", help="Remove all data of the trainee for good.")] = False,
    yes: Annotated[bool, typer.Option("--yes", help="Delete without asking.")] = False,
    db: Annotated[Path | None, typer.Option(help="History file; default in the user's data folder.")] = None,
    out: Annotated[Path, typer.Option(metavar="DIR", help="Folder for pages and exports.")] = Path("readings"),
) -> int:
    """Pages from the history file; nothing leaves this computer."""
    from rtscan.practise.history import default_path, delete_trainee, load_sessions
    from rtscan.practise.history_report import write_class, write_export, write_history

    file = db or default_path()
    if trainee is None:
        if export or delete:
            raise ListError("--trainee", "is needed to export or delete; name the person")
        sessions = load_sessions(file)
        if not sessions:
            raise ListError(str(file), "holds no session yet; grade one first")
        typer.echo(f"  {write_class(sessions, out)}")
        return Exit.DONE
    sessions = _sessions_of(trainee, file)
    if export:
        for path in write_export(sessions, trainee, out):
            typer.echo(f"  {path}")
    if delete:
        if not yes:
            typer.confirm(f"Delete all {len(sessions)} sessions of {trainee} for good?", abort=True)
        typer.echo(f"deleted {delete_trainee(file, trainee)} sessions of {trainee}")
        return Exit.DONE
    typer.echo(f"  {write_history(sessions, trainee, out)}")
    return Exit.DONE


def reliability(
    hits: Annotated[Path, typer.Argument(metavar="HITS.csv", help="One row per target: size_mm and hit (1 or 0); or hits with trials.")],
    column: Annotated[str | None, typer.Option(help="The size column, when there are several.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the curves as one line of JSON.")] = False,
    out: Annotated[Path, typer.Option(metavar="DIR", help="Folder for page, JSON and CSV.")] = Path("readings"),
) -> int:
    """Fits the logistic curve on both scales, with Wald and likelihood-ratio bounds."""
    import json

    from rtscan.practise.hits_file import read_hits
    from rtscan.practise.reliability_report import curve_json, write_reliability

    table, name = read_hits(hits, column)
    curves = write_reliability(table, hits.name, name, out, hits.stem)
    if as_json:
        typer.echo(json.dumps([curve_json(c) for c in curves], allow_nan=False))
        return Exit.DONE
    for curve in curves:
        sizes = ", ".join(f"{label} {'not set' if size is None else f'{size:.4g}'}" for label, size in (
            ("a50", curve.a50), ("a90", curve.a90), ("a90/95 Wald", curve.a90_95_wald), ("a90/95 likelihood ratio", curve.a90_95_lr)))
        typer.echo(f"{curve.scale}: {curve.hits} of {curve.targets} hit; {sizes}")
        for line in curve.says:
            typer.echo(f"  {line}")
    typer.echo(f"  {out / f'{hits.stem}.reliability.html'}")
    return Exit.DONE
