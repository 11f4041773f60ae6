"""Damaged and hostile lists and worksheets: a result or clear error lines, never anything else, in bounded time.

Fixed seeds. Damage is done to the bytes of the file, and for workbooks and JSON also to their inside, where a flipped byte of a
compressed file never reaches.
"""

from __future__ import annotations

import io
import json
import random
import time
import zipfile
from collections.abc import Callable
from copy import deepcopy
from dataclasses import replace
from pathlib import Path

import openpyxl
import pytest

from rtscan.errors import ListError
from rtscan.findings import Finding, Indication, Worksheet
from rtscan.reader_changes import open_for_judging
from rtscan.record_json import dump, to_json

Damage = Callable[[bytes, random.Random], bytes]
PORE = Indication(1, "dark", "gas pore", "2011", along_mm=3.5, outline_px=((0.0, 1.0), (2.0, 3.0)), result="review")
SHEET = Worksheet(
    indications=(PORE, replace(PORE, id=2, along_mm=7.0)),
    findings=(Finding("look", "review", "which?", indications=(1,)),),
)
ODD_VALUES: list[object] = [None, True, -1, 1e308, 10**30, "", "=1+1", "\x00", "x" * 5000, [], {}, [[]], {"id": 1}, "\ud800"]
ODD_TEXTS = [b"", b"0", b"-1", b"1e999", b"NaN", b"99999999999999999999", b"<x/>", b"]]>", b"&lt;", b"A1048577", b"\xff"]


def bytes_damaged(whole: bytes, rng: random.Random) -> bytes:
    """A truncation one time in four, and up to six bytes changed."""
    data = bytearray(whole[: rng.randrange(len(whole))] if rng.random() < 0.25 else whole)
    for _ in range(rng.randrange(7)):
        if data:
            data[rng.randrange(len(data))] = rng.randrange(256)
    return bytes(data)


def json_damaged(whole: bytes, rng: random.Random) -> bytes:
    """Up to three values anywhere in the document replaced by odd ones, or keys removed."""
    data = json.loads(whole)
    for _ in range(rng.randrange(1, 4)):
        place: object = data
        while True:
            key = rng.choice(list(place)) if isinstance(place, dict) else rng.randrange(len(place)) if isinstance(place, list) else None
            inner = place[key]
            if isinstance(inner, dict | list) and inner and rng.random() < 0.8:
                place = inner
                continue
            if rng.random() < 0.2:
                del place[key]
            else:
                place[key] = deepcopy(rng.choice(ODD_VALUES))
            break
        if not data:
            break
    return json.dumps(data).encode()


def workbook_damaged(whole: bytes, rng: random.Random) -> bytes:
    """Up to four stretches inside the XML files of the workbook replaced, or a file left out."""
    entries = {name: zipfile.ZipFile(io.BytesIO(whole)).read(name) for name in zipfile.ZipFile(io.BytesIO(whole)).namelist()}
    for _ in range(rng.randrange(1, 5)):
        name = rng.choice(sorted(entries))
        data, start = entries[name], rng.randrange(max(1, len(entries[name])))
        entries[name] = data[:start] + rng.choice(ODD_TEXTS) + data[start + rng.randrange(12):]
    if rng.random() < 0.1:
        del entries[rng.choice(sorted(entries))]
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w") as archive:
        for name, data in entries.items():
            archive.writestr(name, data)
    return file.getvalue()


def workbook_of(rows: list[list[object]]) -> bytes:
    book = openpyxl.Workbook()
    book.active.title = "indications"
    for row in rows:
        book.active.append(row)
    book.create_sheet("findings").append(["no", "rule", "result", "reader_result", "reader_note"])
    book["findings"].append([1, "look", "review", "accept", "seen"])
    book.create_sheet("reader").append(["name", "A. Reader"])
    file = io.BytesIO()
    book.save(file)
    return file.getvalue()


ROWS: list[list[object]] = [
    ["id", "type", "iso6520", "along_mm", "length_mm", "result", "note"],
    [1, "gas pore", 2011, 3.5, 1, "review", "a"],
    [2, "crack", None, "7,0", 2, "review", "=b"],
]
CSV = "\n".join(";".join(str(cell or "") for cell in row) for row in ROWS).encode()
CASES: dict[str, tuple[str, bytes, Damage]] = {
    "csv": ("f.worksheet.csv", CSV, bytes_damaged),
    "json bytes": ("g.worksheet.json", dump(SHEET).encode(), bytes_damaged),
    "json values": ("g.worksheet.json", json.dumps(to_json(SHEET)).encode(), json_damaged),
    "xlsx bytes": ("f.worksheet.xlsx", workbook_of(ROWS), bytes_damaged),
    "xlsx inside": ("f.worksheet.xlsx", workbook_of(ROWS), workbook_damaged),
}


def outcome(path: Path) -> ListError | None:
    """The error of reading a file, None when it could be read."""
    try:
        open_for_judging(path)
    except ListError as problem:
        return problem
    return None


@pytest.mark.parametrize("case", CASES)
def test_damaged_files_are_read_or_refused_clearly(case: str, tmp_path: Path) -> None:
    """200 damaged files in all; each is done within the project's 10 s."""
    name, whole, damage = CASES[case]
    (tmp_path / "f.worksheet.json").write_text(dump(SHEET), encoding="utf-8")
    rng = random.Random(23)
    refused = 0
    for _ in range(40):
        (tmp_path / name).write_bytes(damage(whole, rng))
        started = time.perf_counter()
        problem = outcome(tmp_path / name)
        assert time.perf_counter() - started < 10
        refused += problem is not None
        lines = problem.lines() if problem else ("read",)
        assert lines
        assert all("\n" not in line and len(line) < 600 for line in lines)
    assert refused > 0  # else the damage does no damage
