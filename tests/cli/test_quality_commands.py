"""`rtscan quality` and `rtscan calibrate` on the command line."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile

from rtscan.cli.main import main


def film(path: Path) -> Path:
    """A weld and a letter-like block on an 8-bit film; no wires, no calibration."""
    y = np.arange(600)[:, None]
    picture = 60 + 90 * np.exp(-(((y - 300) / 60.0) ** 4)) + np.random.default_rng(1).normal(0, 2, (600, 1600))
    picture[30:80, 100:120] = 230
    cv2.imwrite(str(path), np.clip(picture, 1, 254).astype(np.uint8))
    return path


def test_quality_writes_its_record_and_page(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = film(tmp_path / "a<b>.png")
    (tmp_path / "job.toml").write_text(
        "[film]\npixels_per_mm = 20.0\n[iqi]\nkind = 'ISO-wire'\nset = 'W10'\n[weld]\nwall_mm = 8\n"
        "[testing]\nstandard = 'iso-17636-1'\nclass = 'A'\n[exposure]\ntechnique = 'SWSI'\nsource = 'Se-75'\n")
    assert main(["quality", str(path), "--job", str(tmp_path / "job.toml"), "--out", str(tmp_path / "out")]) == 0
    record = json.loads((tmp_path / "out" / "a<b>.quality.json").read_text())
    assert record["schema"] == "rtscan/quality/1"
    assert record["quality"]["readable"] is False
    assert isinstance(record["objects"], list)
    results = {c["name"]: c["result"] for c in record["quality"]["checks"]}
    assert results["wire seen"] == "fail"
    assert results["least density"] == "not assessed"
    page = (tmp_path / "out" / "a<b>.quality.html").read_text()
    assert "a&lt;b&gt;.png" in page
    assert "a<b>" not in page
    assert "http-equiv" in page
    assert 'src="http' not in page
    assert "may not be judged: wire seen" in capsys.readouterr().out


def test_a_bad_film_is_one_line_and_the_others_go_on(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    good = film(tmp_path / "good.png")
    (tmp_path / "bad.png").write_bytes(b"no")
    assert main(["quality", str(tmp_path / "bad.png"), str(good), "--out", str(tmp_path)]) == 2
    said = capsys.readouterr()
    assert said.err.count("error: ") == 1
    assert (tmp_path / "good.quality.json").is_file()


def test_a_film_with_too_many_pixels_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["quality", str(film(tmp_path / "large.png")), "--max-megapixels", "0.01", "--out", str(tmp_path)]) == 2
    assert "raise --max-megapixels" in capsys.readouterr().err


def test_two_films_of_one_name_are_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "x").mkdir()
    assert main(["quality", str(film(tmp_path / "a.png")), str(film(tmp_path / "x" / "a.png"))]) == 2
    assert str(tmp_path / "x" / "a.png") in capsys.readouterr().err


@pytest.mark.parametrize("steps", ["0.1,1.0,2.0,3.0", "0,1;1,0;2,0;3,0"])
def test_calibrate_prints_a_table_for_the_job_sheet(tmp_path: Path, capsys: pytest.CaptureFixture[str], steps: str) -> None:
    import tomllib

    grey = np.tile(np.repeat([60000, 45000, 30000, 15000], 60), (60, 1)).astype(np.uint16)
    tifffile.imwrite(tmp_path / "t.tif", grey)
    assert main(["calibrate", str(tmp_path / "t.tif"), "--steps", steps]) == 0
    table = tomllib.loads(capsys.readouterr().out)["film"]["grey_to_density"]
    assert table == [[15000.0, 3.0], [30000.0, 2.0], [45000.0, 1.0], [60000.0, 0.1]]


def test_calibrate_says_what_is_wrong(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    tifffile.imwrite(tmp_path / "t.tif", np.zeros((60, 60), np.uint16))
    assert main(["calibrate", str(tmp_path / "t.tif"), "--steps", "0.1,x"]) == 2
    assert main(["calibrate", str(tmp_path / "t.tif"), "--steps", "0.1,1,2"]) == 2
    assert capsys.readouterr().err.count("error: ") == 2
