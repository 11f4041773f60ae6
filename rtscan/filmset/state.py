"""Where a set run stands: one SQLite file (WAL) beside the results, and the lock that keeps a second run out."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from rtscan.errors import ListError, OutputError
from rtscan.writing import remove_leftovers

STATE_NAME = "set.sqlite"
LOCK_NAME = "set.lock"
Status = Literal["read", "failed"]


@dataclass(frozen=True)
class FilmState:
    """What the last run made of one film. `fingerprint` covers all that decides the reading (film, job sheet, criteria,
    settings, tool version); `outputs` maps each file written to its SHA-256."""

    fingerprint: str
    status: Status
    message: str
    outputs: Mapping[str, str]
    seconds: float


class SetState:
    """The state file of one results folder. Every `record` is one transaction, so a killed run loses at most the film under way."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection

    def films(self) -> dict[str, FilmState]:
        """All films known, by the name the set gives them."""
        rows = self._connection.execute("SELECT file, fingerprint, status, message, outputs, seconds FROM films")
        return {file: FilmState(mark, status, message, json.loads(outputs), seconds)
                for file, mark, status, message, outputs, seconds in rows}

    def record(self, file: str, state: FilmState) -> None:
        """Replaces what is known of one film."""
        with self._connection:
            self._connection.execute(
                "INSERT OR REPLACE INTO films (file, fingerprint, status, message, outputs, seconds) VALUES (?, ?, ?, ?, ?, ?)",
                (file, state.fingerprint, state.status, state.message, json.dumps(dict(state.outputs), sort_keys=True), state.seconds),
            )

    def keep_only(self, files: frozenset[str]) -> None:
        """Forgets films that are no longer in the set (their outputs stay)."""
        with self._connection:
            for file in self.films().keys() - files:
                self._connection.execute("DELETE FROM films WHERE file = ?", (file,))


@contextmanager
def open_state(folder: Path) -> Iterator[SetState]:
    """Locks `folder` for one run, removes what a killed run left half-written, and opens its state.

    Raises ListError when another run holds it or the state is damaged."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise OutputError(str(folder), f"cannot be made ({problem.strerror}); choose another folder with --out") from problem
    with _held_lock(folder), closing(_open(folder / STATE_NAME)) as connection:
        remove_leftovers(folder)
        yield SetState(connection)


@contextmanager
def _held_lock(folder: Path) -> Iterator[None]:
    """An exclusive SQLite transaction on the lock file: the operating system frees it when the run dies, however it dies."""
    with closing(_connect(folder / LOCK_NAME)) as lock:
        try:
            lock.execute("BEGIN EXCLUSIVE")
        except sqlite3.OperationalError as problem:
            raise ListError(str(folder), "is in use by another set run; wait for it, or choose another folder with --out") from problem
        except sqlite3.DatabaseError as problem:
            raise ListError(str(folder / LOCK_NAME), f"is not a lock of a set run ({problem}); move it away") from problem
        yield
        lock.rollback()


def _connect(path: Path) -> sqlite3.Connection:
    try:
        return sqlite3.connect(path, timeout=0.0, isolation_level=None if path.name == LOCK_NAME else "DEFERRED")
    except sqlite3.Error as problem:
        raise OutputError(str(path), f"cannot be opened ({problem}); choose another folder with --out") from problem


def _open(path: Path) -> sqlite3.Connection:
    connection = _connect(path)
    try:
        connection.execute("PRAGMA journal_mode=WAL")
        connection.execute(
            "CREATE TABLE IF NOT EXISTS films (file TEXT PRIMARY KEY, fingerprint TEXT NOT NULL, status TEXT NOT NULL, "
            "message TEXT NOT NULL, outputs TEXT NOT NULL, seconds REAL NOT NULL)"
        )
    except sqlite3.DatabaseError as problem:
        connection.close()
        raise ListError(str(path), f"is damaged ({problem}); move it away, the films will be read again") from problem
    return connection
