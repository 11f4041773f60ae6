"""The history of practice sessions: one SQLite file in the user's data folder, several trainees, export and delete of a person's data."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any, TypeVar

from rtscan.errors import OutputError
from rtscan.practise.rows import FilmRow, SessionRows, SkillRow, TargetRow

SCHEMA = 1
Row = TypeVar("Row", FilmRow, SkillRow, TargetRow)
_TABLES: dict[str, type[FilmRow] | type[SkillRow] | type[TargetRow]] = {"films": FilmRow, "skills": SkillRow, "targets": TargetRow}
_KINDS = {"str": "TEXT NOT NULL", "bool": "INTEGER NOT NULL", "int": "INTEGER NOT NULL", "float": "REAL NOT NULL", "float | None": "REAL"}


@dataclass(frozen=True)
class Session:
    """A graded session. `session` names the dealt set, so grading it again replaces the earlier grade of that trainee."""

    session: str
    trainee: str
    date: str
    level: int
    technique: str
    criteria: str
    rows: SessionRows


def default_path() -> Path:
    """The history file in the user's data folder."""
    from platformdirs import user_data_path

    return user_data_path("rtscan", appauthor=False) / "practice.sqlite"


def save_session(path: Path, session: Session) -> None:
    """Keeps a graded session, in place of an earlier grade of the same set and trainee. Raises OutputError."""
    with _open(path) as base:
        _delete(base, "session = ? AND trainee = ?", (session.session, session.trainee))
        base.execute("INSERT INTO sessions VALUES (?, ?, ?, ?, ?, ?)", (
            session.session, session.trainee, session.date, session.level, session.technique, session.criteria))
        for table in _TABLES:
            for row in getattr(session.rows, table):
                values = [getattr(row, f.name) for f in fields(row)]
                base.execute(f"INSERT INTO {table} VALUES (?, ?{', ?' * len(values)})", (session.session, session.trainee, *values))


def load_sessions(path: Path, trainee: str | None = None) -> tuple[Session, ...]:
    """All sessions, oldest first, of one trainee or of everybody; empty when there is no history. Raises OutputError."""
    if not path.exists():
        return ()
    with _open(path) as base:
        found = base.execute("SELECT * FROM sessions ORDER BY date, session, trainee").fetchall()
        return tuple(
            Session(row[0], row[1], row[2], row[3], row[4], row[5], SessionRows(
                _rows(base, FilmRow, "films", row), _rows(base, SkillRow, "skills", row), _rows(base, TargetRow, "targets", row)))
            for row in found if trainee is None or row[1] == trainee)


def trainees(path: Path) -> tuple[str, ...]:
    """Everybody in the history, in order of name."""
    if not path.exists():
        return ()
    with _open(path) as base:
        return tuple(row[0] for row in base.execute("SELECT DISTINCT trainee FROM sessions ORDER BY trainee"))


def delete_trainee(path: Path, trainee: str) -> int:
    """Removes everything about a person, from the free pages of the file too; how many sessions went. Raises OutputError."""
    with _open(path) as base:
        count = int(base.execute("SELECT COUNT(*) FROM sessions WHERE trainee = ?", (trainee,)).fetchone()[0])
        _delete(base, "trainee = ?", (trainee,))
    with _open(path) as base:
        base.commit()
        base.execute("VACUUM")
    return count


def _delete(base: sqlite3.Connection, where: str, values: tuple[str, ...]) -> None:
    for table in ("sessions", *_TABLES):
        base.execute(f"DELETE FROM {table} WHERE {where}", values)


def _rows(base: sqlite3.Connection, kind: type[Row], table: str, session: tuple[Any, ...]) -> tuple[Row, ...]:
    found = base.execute(f"SELECT * FROM {table} WHERE session = ? AND trainee = ? ORDER BY rowid", (session[0], session[1]))
    truths = [f.type == "bool" for f in fields(kind)]
    values: Iterator[list[Any]] = ([bool(v) if truth else v for v, truth in zip(row[2:], truths, strict=True)] for row in found)
    return tuple(kind(*row) for row in values)


@contextmanager
def _open(path: Path) -> Iterator[sqlite3.Connection]:
    """The open history, committed when the block ends well. Raises OutputError when it is not a history of this version."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        base = sqlite3.connect(path, timeout=10)
        try:
            _prepare(base, path)
            with base:
                yield base
        finally:
            base.close()
    except OSError as problem:
        raise OutputError(str(path), f"cannot be opened ({problem.strerror or problem}); choose another file with --db") from problem
    except sqlite3.Error as problem:
        raise OutputError(str(path), f"is not a usable practice history ({problem}); choose another file with --db") from problem


def _prepare(base: sqlite3.Connection, path: Path) -> None:
    version = int(base.execute("PRAGMA user_version").fetchone()[0])
    if version > SCHEMA:
        raise OutputError(str(path), f"was written by a newer version (history {version}); update rtscan or choose another file with --db")
    if version == SCHEMA:
        return
    with base:
        base.execute("CREATE TABLE IF NOT EXISTS sessions (session TEXT, trainee TEXT, date TEXT, level INTEGER, technique TEXT, "
                     "criteria TEXT, PRIMARY KEY (session, trainee))")
        for table, kind in _TABLES.items():
            columns = ", ".join(f"{f.name} {_KINDS[str(f.type)]}" for f in fields(kind))
            base.execute(f"CREATE TABLE IF NOT EXISTS {table} (session TEXT, trainee TEXT, {columns})")
        base.execute(f"PRAGMA user_version = {SCHEMA}")
