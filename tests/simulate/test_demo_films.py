"""The demo set: recipes, keys, job sheets, film set and manifest belong together, and a film comes out as the manifest says."""

from __future__ import annotations

import csv
import importlib.util
import json
import os
import subprocess
import sys
import tomllib
from importlib.machinery import SourceFileLoader
from pathlib import Path

import numpy as np
import pytest
import tifffile

from rtscan.job import Job
from rtscan.simulate.files import load_recipe, simulate, write_film

ROOT = Path(__file__).resolve().parents[2]
FOLDER = ROOT / "synthetic_films"
RECIPES = sorted(p for p in FOLDER.glob("BF-*.toml") if not p.name.endswith(".job.toml"))


def script() -> object:
    """scripts/make_demo_films as a module."""
    loader = SourceFileLoader("make_demo_films", str(ROOT / "scripts" / "make_demo_films"))
    spec = importlib.util.spec_from_loader("make_demo_films", loader)
    assert spec is not None
    module = importlib.util.module_from_spec(spec)
    loader.exec_module(module)
    return module


def test_eight_films_with_all_their_files() -> None:
    manifest = json.loads((FOLDER / "manifest.json").read_text(encoding="utf-8"))["films"]
    assert len(RECIPES) == 8
    assert set(manifest) == {p.stem for p in RECIPES}
    with (FOLDER / "brannefoss.csv").open(encoding="utf-8") as table:
        rows = list(csv.DictReader(table))
    assert [row["file"] for row in rows] == [f"{p.stem}.tif" for p in RECIPES]
    for recipe in RECIPES:
        assert load_recipe(recipe).name == recipe.stem
        key = json.loads((FOLDER / f"{recipe.stem}.key.json").read_text(encoding="utf-8"))
        assert key["film"]["sha256"] == manifest[recipe.stem]["sha256"]
        assert key["simulated"] is True
        Job.model_validate(tomllib.loads((FOLDER / f"{recipe.stem}.job.toml").read_text(encoding="utf-8")))


def test_what_the_set_must_show() -> None:
    keys = {p.stem: json.loads((FOLDER / f"{p.stem}.key.json").read_text(encoding="utf-8")) for p in RECIPES}
    types = {stem: {i["type"] for i in key["indications"]} for stem, key in keys.items()}
    wanted = {"protruding filler wire", "missed tie-in", "tungsten inclusion", "gas pore", "missed bevel edge"}
    assert wanted <= set().union(*types.values())
    assert {"continuous excess penetration", "local excess penetration"} <= types["BF-05"]
    assert types["BF-04"] == set()


@pytest.mark.slow
def test_a_film_is_as_the_manifest_says(tmp_path: Path) -> None:
    """The same pinned versions give the same bytes; elsewhere rounding only, as the script checks it."""
    tool = script()
    recipe = load_recipe(FOLDER / "BF-05.toml")
    (film,) = simulate(recipe, np.random.default_rng(recipe.seed))
    written = write_film(film, tmp_path)
    known = json.loads((FOLDER / "manifest.json").read_text(encoding="utf-8"))["films"]["BF-05"]
    assert tool.differences(known, tool.facts(written.film)) is None


@pytest.mark.slow
def test_another_processor_makes_the_same_films(tmp_path: Path) -> None:
    """Without wide and fused instructions: at most one grey level on at most 0.1 % of the pixels, over every whole film."""
    tool = script()
    command = [sys.executable, str(ROOT / "scripts" / "make_demo_films"), "--into", str(tmp_path)]
    subprocess.run(command, env=os.environ | tool.PLAIN_PROCESSOR, check=True, capture_output=True)
    for path in RECIPES:
        recipe = load_recipe(path)
        usual = simulate(recipe, np.random.default_rng(recipe.seed))[0].grey.astype(int)
        plain = tifffile.imread(tmp_path / f"{recipe.name}.tif").astype(int)
        off = np.abs(plain - usual)
        assert off.max() <= 1, recipe.name
        assert np.mean(off > 0) <= 0.001, recipe.name


def test_the_manifest_check_can_fail() -> None:
    """Two grey levels on one pixel in a thousand, or a shifted tile, are found."""
    tool = script()
    known = json.loads((FOLDER / "manifest.json").read_text(encoding="utf-8"))["films"]["BF-05"]
    other = known | {"sha256": "0"}
    assert tool.differences(known, other) is None
    sums = [s + 5_000 for s in known["tile_sums"]]
    assert "tiles" in str(tool.differences(known, other | {"tile_sums": sums}))
    assert tool.differences(known, other | {"size_px": [1, 1]}) == "another size"
