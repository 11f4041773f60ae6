"""Wires, contrast and blur against the simulator's truth, and on the real films."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from math import pi, sqrt
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rtscan.knowledge.iqi import wire_set
from rtscan.reading.quality.contrast import STRIP_OF_SIGMA, blurred_chord
from rtscan.reading.quality.wires import VISIBLE_SNR, SeenWire, WireSet
from rtscan.reading.wires import _where_seen

Make = Callable[..., Any]
REAL = Path(__file__).resolve().parents[4] / "shared" / "real" / "films"
EYE = {"0003": 5, "0007": 4, "0027": 6, "0030": 5, "0031": 5, "0032": 4, "0039": 6, "0042": 5, "0043": 5, "0049": 5, "0051": 5, "0054": 5,
       "0055": 5, "0059": 5, "0061": 5, "0062": 5}
"""Wires counted by eye on the film enlarged and averaged along the wires. W0003_0063 and _0065 are left out: lead plates cover the
set, only pieces of two or three bent wires show."""


@pytest.mark.parametrize(("diameter", "sigma"), [(0.4, 0.05), (0.2, 0.1), (0.1, 0.2)])
def test_blurred_chord_keeps_the_section_of_the_wire(diameter: float, sigma: float) -> None:
    """A blur moves metal about but loses none: the integral is the section pi d^2 / 4 (exact; 1 % for the sampling)."""
    u = np.linspace(-3, 3, 6001)
    assert np.trapezoid(blurred_chord(u, diameter, sigma), u) == pytest.approx(pi * diameter**2 / 4, rel=0.01)


def test_strongly_blurred_wire_peaks_as_its_section_over_the_gaussian() -> None:
    """Peak of an area A under a Gaussian: A / (sigma sqrt(2 pi)); the wire is 1/8 of the blur wide."""
    peak = float(blurred_chord(np.zeros(1), 0.05, 0.4)[0])
    assert peak == pytest.approx(pi * 0.05**2 / 4 / (0.4 * sqrt(2 * pi)), rel=0.01)
    assert pytest.approx(sqrt(12)) == STRIP_OF_SIGMA


@pytest.mark.slow
def test_set_is_found_where_it_lies_thickest_first(make: Make) -> None:
    seen = make()
    found = seen.indicator.found
    assert [w.wire for w in found.wires] == list(wire_set("ISO-wire", "W10"))
    gaps = np.diff([w.path_px[len(w.path_px) // 2, 0] for w in found.wires]) / seen.film.pixels_per_mm
    assert np.all(np.abs(gaps - 5.0) < 0.8)  # drawn 5 mm apart, each displaced by about 0.12 mm and magnified a little
    contrasts = [w.contrast for w in found.wires if w.visible]
    assert all(a > 0.8 * b for a, b in itertools.pairwise(contrasts))


@pytest.mark.slow
@pytest.mark.parametrize("angle", [-12.0, 9.0])
def test_turned_welds(make: Make, angle: float) -> None:
    seen = make(place={"angle_deg": angle})
    found = seen.indicator.found
    assert found is not None
    assert found.thinnest_visible is not None
    assert found.thinnest_visible.wire.number >= 13


@pytest.mark.slow
def test_astm_wires(make: Make) -> None:
    seen = make({"iqi.kind": "ASTM-wire", "iqi.set": "A"}, iqi=[{"kind": "ASTM-wire", "set": "A"}])
    assert [w.wire.number for w in seen.indicator.found.wires] == [6, 5, 4, 3, 2, 1]


@pytest.mark.slow
def test_thick_wires_do_not_drown_in_the_shading_they_pull(make: Make) -> None:
    """W6 to W12 over 8 mm at 160 kV: the simulator's own answer key has all seven on the film, and places each."""
    seen = make(iqi=[{"set": "W6", "along_mm": 20.0}])
    found = seen.indicator.found
    assert [w.wire.number for w in found.wires if w.visible] == [6, 7, 8, 9, 10, 11, 12]
    gaps = np.diff([w.path_px[len(w.path_px) // 2, 0] for w in found.wires]) / seen.film.pixels_per_mm
    assert np.all(np.abs(gaps - 5.0) < 0.8)  # as drawn, see above


@pytest.mark.parametrize(("plate", "last"), [(slice(40, 55), 79), (slice(60, 80), 59), (slice(0, 0), 39)])
def test_wires_go_on_behind_a_lead_plate_where_they_show_again(plate: slice, last: int) -> None:
    """Three lines show on 80 rows but for a plate; where it reaches the end of the film they end at it, and where they only stop
    there they end."""
    ridges, known = np.zeros((3, 80, 30), dtype=np.float32), np.ones((80, 30), dtype=bool)
    places = np.tile(np.array([5.0, 15.0, 25.0]), (80, 1))
    ridges[:, : 40 if plate.stop == 0 else 80] = 3.0
    ridges[:, plate], known[plate] = 0.0, False
    kept = _where_seen(ridges, known, np.arange(80), places, 15, 10)
    assert kept.start <= 3
    assert kept.stop - 1 == pytest.approx(last, abs=3)  # the strength is taken over half a visible length, 5 rows


@pytest.mark.slow
def test_no_wires_where_there_are_none(make: Make) -> None:
    assert make({"iqi.kind": "ISO-wire", "iqi.set": "W10"}, iqi=[]).indicator.found is None


@pytest.mark.slow
def test_contrast_and_blur_against_the_beam(make: Make) -> None:
    """The film law's own gradient on the simulator's dose gives the contrast of a thin step of steel; 20 % for the fit and the place."""
    from rtscan.simulate.emulsion import film_law

    seen = make()
    contrast = seen.indicator.contrast
    law = film_law("C4")
    net = 2.8 - 0.22
    source = make({"iqi.set": ""}).indicator.contrast  # the declared source, no wires: rough by its own statement
    assert contrast.said_by.endswith("wires")
    assert contrast.per_mm == pytest.approx(source.per_mm, rel=source.per_mm_u)
    assert 0 < contrast.per_mm < float(law.gradient(net)) * 0.4343 * 0.25  # no steel stops more than 0.25 per mm at 160 kV
    assert 0.05 < contrast.unsharpness_mm < 0.3  # inherent 0.075 mm, scanner and grain 0.05 mm, geometry 0.03 mm


@pytest.mark.real
@pytest.mark.slow
def test_real_films_as_many_wires_as_by_eye() -> None:
    """Within one wire on 14 of 16 films, and a set seen on all."""
    if not REAL.is_dir():
        pytest.skip("the real films are not here (shared/real)")
    from rtscan.job import load_job
    from rtscan.reading.load import load_films
    from rtscan.reading.marks import find_marks
    from rtscan.reading.quality.wires import read_wires

    job = load_job(None, {"film.pixels_per_mm": 24.81, "film.look": "dense-bright"})
    near = 0
    for number, by_eye in EYE.items():
        film = load_films(REAL / f"W0003_{number}.png", job)[0]
        marks = find_marks(film, job)
        found = read_wires(film, film.valid & ~marks.hidden, marks.marks, wire_set("ISO-wire", "W10"), "ISO-wire")
        assert found is not None, number
        thinnest = found.thinnest_visible
        seen = thinnest.wire.number - 9 if thinnest else 0
        near += abs(seen - by_eye) <= 1
        print(number, by_eye, seen, [round(w.snr, 1) for w in found.wires])
    assert near >= 14


@pytest.mark.parametrize(("snrs", "seen"), [
    ((14.8, 12.0, 8.7, 5.6, 4.0, 20.4, 1.7), 3),  # a superimposed double wall: the sixth line is none of the set
    ((14.8, 12.0, 5.0, 11.0, 4.0, 2.0, 1.7), 4),  # the third is bent
    ((14.8, 12.0, 5.0, 8.0, 7.5, 2.0, 1.7), 5),
    ((14.8, 5.0, 8.0, 4.0, 4.0, 2.0, 1.7), 1),
])
def test_a_line_far_plainer_than_the_last_wire_seen_is_no_wire(snrs: tuple[float, ...], seen: int) -> None:
    wires = wire_set("ISO-wire", "W10")
    path = np.zeros((2, 2))
    rows = tuple(SeenWire(wire, path, snr, snr >= VISIBLE_SNR, 10.0, 0.1, path) for wire, snr in zip(wires, snrs, strict=True))
    last = WireSet("ISO-wire", rows, False, False).thinnest_visible
    assert last is not None
    assert last.wire == wires[seen - 1]
