"""Two films of one holder: common practice, no published source for the tolerances."""

from __future__ import annotations

from dataclasses import replace

from rtscan.findings import Indication
from rtscan.reading.quality.pair import PLAIN_SNR, on_one_film_only

PART = [Indication(id=k, along_mm=a, across_mm=c, length_mm=1.0, signal_to_noise=30.0)
        for k, (a, c) in enumerate([(10.0, 1.0), (42.0, -2.0), (55.0, 0.5), (81.0, 3.0)], start=1)]


def moved(indications: list[Indication], along: float, across: float) -> list[Indication]:
    return [replace(i, along_mm=(i.along_mm or 0) + along, across_mm=(i.across_mm or 0) + across) for i in indications]


def test_the_same_part_has_no_artefacts() -> None:
    assert on_one_film_only(PART, PART) == ((), ())
    assert on_one_film_only(PART, moved(PART, 3.0, -0.7)) == ((), ())


def test_a_scratch_on_either_film_is_told() -> None:
    scratch = Indication(id=9, along_mm=70.0, across_mm=-1.0, length_mm=4.0, signal_to_noise=25.0)
    assert on_one_film_only([*PART, scratch], moved(PART, 2.0, 0.4)) == ((9,), ())
    assert on_one_film_only(PART, moved([*PART, scratch], 2.0, 0.4)) == ((), (9,))


def test_weak_and_unplaced_indications_are_never_called_artefacts() -> None:
    weak = Indication(id=9, along_mm=70.0, across_mm=-1.0, length_mm=0.4, signal_to_noise=PLAIN_SNR - 1)
    nowhere = Indication(id=10, signal_to_noise=40.0)
    assert on_one_film_only([*PART, weak, nowhere], PART) == ((), ())


def test_a_film_that_shows_nothing_makes_every_plain_mark_of_the_other_an_artefact() -> None:
    assert on_one_film_only(PART, []) == ((1, 2, 3, 4), ())


def test_long_indications_may_be_measured_from_other_ends() -> None:
    line = Indication(id=5, along_mm=30.0, across_mm=0.0, length_mm=20.0, signal_to_noise=40.0)
    assert on_one_film_only([line], [replace(line, along_mm=37.0, length_mm=8.0)]) == ((), ())


def test_less_metal_on_one_film_is_not_more_metal_on_the_other() -> None:
    """Pressure before the exposure prints light, after it dark (common trade knowledge): at one place of both films two artefacts."""
    dark = Indication(id=9, tone="dark", along_mm=70.0, across_mm=-1.0, length_mm=4.0, signal_to_noise=25.0)
    bright = replace(dark, id=10, tone="bright")
    assert on_one_film_only([*PART, dark], [*PART, bright]) == ((9,), (10,))
    assert on_one_film_only([*PART, dark], [*PART, replace(dark, id=10)]) == ((), ())
