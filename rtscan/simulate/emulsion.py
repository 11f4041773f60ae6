"""The film: density from dose by class, and its grain.

Law: D - fog = S (1 - exp(-(k E)^g)). S and g are solved so that the gradients at net densities 2 and 4 are the least the class allows
(ISO 11699-1 as remembered and cross-checked with ASTM E1815); k is set by the exposure. g is near 1, so density is nearly
proportional to dose up to 4.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np

from rtscan.film import F32, F64
from rtscan.simulate.images import Real
from rtscan.simulate.recipe import FilmPart

CLASSES: dict[str, tuple[float, float, float]] = {
    "C1": (4.5, 7.5, 0.018),
    "C2": (4.3, 7.4, 0.018),
    "C3": (4.1, 6.8, 0.023),
    "C4": (4.1, 6.8, 0.028),
    "C5": (3.8, 6.4, 0.032),
    "C6": (3.5, 5.0, 0.039),
}
"""Least gradient at D 2 and at D 4, granularity (100 um circle) at D 2 above fog."""
APERTURE_MM = 0.100
FINE_MM = 0.010
"""Blur of the silver grain itself, standard deviation."""


@dataclass(frozen=True)
class FilmLaw:
    """Constants of the law and the granularity at net density 2."""

    saturation: float
    power: float
    granularity: float

    def net_density(self, dose: Real) -> F64:
        """Net density of a dose in units of 1/k."""
        return np.asarray(self.saturation * -np.expm1(-(np.maximum(dose, 0.0) ** self.power)))

    def dose(self, net_density: Real | float) -> F64:
        """The dose that gives a net density; the inverse of `net_density`."""
        share = np.clip(np.asarray(net_density, dtype=np.float64) / self.saturation, 0.0, 1.0 - 1e-9)
        return np.asarray((-np.log1p(-share)) ** (1.0 / self.power))

    def gradient(self, net_density: Real | float) -> F64:
        """dD / d log10(dose) at a net density."""
        share = np.clip(np.asarray(net_density, dtype=np.float64) / self.saturation, 0.0, 1.0 - 1e-9)
        return np.asarray(np.log(10.0) * self.power * self.saturation * (1.0 - share) * -np.log1p(-share))

    def grain(self, net_density: Real) -> F64:
        """Granularity (100 um circle) at a net density: counting noise of the dose seen through the gradient, gradient / sqrt(dose).

        On a film linear in dose that is the square root of density; near the shoulder it levels out.
        """
        net = np.maximum(net_density, 0.02)
        return np.asarray(self.granularity * self._noise(net) / float(self._noise(np.asarray(2.0))))

    def _noise(self, net_density: Real) -> F64:
        return np.asarray(self.gradient(net_density) / np.sqrt(np.maximum(self.dose(net_density), 1e-12)))


@cache
def film_law(class_: str) -> FilmLaw:
    """The law of a film class. KeyError when unknown."""
    at_2, at_4, granularity = CLASSES[class_]

    def ratio(saturation: float) -> float:
        low, high = (-np.log1p(-d / saturation) * (1 - d / saturation) for d in (2.0, 4.0))
        return float(low / high)

    low, high = 4.4, 200.0
    for _ in range(80):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if ratio(middle) > at_2 / at_4 else (low, middle)
    saturation = 0.5 * (low + high)
    power = at_2 / (np.log(10.0) * saturation * (1 - 2 / saturation) * -np.log1p(-2 / saturation))
    return FilmLaw(saturation, float(power), granularity)


def detector_law(class_: str) -> FilmLaw:
    """A digital detector in the words of film: signal in proportion to dose, noise as of a film class at net density 2."""
    return FilmLaw(1e7, 1.0, CLASSES[class_][2])


@dataclass(frozen=True)
class GrainShape:
    """The spectrum of grain: silver grain blurred by `fine_mm`, and quantum mottle blurred by `mottle_mm` (electrons from the screens),
    which holds `mottle_share` of the power at low frequencies; standard deviations. The skewness of the silver grain is about -6 `skew`.
    Found on digitised films, no published source."""

    fine_mm: float = FINE_MM
    mottle_mm: float = 0.048
    mottle_share: float = 0.5
    skew: float = 0.025

    def power(self, f2_per_mm2: F64) -> F64:
        """Relative power at a squared frequency (cycles/mm)^2; 1 at zero."""
        parts = [np.exp(-((2 * np.pi * sigma) ** 2) * f2_per_mm2) for sigma in (self.fine_mm, self.mottle_mm)]
        return np.asarray((1.0 - self.mottle_share) * parts[0] + self.mottle_share * parts[1])


USUAL_GRAIN = GrainShape()


def grain_shape(film: FilmPart) -> GrainShape:
    """The grain of a recipe's film."""
    return GrainShape(FINE_MM, film.mottle_mm, film.mottle_share, film.grain_skew)


