"""A set read by the command: resumed, killed, changed, confirmed by a reader, half broken. Slow: films are made and read."""

from __future__ import annotations

import csv
import io
import json
import runpy
import shutil
import sqlite3
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rtscan.cli.main import main

pytestmark = pytest.mark.slow
KILL_SET = runpy.run_path(str(Path(__file__).parents[2] / "scripts" / "kill_set"))


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("films")
    KILL_SET["make_set"](folder, 12, 20260525)
    return folder


@pytest.fixture
def four(made: Path, tmp_path: Path) -> Path:
    """A folder of four films, one weld, with its set."""
    for path in sorted(made.glob("film-000[0-3]*")):
        shutil.copy(path, tmp_path)
    rows = list(csv.reader(io.StringIO((made / "set.csv").read_text())))
    with (tmp_path / "set.csv").open("w", newline="") as stream:
        csv.writer(stream).writerows(rows[:5])
    return tmp_path


def score(folder: Path, *more: str) -> int:
    return main(["score", str(folder / "set.csv"), "--out", str(folder / "out"), "--workers", "1", *more])


def seconds_of(folder: Path) -> dict[str, float]:
    with sqlite3.connect(folder / "out" / "set.sqlite") as state:
        return dict(state.execute("SELECT file, seconds FROM films"))


def test_killed_at_random_moments_the_end_is_that_of_an_unbroken_run(made: Path, tmp_path: Path) -> None:
    rng = np.random.default_rng(17)
    shutil.copytree(made, tmp_path / "films")
    film_set = tmp_path / "films" / "set.csv"
    seconds, _ = KILL_SET["measured_run"](film_set, tmp_path / "whole", 2)
    killed = KILL_SET["run_killed"](film_set, tmp_path / "killed", 2, 3, seconds / 3, rng)
    assert killed == 3
    assert KILL_SET["contents"](tmp_path / "killed") == KILL_SET["contents"](tmp_path / "whole")


def test_nothing_is_read_twice_and_changes_are_noticed(four: Path) -> None:
    assert score(four) == 0
    first = seconds_of(four)
    assert score(four) == 0
    assert seconds_of(four) == first
    sheet = four / "film-0002.job.toml"
    sheet.write_text(sheet.read_text().replace("wall_mm = 8.0", "wall_mm = 8.5"))
    (four / "out" / "film-0003.worksheet.html").unlink()
    assert score(four) == 0
    again = seconds_of(four)
    assert {file for file in first if again[file] != first[file]} == {"film-0002.tif", "film-0003.tif"}
    assert json.loads((four / "out" / "film-0002.worksheet.json").read_text())["weld"]["wall_mm"] == 8.5


def test_a_bad_film_is_an_outcome(four: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (four / "film-0001.tif").write_bytes((four / "film-0001.tif").read_bytes()[:5000])
    assert score(four) == 2
    assert "film-0001.tif" in capsys.readouterr().err
    rows = json.loads((four / "out" / "set.json").read_text())["films"]
    assert [row["verdict"] == "failed" for row in rows] == [False, True, False, False]
    assert (four / "out" / "B-000.weld.json").exists()


def test_a_reading_confirmed_by_a_reader_is_never_written_over(four: Path) -> None:
    assert score(four) == 0
    path = four / "out" / "film-0001.worksheet.json"
    sheet: dict[str, Any] = json.loads(path.read_text())
    sheet["reader"] = {"name": "R. Invented", "level": "II", "date": "2026-05-04", "changed": [], "closed": []}
    sheet["indications"] = [{"id": 1, "tone": "dark", "type": "longitudinal crack", "iso6520": "101", "along_mm": 80.0, "across_mm": 0.0,
                             "length_mm": 7.0, "width_mm": 0.4, "angle_deg": 0.0}]
    path.write_text(json.dumps(sheet))
    kept = path.read_bytes()
    job = four / "film-0001.job.toml"
    job.write_text(job.read_text() + '\n[acceptance]\ncriteria = "api-1104"\n')
    assert score(four) == 0
    assert path.read_bytes() == kept
    row = json.loads((four / "out" / "set.json").read_text())["films"][1]
    assert (row["confirmed_by"], row["verdict"]) == ("R. Invented", "reject")
    weld = json.loads((four / "out" / "B-000.weld.json").read_text())
    assert any(i["type"] == "longitudinal crack" and i["film"] == "film-0001.tif" for i in weld["indications"])


def test_unsigned_changes_in_a_table_are_set_aside_not_lost(four: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert score(four) == 0
    table = four / "out" / "film-0001.worksheet.csv"
    table.write_bytes(table.read_bytes() + b"9,gas pore,2011,80,0,1,1\r\n")
    assert score(four) == 0
    assert (four / "out" / "unsigned-film-0001.worksheet.csv").read_bytes().endswith(b"9,gas pore,2011,80,0,1,1\r\n")
    assert "set aside" in capsys.readouterr().err


def test_two_processes_give_the_same_as_one(four: Path) -> None:
    assert score(four) == 0
    assert main(["score", str(four / "set.csv"), "--out", str(four / "two"), "--workers", "2"]) == 0
    assert KILL_SET["contents"](four / "two") == KILL_SET["contents"](four / "out")


def test_a_dask_cluster_of_two_workers_gives_the_same(four: Path) -> None:
    distributed = pytest.importorskip("distributed")
    assert score(four) == 0
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None, silence_logs=50) as cluster:
        assert main(["score", str(four / "set.csv"), "--out", str(four / "spread"), "--scheduler", cluster.scheduler_address]) == 0
    assert KILL_SET["contents"](four / "spread") == KILL_SET["contents"](four / "out")


def test_no_scheduler_there_is_one_clear_line(four: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert score(four, "--scheduler", "tcp://127.0.0.1:1") == 2
    error = capsys.readouterr().err.strip().splitlines()
    assert len(error) == 1
    assert "is not a scheduler that answers" in error[0]


def test_the_page_loads_nothing_and_escapes_names(four: Path) -> None:
    rows = list(csv.reader(io.StringIO((four / "set.csv").read_text())))
    for row in rows[1:]:
        row[1] = "<script>alert(1)</script>"
    with (four / "set.csv").open("w", newline="") as stream:
        csv.writer(stream).writerows(rows)
    assert score(four) == 0
    page = (four / "out" / "set.html").read_text()
    assert "<script>alert" not in page
    assert "http://" not in page.replace("http://www.w3.org/2000/svg", "")
    assert "https://" not in page
    assert (four / "out" / "_script_alert_1___script_.weld.json").exists()
