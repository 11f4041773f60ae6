"""The state of a set run: survives, locks, complains when damaged."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from rtscan.errors import ListError
from rtscan.filmset.state import FilmState, open_state

DONE = FilmState("f" * 64, "read", "", {"a.worksheet.json": "0" * 64}, 1.5)


def test_what_was_recorded_is_there_next_time(tmp_path: Path) -> None:
    with open_state(tmp_path / "new") as state:
        assert state.films() == {}
        state.record("a.tif", DONE)
        state.record("b.tif", DONE)
    with open_state(tmp_path / "new") as state:
        assert state.films() == {"a.tif": DONE, "b.tif": DONE}
        state.keep_only(frozenset({"b.tif"}))
        assert state.films() == {"b.tif": DONE}


def test_a_second_run_says_so_and_stops(tmp_path: Path) -> None:
    code = ("import sys, pathlib\nfrom rtscan.filmset.state import open_state\nfrom rtscan.errors import ListError\n"
            "try:\n    open_state(pathlib.Path(sys.argv[1])).__enter__()\nexcept ListError as problem:\n    print(problem); sys.exit(2)\n")
    with open_state(tmp_path):
        second = subprocess.run([sys.executable, "-c", code, str(tmp_path)], capture_output=True, text=True, timeout=60, check=False)
    assert second.returncode == 2
    assert "is in use by another set run" in second.stdout


def test_a_damaged_state_file_is_named(tmp_path: Path) -> None:
    (tmp_path / "set.sqlite").write_bytes(b"no database at all, but long enough to be read as one" * 20)
    with pytest.raises(ListError, match=r"set\.sqlite: is damaged"), open_state(tmp_path):
        pass


def test_what_a_killed_run_left_half_written_is_removed_and_nothing_else(tmp_path: Path) -> None:
    (tmp_path / ".0a1b2c3d.film.annotated.png").write_bytes(b"half a picture")
    others = [tmp_path / name for name in (".hidden", ".0a1b2c3.film.png", "0a1b2c3d.film.png", ".0A1B2C3D.film.png")]
    for path in others:
        path.write_bytes(b"somebody's")
    with open_state(tmp_path):
        assert not (tmp_path / ".0a1b2c3d.film.annotated.png").exists()
        assert all(path.exists() for path in others)
