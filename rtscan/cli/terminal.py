"""What the commands share of the terminal: exit statuses, error lines, progress."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from enum import IntEnum
from typing import TypeVar

from rtscan.errors import RtscanError

T = TypeVar("T")


class Exit(IntEnum):
    """Exit statuses of the contract."""

    DONE = 0
    NOT_ACCEPTED = 1
    NOT_DONE = 2
    OUR_FAULT = 3
    INTERRUPTED = 130


def complain(problem: RtscanError) -> None:
    """One line per problem on standard error."""
    for line in problem.lines():
        print(f"error: {line}", file=sys.stderr)


def warn(text: str) -> None:
    """A warning line on standard error."""
    print(f"warning: {text}", file=sys.stderr)


def with_progress(items: Iterable[T], label: str, total: int | None = None) -> Iterator[T]:
    """Yields `items`; shows a progress bar on standard error when that is a terminal."""
    if not sys.stderr.isatty():
        yield from items
        return
    from rich.console import Console
    from rich.progress import track

    yield from track(items, description=label, total=total, console=Console(stderr=True), transient=True)
