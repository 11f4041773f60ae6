"""Which holes count, what is required of them, and the check line. Check values 40, 44, 45: tests/knowledge/test_iqi.py."""

from __future__ import annotations

from collections.abc import Callable
from math import sqrt
from typing import Any

import numpy as np
import pytest
from scipy import ndimage

from rtscan.film import HoleOnFilm, Marks, PlaqueOnFilm
from rtscan.findings import Check
from rtscan.job import Job, load_job
from rtscan.knowledge.iqi import astm_wire, plaque
from rtscan.reading.quality import check_film
from rtscan.reading.quality.contrast import blurred_chord
from rtscan.reading.quality.plaque import NOT_FOUND, VISIBLE_SNR, read_plaque
from rtscan.reading.quality.wires import VISIBLE_SNR as WIRE_SNR

Make = Callable[..., Any]
HOLE = {"kind": "hole", "set": "12", "across_mm": 22.0, "turn_deg": 3.0}
ASME: dict[str, Any] = {"testing": {"standard": "asme-v"}}
PAIRS = [(10, 4), (12, 5), (15, 6), (17, 7), (20, 8), (25, 9), (30, 10), (35, 11), (40, 12), (50, 13)]
"""Plaque (2T) and wire of ASME V T-276, physics reference 3.5."""


@pytest.mark.parametrize(("number", "wire"), PAIRS)
@pytest.mark.parametrize("sigma", [0.04, 0.08])
def test_a_hole_is_asked_no_less_than_its_equal_wire(number: int, wire: int, sigma: float) -> None:
    """Where the equal wire collects 7 over 10 mm, the 2T hole collects this in the same noise: the blurred bodies' energies. Within a fifth
    of VISIBLE_SNR below and a tenth above, so that hole and wire pass and fail together."""
    drawing = plaque(str(number))
    assert drawing is not None
    diameter = next(size for name, size, _ in drawing.holes if name == "2T")
    step = min(diameter, sigma) / 10
    half = int((diameter / 2 + 5 * sigma) / step) + 1
    axis = np.arange(-half, half + 1) * step
    disc = ndimage.gaussian_filter((np.hypot(axis[:, None], axis) <= diameter / 2).astype(float), sigma / step, mode="constant")
    u = np.linspace(-3, 3, 6001)
    of_hole = drawing.thickness_mm**2 * (disc**2).sum() * step**2
    of_wire = 10 * np.trapezoid(blurred_chord(u, astm_wire(wire).diameter_mm, sigma) ** 2, u)
    assert 0.78 * VISIBLE_SNR < WIRE_SNR * sqrt(of_hole / of_wire) < 1.1 * VISIBLE_SNR


def on_film(*snr_and_contrast: tuple[float, float], step: float = 0.1) -> Marks:
    """Marks with a plaque No. 12 whose 4T, 1T and 2T holes have these signal-to-noise ratios and contrasts."""
    drawing = plaque("12")
    assert drawing is not None
    holes = tuple(HoleOnFilm(name, diameter, np.zeros(2), contrast, contrast / snr if snr else 0.0, snr)
                  for (name, diameter, _), (snr, contrast) in zip(drawing.holes, snr_and_contrast, strict=True))
    nothing = np.zeros((4, 6), dtype=bool)
    return Marks((), nothing, nothing, PlaqueOnFilm(12, np.zeros((4, 2)), 1.0, step, 0.001, 1.0, 0.1, holes))


@pytest.mark.parametrize(("holes", "smallest"), [
    (((20.0, 0.1), (9.0, 0.1), (14.0, 0.1)), "1T"),
    (((20.0, 0.1), (4.0, 0.1), (14.0, 0.1)), "2T"),
    (((20.0, 0.1), (9.0, 0.1), (6.5, 0.1)), "4T"),  # 6.5 is below 6 with chance taken off, and ends the row
    (((5.0, 0.1), (9.0, 0.1), (14.0, 0.1)), None),
    (((0.0, 0.0), (4.0, 0.1), (14.0, 0.1)), "2T"),  # the largest under lead
    (((20.0, 0.3), (4.0, 0.1), (14.0, 0.1)), None),  # three times as deep as the plate: no hole of it
])
def test_the_smallest_hole_of_an_unbroken_row(holes: tuple[tuple[float, float], ...], smallest: str | None) -> None:
    seen = read_plaque(on_film(*holes))
    assert seen is not None
    assert (seen.smallest_visible.hole.name if seen.smallest_visible else None) == smallest


