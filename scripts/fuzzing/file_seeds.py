"""Intact job sheet, set, lists, criteria, worksheets, weld document and recipe, to be damaged."""

from __future__ import annotations

import re
import shutil
from importlib import resources
from pathlib import Path

from fuzzing.checks import quiet
from fuzzing.film_seeds import films
from rtscan.cli.main import main as rtscan

JOB = """[film]
pixels_per_mm = 6.0
look = "dense-bright"
grey_is = "density"
grey_to_density = [[0, 4.5], [65535, 0.0]]
segment = "0-1"
date = 2026-05-04
[weld]
name = "W-1"
wall_mm = 8.0
joint = "plate"
length_mm = 40.0
cap_width_mm = 8.0
welders = ["A1"]
[exposure]
technique = "SWSI"
source = "Se-75"
focal_mm = 2.0
source_to_film_mm = 600.0
object_to_film_mm = 10.0
[location]
downstream_is = "up"
station_at_left_mm = 0.0
[testing]
standard = "iso-17636-1"
class = "B"
[iqi]
kind = "ISO-wire"
set = "W10"
[acceptance]
criteria = "iso-10675-1-level-2"
"""
RECIPE = """name = "one"
seed = 3
[film]
width_mm = 30.0
height_mm = 20.0
[scan]
pixels_per_mm = 6.0
[weld]
name = "S-1"
wall_mm = 8.0
[exposure]
technique = "SWSI"
kv = 160.0
[[letters]]
text = "A1"
along_mm = 0.0
across_mm = 8.0
height_mm = 3.0
[[imperfections]]
type = "gas pore"
along_mm = 120.0
"""
HAND = """id,type,iso6520,along_mm,across_mm,length_mm,width_mm,height_mm,angle_deg,surface,note
1,gas pore,2011,12.5,0.5,1.8,1.6,,0,false,seen
2,,401,30.0,1.5,6.0,0.6,1.0,10,,"edge, faint"
"""
SET = (
    "file,weld,film,shot,job,station_at_left_mm,station_at_right_mm,date,welder_root\n"
    "film.tif,W-1,1,,job.toml,0,40,2026-05-04,A1\nbad.tif,W-1,2,,,40,80,,B2\n"
)


def own_criteria() -> str:
    """A user's own criteria file: a shipped one without its variants."""
    table = resources.files("rtscan.acceptance").joinpath("tables", "b31.1@2020.toml").read_text("utf-8")
    return re.sub(r"\[variant\.[^\n]*\n(?:[^\n]+\n)*", "", 'title = "House rules"\n' + table)


def seeds(folder: Path) -> dict[str, bytes]:
    """Valid files of every kind, made by the commands themselves from a small film whose job sheet names a hostile weld."""
    (folder / "film.tif").write_bytes(films()["tif"])
    (folder / "job.toml").write_text(JOB)
    (folder / "bad.tif").write_bytes(b"")
    (folder / "set.csv").write_text(SET)
    (folder / "hand.csv").write_text(HAND)
    (folder / "own.toml").write_text(own_criteria())
    (folder / "recipe.toml").write_text(RECIPE)
    with quiet() as _:
        rtscan(["score", str(folder / "set.csv"), "--workers", "1", "--out", str(folder / "out")])
        rtscan(["judge", str(folder / "hand.csv"), "--job", str(folder / "job.toml"), "--out", str(folder / "out")])
    for name in ("hand.worksheet.json", "hand.worksheet.csv", "hand.worksheet.xlsx", "film.worksheet.json", "W-1.weld.json"):
        shutil.copy(folder / "out" / name, folder / name)
    shutil.rmtree(folder / "out")
    return {path.name: path.read_bytes() for path in folder.iterdir()}
