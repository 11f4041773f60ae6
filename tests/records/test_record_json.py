"""Findings to JSON and back. The expected keys are copied from the contract, not from the code."""

from __future__ import annotations

import dataclasses
import json
import math
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rtscan import findings as say
from rtscan.errors import ListError
from rtscan.record_json import dump, dump_line, from_json, load_document, to_json

WORKSHEET_KEYS = [
    "schema", "tool", "job_sha256", "criteria_sha256", "film", "quality", "weld", "indications", "groups", "objects", "criteria",
    "findings", "removal", "verdict", "verdict_scope", "verdict_unverified", "verdict_says", "reader",
]
INDICATION_KEYS = [
    "id", "tone", "type", "iso6520", "confidence", "alternatives", "why", "bbox_px", "outline_px", "centre_px", "along_mm",
    "other_along_mm", "across_mm", "side", "wall", "clock", "angle_deg", "length_mm", "width_mm", "local_width_mm", "area_mm2",
    "length_u_mm", "width_u_mm", "contrast", "signal_to_noise", "height_mm", "height_u_mm", "depth_mm", "surface", "run", "mismatch",
    "darker_than_parent", "group", "nearest", "result", "note",
]
NESTED_KEYS = {
    "film": ["file", "sha256", "page", "width_px", "height_px", "bits", "look", "grey_is", "pixels_per_mm", "scale_from",
             "scale_uncertainty"],
    "quality": ["readable", "checks", "detection_limit"],
    "weld": ["name", "length_mm", "cap_width_mm", "arcs"],
    "criteria": ["name", "title", "edition", "units"],
    "reader": ["name", "level", "date", "changed", "closed"],
}
ROW_KEYS = {
    "findings": ["rule", "clause", "indications", "groups", "measured", "measured_u", "limit", "unit", "result", "unverified", "says"],
    "groups": ["id", "kind", "type", "iso6520", "members", "sum_length_mm", "end_to_end_mm", "diameter_mm"],
    "objects": ["kind", "bbox_px", "says"],
}
CHECK_KEYS = ["name", "clause", "measured", "limit", "unit", "result", "required", "source"]


def full_worksheet() -> say.Worksheet:
    """A worksheet with something in every kind of record."""
    return say.Worksheet(
        tool="rtscan 0.1.0",
        film=say.FilmFacts(file="müller_01.tif", pixels_per_mm=20.0, scale_from="job sheet", warnings=("colour scan",)),
        quality=say.Quality(True, (say.Check("density", "pass", "7.8", 2.4, say.Range(2.0, 4.0)),),
                            say.DetectionLimit(0.8, 0.1, (0.0, 9.5), (0.8, 0.7))),
        weld=say.WeldFacts("W-017", 528.7, 12.0, (say.WeldArc(None, ((0.0, 1.5),), ((0.0, 0.0),), ((0.0, 3.0),), 0.0, 200.0),)),
        indications=(
            say.Indication(1, "dark", "gas pore", "2011", 0.8, (say.Alternative("slag inclusion", "301", 0.2),), "round",
                           bbox_px=(0.0, 0.0, 9.0, 8.0), outline_px=((0.0, 0.0), (9.0, 0.0), (9.0, 8.0)), along_mm=12.25,
                           nearest=say.Nearest(2, 3.5), result="accept", mismatch=False),
            say.Indication(2, film="b.tif", seen_on=("a.tif", "b.tif")),
        ),
        groups=(say.Group("G1", "cluster", "clustered porosity", "2013", (1, 2), diameter_mm=7.0),),
        objects=(say.ObjectMark("wire", (1.0, 2.0, 3.0, 4.0), "W13"),),
        criteria=say.CriteriaFacts("iso-10675-1-level-2", "t", "2021"),
        findings=(say.Finding("10675-1.2", "review", "inside the uncertainty", indications=(1,), measured=2.0, limit=2.1),),
        removal=(1,),
        reader=say.Reader("A. Reader", "II", "2026-05-04", ("1 renamed",), (say.Closed(0, "accept", "chart 3"),)),
    )