def line(seen: Any, job: Job | None = None) -> Check:
    quality = seen.quality if job is None else check_film(seen.film, job, seen.weld, seen.marks, seen.strips)
    (found,) = [c for c in quality.checks if c.name == "hole seen"]
    assert not [c for c in quality.checks if c.name == "wire seen"]
    return found


@pytest.mark.slow
def test_a_fit_film_shows_the_essential_hole(make: Make) -> None:
    """8 mm of steel ask for 2T of No. 15 (0.315 in, T-276): 4.76 % of the wall; 2T of No. 12 is 3.97 %: 100/8 sqrt(T h / 2)."""
    seen = make(iqi=[HOLE], **ASME)
    check = line(seen)
    assert (check.result, check.required, check.unverified) == ("pass", True, True)
    assert check.limit.max == pytest.approx(100 / 8 * sqrt(0.381 * 0.762 / 2), abs=0.001)
    assert check.measured == pytest.approx(100 / 8 * sqrt(0.3175 * 0.635 / 2), abs=0.001)
    assert "2T of plaque No. 12" in check.says
    assert seen.quality.readable


@pytest.mark.slow
def test_too_thick_a_plaque_fails_and_with_none_the_film_is_not_accepted(make: Make) -> None:
    coarse = line(make(iqi=[{**HOLE, "set": "40"}], **ASME))
    assert coarse.result == "fail"
    missing = make({"iqi.kind": "hole", "iqi.set": "12"}, iqi=[], **ASME)
    assert (line(missing).result, line(missing).required) == ("not assessed", True)
    assert NOT_FOUND in line(missing).says
    assert missing.quality.readable


@pytest.mark.slow
@pytest.mark.parametrize(("keys", "why"), [
    ({"iqi.set": ""}, "give iqi.set"), ({"iqi.set": "900"}, "no rectangular plaque"), ({"testing.standard": "iso-17636-1"}, "ASME V only"),
])
def test_not_assessed_says_why(make: Make, keys: dict[str, Any], why: str) -> None:
    check = line(make(keys, iqi=[HOLE], **ASME))
    assert (check.result, check.required) == ("not assessed", True)
    assert why in check.says


@pytest.mark.slow
def test_a_noisy_film_hides_the_holes(make: Make) -> None:
    """Five times the usual noise of the scan at the same contrast: 1T of No. 12 cannot be seen, and the film fails or shows 4T only."""
    seen = make(iqi=[HOLE], scan={"noise": 0.06}, **ASME)
    read = seen.indicator.plaque
    assert read is None or not read.holes[-1].visible


@pytest.mark.slow
def test_contrast_as_by_wires(make: Make) -> None:
    """The same film with a plaque and with wires: contrast per mm of steel within both doubts, blur within 0.03 mm."""
    by_plate, by_wires = make(iqi=[HOLE], **ASME).indicator.contrast, make(**ASME).indicator.contrast
    assert by_plate.said_by == "plaque No. 12"
    assert by_plate.per_mm == pytest.approx(by_wires.per_mm, rel=by_plate.per_mm_u + by_wires.per_mm_u)
    assert by_plate.blur_mm == pytest.approx(by_wires.blur_mm, abs=0.03)


def test_the_sheet_may_name_the_number_in_any_way() -> None:
    for name in ("12", "No. 12", "ASTM 12", "no12"):
        found = plaque(name)
        assert found is not None
        assert found.number == 12
    assert all(plaque(name) is None for name in ("", "W10", "4", "181", "1.5", "-12"))
    assert load_job(None, {"iqi.kind": "hole", "iqi.set": "12"}).iqi.set == "12"
