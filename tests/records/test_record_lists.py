"""Indications lists as people and spreadsheet programs write them."""

from __future__ import annotations

import csv
import io
import random
import time
import zipfile
from dataclasses import replace
from pathlib import Path

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rtscan.errors import ListError
from rtscan.findings import Indication, Reader
from rtscan.record_lists import COLUMNS, IndicationList, neutralised, read_indications, restored, write_csv

CONTRACT_COLUMNS = (
    "id,type,iso6520,along_mm,across_mm,length_mm,width_mm,height_mm,angle_deg,surface,local_width_mm,area_mm2,tone,wall,group,run,mismatch,"
    "darker_than_parent,length_u_mm,width_u_mm,height_u_mm,result,note"
)


def read_text(folder: Path, text: str | bytes, name: str = "list.csv") -> IndicationList:
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8"))
    return read_indications(path)


def problems_of(folder: Path, text: str | bytes) -> tuple[str, ...]:
    with pytest.raises(ListError) as caught:
        read_text(folder, text)
    return caught.value.problems


def test_columns_are_the_contracts() -> None:
    assert ",".join(COLUMNS) == CONTRACT_COLUMNS
    assert write_csv([]).splitlines()[0].startswith(CONTRACT_COLUMNS)


@pytest.mark.parametrize("text", [
    "type,along_mm,length_mm,note\ngas pore,12.5,1.25,x\n",
    "\ufefftype;along_mm;length_mm;note\r\ngas pore;12,5;1,25;x\r\n",
    "type\talong_mm\tlength_mm\tnote\nGas Pore \t12.5\t1,25\tx",
    "sep=;\r\niso6520;Along mm;LENGTH-MM;note\r\n2011;12,5;1.25;x",
    "Brannefoss spools, invented,,,\n\niso6520,along_mm,length_mm,note\n,,,\n2011,12.5,1.25,x\n",
    'iso6520,along_mm,length_mm,note\n2011,"12,5",1.25e0,x',
    "type;along_mm;length_mm;note\ngas pore;12,5;1,25;x".encode("utf-16"),
])
def test_the_same_list_in_many_shapes(tmp_path: Path, text: str | bytes) -> None:
    (indication,) = read_text(tmp_path, text).indications
    assert indication == Indication(1, "dark", "gas pore", "2011", along_mm=12.5, length_mm=1.25, note="x")


def test_windows_encoding(tmp_path: Path) -> None:
    assert read_text(tmp_path, "type,note\ngas pore,Prüfer Bjørn\n".encode("cp1252")).indications[0].note == "Prüfer Bjørn"


def test_semicolon_list_reads_a_comma_as_decimal_where_a_comma_list_refuses_to_guess(tmp_path: Path) -> None:
    assert read_text(tmp_path, "type;along_mm\ncrack;1,234\n").indications[0].along_mm == 1.234
    assert "thousands" in problems_of(tmp_path, 'type,along_mm\ncrack,"1,234"\n')[0]


@pytest.mark.parametrize(("row", "expected"), [
    ("crack,1011", ("longitudinal crack in the weld metal", "1011", "dark")),  # the number is finer
    ("longitudinal crack,100", ("longitudinal crack", "101", "dark")),  # the term is finer
    ("hollow bead,2015", ("hollow bead", "2015", "dark")),  # a trade term keeps its name
    ("hollow bead,", ("hollow bead", "2015", "dark")),
    ("slag,301", ("slag inclusion", "301", "dark")),  # an unknown word beside a known number
    (",3041", ("tungsten inclusion", "3041", "bright")),
])
def test_type_and_number_complete_each_other(tmp_path: Path, row: str, expected: tuple[str, str, str]) -> None:
    (indication,) = read_text(tmp_path, f"type,iso6520\n{row}\n").indications
    assert (indication.type, indication.iso6520, indication.tone) == expected


