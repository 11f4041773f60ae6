"""Damage to tables, TOML, JSON and workbooks that leaves most of the file readable."""

from __future__ import annotations

import io
import json
import re
import zipfile

import numpy as np

from fuzzing.film_mutations import bytes_damaged
from fuzzing.hostile import EVIL, ODD, Mutation, pick


def text_damaged(data: bytes, rng: np.random.Generator) -> bytes:
    """Values of a table or TOML or JSON text replaced by odd or hostile ones; lines lost, doubled or repeated."""
    for _ in range(rng.integers(1, 3)):
        how = rng.integers(8)
        values = list(re.finditer(rb"-?\d[\d.e+-]*|\"[^\"\n]*\"|[A-Za-z_][\w-]*", data))
        lines = data.split(b"\n")
        row = int(rng.integers(len(lines)))
        if how < 3 and values:
            found = values[int(rng.integers(len(values)))]
            hostile = [json.dumps(EVIL).encode(), b'"' + EVIL.replace('"', '""').encode() + b'"', b'"=1+1"', b'"../../escape"']
            data = data[: found.start()] + bytes(pick(rng, ODD + hostile * 3)) + data[found.end() :]
        elif how < 5 and (texts := list(re.finditer(rb"(?<=\")[^\"\n]*(?=\")|(?<=,)[A-Za-z][^,\n]*(?=,)", data))):
            found = texts[int(rng.integers(len(texts)))]
            data = data[: found.start()] + EVIL.replace('"', "'").encode() + data[found.end() :]
        elif how == 5:
            data = b"\n".join(lines[:row] + lines[row + 1 :])
        elif how == 6:
            data = b"\n".join(lines[:row] + [lines[row]] * int(rng.choice([2, 300])) + lines[row:])
        else:
            data = bytes_damaged(data, rng) if data else data
    return data


def json_damaged(data: bytes, rng: np.random.Generator) -> bytes:
    """Up to three values anywhere in a document replaced by odd or hostile ones, or left out."""
    document = json.loads(data)
    odd: list[object] = [None, True, -1, 0, 1e308, 10**30, "", "=1+1", EVIL, EVIL, EVIL, "\x00", "x" * 5000, [], {}, [[]], {"id": 1},
           "../../escape", "\ud800", 1e-300, [1] * 5000]
    for _ in range(rng.integers(1, 4)):
        place = document
        while isinstance(place, dict | list) and place:
            key = list(place)[int(rng.integers(len(place)))] if isinstance(place, dict) else int(rng.integers(len(place)))
            if isinstance(place[key], dict | list) and place[key] and rng.random() < 0.95:
                place = place[key]
                continue
            if isinstance(place[key], str) and rng.random() < 0.7:
                place[key] = pick(rng, [EVIL, "=1+1", "../../escape", "a\nb", "\u202e"])
            elif rng.random() < 0.2:
                del place[key]
            else:
                place[key] = pick(rng, odd)
            break
    return json.dumps(document).encode()


def workbook_damaged(data: bytes, rng: np.random.Generator) -> bytes:
    """Text inside the files of a workbook replaced, a file left out, or one of 30 MB of zeros."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        entries = {name: archive.read(name) for name in archive.namelist()}
    for _ in range(rng.integers(1, 5)):
        name = str(pick(rng, sorted(entries)))
        values = list(re.finditer(rb">([^<]+)<|=\"([^\"]*)\"", entries[name]))
        if not values:
            continue
        found = values[int(rng.integers(len(values)))]
        group = 1 if found.group(1) is not None else 2
        odd = bytes(pick(rng, [*ODD, EVIL.replace("<", "&lt;").replace('"', "&quot;").encode(), b"=1+1"]))
        entries[name] = entries[name][: found.start(group)] + odd + entries[name][found.end(group) :]
    if rng.random() < 0.1:
        name = str(pick(rng, sorted(entries)))
        entries[name] = b"\0" * 30_000_000 if rng.random() < 0.3 else b""
    with zipfile.ZipFile(buffer := io.BytesIO(), "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in entries.items():
            archive.writestr(name, content)
    return buffer.getvalue()


TEXT: tuple[Mutation, ...] = (text_damaged,)
JSON: tuple[Mutation, ...] = (json_damaged, json_damaged, text_damaged)
WORKBOOK: tuple[Mutation, ...] = (workbook_damaged, workbook_damaged, bytes_damaged)
