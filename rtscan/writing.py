"""Outputs appear whole or not at all: written to a temporary name beside the target, then moved."""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from rtscan.errors import OutputError


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """Gives a temporary path with the same ending; moves it to `path` when the block ends well, removes it otherwise.

    Raises OutputError when the folder cannot be made or written.
    """
    temporary = path.with_name(f".{secrets.token_hex(4)}.{path.name}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        yield temporary
        os.replace(temporary, path)
    except OSError as problem:
        raise OutputError(str(path), f"cannot be written ({problem.strerror or problem}); choose another folder with --out") from problem
    finally:
        with suppress(OSError):
            temporary.unlink()


def write_bytes(path: Path, data: bytes) -> None:
    """Writes `data` to `path`, whole or not at all. Raises OutputError."""
    with whole_file(path) as temporary:
        temporary.write_bytes(data)


def write_text(path: Path, text: str) -> None:
    """Writes `text` as UTF-8 with line ends as given, whole or not at all. Raises OutputError."""
    write_bytes(path, text.encode("utf-8"))
