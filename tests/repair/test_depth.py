"""Depth from two exposures: worked examples, slow ray tracing, coverage of the stated doubt."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rtscan.errors import ListError
from rtscan.findings import ExposureFacts, Indication, WeldFacts, Worksheet
from rtscan.repair.depth import height_above_film_mm, image_shift_mm, measure_depths, with_depths

FAR = 1e7  # a source so far away that only the marker ratio counts, mm


def test_parallax_of_the_handbook() -> None:
    """Check value 67 (Radiography in Modern Industry, page 152): a 100, t 700, b 2.941 gives d 20.0."""
    assert height_above_film_mm(100.0, 700.0, -2.941) == pytest.approx(20.0, rel=1e-3)


@pytest.mark.parametrize(("wall", "marker", "flaw", "above_film"), [
    (30.0, 15.0, 7.5, 15.0),  # check value 68, public problem sheet
    (1.5, 0.45, 0.18, 0.60),  # check value 69, NDT education page on defect depth (inches)
])
def test_marker_ratio_of_the_handbooks(wall: float, marker: float, flaw: float, above_film: float) -> None:
    """Marker on the source side moved `marker`, the flaw `flaw` on the film: the rule holds for a distant source."""
    shift = marker * (FAR - wall) / wall
    seen = marker - flaw  # against the marker, which moves farther the same way
    assert height_above_film_mm(shift, FAR, seen, wall) == pytest.approx(above_film, rel=0.01)


def test_less_than_half_the_marker_shift_is_nearer_the_film() -> None:
    """Radiography in Modern Industry, page 152, in words."""
    wall, far = 20.0, 1e6
    shift = 1.0 * (far - wall) / wall * 10
    for share in (0.1, 0.3, 0.49, 0.51, 0.7):
        height = height_above_film_mm(shift, far, 10.0 * (1 - share), wall)
        assert (height < wall / 2) == (share < 0.5)


@given(st.floats(30, 300), st.floats(200, 1000), st.floats(0, 60), st.floats(0, 60), st.booleans())
def test_there_and_back(shift: float, distance: float, height: float, marker: float, backwards: bool) -> None:
    shift = -shift if backwards else shift
    seen = image_shift_mm(shift, distance, height, marker)
    assert height_above_film_mm(shift, distance, seen, marker) == pytest.approx(height, abs=1e-6)


def _image_x(source_x: float, distance: float, x: float, z: float) -> float:
    """Slow twin: where the straight line from the source through (x, z) meets the film at height 0."""
    return source_x + (x - source_x) * distance / (distance - z)


def _mark(number: int, along: float, across: float = 0.0, length: float = 2.0) -> Indication:
    return Indication(
        number, "dark", "gas pore", "2011", along_mm=along, across_mm=across, length_mm=length, width_mm=length, length_u_mm=0.4)


def _sheet(marks: list[Indication], technique: str = "DWSI", wall: float | None = 12.0) -> Worksheet:
    return Worksheet(weld=WeldFacts(name="W", wall_mm=wall, joint="plate"), indications=tuple(marks),
                     exposure=ExposureFacts(technique=technique, object_to_film_mm=1.0))


def _pair(marker: str, shift: float = 80.0, distance: float = 500.0, depth: float = 4.0, x: float = 30.0) -> tuple[Worksheet, Worksheet]:
    """Two exposures traced by rays; stations counted from the marker's image. Film side is the outside, 1 mm above the film."""
    wall, gap = 12.0, 1.0
    marker_z = gap if marker == "film" else gap + wall
    stations = [_image_x(s, distance, x, gap + depth) - _image_x(s, distance, 0.0, marker_z) for s in (-shift / 2, shift / 2)]
    return _sheet([_mark(1, stations[0])]), _sheet([_mark(7, stations[1])])


@pytest.mark.parametrize("marker", ["film", "source"])
@pytest.mark.parametrize("shift", [80.0, -80.0])
@pytest.mark.parametrize("depth", [0.5, 4.0, 11.5])
def test_rays_traced_slowly_are_found_again(marker: str, shift: float, depth: float) -> None:
    first, second = _pair(marker, shift, depth=depth)
    found = measure_depths(first, second, shift, 500.0, marker)
    assert found.not_found == ()
    one = found.depths[0]
    assert (one.indication, one.partner) == (1, 7)
    assert one.depth_mm == pytest.approx(depth, abs=1e-6)
    assert one.from_source_side_mm == pytest.approx(12.0 - depth, abs=1e-6)


def test_wrong_marker_side_is_noticed() -> None:
    first, second = _pair("film", depth=6.0)
    found = measure_depths(first, second, 80.0, 500.0, "source")
    assert not found.depths or "outside the wall" in found.depths[0].says


