"""A film that may not be judged, judged anyway: every output says so, also the list that holds nothing but indications."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import openpyxl
import pytest

from rtscan.cli.main import main
from rtscan.record_lists.indications import read_indications
from rtscan.simulate.files import write_film
from rtscan.simulate.recipe import Recipe
from rtscan.simulate.render import render

pytestmark = pytest.mark.slow


def test_every_output_is_stamped(tmp_path: Path) -> None:
    """Density 1.2 where class A asks for 2.0; the picture is left out here, its heading is the verdict's sentence."""
    recipe = Recipe.model_validate({
        "name": "thin", "film": {"width_mm": 110.0, "height_mm": 76.0, "density": 1.2}, "weld": {"wall_mm": 8.0}, "iqi": [{"set": "W10"}],
        "exposure": {"technique": "SWSI", "source": "x-ray", "kv": 160.0, "source_to_film_mm": 700.0},
        "testing": {"standard": "iso-17636-1", "class": "A"}, "imperfections": [{"type": "gas pore", "along_mm": 150.0, "length_mm": 2.0}],
    })
    files = write_film(render(recipe, np.random.default_rng(3)), tmp_path)
    arguments = ["read", str(files.film), "--job", str(files.job), "--criteria", "iso-10675-1-level-2", "--out", str(tmp_path / "out")]
    assert main([*arguments, "--judge-anyway"]) == 0
    for ending in ("json", "html", "csv"):
        assert "judged anyway" in (tmp_path / "out" / f"thin.worksheet.{ending}").read_text("utf-8").lower(), ending
    book = openpyxl.load_workbook(tmp_path / "out" / "thin.worksheet.xlsx")
    assert any("JUDGED ANYWAY" in str(cell.value) for sheet in book for row in sheet.iter_rows() for cell in row)
    rows = read_indications(tmp_path / "out" / "thin.worksheet.csv").indications
    assert rows
    assert all("judged anyway" in row.note for row in rows)
    assert main(arguments) == 0
    assert "judged anyway" not in (tmp_path / "out" / "thin.worksheet.csv").read_text("utf-8")
