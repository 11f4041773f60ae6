"""`rtscan calibrate`: a scanned step tablet to the grey-to-density table of the job sheet."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from rtscan.cli.terminal import Exit
from rtscan.errors import FilmError


def register(app: typer.Typer) -> None:
    """Adds the command to `app`."""
    app.command("calibrate", help="Make the grey-to-density table of a scanner from a scanned step tablet.")(calibrate)


def calibrate(
    tablet: Annotated[Path, typer.Argument(metavar="TABLET.tif", help="Scan of the tablet alone, made like the films.")],
    steps: Annotated[str, typer.Option(metavar="D,D,…", help="Densities of all its steps, from its certificate; ; and decimal comma too.")],
    inverted: Annotated[bool, typer.Option("--inverted", help="The scan is inverted: grey grows with density.")] = False,
) -> int:
    """Prints the table to paste into the job sheet, with the residual of every step."""
    from rtscan.reading.step_tablet import read_tablet

    found = read_tablet(tablet, _densities(tablet, steps), inverted)
    typer.echo("# step  density     grey   spread  residual (density)")
    for number, step in enumerate(found, start=1):
        residual = "" if step.residual is None else f"{step.residual:+.3f}"
        typer.echo(f"# {number:>4}  {step.density:7.2f}  {step.grey:7.0f}  {step.spread:7.1f}  {residual}")
    typer.echo("[film]")
    rows = sorted(found, key=lambda s: s.grey)
    typer.echo("grey_to_density = [" + ", ".join(f"[{s.grey:.1f}, {s.density:g}]" for s in rows) + "]")
    return Exit.DONE


def _densities(tablet: Path, text: str) -> list[float]:
    parts = [p for p in (text.replace(",", ".").split(";") if ";" in text else text.split(",")) if p.strip()]
    try:
        return [float(p) for p in parts]
    except ValueError as problem:
        raise FilmError(str(tablet), f"--steps {text!r} is not a list of densities; write 0.05,0.2,0.4") from problem