def test_stated_doubt_covers_noisy_readings() -> None:
    """400 pairs read with the doubts the settings state (k = 2, so half of each as standard deviation): at least 90 % inside."""
    rng = random.Random(5)
    inside = 0
    for _ in range(400):
        depth, marker = rng.uniform(1, 11), rng.choice(["film", "source"])
        true_shift, true_distance = 80 + rng.gauss(0, 0.5), 500 + rng.gauss(0, 2.5)
        first, second = _pair(marker, true_shift, true_distance, depth, rng.uniform(-40, 40))
        sheets = []
        for sheet in (first, second):
            mark = sheet.indications[0]
            off = rng.gauss(0, 0.1) + rng.gauss(0, 0.15)  # half of length_u / 2 = 0.2 and of the marker's 0.3
            sheets.append(replace(sheet, indications=(replace(mark, along_mm=(mark.along_mm or 0.0) + off),)))
        found = measure_depths(sheets[0], sheets[1], 80.0, 500.0, marker)
        one = found.depths[0]
        assert one.depth_mm is not None
        inside += abs(one.depth_mm - depth) <= one.depth_u_mm
    assert 0.90 <= inside / 400 <= 0.995  # all inside would mean an idle, too wide statement


def test_two_alike_marks_within_reach_are_not_guessed() -> None:
    first, second = _pair("film")
    twin = replace(second.indications[0], id=8, along_mm=(second.indications[0].along_mm or 0.0) + 0.5)
    found = measure_depths(first, replace(second, indications=(*second.indications, twin)), 80.0, 500.0, "film")
    assert found.depths == ()
    assert "more than one mark" in found.not_found[0]


def test_two_marks_never_share_a_partner() -> None:
    first, second = _pair("film")
    twin = replace(first.indications[0], id=2, along_mm=(first.indications[0].along_mm or 0.0) + 0.5)
    found = measure_depths(replace(first, indications=(*first.indications, twin)), second, 80.0, 500.0, "film")
    assert found.depths == ()
    assert len(found.not_found) == 2


def test_shift_over_the_datum() -> None:
    first, second = _pair("film")
    weld = WeldFacts(name="W", wall_mm=12.0, od_mm=168.3, joint="girth")
    round_mm = math.pi * 168.3
    moved = [replace(s, weld=weld, indications=tuple(replace(i, along_mm=((i.along_mm or 0.0) - 30.5) % round_mm) for i in s.indications))
             for s in (first, second)]
    assert abs((moved[0].indications[0].along_mm or 0) - (moved[1].indications[0].along_mm or 0)) > 100
    assert measure_depths(moved[0], moved[1], 80.0, 500.0, "film").depths[0].depth_mm == pytest.approx(4.0, abs=1e-6)


def test_outside_is_not_guessed_for_a_single_wall_exposure() -> None:
    first, second = (replace(s, exposure=replace(s.exposure, technique="SWSI")) for s in _pair("film"))
    found = measure_depths(first, second, 80.0, 500.0, "film")
    assert found.depths[0].depth_mm is None
    assert with_depths(first, found) == first
    named = measure_depths(first, second, 80.0, 500.0, "film", "source")
    assert named.depths[0].depth_mm == pytest.approx(8.0)
    assert with_depths(first, named).indications[0].depth_mm == pytest.approx(8.0)


@pytest.mark.parametrize(("change", "says"), [
    ({"shift_mm": 0.0}, "has to move"), ({"source_to_film_mm": 10.0}, "inside the wall"), ({"shift_mm": math.nan}, "lengths"),
])
def test_impossible_exposures_are_refused(change: dict[str, float], says: str) -> None:
    first, second = _pair("film")
    with pytest.raises(ListError, match=says):
        measure_depths(first, second, **{"shift_mm": 80.0, "source_to_film_mm": 500.0, **change}, marker="film")


def test_double_image_films_and_other_welds_are_refused() -> None:
    first, second = _pair("film")
    with pytest.raises(ListError, match="two walls"):
        measure_depths(replace(first, exposure=ExposureFacts("DWDI-ellipse")), second, 80.0, 500.0, "film")
    with pytest.raises(ListError, match="two films of one weld"):
        measure_depths(first, replace(second, weld=replace(second.weld, name="X")), 80.0, 500.0, "film")
    with pytest.raises(ListError, match="wall is needed"):
        measure_depths(_sheet([_mark(1, 0.0)], wall=None), _sheet([_mark(1, 0.0)], wall=None), 80.0, 500.0, "source")