@cache
def white_density_mm(shape: GrainShape = USUAL_GRAIN) -> float:
    """Root of the power at zero frequency (density x mm) of unit granularity: seen through the 100 um circle it has standard deviation 1.
    Closed form: variance = power at zero times the integral of the relative power and the squared transfer of the circle."""
    from scipy.special import j1

    f = np.linspace(1e-4, 400.0, 400_000)
    x = np.pi * APERTURE_MM * f
    transfer = (2.0 * j1(x) / x) ** 2 * shape.power(f * f)
    return float(1.0 / np.sqrt(np.sum(2.0 * np.pi * f * transfer) * (f[1] - f[0])))


def unit_grain(size: tuple[int, int], pitch_mm: float, rng: np.random.Generator, shape: GrainShape = USUAL_GRAIN) -> F32:
    """Grain of granularity 1, float32 (rows, columns), as square pixels see it."""
    strength = white_density_mm(shape) / pitch_mm
    grain = np.zeros(size, dtype=np.float32)
    for sigma, share, skew in ((shape.fine_mm, 1.0 - shape.mottle_share, shape.skew), (shape.mottle_mm, shape.mottle_share, 0.0)):
        if share > 0:
            field = rng.standard_normal(size, dtype=np.float32)
            field *= np.float32(strength * np.sqrt(share))
            weights = _pixel_weights(round(sigma / pitch_mm, 9))
            grain += _skewed(
                np.asarray(cv2.sepFilter2D(field, cv2.CV_32F, weights, weights, borderType=cv2.BORDER_REFLECT), np.float32), skew
            )
    return grain


def _skewed(grain: F32, skew: float) -> F32:
    """Leans the grain to low density, as clumps that are already black cannot get blacker; mean 0, spread all but kept."""
    if skew == 0:
        return grain
    spread = np.float32(grain.std())
    return grain - np.float32(skew) / spread * (grain * grain - spread * spread)


@cache
def _pixel_weights(sigma_px: float, taps: int = 6) -> F64:
    """Weights that give white pixels the covariance of a blurred white field seen by square pixels.

    In one dimension the covariance of pixels k apart is the triangle of two pixels' overlap, blurred by a Gaussian of variance
    2 sigma^2; the weights are the even root of it.
    """
    reach = taps + int(np.ceil(5 * sigma_px))
    t = (np.arange(-4000, 4000) + 0.5) / 4000
    spread = max(np.sqrt(2.0) * sigma_px, 1e-3)
    k = np.arange(reach + 1)
    covariance = np.mean((1 - np.abs(t)) * 2 * np.exp(-0.5 * ((t[None, :] - k[:, None]) / spread) ** 2), axis=1) / (
        spread * np.sqrt(2 * np.pi)
    )
    omega = 2 * np.pi * np.arange(257) / 512
    power = covariance[0] + 2 * np.cos(np.outer(omega, k[1:])) @ covariance[1:]
    weights = np.fft.irfft(np.sqrt(np.maximum(power, 0.0)))
    kept = np.concatenate([weights[reach:0:-1], weights[: reach + 1]])
    return np.asarray(kept / kept.sum(), dtype=np.float64)
