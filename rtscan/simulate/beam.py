"""The beam: dose behind steel, other metals as equivalent steel, scatter, unsharpness of the source.

Primary dose behind a steel thickness is the sum over lines or bins of dose weight times exp(-mu T); narrow-beam coefficients.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rtscan.film import F32, F64
from rtscan.knowledge.attenuation import Spectrum, dose_weights, gamma_lines, linear_attenuation, tube_spectrum
from rtscan.simulate.images import Real, gaussian, lookup, stretch
from rtscan.simulate.recipe import ExposurePart, Recipe

THICKNESS_STEP_MM = 0.05
THICKEST_MM = 400.0
INHERENT_MM = {"Ir-192": 0.15, "Se-75": 0.11, "Yb-169": 0.08, "Co-60": 0.35}
"""Inherent unsharpness of gamma sources with lead screens: commonly tabulated, from memory (unverified)."""
SCATTER_PER_MM = {"Co-60": 0.02}
USUAL_SCATTER_PER_MM = 0.10
"""Scattered over primary dose per mm of steel: 2.0 at 20 mm and 3.0 at 31 mm for Ir-192, 2.0 at 20 mm for x-rays (published training
problems); for Co-60 the value that gives the handbook's broad-beam half-value layer of 22 mm."""


@dataclass(frozen=True)
class Beam:
    """Energies (keV), dose weights (sum 1), steel coefficients (1/mm) and the log dose at multiples of THICKNESS_STEP_MM."""

    energy_kev: F64
    weights: F64
    steel_per_mm: F64
    log_dose: F64

    def dose(self, thickness_mm: Real) -> F64:
        """Primary dose behind steel; 1 without any. Thickness below zero counts as none."""
        position = np.clip(np.asarray(thickness_mm, dtype=np.float64), 0.0, THICKEST_MM) / THICKNESS_STEP_MM
        return np.asarray(np.exp(np.interp(position, np.arange(self.log_dose.size), self.log_dose)))

    def dose_image(self, thickness_mm: F32) -> F32:
        """`dose` for large float32 images: exact to 0.01 % (the table is interpolated in the logarithm, in single precision)."""
        return np.exp(lookup(self.log_dose, thickness_mm * np.float32(1.0 / THICKNESS_STEP_MM)))

    def equivalent_steel(self, material: str, amount_mm: Real, behind_mm: float) -> F64:
        """Steel (mm) that adds as much to `behind_mm` of steel as `amount_mm` of `material` does; same shape, rising."""
        if material == "air":
            return np.zeros_like(np.asarray(amount_mm, dtype=np.float64))
        mu = linear_attenuation(material, self.energy_kev)
        most = float(np.max(amount_mm, initial=0.0))
        amounts = np.linspace(0.0, max(most, 1e-6), 65)
        left = self.weights * np.exp(-self.steel_per_mm * behind_mm)
        dose = np.exp(-amounts[:, None] * mu[None, :]) @ left
        steel = np.interp(-np.log(dose), -self.log_dose, np.arange(self.log_dose.size) * THICKNESS_STEP_MM) - behind_mm
        return np.asarray(np.interp(amount_mm, amounts, steel - steel[0]))


def spectrum_of(exposure: ExposurePart) -> Spectrum:
    """Lines of the gamma source, or the tube spectrum at its voltage."""
    if exposure.source == "x-ray":
        return tube_spectrum(exposure.kv, copper_mm=exposure.filter_mm)
    return gamma_lines(exposure.source)


def make_beam(exposure: ExposurePart, material: str = "carbon steel") -> Beam:
    """The beam of an exposure behind a steel."""
    spectrum = spectrum_of(exposure)
    weights = dose_weights(spectrum)
    mu = linear_attenuation(material, spectrum.energy_kev)
    thickness = np.arange(0.0, THICKEST_MM + THICKNESS_STEP_MM, THICKNESS_STEP_MM)
    dose = np.zeros_like(thickness)
    for weight, coefficient in zip(weights, mu, strict=True):
        dose += weight * np.exp(-coefficient * thickness)
    return Beam(spectrum.energy_kev, weights, mu, np.log(np.maximum(dose, 1e-300)))


def inherent_unsharpness_mm(exposure: ExposurePart) -> float:
    """As given, else 0.0013 kV^0.8 for x-rays (published training formula) or the usual value of the gamma source."""
    if exposure.unsharpness_mm is not None:
        return exposure.unsharpness_mm
    if exposure.source == "x-ray":
        return float(0.0013 * (exposure.kv) ** 0.8)
    return INHERENT_MM[exposure.source]


def geometric_unsharpness_mm(focal_mm: float, object_mm: float, source_to_film_mm: float) -> float:
    """Ug = F b / a: b the height of the detail above the film, a its distance from the source."""
    return focal_mm * object_mm / max(source_to_film_mm - object_mm, 1e-6)


def scatter_ratio(exposure: ExposurePart, thickness_mm: Real) -> F64:
    """Scattered over primary dose behind `thickness_mm`; as given in the recipe (for every thickness), else proportional to it."""
    if exposure.scatter is not None:
        return np.full_like(np.asarray(thickness_mm, dtype=np.float64), exposure.scatter)
    per_mm = SCATTER_PER_MM.get(exposure.source, USUAL_SCATTER_PER_MM)
    return np.asarray(0.05 + per_mm * np.asarray(thickness_mm, dtype=np.float64))


def scatter_spread_mm(recipe: Recipe) -> float:
    """How far scattered radiation strays sideways on its way to the film, standard deviation: the depth it comes from, by common sense
    (radiation scattered at 30 to 60 degrees half way through); no published source."""
    walls = 2.0 if recipe.exposure.technique.startswith("DWDI") else 1.0
    return 1.5 + 0.6 * (walls * recipe.weld.wall_mm + recipe.exposure.object_to_film_mm)


def scattered(recipe: Recipe, primary: F32, thickness: F32, ppm: float) -> F32:
    """Scattered dose at film pixels: primary times the ratio, spread by `scatter_spread_mm`."""
    step = max(round(1.5 * ppm), 1)
    small = (max(primary.shape[0] // step, 4), max(primary.shape[1] // step, 4))
    source = stretch(primary, small) * scatter_ratio(recipe.exposure, stretch(thickness, small))
    return stretch(gaussian(source, scatter_spread_mm(recipe) * ppm / step), primary.shape)
