"""Spots that a roller of the film processor leaves at equal steps are no indications; pores are."""

from __future__ import annotations

import numpy as np
import pytest

from rtscan.film import Region, Strip
from rtscan.findings import Tone
from rtscan.reading.repeats import repeat_marks, without_repeats

PER_MM = 10.0


def strip(pixels_per_mm: float | None = PER_MM) -> Strip:
    """A strip of 30 x 200 mm, laid on the film as it is."""
    rows, columns = 300, 2000
    x, y = np.meshgrid(np.arange(columns, dtype=np.float32), np.arange(rows, dtype=np.float32))
    usable = np.ones((rows, columns), dtype=bool)
    edge = np.full(columns, 50.0)
    film_xy = np.stack([x, y], axis=2)
    return Strip(0, None, np.zeros((rows, columns), np.float32), usable, ~usable, film_xy, 150.0, edge, edge + 200, pixels_per_mm, None)


def spot(x_mm: float, y_mm: float = 12.0, size_mm: float = 1.2, contrast: float = 0.1, tone: Tone = "dark") -> Region:
    turn = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    outline = np.stack([x_mm + size_mm / 2 * np.cos(turn), y_mm + size_mm / 2 * np.sin(turn)], axis=1) * PER_MM
    return Region(0, tone, outline, 10.0, contrast, 5.0)


@pytest.mark.parametrize("gone", [(), (2,)])
def test_spots_at_equal_steps_are_marks_of_the_film(gone: tuple[int, ...]) -> None:
    """Also where one of them is hidden; a pore beside them stays."""
    spots = [spot(20 + 31.4 * k) for k in range(5) if k not in gone]
    pore = spot(64, y_mm=15)
    found = without_repeats([*spots, pore], [strip()])
    assert found.regions == (pore,)
    assert list(found.repeats) == spots
    marks = repeat_marks(found, [strip()])
    assert [m.kind for m in marks] == ["artefact"] * len(spots)
    assert marks[0].path_px.mean(axis=0) == pytest.approx([200, 120], abs=0.5)  # nearest pixel


@pytest.mark.parametrize(
    "others",
    [
        [spot(20), spot(51.4)],
        [spot(20), spot(51.4), spot(84.0)],
        [spot(20), spot(51.4), spot(82.8, y_mm=12.6)],
        [spot(20), spot(51.4), spot(82.8, size_mm=2.0)],
        [spot(20), spot(51.4), spot(82.8, contrast=0.3)],
        [spot(20), spot(25), spot(30), spot(35)],
        [spot(20, tone="bright"), spot(51.4, tone="bright"), spot(82.8, tone="bright")],
    ],
    ids=["two", "uneven steps", "off the line", "another size", "another strength", "a row of pores", "bright"],
)
def test_what_is_no_roller_stays(others: list[Region]) -> None:
    found = without_repeats(others, [strip()])
    assert found.regions == tuple(others)
    assert not found.repeats


def test_nothing_is_put_apart_without_a_scale() -> None:
    spots = tuple(spot(20 + 31.4 * k) for k in range(4))
    assert without_repeats(spots, [strip(None)]).regions == spots


def test_scattered_pores_are_hardly_ever_taken_for_a_roller() -> None:
    """Of 100 welds with 30 alike pores each in a band of 10 mm, at most 2 % lose any."""
    rng = np.random.default_rng(7)
    lost = 0
    for _ in range(100):
        places = np.stack([rng.uniform(5, 195, 30), rng.uniform(8, 18, 30)], axis=1)
        sizes = np.exp(rng.normal(np.log(0.9), 0.3, 30))
        pores = [spot(x, y, s, 0.1 * s) for (x, y), s in zip(places, sizes, strict=True)]
        lost += bool(without_repeats(pores, [strip()]).repeats)
    assert lost <= 2
