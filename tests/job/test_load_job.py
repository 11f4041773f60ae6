"""The job sheet: every mistake reported at once, hints, pipe sizes, overrides, hash."""

from __future__ import annotations

import time
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rtscan.errors import JobError
from rtscan.job import Job, job_sha256, load_job


def sheet(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "job.toml"
    path.write_text(text, encoding="utf-8")
    return path


def mistakes(tmp_path: Path, text: str) -> tuple[str, ...]:
    with pytest.raises(JobError) as caught:
        load_job(sheet(tmp_path, text))
    return caught.value.problems


CONTRACT = """
[film]
pixels_per_mm = 20.0
look = "auto"
grey_is = "density"
grey_to_density = [[0, 4.5], [65535, 0.0]]
segment = "0-1"
shot = ""
class = "C4"
date = 2026-05-04
quality_vouched_by = ""
[weld]
name = "W-017"
nps = "6"
schedule = "40"
joint = "girth"
preparation = "V 60"
cap_width_mm = 12.0
length_mm = 528.7
centreline_px = []
material = "carbon steel"
welders = ["A1"]
[exposure]
technique = "DWSI"
source = "Se-75"
focal_mm = 2.0
source_to_film_mm = 600.0
object_to_film_mm = 10.0
[location]
datum = "punch mark at top"
datum_clock = "12:00"
looking = "downstream"
direction = "clockwise"
downstream_is = "up"
seen_from = "outside"
station_at_left_mm = 0.0
[testing]
standard = "iso-17636-1"
class = "B"
[iqi]
kind = "ISO-wire"
set = "W10"
side = "film"
required_wire = 13
[acceptance]
criteria = "iso-10675-1-level-2"
"""


def test_the_job_sheet_of_the_contract(tmp_path: Path) -> None:
    job = load_job(sheet(tmp_path, CONTRACT))
    assert (job.weld.od_mm, job.weld.wall_mm) == (168.3, 7.11)
    assert job.film.grey_to_density == ((0, 4.5), (65535, 0.0))
    assert job.film.class_ == "C4"
    assert job.film.date is not None
    assert job.film.date.isoformat() == "2026-05-04"
    assert job.testing.class_ == "B"


def test_no_sheet_is_an_empty_job() -> None:
    assert load_job(None) == Job()


def test_all_mistakes_are_reported_together(tmp_path: Path) -> None:
    said = mistakes(tmp_path, """
[film]
pixel_per_mm = 20.0
look = "bright"
grey_to_density = [[0, 1], [0, 2]]
[weld]
nps = 6
schedule = "41"
source = "Ir-192"
[exposur]
x = 1
[location]
datum_clock = "25:00"
""")
    for part in ("film.pixel_per_mm; did you mean 'pixels_per_mm'?", "film.look = 'bright'", "same grey twice", "did you mean '40'?",
                 "weld.source; did you mean 'exposure.source'?", "'exposur'; did you mean 'exposure'?", "datum_clock = '25:00'"):
        assert sum(part in line for line in said) == 1, (part, said)
    assert len(said) == 7


@pytest.mark.parametrize(("text", "part"), [
    ("film = 3", "film is 3, not a section"),
    ("[weld]\nod = 60.3", "did you mean 'od_mm'?"),
    ("[weld]\nnps = '6'", "belong together"),
    ("[weld]\nnps = '7'\nschedule = '40'", "not in the pipe tables"),
    ("[weld]\nnps = '6'\nschedule = '40'\nwall_mm = 8.0", "contradicts NPS 6 schedule 40 (7.11 mm"),
    ("[weld]\nod_mm = 20\nwall_mm = 10", "not less than half"),
    ("[weld]\njoint = 'girth'", "needs weld.od_mm"),
    ("[weld]\ncentreline_px = [[1, 2]]", "at least two points"),
    ("[weld]\nwall_mm = -1", "weld.wall_mm = -1 is wrong"),
    ("[weld]\nwall_mm = nan", "weld.wall_mm = nan is wrong"),
    ("[weld]\ncap_width_mm = 1e308", "weld.cap_width_mm = 1e+308 is wrong"),
    ("[film]\npixels_per_mm = 1e308", "film.pixels_per_mm = 1e+308 is wrong"),
    ("[film]\npixels_per_mm = 0.01", "film.pixels_per_mm = 0.01 is wrong"),
    ("[exposure]\nfocal_mm = 1e-320", "exposure.focal_mm = "),
    ("[location]\nstation_at_left_mm = -1e300", "location.station_at_left_mm = -1e+300 is wrong"),
    ("[exposure]\ntechnique = 'DWSI'", "both walls needs weld.od_mm"),
    ("[exposure]\nsource_to_film_mm = 5\nobject_to_film_mm = 6", "not less than exposure.source_to_film_mm"),
    ("[location]\nmarker_px = [1, 2]", "belong together"),
    ("[film]\ngrey_to_density = [[0, 1]]", "at least two rows"),
    ("[film]\ngrey_to_density = [[0, 1], [5, 2], [9, 1]]", "neither only falls nor only rises"),
    ("[film]\ngrey_to_density = [[0, 9], [5, 2]]", "outside 0 to 6"),
    ("[film", "cannot be read as TOML"),
])
def test_each_mistake_has_its_line(tmp_path: Path, text: str, part: str) -> None:
    (line,) = mistakes(tmp_path, text)
    assert part in line
    assert ";" in line


def test_every_number_of_a_sheet_has_both_limits() -> None:
    """A number without a limit overflows somewhere in the reading; what is between the limits is read (tests/test_hostile.py)."""
    schema = Job.model_json_schema()
    for name, section in ((n, d) for n, d in schema["$defs"].items() if n.endswith("Section")):
        for key, told in section["properties"].items():
            for part in (told, *told.get("anyOf", ())):
                if part.get("type") in ("number", "integer"):
                    assert {"minimum"} <= set(part), (name, key)
                    assert {"maximum", "exclusiveMaximum"} & set(part), (name, key)


def test_overrides_win_and_none_is_not_given(tmp_path: Path) -> None:
    path = sheet(tmp_path, "[film]\npixels_per_mm = 20.0\n[weld]\nwall_mm = 8")
    job = load_job(path, {"film.pixels_per_mm": 25.0, "weld.wall_mm": None, "film.look": "dense-dark"})
    assert (job.film.pixels_per_mm, job.weld.wall_mm, job.film.look) == (25.0, 8.0, "dense-dark")


def test_a_criteria_file_is_looked_for_beside_the_sheet(tmp_path: Path) -> None:
    (tmp_path / "own.toml").write_text("")
    assert load_job(sheet(tmp_path, "[acceptance]\ncriteria = 'own.toml'")).acceptance.criteria == str(tmp_path / "own.toml")
    assert load_job(sheet(tmp_path, "[acceptance]\ncriteria = 'api-1104'")).acceptance.criteria == "api-1104"


def test_hash_is_of_what_is_said_not_how(tmp_path: Path) -> None:
    one = job_sha256(load_job(sheet(tmp_path, "[weld]\nname = 'W'\nwall_mm = 8")))
    two = job_sha256(load_job(sheet(tmp_path, "# the same\n[weld]\nwall_mm = 8.0\nname = 'W'")))
    other = job_sha256(load_job(sheet(tmp_path, "[weld]\nwall_mm = 8.1\nname = 'W'")))
    assert one == two != other


def test_what_is_no_job_sheet_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "latin.toml").write_bytes(b"[weld]\nname = '\xe4'")
    (tmp_path / "big.toml").write_bytes(b"#" * 2_000_000)
    for path in (tmp_path / "missing.toml", tmp_path, tmp_path / "latin.toml", tmp_path / "big.toml"):
        with pytest.raises(JobError) as caught:
            load_job(path)
        assert len(caught.value.lines()) == 1


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20) | st.just(10**400),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=3), max_leaves=6)
KEYS = st.sampled_from([f"{section}.{field.alias or name}" for section, model in (
    (s, f.annotation) for s, f in Job.model_fields.items()) for name, field in model.model_fields.items()])


@settings(max_examples=200, deadline=None)
@given(st.dictionaries(KEYS, VALUES, max_size=6))
def test_any_values_give_a_job_or_a_job_error(values: dict[str, object]) -> None:
    try:
        assert isinstance(load_job(None, values), Job)
    except JobError as error:
        lines = error.lines()
        assert lines
        assert all("\n" not in line for line in lines)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_mutated_sheets_give_a_job_or_a_job_error(tmp_path: Path, data: st.DataObject) -> None:
    content = bytearray(CONTRACT.encode())
    for _ in range(data.draw(st.integers(1, 6))):
        content[data.draw(st.integers(0, len(content) - 1))] = data.draw(st.integers(0, 255))
    (tmp_path / "job.toml").write_bytes(bytes(content))
    start = time.perf_counter()
    refused = None
    try:
        load_job(tmp_path / "job.toml")
    except JobError as error:
        refused = error
    assert refused is None or refused.problems
    assert time.perf_counter() - start < 5


def test_deeply_nested_toml_is_refused(tmp_path: Path) -> None:
    with pytest.raises(JobError):
        load_job(sheet(tmp_path, "a = " + "[" * 20_000 + "]" * 20_000))
