"""`rtscan practise`: deals films, grades answers, keeps the history, fits detection curves."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from rtscan.cli.terminal import Exit

HELP = "Practise reading: deal films, grade answers, look back, fit detection curves."


def register(app: typer.Typer) -> None:
    """Adds the command with its four parts to `app`."""
    group = typer.Typer(help=HELP, no_args_is_help=True)
    group.command("reliability", help="Detection curve of any hit/miss table: a50, a90, a90/95.")(reliability)
    app.add_typer(group, name="practise")


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
