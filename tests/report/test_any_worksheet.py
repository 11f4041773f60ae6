"""Whatever numbers and texts a worksheet holds, all five outputs can be made of it."""

from __future__ import annotations

import random
from collections.abc import Callable
from copy import deepcopy
from typing import Any

import numpy as np
import pytest

from rtscan import findings as say
from rtscan.errors import ListError
from rtscan.film import Film
from rtscan.record_json import dump, from_json, to_json
from rtscan.record_lists import write_csv
from rtscan.report.annotate import draw_annotated
from rtscan.report.ink import png_bytes
from rtscan.report.workbook import workbook_bytes
from rtscan.report.worksheet import worksheet_html

ODD: list[object] = [None, 0.0, -1.0, 1e-9, 1e6, -1e6, 3.7e5, "", "\x00\n=1", "x" * 400, "\ud800", [], [[0.0, 0.0]], True,
                     [[-9e5, 5.0], [9e5, 5.0]]]


def altered(data: Any, rng: random.Random) -> Any:
    """A copy of parsed JSON with five values somewhere in it replaced by odd ones."""
    copy = deepcopy(data)
    for _ in range(5):
        place = copy
        while True:
            key = rng.choice(list(place)) if isinstance(place, dict) else rng.randrange(len(place))
            if isinstance(place[key], dict | list) and place[key] and rng.random() < 0.9:
                place = place[key]
                continue
            place[key] = deepcopy(rng.choice(ODD))
            break
    return copy


def read(data: Any) -> say.Worksheet | None:
    """The worksheet, or None where the odd value has the wrong type or gives a scale that is not positive."""
    try:
        sheet = from_json(data, say.Worksheet)
    except ListError:
        return None
    return sheet if sheet.film.pixels_per_mm is None or sheet.film.pixels_per_mm > 0 else None


@pytest.mark.slow
def test_every_output_of_odd_worksheets(make_sheet: Callable[..., say.Worksheet]) -> None:
    """15 worksheets, fixed seed, on a film much smaller than the worksheet thinks."""
    rng = random.Random(17)
    base = to_json(make_sheet(5))
    density = np.random.default_rng(0).normal(2.0, 0.1, (60, 150)).astype(np.float32)
    done = 0
    while done < 15:
        sheet = read(altered(base, rng))
        if sheet is None:
            continue
        film = Film(sheet.film, density, np.ones(density.shape, bool))
        units = ("mm", "in")[done % 2]
        assert dump(sheet)
        assert write_csv(sheet.indications, sheet.reader).startswith("id,")
        assert worksheet_html(sheet, film, units).startswith("<!DOCTYPE html>")
        assert workbook_bytes(sheet, units)[:2] == b"PK"
        assert png_bytes(draw_annotated(film, sheet, units))[:4] == b"\x89PNG"
        done += 1
