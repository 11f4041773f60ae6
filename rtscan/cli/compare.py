"""`rtscan compare`: what is gone, still there and new after a repair."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from rtscan.cli.terminal import Exit, warn

if TYPE_CHECKING:
    from rtscan.findings import Indication


def register(app: typer.Typer) -> None:
    """Adds the command to `app`."""
    app.command("compare", help="Compare two readings of one weld, before and after a repair.")(compare)


def compare(
    before: Annotated[Path, typer.Argument(metavar="BEFORE.json", help="Worksheet or weld document before the repair.")],
    after: Annotated[Path, typer.Argument(metavar="AFTER.json", help="The same after it.")],
    units: Annotated[Literal["mm", "in"], typer.Option(help="Units of the printed lengths.")] = "mm",
) -> int:
    """Compares and prints; the exit status is that of the contract."""
    from rtscan.record_json import load_document
    from rtscan.repair.compare import compare as compare_readings

    first, second = load_document(before), load_document(after)
    found = compare_readings(first, second, file=str(after))
    for text in found.warnings:
        warn(text)
    wanted: dict[int, str] = dict.fromkeys(first.removal, ", was to be removed")
    lines = [f"gone: {_mark(i, units)}{wanted.get(i.id, '')}" for i in found.gone]
    lines += [f"still there: {_mark(b, units)}{wanted.get(b.id, '')}; now {_mark(a, units)}" for b, a in found.still_there]
    lines += [f"not shown: {_mark(i, units)}: {why}" for i, why in found.not_seen]
    lines += [f"new: {_mark(i, units)}" for i in found.new]
    for line in lines or ["no indications on either reading"]:
        typer.echo(line)
    if first.removal:
        typer.echo("everything that was to be removed is gone" if found.removed_gone else "NOT everything that was to be removed is gone")
    typer.echo(f"verdict before: {first.verdict}; after: {second.verdict}" + (f" ({second.verdict_says})" if second.verdict_says else ""))
    return Exit.DONE


def _mark(mark: Indication, units: str) -> str:
    from rtscan.lengths import size_text, tape_text

    size = f", {size_text(mark.length_mm, units)} long" if mark.length_mm is not None else ""
    place = f" at {tape_text(mark.along_mm, units)}" if mark.along_mm is not None else " at an unknown place"
    return f"No. {mark.id} {mark.type or 'type not known'}{place}{size}"