def in_order(keys: list[str], expected: list[str]) -> bool:
    """True when `expected` are all among `keys`, in that order; further keys may stand between them."""
    return [key for key in keys if key in expected] == expected


def test_keys_and_order_are_the_contracts() -> None:
    written = json.loads(dump(full_worksheet()))
    assert written["schema"] == "rtscan/worksheet/1"
    assert in_order(list(written), WORKSHEET_KEYS)
    assert in_order(list(written["indications"][0]), INDICATION_KEYS)
    for key, keys in NESTED_KEYS.items():
        assert in_order(list(written[key]), keys), key
    for key, keys in ROW_KEYS.items():
        assert in_order(list(written[key][0]), keys), key
    assert in_order(list(written["quality"]["checks"][0]), CHECK_KEYS)
    assert written["quality"]["checks"][0]["limit"] == {"min": 2.0, "max": 4.0}
    assert list(written["indications"][0]["nearest"]) == ["id", "gap_mm"]
    assert written["indications"][1]["along_mm"] is None


def test_weld_document_has_all_keys_in_the_contracts_order() -> None:
    keys = list(to_json(say.WeldDocument()))
    expected = "schema films indications covered_mm gaps groups criteria findings removal verdict reader"
    assert in_order(keys, expected.split())
    assert set(keys) == {f.name for f in dataclasses.fields(say.WeldDocument)}


def test_written_and_read_again_is_the_same(tmp_path: Path) -> None:
    worksheet = full_worksheet()
    path = tmp_path / "a.worksheet.json"
    path.write_text(dump(worksheet), encoding="utf-8")
    assert load_document(path) == worksheet
    assert from_json(json.loads(dump_line(worksheet)), say.Worksheet) == worksheet
    assert "\n" not in dump_line(worksheet)


def test_weld_document_is_recognised(tmp_path: Path) -> None:
    document = say.WeldDocument(films=(say.FilmOfWeld(say.FilmFacts(), say.Quality(), 0.0, 100.0, "R1"),), gaps=(say.Stretch(1.0, 41.0),))
    path = tmp_path / "W.weld.json"
    path.write_text(dump(document), encoding="utf-8")
    assert load_document(path) == document


def test_unknown_keys_are_ignored_and_missing_or_null_ones_get_defaults() -> None:
    data = {"schema": "rtscan/worksheet/1", "later": 1, "indications": [{"id": 3.0, "why": None, "x": {}}], "quality": None}
    assert from_json(data, say.Worksheet) == say.Worksheet(indications=(say.Indication(3),))


def test_every_wrong_place_is_named() -> None:
    data = {
        "film": {"width_px": 1.5}, "verdict": "fine", "verdict_unverified": 1, "removal": "1",
        "indications": [{"id": 1}, {"length_mm": "3"}, {"id": True, "centre_px": [1, 2, 3], "outline_px": [[0, 0], [1, None]]}, 7],
    }
    with pytest.raises(ListError) as caught:
        from_json(data, say.Worksheet, "a.json")
    places = [problem.split(" ")[0] for problem in caught.value.problems]
    assert places == [
        "film.width_px", "indications[1].id", "indications[1].length_mm", "indications[2].id", "indications[2].outline_px[1][1]",
        "indications[2].centre_px", "indications[3]", "removal", "verdict", "verdict_unverified",
    ]
    assert all(line.startswith("a.json: ") for line in caught.value.lines())


