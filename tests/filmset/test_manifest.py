"""The film set CSV, as people write it and as they get it wrong."""

from __future__ import annotations

import contextlib
from datetime import date
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rtscan.errors import ListError
from rtscan.filmset.manifest import load_manifest


def write(folder: Path, text: str | bytes) -> Path:
    path = folder / "set.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8"))
    return path


def test_paths_are_relative_to_the_table(tmp_path: Path) -> None:
    row, = load_manifest(write(tmp_path, "file,weld,job,shot,station_at_left_mm,date\nfilms/a.tif,W-017,a.toml,R1,120.5,2026-05-04\n"))
    assert row.path == tmp_path / "films" / "a.tif"
    assert row.job == tmp_path / "a.toml"
    assert (row.weld, row.shot, row.station_at_left_mm, row.date) == ("W-017", "R1", 120.5, date(2026, 5, 4))


def test_file_alone_is_enough(tmp_path: Path) -> None:
    row, = load_manifest(write(tmp_path, "file\na.tif\n"))
    assert (row.weld, row.job, row.station_at_left_mm, row.shot) == ("", None, None, "")


def test_semicolons_decimal_commas_and_a_byte_order_mark(tmp_path: Path) -> None:
    row, = load_manifest(write(tmp_path, "\ufefffile;weld;station_at_left_mm;seen by\na.tif;W-1;12,5;somebody\n"))
    assert (row.weld, row.station_at_left_mm) == ("W-1", 12.5)


def test_every_mistake_is_reported_with_its_line(tmp_path: Path) -> None:
    path = write(tmp_path, "file,shot,station_at_left_mm,date\n,,,\na.tif,R0,12 mm,4.5.2026\nb/c.tif,,,\nd/C.png,,,\n,R1,,\n")
    with pytest.raises(ListError) as caught:
        load_manifest(path)
    text = str(caught.value)
    for part in ("line 3: shot 'R0'", "line 3, station_at_left_mm: '12 mm'", "line 3, date: '4.5.2026'", "line 6: no file",
                 "lines 4 and 5: 'b/c.tif' and 'd/C.png' would write the same"):
        assert part in text
    assert all(line.startswith(str(path)) for line in text.splitlines())


@pytest.mark.parametrize(("content", "says"), [
    (b"", "no column 'file'"), (b"film,weld\na,b\n", "no column 'file'"), (b"file\n", "lists no film"),
    (b"file,weld,weld\na,b,c\n", "column 'weld' twice"), (b"file\n\xff\xfe\x00", "not UTF-8"), (b'file\n"a\n', "not a CSV table"),
])
def test_what_is_no_film_set_is_refused_in_one_line(tmp_path: Path, content: bytes, says: str) -> None:
    with pytest.raises(ListError, match=says) as caught:
        load_manifest(write(tmp_path, content))
    assert len(str(caught.value).splitlines()) == 1


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=100, deadline=None)
@given(st.binary(max_size=300))
def test_any_bytes_are_read_or_refused(tmp_path: Path, data: bytes) -> None:
    path = write(tmp_path, b"file,station_at_left_mm,date,shot\n" + data)
    with contextlib.suppress(ListError):
        assert all(row.file for row in load_manifest(path))
