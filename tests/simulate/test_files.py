"""Recipes read, refused and written; the command."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import tifffile

from rtscan.cli.main import main
from rtscan.errors import RecipeError
from rtscan.job import Job
from rtscan.simulate.files import load_recipe, load_recipes
from rtscan.simulate.groove import cap_width_mm

SMALL = """
name = "small"
seed = 4
[film]
width_mm = 40
height_mm = 25
[scan]
pixels_per_mm = 10
[weld]
wall_mm = 8
[exposure]
kv = 180
[[imperfections]]
type = "gas pore"
along_mm = 120
length_mm = 2
"""


def write(folder: Path, text: str) -> Path:
    path = folder / "recipe.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_film_key_and_job(tmp_path: Path) -> None:
    assert main(["simulate", str(write(tmp_path, SMALL)), "--out", str(tmp_path / "out")]) == 0
    film = tifffile.imread(tmp_path / "out" / "small.tif")
    assert film.shape == (250, 400)
    assert film.dtype == np.uint16
    key = json.loads((tmp_path / "out" / "small.key.json").read_text(encoding="utf-8"))
    assert [i["type"] for i in key["indications"]] == ["gas pore"]
    assert {"recipe", "visible_contrast", "detectability", "true_outline_px", "depth_mm"} <= key["indications"][0].keys()
    import tomllib

    job = Job.model_validate(tomllib.loads((tmp_path / "out" / "small.job.toml").read_text(encoding="utf-8")))
    assert job.film.pixels_per_mm == 10
    assert job.exposure.kv == 180
    assert job.weld.cap_width_mm == pytest.approx(cap_width_mm(load_recipe(tmp_path / "recipe.toml").weld), abs=0.051)  # to a tenth


def test_same_seed_same_bytes(tmp_path: Path) -> None:
    recipe = write(tmp_path, SMALL)
    for name in ("a", "b", "c"):
        assert main(["simulate", str(recipe), "--seed", "8" if name == "c" else "7", "--out", str(tmp_path / name)]) == 0
    films = [(tmp_path / name / "small.tif").read_bytes() for name in ("a", "b", "c")]
    assert films[0] == films[1] != films[2]
    assert (tmp_path / "a" / "small.key.json").read_bytes() == (tmp_path / "b" / "small.key.json").read_bytes()


def test_a_flaw_off_the_film_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    recipe = write(tmp_path, SMALL.replace("along_mm = 120", "along_mm = 900"))
    assert main(["simulate", str(recipe), "--out", str(tmp_path / "out")]) == 0
    assert "imperfection 1 (gas pore) does not lie on the film" in capsys.readouterr().err


def test_every_mistake_in_one_go(tmp_path: Path) -> None:
    text = SMALL.replace("wall_mm = 8", "wall_mm = -8\nwal = 3").replace('"gas pore"', '"gas poor"')
    with pytest.raises(RecipeError) as caught:
        load_recipe(write(tmp_path, text))
    lines = str(caught.value)
    assert len(caught.value.problems) == 3
    assert "weld.wal is not a key of a recipe; the nearest known key is wall_mm" in lines
    assert "weld.wall_mm" in lines
    assert "imperfections.0.type" in lines


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[weld", "not valid TOML"),
        ('name = "a/b"', "file name"),
        ("[exposure]\ntechnique = 'DWSI'", "needs a pipe"),
        ("[[iqi]]\nset = 'W11'", "wire set"),
        ("[weld]\nod_mm = 20\nwall_mm = 10", "thicker than the pipe"),
        ("[film]\nwidth_mm = 450\nheight_mm = 450\n[scan]\npixels_per_mm = 60", "megapixels"),
        ("[set]\ncount = 2", "random set"),
    ],
)
def test_bad_recipes(tmp_path: Path, text: str, says: str) -> None:
    with pytest.raises(RecipeError, match=says):
        load_recipe(write(tmp_path, text))


def test_missing_recipe_is_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["simulate", str(tmp_path / "none.toml")]) == 2
    lines = capsys.readouterr().err.strip().splitlines()
    assert len(lines) == 1
    assert lines[0].startswith("error: ")


def test_random_set_keeps_what_the_file_fixes(tmp_path: Path) -> None:
    text = (
        '[set]\ncount = 12\nlevel = 2\ntechnique = ["DWSI", "panoramic"]\nname = "yard"\n'
        '[weld]\nod_mm = 219.1\nwall_mm = 8.18\nname = "B-9"\n'
    )
    path = write(tmp_path, text)
    recipes = load_recipes(path, np.random.default_rng(3))
    assert [r.name for r in recipes] == [f"yard-{k:02d}" for k in range(1, 13)]
    assert {r.weld.name for r in recipes} == {"B-9"}
    assert {r.weld.od_mm for r in recipes} == {219.1}
    assert recipes == load_recipes(path, np.random.default_rng(3))
    assert len({r.exposure.technique for r in recipes}) == 2


def test_every_drawn_film_is_a_weld_of_its_own(tmp_path: Path) -> None:
    recipes = load_recipes(write(tmp_path, '[set]\ncount = 7\nname = "yard"\n'), np.random.default_rng(3))
    assert len({r.weld.name for r in recipes}) == 7