@pytest.mark.parametrize("text", [
    "", "{", "[]", "3", '{"schema": 1}', '{"schema": "rtscan/worksheet/9"}', '{"schema": ["rtscan/worksheet/1"]}', "[" * 100_000,
    "{" + "\x00",
    '{"schema": "rtscan/worksheet/1", "indications": [{"id": 1, "length_mm": NaN}]}',
    '{"schema": "rtscan/worksheet/1", "indications": [{"id": 1, "length_mm": 1e999}]}',
    '{"schema": "rtscan/worksheet/1", "indications": [{"id": 1}, {"id": 1}]}',
    '{"schema": "rtscan/worksheet/1", "indications": [{"id": ' + "9" * 5000 + "}]}",
    '{"schema": "rtscan/worksheet/1", "indications": [{"id": 1, "length_mm": ' + "9" * 400 + "}]}",
])
def test_a_broken_file_is_one_clear_error(tmp_path: Path, text: str) -> None:
    path = tmp_path / "a.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ListError) as caught:
        load_document(path)
    assert all("\n" not in line and len(line) < 300 for line in caught.value.lines())


def test_missing_file_folder_and_binary_are_clear_errors(tmp_path: Path) -> None:
    (tmp_path / "b.json").write_bytes(b"\xff\xfe\x00\x01")
    for name in ("missing.json", ".", "b.json"):
        with pytest.raises(ListError):
            load_document(tmp_path / name)


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_a_number_that_is_none_is_refused_on_writing(value: float) -> None:
    with pytest.raises(ListError, match=r"indications\[0\]\.length_mm"):
        dump(say.Worksheet(indications=(say.Indication(1, length_mm=value),)))


def test_deleted_indications_leave_no_trace(tmp_path: Path) -> None:
    """A reader deletes indication 2 from the JSON: its group of two is none any more, and nothing points at it."""
    data = to_json(full_worksheet())
    del data["indications"][1]
    path = tmp_path / "a.worksheet.json"
    path.write_text(json.dumps(data), encoding="utf-8")
    read = load_document(path)
    assert read.groups == ()
    assert read.indications[0].nearest is None
    assert read.findings[0].indications == (1,)
    assert read.removal == (1,)


def test_odd_names_survive(tmp_path: Path) -> None:
    """A file name that was not UTF-8 on disk arrives as a lone surrogate; it must not break the writing of the file."""
    worksheet = say.Worksheet(film=say.FilmFacts(file="caf\udce9 \u2028 \"<b>\" 溶接.tif"))
    path = tmp_path / "a.json"
    path.write_text(dump(worksheet), encoding="utf-8")
    assert load_document(path) == worksheet


NUMBERS = st.floats(allow_nan=False, allow_infinity=False, width=32)
PIXELS = st.integers(-10_000, 1_000_000).map(lambda hundredth: hundredth / 100)
INDICATIONS = st.builds(
    say.Indication, id=st.integers(0, 10**6), tone=st.sampled_from(["dark", "bright", None]), type=st.text(max_size=20),
    why=st.text(max_size=40), length_mm=st.none() | NUMBERS, mismatch=st.none() | st.booleans(),
    outline_px=st.lists(st.tuples(PIXELS, PIXELS), max_size=4).map(tuple),
    alternatives=st.lists(st.builds(say.Alternative, st.text(max_size=5), st.text(max_size=5), NUMBERS), max_size=2).map(tuple),
    nearest=st.none(), group=st.none(),
)


@settings(max_examples=60, deadline=None)
@given(st.lists(INDICATIONS, max_size=5, unique_by=lambda i: i.id))
def test_round_trip_of_any_indications(indications: list[say.Indication]) -> None:
    worksheet = say.Worksheet(indications=tuple(indications))
    assert from_json(json.loads(dump(worksheet)), say.Worksheet) == worksheet


KEYS = st.sampled_from([f.name for f in dataclasses.fields(say.Indication)])
ANY_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(KEYS, inner, max_size=4),
    max_leaves=12,
)


@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.dictionaries(st.sampled_from([*WORKSHEET_KEYS, "model"]), ANY_JSON, max_size=6))
def test_anything_gives_a_worksheet_or_a_clear_error(data: dict[str, object]) -> None:
    try:
        read = from_json(data, say.Worksheet)
    except ListError:
        return
    assert list(to_json(read)) == list(to_json(say.Worksheet()))
