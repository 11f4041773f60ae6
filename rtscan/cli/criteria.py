"""`rtscan criteria list | show NAME | check FILE`: the acceptance criteria known, one in full, a user's own file checked."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from rtscan.cli.terminal import Exit


def register(app: typer.Typer) -> None:
    """Adds the command to `app`."""
    criteria = typer.Typer(help="The acceptance criteria: list, show one, check your own file.", no_args_is_help=True)
    criteria.command("list", help="List the criteria that can be named.")(list_)
    criteria.command("show", help="Show every rule of one criterion.")(show)
    criteria.command("check", help="Check a criteria file of your own; every mistake is named.")(check)
    app.add_typer(criteria, name="criteria")


def list_() -> int:
    """Prints name, edition and title of every criterion; the first edition of each is the one meant by the bare name."""
    from rtscan.acceptance.library import known_criteria

    for known in known_criteria():
        typer.echo(f"{known.name + '@' + known.edition:32} {known.title}{'' if known.newest else '  (older edition)'}")
    return Exit.DONE


def show(name: Annotated[str, typer.Argument(metavar="NAME", help="A name, NAME@edition, or a file.")]) -> int:
    """Prints every rule with its limit, grade and source."""
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    from rtscan.acceptance.explain import conditions_in_words, limit_in_words, types_in_words
    from rtscan.acceptance.library import load_criteria

    criteria = load_criteria(name)
    console = Console(width=None if sys.stdout.isatty() else 180, highlight=False)
    unverified = sum(rule.unverified for rule in criteria.rules)
    console.print(Text(f"{criteria.name}@{criteria.edition}: {criteria.title}"))
    console.print(Text(f"{len(criteria.rules)} rules, {unverified} of them UNVERIFIED; printed sets: {', '.join(criteria.units)}"))
    table = Table(pad_edge=False)
    for heading in ("Rule", "About", "Limit", "Applies", "Grade, source"):
        table.add_column(heading)
    for rule in criteria.rules:
        grade = f"{rule.grade} {rule.source}" + (" UNVERIFIED" if rule.unverified else "")
        about = f"{rule.what} [{types_in_words(rule)}]"
        table.add_row(Text(rule.id), Text(about), Text(limit_in_words(rule)), Text("; ".join(conditions_in_words(rule))), Text(grade))
    console.print(table)
    for text in criteria.cautions:
        console.print(Text(f"caution: {text}"))
    return Exit.DONE


def check(file: Annotated[Path, typer.Argument(metavar="FILE", help="A criteria file (TOML).")]) -> int:
    """Checks the file; mistakes are errors on standard error, all of them."""
    from rtscan.acceptance.library import check_file

    criteria = check_file(file)
    unverified = sum(rule.unverified for rule in criteria.rules)
    typer.echo(f"{file}: good, {len(criteria.rules)} rules, {unverified} of them unverified")
    return Exit.DONE
