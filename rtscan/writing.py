"""Outputs appear whole or not at all: written to a temporary name beside the target, then moved."""

from __future__ import annotations

import io
import os
import re
import secrets
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from rtscan.errors import OutputError

TOKEN_BYTES = 4


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """Gives a temporary path with the same ending; moves it to `path` when the block ends well, removes it otherwise.

    Raises OutputError when the folder cannot be made or written.
    """
    temporary = path.with_name(f".{secrets.token_hex(TOKEN_BYTES)}.{path.name}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        yield temporary
        os.replace(temporary, path)
    except OSError as problem:
        raise OutputError(str(path), f"cannot be written ({problem.strerror or problem}); choose another folder with --out") from problem
    finally:
        with suppress(OSError):
            temporary.unlink()


def remove_leftovers(folder: Path) -> None:
    """Removes the temporary files that a killed run left in a folder. Only for whoever holds that folder alone."""
    ours = re.compile(rf"\.[0-9a-f]{{{2 * TOKEN_BYTES}}}\..+")
    for path in sorted(folder.glob(".*")):
        if ours.fullmatch(path.name) and path.is_file():
            with suppress(OSError):
                path.unlink()


def write_bytes(path: Path, data: bytes) -> None:
    """Writes `data` to `path`, whole or not at all. Raises OutputError."""
    with whole_file(path) as temporary:
        temporary.write_bytes(data)


def write_text(path: Path, text: str) -> None:
    """Writes `text` as UTF-8 with line ends as given, whole or not at all. Raises OutputError."""
    write_bytes(path, text.encode("utf-8"))


def timeless_workbook(data: bytes) -> bytes:
    """A workbook (XLSX bytes) without the hour it was written, so that the same content gives the same file."""
    stamp = re.compile(rb"(<dcterms:(?:created|modified)[^>]*>)[^<]*")
    packed = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            part = old.read(name)
            part = stamp.sub(rb"\g<1>1980-01-01T00:00:00Z", part) if name == "docProps/core.xml" else part
            new.writestr(zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0)), part, zipfile.ZIP_DEFLATED)
    return packed.getvalue()
