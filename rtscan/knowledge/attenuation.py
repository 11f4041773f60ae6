"""How matter weakens radiation: mass attenuation, gamma lines, the spectrum of an x-ray tube, materials.

Sources: the Elam tables below 800 keV (elements.json, taken from xraydb by scripts/make_attenuation_table); NIST Standard Reference
Database 126 nodes above (attenuation.toml), elements without nodes by the Compton limit (the iron value, for light elements the air
value, times the ratio of Z/A). Narrow-beam values: scatter is not included.
"""

from __future__ import annotations

import json
import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rtscan.film import F64

TOP_OF_TABLE_KEV = 800.0
AIR_ELECTRONS = 0.49919  # Z/A of dry air


@dataclass(frozen=True)
class Spectrum:
    """Photon energies (float64, shape (n,), keV, ascending) and photon numbers (float64, shape (n,), any common unit)."""

    energy_kev: F64
    photons: F64


@cache
def _table() -> dict[str, Any]:
    return tomllib.loads(files("rtscan.knowledge").joinpath("attenuation.toml").read_text(encoding="utf-8"))


@cache
def _elements() -> dict[str, Any]:
    """Atomic number, mass and cross sections of every element that a material holds."""
    return dict(json.loads(files("rtscan.knowledge").joinpath("elements.json").read_text(encoding="utf-8")))


def material_names() -> tuple[str, ...]:
    """The materials known, in the order of the table."""
    return tuple(_table()["materials"])


def density_g_cm3(material: str) -> float:
    """Density of a material of the table. KeyError when unknown."""
    return float(_table()["materials"][material]["density_g_cm3"])


def mass_attenuation(material: str, energy_kev: F64 | float, coherent: bool = True) -> F64:
    """Mass attenuation coefficient, cm2/g, at energies of 5 to 2000 keV; same shape as `energy_kev`.

    `material` is a name of the table or the symbol of an element that one of them holds. `coherent` False leaves the coherent scatter
    out (not above 800 keV, where it is below 1 %). ValueError outside the range, KeyError for other elements.
    """
    energy = np.asarray(energy_kev, dtype=np.float64)
    if energy.size and (energy.min() < 5.0 or energy.max() > 2000.0):
        raise ValueError("mass attenuation is known from 5 to 2000 keV")
    fractions = _table()["materials"].get(material, {"fractions": {material: 1.0}})["fractions"]
    flat = np.atleast_1d(energy).astype(np.float64).ravel()
    total = sum(float(part) * _element(symbol, flat, coherent) for symbol, part in fractions.items())
    return np.asarray(total, dtype=np.float64).reshape(energy.shape)


def linear_attenuation(material: str, energy_kev: F64 | float, coherent: bool = True) -> F64:
    """Linear attenuation coefficient, 1/mm; see `mass_attenuation`."""
    return mass_attenuation(material, energy_kev, coherent) * density_g_cm3(material) / 10.0


def _element(symbol: str, energy: F64, coherent: bool) -> F64:
    value = np.empty_like(energy)
    low = energy <= TOP_OF_TABLE_KEV
    if low.any():
        parts = ("photo", "coherent", "incoherent") if coherent else ("photo", "incoherent")
        value[low] = sum(_cross_section(symbol, part, energy[low]) for part in parts)
    if not low.all():
        value[~low] = _above_table(symbol, energy[~low])
    return value


def _cross_section(symbol: str, part: str, energy: F64) -> F64:
    """One part of the mass attenuation, by the cubic spline in logarithms that belongs to the Elam tables; edges are double nodes."""
    nodes, values, curvature = np.asarray(_elements()[symbol][part], dtype=np.float64)
    place = np.log(energy * 1e3)
    low, high = np.searchsorted(nodes, place, "left") - 1, np.searchsorted(nodes, place, "right")
    return np.asarray(np.exp(_cubic(place, nodes, values, curvature, low, high)), dtype=np.float64)


def _cubic(place: F64, nodes: F64, values: F64, curvature: F64, low: NDArray[np.intp], high: NDArray[np.intp]) -> F64:
    """A cubic spline, given by its second derivatives at the nodes, at places between the nodes `low` and `high`."""
    step = nodes[high] - nodes[low]
    a, b = (nodes[high] - place) / step, (place - nodes[low]) / step
    bend = (a * a - 1) * a * curvature[low] + (b * b - 1) * b * curvature[high]
    return np.asarray(a * values[low] + b * values[high] + (step * step / 6) * bend, dtype=np.float64)


