"""Attenuation data against published tables and an independent library. Numbers in brackets: rows of the reference's check values."""

from __future__ import annotations

import numpy as np
import pytest

from rtscan.knowledge import attenuation as at
from rtscan.simulate.beam import make_beam, scatter_ratio, scattered
from rtscan.simulate.recipe import ExposurePart, Recipe

# NIST Standard Reference Database 126, tables 3 and 4 (cm2/g); interpolated nodes within 0.5 %.
NIST = [
    ("Fe", 100, 0.3717),
    ("Fe", 200, 0.1460),
    ("Fe", 316, 0.1067),
    ("Fe", 662, 0.07344),
    ("Fe", 1250, 0.05350),  # [1, 2, 3, 5, 6]
    ("Fe", 1173, 0.0553),
    ("Fe", 1332, 0.0518),
    ("W", 200, 0.7844),
    ("W", 468, 0.1512),
    ("W", 1173, 0.05836),  # [7, 8, 10]
    ("air", 100, 0.1541),
    ("air", 1000, 0.06358),
    ("Pb", 200, 0.9987),
    ("Cu", 200, 0.1559),
    ("Pb", 1332, 0.05614),  # [11, 12]
]


@pytest.mark.parametrize(("material", "kev", "expected"), NIST)
def test_mass_attenuation_agrees_with_nist(material: str, kev: float, expected: float) -> None:
    assert float(at.mass_attenuation(material, kev)) == pytest.approx(expected, rel=0.005)


def test_without_coherent_scatter() -> None:  # [4]
    assert float(at.mass_attenuation("Fe", 316, coherent=False)) == pytest.approx(0.1024, rel=0.005)


def test_k_edge_of_tungsten_jumps() -> None:  # [9]; 69.525 keV, NIST 2.552 and 11.23; the tables place the edge within 0.05 keV
    below, above = at.mass_attenuation("W", np.asarray([69.45, 69.60]))
    assert below == pytest.approx(2.552, rel=0.01)
    assert above == pytest.approx(11.23, rel=0.01)


def test_aluminium_silicate() -> None:  # [13]
    assert float(at.mass_attenuation("aluminium silicate", 200)) == pytest.approx(0.1239, rel=0.01)


@pytest.mark.parametrize("element", ["Fe", "W", "Cu", "Pb", "Al", "Si", "Ca", "Mn", "Ti", "O", "Cr", "Ni"])
def test_agrees_with_an_independent_library(element: str) -> None:
    xraylib = pytest.importorskip("xraylib")
    number = xraylib.SymbolToAtomicNumber(element)
    for kev in (60.0, 120.0, 316.5, 604.4, 790.0):
        assert float(at.mass_attenuation(element, kev)) == pytest.approx(xraylib.CS_Total(number, kev), rel=0.005)


def test_no_silent_clamp_above_the_table() -> None:
    """The library below repeats its 800 keV value above it; ours must keep falling."""
    values = at.mass_attenuation("Fe", np.asarray([800.0, 900.0, 1173.0, 1332.0]))
    assert np.all(np.diff(values) < 0)
    with pytest.raises(ValueError, match="5 to 2000"):
        at.mass_attenuation("Fe", 3000.0)


def test_slag_above_the_table_follows_compton_limit() -> None:
    """Silicates: 0.500 / 0.4655 = 1.074 times iron (reference, section 1.1); the assumed slag holds 30 % metal oxides: within 3 %."""
    ratio = float(at.mass_attenuation("slag", 1250) / at.mass_attenuation("Fe", 1250))
    assert ratio == pytest.approx(1.06, rel=0.03)


def test_transmission_and_half_value_layer_of_single_energies() -> None:  # [14, 15]
    assert float(np.exp(-10.0 * at.linear_attenuation("iron", 200))) == pytest.approx(0.3173, rel=0.01)
    assert np.log(2) / float(at.linear_attenuation("iron", 662)) == pytest.approx(12.0, rel=0.01)