def test_all_problems_are_told_at_once_with_line_and_column(tmp_path: Path) -> None:
    text = "id,type,length_mm,mismatch,tone,angle_deg\n1,crack,x,maybe,dark,0\n\n1,crack,-1,,grey,400\n1.5,crak,nan,,,\n"
    assert [p.split(";")[0] for p in problems_of(tmp_path, text)] == [
        'line 2, column length_mm: "x" is not a number',
        'line 2, column mismatch: "maybe" is neither yes nor no',
        "line 4, column length_mm: -1 is negative",
        'line 4, column tone: "grey" is not one of dark, bright',
        "line 4, column angle_deg: 400 is not an angle",
        "line 4, column id: 1 is already used in line 2",
        "line 5, column id: 1.5 is not a whole number",
        'line 5, column length_mm: "nan" is not a number',
        'line 5: type "crak" is not known here',
    ]


def test_types_are_checked_with_the_nearest_term(tmp_path: Path) -> None:
    problems = problems_of(tmp_path, "type,iso6520,note\ngas poor,,\n,9999,\n,,big\ngas pore,3041,\n")
    assert 'did you mean "gas pore"?' in problems[0]
    assert [p[:6] for p in problems] == ["line 2", "line 3", "line 4", "line 5"]


@pytest.mark.parametrize("text", [
    b"", b"   \n", b"a,b\n1,2\n", b"\x00\x01\x02", b"type,type\ncrack,crack\n", b"type,length_mm\ncrack,3,5\n", b'type\n"' + b"x" * 200_000,
    b"\xff\xfe\x00", b"type\n" + b"crack\n" * 100_001,
])
def test_broken_lists_are_clear_errors(tmp_path: Path, text: bytes) -> None:
    assert all(len(p) < 250 for p in problems_of(tmp_path, text))


def test_missing_ids_get_free_numbers(tmp_path: Path) -> None:
    assert [i.id for i in read_text(tmp_path, "id,type\n,crack\n7,crack\n,crack\n").indications] == [8, 7, 9]


def test_a_heading_alone_is_an_empty_list(tmp_path: Path) -> None:
    assert read_text(tmp_path, CONTRACT_COLUMNS + "\n").indications == ()


def test_unknown_columns_are_kept_and_written_back(tmp_path: Path) -> None:
    listed = read_text(tmp_path, 'joint no,type,Seen by eye\n=J1,crack,"yes, twice"\nJ2,gas pore,\n')
    assert listed.unknown_columns == ("joint_no", "seen_by_eye")
    assert listed.unknown_cells == (("=J1", "yes, twice"), ("J2", ""))
    again = read_text(tmp_path, write_csv(listed.indications, listed=listed))
    assert (again.unknown_columns, again.unknown_cells) == (listed.unknown_columns, listed.unknown_cells)
    assert again.indications == listed.indications


def test_the_reader_signs_in_the_csv(tmp_path: Path) -> None:
    reader = Reader("=A. Reader", "II", "2026-05-04")
    text = write_csv([Indication(1, "dark", "crack", "100"), Indication(2, "dark", "crack", "100")], reader)
    assert read_text(tmp_path, text).reader == reader


DANGEROUS = ["=1+1", "+1", "-1+2", "@SUM(A1)", "\t=1", " =1", "'=1", "''=1", "=HYPERLINK(\"http://x\")", "-", "＝1"]


@pytest.mark.parametrize("note", DANGEROUS)
def test_texts_are_neutralised_and_numbers_are_not(note: str) -> None:
    row = write_csv([Indication(1, across_mm=-3.5, note=note)]).splitlines()[1]
    cells = dict(zip(COLUMNS, next(csv.reader([row])), strict=False))
    assert cells["note"].startswith("'")
    assert cells["across_mm"] == "-3.5"
    assert restored(cells["note"]) == note


@given(st.text(alphabet=st.characters(min_codepoint=32, max_codepoint=0x2FFF)))
def test_neutralising_can_always_be_undone(text: str) -> None:
    assert restored(neutralised(text)) == text
    assert neutralised(text)[:1] not in ("=", "+", "-", "@")


