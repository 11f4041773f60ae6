"""The history file: kept, replaced, exported row by row, a person's data deleted for good."""

from __future__ import annotations

import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest

from rtscan.errors import OutputError
from rtscan.practise.history import Session, default_path, delete_trainee, load_sessions, save_session, trainees
from rtscan.practise.rows import FilmRow, SessionRows, SkillRow, TargetRow

ROWS = SessionRows(
    (FilmRow("f", "accept", "", True, 8.0, 10.0, True, 1, 2, 1, 8, 1, None),), (SkillRow("f", "seeing", 2.0, 4.0),),
    (TargetRow("f", "G1", "gas pore", "2011", "pore", None, 20.0, True, False, True, "named", "2011", "pore", 0.5, None, 1.0),))
FIRST = Session("s1", "Trainee One", "2026-03-01", 2, "SWSI", "iso-10675-1-level-1", ROWS)


def test_sessions_come_back_as_they_were_oldest_first(tmp_path: Path) -> None:
    path = tmp_path / "deep" / "h.sqlite"
    second = replace(FIRST, session="s0", date="2026-04-01", trainee="Trainee Two")
    save_session(path, second)
    save_session(path, FIRST)
    assert load_sessions(path) == (FIRST, second)
    assert load_sessions(path, "Trainee Two") == (second,)
    assert trainees(path) == ("Trainee One", "Trainee Two")


def test_grading_again_replaces_the_earlier_grade(tmp_path: Path) -> None:
    path = tmp_path / "h.sqlite"
    save_session(path, FIRST)
    better = replace(FIRST, rows=replace(ROWS, targets=()))
    save_session(path, better)
    assert load_sessions(path) == (better,)


def test_a_person_is_deleted_from_the_bytes_of_the_file(tmp_path: Path) -> None:
    path = tmp_path / "h.sqlite"
    save_session(path, FIRST)
    save_session(path, replace(FIRST, trainee="Somebody Else"))
    assert delete_trainee(path, "Trainee One") == 1
    assert trainees(path) == ("Somebody Else",)
    assert b"Trainee One" not in path.read_bytes()
    assert delete_trainee(path, "Trainee One") == 0


def test_no_history_is_a_normal_answer(tmp_path: Path) -> None:
    assert load_sessions(tmp_path / "none.sqlite") == ()
    assert trainees(tmp_path / "none.sqlite") == ()
    assert not (tmp_path / "none.sqlite").exists()
    assert default_path().name == "practice.sqlite"


def test_other_files_are_refused_in_one_line(tmp_path: Path) -> None:
    path = tmp_path / "h.sqlite"
    path.write_bytes(b"not a database at all, but long enough to be looked at" * 20)
    with pytest.raises(OutputError, match="not a usable practice history"):
        load_sessions(path)
    newer = tmp_path / "newer.sqlite"
    base = sqlite3.connect(newer)
    base.execute("PRAGMA user_version = 99")
    base.close()
    with pytest.raises(OutputError, match="newer version"):
        save_session(newer, FIRST)