def test_tungsten_over_iron() -> None:  # [16]
    assert float(at.linear_attenuation("tungsten", 316) / at.linear_attenuation("iron", 316)) == pytest.approx(6.74, rel=0.01)


def test_decay() -> None:  # [17]; radioactive decay law
    assert at.half_life_days("Ir-192") == pytest.approx(73.83, rel=0.005)
    assert 100 * at.activity_left("Ir-192", 450) == pytest.approx(1.463, rel=0.005)


def test_lines() -> None:  # [18, 19]; decay_2012 data
    lines = at.gamma_lines("Ir-192")
    strongest = np.argsort(lines.photons)[::-1][:2]
    assert lines.energy_kev[strongest] == pytest.approx([316.51, 468.07], abs=0.1)
    assert lines.photons[strongest] == pytest.approx([82.8, 47.8], abs=1.0)
    cobalt = at.gamma_lines("Co-60")
    assert cobalt.energy_kev == pytest.approx([1173.23, 1332.49], abs=0.1)
    assert np.all(cobalt.photons > 99.8)
    assert np.average(at.gamma_lines("Se-75").energy_kev, weights=at.gamma_lines("Se-75").photons) == pytest.approx(215, abs=2)


def test_barrier_of_an_iridium_source() -> None:  # [22]; 130 uSv/h per GBq, 10 Ci, limit 7.5 uSv/h -> 80.1 m
    """The lines' own air kerma at 1 m, as exposure (8.76 mGy/R) and 10 mSv/R, gives the published constant and with it the distance.

    Tolerance: the table leaves out the lines below 200 keV and characteristic x-rays, 6 % of the published constant, 3 % of a distance.
    """
    lines = at.gamma_lines("Ir-192")
    energy_j, absorbed_m2_kg = lines.energy_kev * 1.602177e-16, at.air_energy_absorption(lines.energy_kev) * 0.1
    gray_per_h_gbq = float(np.sum(lines.photons / 100 * energy_j * absorbed_m2_kg)) / (4 * np.pi) * 3600 * 1e9
    microsievert = gray_per_h_gbq / 8.76e-3 * 10e3
    assert np.sqrt(microsievert * 370 / 7.5) == pytest.approx(80.1, rel=0.04)
    assert np.sqrt(130 * 370 / 7.5) == pytest.approx(80.1, rel=0.005)


# Narrow-beam half-value layers weighted by air kerma, reference section 1.3 (computed there from the same line data); 3 %.
@pytest.mark.parametrize(
    ("source", "behind", "expected"),
    [
        ("Ir-192", 0, 9.1),
        ("Ir-192", 10, 9.3),
        ("Ir-192", 40, 9.6),
        ("Se-75", 0, 6.5),
        ("Se-75", 10, 7.2),
        ("Se-75", 20, 7.6),
        ("Yb-169", 5, 5.8),
        ("Yb-169", 10, 6.1),
        ("Co-60", 10, 16.5),
    ],
)
def test_half_value_layers(source: str, behind: float, expected: float) -> None:  # [20]
    assert at.half_value_layer_mm(at.gamma_lines(source), behind_mm=behind) == pytest.approx(expected, rel=0.03)


@pytest.mark.parametrize(("source", "handbook"), [("Ir-192", 13.0), ("Co-60", 22.0)])
def test_broad_beam_half_value_layer(source: str, handbook: float) -> None:  # [21]; handbook after ASTM E94, 1 mm
    """Primary and scattered dose together halve as in the handbook's broad beam, at 40 to 60 mm of steel."""
    lines = at.gamma_lines(source)
    mu, weights = at.linear_attenuation("iron", lines.energy_kev), at.dose_weights(lines)
    exposure = ExposurePart.model_validate({"source": source})

    def dose(t: float) -> float:
        return float(np.sum(weights * np.exp(-mu * t)) * (1 + scatter_ratio(exposure, np.asarray(t))))

    start = 30.0
    thickness = np.linspace(start, start + 60, 6001)
    halved = thickness[np.argmax([dose(t) < 0.5 * dose(start) for t in thickness])] - start
    assert halved == pytest.approx(handbook, abs=1.0)