TEXTS = st.text(alphabet=st.characters(codec="utf-8", exclude_categories=["Cc", "Cs", "Cn"]), max_size=30).map(str.strip)
SIZES = st.none() | st.integers(0, 10**8).map(lambda n: n / 10_000)
ROWS = st.builds(
    Indication, id=st.integers(0, 10**6), along_mm=SIZES, across_mm=SIZES.map(lambda v: None if v is None else -v), length_mm=SIZES,
    angle_deg=st.none() | st.integers(-89, 90).map(float), mismatch=st.none() | st.booleans(), note=TEXTS,
    surface=TEXTS.map(lambda t: t or None), wall=st.sampled_from([None, "film", "unknown"]), result=st.sampled_from([None, "cannot judge"]),
)


@settings(max_examples=60, deadline=None)
@given(rows=st.lists(ROWS, max_size=4, unique_by=lambda i: i.id))
def test_written_and_read_again_is_the_same(tmp_path_factory: pytest.TempPathFactory, rows: list[Indication]) -> None:
    """Numbers to 0.0001, which the strategy keeps to; texts whatever they hold, blanks at the ends apart."""
    typed = [replace(row, tone="dark", type="gas pore", iso6520="2011") for row in rows]
    assert list(read_text(tmp_path_factory.mktemp("lists"), write_csv(typed)).indications) == typed


def workbook(rows: list[list[object]], title: str = "Sheet") -> bytes:
    book = openpyxl.Workbook()
    book.active.title = title
    for row in rows:
        book.active.append(row)
    file = io.BytesIO()
    book.save(file)
    return file.getvalue()


def test_workbook_with_numbers_texts_and_titles(tmp_path: Path) -> None:
    data = workbook([["Weld W-017"], [], ["id", "iso6520", "along_mm", "length_mm", "mismatch", "note"], [1, 2011, 12.5, "1,25", True, 7]])
    listed = read_text(tmp_path, data, "list.xlsx")
    assert listed.indications == (
        Indication(1, "dark", "gas pore", "2011", along_mm=12.5, length_mm=1.25, mismatch=True, note="7"),
    )
    assert listed.lines == (4,)


def test_workbook_far_cells_do_not_exhaust_memory_or_time(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    book.active.append(["type"])
    book.active.append(["crack"])
    book.active.cell(1_048_576, 16_384, "far")
    book.save(tmp_path / "far.xlsx")
    started = time.perf_counter()
    assert len(read_indications(tmp_path / "far.xlsx").indications) == 1
    assert time.perf_counter() - started < 10.0  # the project's bound for hostile input


def test_workbook_that_unpacks_to_a_flood_is_refused(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "flood.xlsx", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/worksheets/sheet1.xml", b" " * (80 * 2**20))
    with pytest.raises(ListError, match="unpacks to more than"):
        read_indications(tmp_path / "flood.xlsx")


@pytest.mark.parametrize("suffix", [".csv", ".xlsx"])
def test_damaged_files_give_a_list_or_a_clear_error(tmp_path: Path, suffix: str) -> None:
    """Truncations and flipped bytes, fixed seed; anything but a list or a ListError fails the test."""
    rng = random.Random(11)
    rows = [["id", "type", "along_mm", "note"], [1, "gas pore", 3.5, "a"], [2, "crack", 9, "b"]]
    whole = workbook(rows) if suffix == ".xlsx" else "\n".join(",".join(map(str, row)) for row in rows).encode()
    read = 0
    for _ in range(150):
        damaged = bytearray(whole[: rng.randrange(len(whole))] if rng.random() < 0.3 else whole)
        for _ in range(rng.randrange(4)):
            if damaged:
                damaged[rng.randrange(len(damaged))] = rng.randrange(256)
        try:
            read += len(read_text(tmp_path, bytes(damaged), "damaged" + suffix).indications) >= 0
        except ListError as problem:
            read += all("\n" not in line for line in problem.lines())
    assert read == 150


def test_missing_file_and_folder(tmp_path: Path) -> None:
    for name in ("none.csv", "none.xlsx", "."):
        with pytest.raises(ListError):
            read_indications(tmp_path / name)
