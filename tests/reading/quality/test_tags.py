"""Tags of a DICONDE file fill the job sheet's gaps and never overrule it (contract: the job sheet wins, differences are reported)."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from rtscan.errors import JobError
from rtscan.film import Film
from rtscan.findings import FilmFacts
from rtscan.job import Job, load_job
from rtscan.reading.quality.tags import tag_checks, with_tags

TAGS = {"material thickness mm": "12.7", "outer diameter mm": "168.3", "source to film mm": "700", "kvp": "160", "focal spot mm": "1.5",
        "material grade": "P265GH"}


def film(**tags: str) -> Film:
    said = TAGS | {name.replace("_", " "): value for name, value in tags.items()}
    return Film(FilmFacts(), np.zeros((20, 30), np.float32), np.ones((20, 30), bool), said)


def job(**sections: dict[str, object]) -> Job:
    return Job.model_validate(sections)


def test_a_silent_sheet_is_filled() -> None:
    filled = with_tags(job(), film())
    assert (filled.weld.wall_mm, filled.weld.od_mm, filled.weld.material) == (12.7, 168.3, "P265GH")
    assert (filled.exposure.source_to_film_mm, filled.exposure.kv, filled.exposure.focal_mm) == (700.0, 160.0, 1.5)
    assert filled.exposure.source == "x-ray"
    (line,) = tag_checks(film(), filled)
    assert (line.result, line.required) == ("pass", False)


def test_the_sheet_wins_and_the_difference_is_reported() -> None:
    sheet = job(weld={"wall_mm": 8.0}, exposure={"source": "Ir-192"})
    filled = with_tags(sheet, film())
    assert filled.weld.wall_mm == 8.0
    assert filled.exposure.kv is None  # an isotope has no tube voltage
    (line,) = tag_checks(film(), filled)
    assert (line.result, line.measured) == ("fail", 1)
    assert "12.7 in the file, weld.wall_mm 8 in the job sheet" in line.says


def test_a_plate_gets_no_diameter() -> None:
    assert with_tags(job(weld={"joint": "plate"}), film()).weld.od_mm is None


@pytest.mark.parametrize("text", ["", "-3", "nan", "inf", "twelve", "0"])
def test_a_tag_that_is_no_size_is_left_alone(text: str) -> None:
    assert with_tags(job(), film(material_thickness_mm=text)).weld.wall_mm is None


def test_no_tags_no_line() -> None:
    bare = Film(FilmFacts(), np.zeros((20, 30), np.float32), np.ones((20, 30), bool))
    assert with_tags(job(), bare) == job()
    assert tag_checks(bare, job()) == []


def test_a_diameter_that_the_set_up_needs_may_stand_in_the_file_alone(tmp_path: Path) -> None:
    """Shot through both walls: without a diameter in sheet or file there is no reading, and the line names the film."""
    path = tmp_path / "job.toml"
    path.write_text("[exposure]\ntechnique = 'DWSI'\n", encoding="utf-8")
    sheet = load_job(path, film_may_tell=True)
    assert with_tags(sheet, film()).weld.od_mm == 168.3
    with pytest.raises(JobError, match=r"a\.dcm: .*needs weld\.od_mm"):
        with_tags(sheet, replace(film(outer_diameter_mm="?"), facts=FilmFacts(file="a.dcm")))
    with pytest.raises(JobError, match=r"job\.toml: .*needs weld\.od_mm"):
        load_job(path)


def test_the_component_names_a_weld_without_a_name_and_contradicts_none() -> None:
    """A person's name in that tag is written with carets (DICOM PS3.5, 6.2); a component may hold many welds."""
    tagged = film(component_name="Spool^17", component_id="S17")
    assert with_tags(job(), tagged).weld.name == "Spool 17"
    named = with_tags(job(weld={"name": "W-3"}), tagged)
    assert named.weld.name == "W-3"
    (line,) = tag_checks(tagged, named)
    assert line.result == "pass"
    assert "component" not in line.says