# Local narrow-beam half-value layers of iron behind x mm, and the mean energy, from the kqp model of a general library (reference,
# section 1.3). Kramers' law without target lines is the rougher model: 2.5 % (the worst, 400 kV behind 5 mm, is 2.4 %) and 3 keV.
TUBE = {100: (1.39, 1.69, 1.92, 2.03), 200: (3.28, 3.87, 4.39, 4.67), 300: (4.53, 5.16, 5.75, 6.08), 400: (5.42, 6.03, 6.63, 6.99)}


SPEKPY_CASES = [(100, 0, 5), (150, 0, 10), (160, 1, 8), (200, 0, 20), (250, 2, 10), (300, 0, 30), (350, 1, 20), (420, 0, 20), (450, 0, 30)]


@pytest.mark.parametrize("kv", list(TUBE))
def test_tube_half_value_layers(kv: int) -> None:
    spectrum = at.tube_spectrum(float(kv))
    for behind, expected in zip((5, 10, 20, 30), TUBE[kv], strict=True):
        assert at.half_value_layer_mm(spectrum, behind_mm=behind) == pytest.approx(expected, rel=0.025)


# kV, copper filter (mm), steel passed (mm). Kramers' law without target lines grows too hard with voltage: worst at 450 kV, 2.7 % of the
# mean energy and 1.9 % of the half-value layer; 0.6 % and 0.9 % up to 250 kV.
@pytest.mark.slow
@pytest.mark.parametrize(("kv", "copper", "behind"), SPEKPY_CASES)
def test_tube_spectrum_against_an_independent_model(kv: int, copper: int, behind: int) -> None:
    spekpy = pytest.importorskip("spekpy")
    other = spekpy.Spek(kvp=kv, th=20, dk=2)
    other.filter("Al", 3).filter("Cu", copper).filter("Fe", behind)
    energy, fluence = other.get_spectrum()
    ours = at.tube_spectrum(float(kv), copper_mm=float(copper))
    left = ours.photons * np.exp(-behind * at.linear_attenuation("iron", ours.energy_kev))
    assert np.average(ours.energy_kev, weights=left) == pytest.approx(np.average(energy, weights=fluence), rel=0.03)
    assert at.half_value_layer_mm(ours, behind_mm=float(behind)) == pytest.approx(other.get_hvl(matl="Fe"), rel=0.025)


def test_scatter_of_published_problems() -> None:  # [55]; 2.0 at 20 mm and 3.0 at 31 mm of steel, Ir-192; 10 %
    assert scatter_ratio(ExposurePart(source="Ir-192"), np.asarray([20.0, 31.0])) == pytest.approx([2.0, 3.0], rel=0.10)


def test_scatter_under_a_weld_crown() -> None:  # [56]; 2.0 beside the weld behind 20 mm, 4.6 behind the crown of 24 mm
    """Scatter strays in from the plate while the crown holds the primary back. The problem's half-value layer is 2.5 mm (120 kV behind
    20 mm); the reference does not tell its crown's width: 16 mm, as such welds have. 5 %: a width of 14 or 18 mm moves it so much."""
    recipe = Recipe.model_validate({"weld": {"wall_mm": 20.0}, "exposure": {"kv": 120.0, "object_to_film_mm": 0.0}})
    assert at.half_value_layer_mm(at.tube_spectrum(120.0), behind_mm=20.0) == pytest.approx(2.5, rel=0.02)
    across = (np.arange(400) - 199.5) / 4.0
    thickness = np.repeat((20.0 + 4.0 * (np.abs(across) < 8.0)).astype(np.float32)[:, None], 800, axis=1)
    primary = make_beam(recipe.exposure).dose_image(thickness)
    ratio = scattered(recipe, primary, thickness, 4.0) / primary
    assert float(ratio[200, 400]) == pytest.approx(4.6, rel=0.05)
    assert float(ratio[20, 400]) == pytest.approx(2.0, rel=0.05)
