"""`rtscan practise`: deals films, grades answers, keeps the history, fits detection curves."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal, get_args

import typer

from rtscan.cli.terminal import Exit, with_progress
from rtscan.errors import ListError
from rtscan.job import Technique

Terms = Literal["iso", "api", "plain"]
HELP = "Practise reading: deal films, grade answers, look back, fit detection curves."


def register(app: typer.Typer) -> None:
    """Adds the command with its four parts to `app`."""
    group = typer.Typer(help=HELP, no_args_is_help=True)
    group.command("deal", help="Deal practice films with job sheets, blank answer sheets and a sealed key.")(deal)
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
    levels: Annotated[Path | None, typer.Option(help="A levels file of your own.")] = None,
) -> int:
    """Deals a session. The key is sealed against reading by accident only."""
    import secrets

    from rtscan.practise.deal import Wanted, deal
    from rtscan.practise.levels import DEFAULT_FILE

    number = secrets.randbelow(2**31) if seed is None else seed
    wanted = Wanted(films, level, _techniques(technique), criteria, number, terms, None, levels or DEFAULT_FILE)
    for _ in with_progress(deal(wanted, out), "films", films):
        pass
    typer.echo(f"{films} films of level {level} in {out} (seed {number}); begin with {out / 'START_HERE.txt'}")
    typer.echo("The key is sealed only against reading it by accident; it is no security measure.")
    return Exit.DONE


def _techniques(text: str) -> tuple[Technique, ...]:
    known: dict[str, Technique] = {name.lower(): name for name in get_args(Technique)}
    words = [word.strip() for word in text.split(",") if word.strip()]
    unknown = [word for word in words if word.lower() not in known]
    if unknown or not words:
        choices = ", ".join(get_args(Technique))
        raise ListError("--technique", f"{', '.join(unknown) or 'nothing'} is not a technique; choose from {choices}")
    return tuple(known[word.lower()] for word in words)


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