def _above_table(symbol: str, energy: F64) -> F64:
    nodes, element, iron = _table()["nodes"], _elements()[symbol], _elements()["Fe"]
    electrons = element["number"] / element["mass"]
    known = symbol if symbol in nodes else "light" if element["number"] <= 20 else "Fe"
    x, y, place = np.log(nodes["energy_kev"]), np.log(nodes[known]), np.log(energy)
    high = np.clip(np.searchsorted(x, place), 1, len(x) - 1)
    value = np.exp(_cubic(place, x, y, _curvature(x, y), high - 1, high))
    if known == "light":
        value = value * electrons / AIR_ELECTRONS
    elif known != symbol:
        value = value * electrons * iron["mass"] / iron["number"]
    return np.asarray(value, dtype=np.float64)


def _curvature(x: F64, y: F64) -> F64:
    """Second derivatives of the cubic spline through the nodes whose first two and last two pieces are each one cubic (not-a-knot)."""
    step = np.diff(x)
    slope = np.diff(y) / step
    rows = np.zeros((len(x), len(x)))
    for k in range(1, len(x) - 1):
        rows[k, k - 1 : k + 2] = step[k - 1], 2 * (step[k - 1] + step[k]), step[k]
    rows[0, :3] = step[1], -step[0] - step[1], step[0]
    rows[-1, -3:] = step[-1], -step[-2] - step[-1], step[-2]
    return np.asarray(np.linalg.solve(rows, [0.0, *(6 * np.diff(slope)), 0.0]), dtype=np.float64)


def gamma_sources() -> tuple[str, ...]:
    """The gamma sources known."""
    return tuple(_table()["sources"])


def gamma_lines(source: str) -> Spectrum:
    """Lines of a gamma source: energies, and photons per 100 decays. KeyError when unknown."""
    lines = np.asarray(_table()["sources"][source]["lines"], dtype=np.float64)
    return Spectrum(lines[:, 0], lines[:, 1])


def tube_spectrum(kv: float, copper_mm: float = 0.0, aluminium_mm: float = 3.0, step_kev: float = 2.0) -> Spectrum:
    """Bremsstrahlung of a tungsten tube at `kv` (30 to 450), behind aluminium (inherent) and copper filters.

    Kramers' law, photons per keV proportional to (kv - E) / E; the steel half-value layers it gives behind 5 mm of steel and more agree
    with the kqp model of a general library within 2.5 % (tested). Lines of the target are left out: steel takes them away.
    """
    energy = np.arange(15.0, kv, step_kev) + 0.5 * step_kev
    energy = energy[energy < kv]
    passed = mass_attenuation("Al", energy) * 0.270 * aluminium_mm + mass_attenuation("Cu", energy) * 0.896 * copper_mm
    return Spectrum(energy, (kv - energy) / energy * np.exp(-passed))


def half_life_days(source: str) -> float:
    """Half-life of a gamma source. KeyError when unknown."""
    return float(_table()["sources"][source]["half_life_days"])


def activity_left(source: str, days: float) -> float:
    """Share of the activity that is left after `days`: 2^(-t/T)."""
    return float(2.0 ** (-days / half_life_days(source)))


def air_energy_absorption(energy_kev: F64) -> F64:
    """Mass energy-absorption coefficient of air, cm2/g, log-log interpolation of NIST nodes, 10 to 2000 keV."""
    row = _table()["air_energy_absorption"]
    return np.asarray(np.exp(np.interp(np.log(energy_kev), np.log(row["energy_kev"]), np.log(row["value"]))), dtype=np.float64)


def dose_weights(spectrum: Spectrum) -> F64:
    """Share of each energy in the air kerma, sums to 1: the weight with which a film sees it."""
    dose = spectrum.photons * spectrum.energy_kev * air_energy_absorption(spectrum.energy_kev)
    return np.asarray(dose / dose.sum(), dtype=np.float64)


def half_value_layer_mm(spectrum: Spectrum, material: str = "iron", behind_mm: float = 0.0) -> float:
    """Local narrow-beam half-value layer by air kerma after `behind_mm` of the material have been passed."""
    mu = linear_attenuation(material, spectrum.energy_kev)
    weights = dose_weights(spectrum) * np.exp(-mu * behind_mm)
    low, high = 0.0, 400.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        left = float(np.sum(weights * np.exp(-mu * middle)) / np.sum(weights))
        low, high = (middle, high) if left > 0.5 else (low, middle)
    return 0.5 * (low + high)
