"""The scanner: its own blur, line noise, dust, borders; density to grey in the bits and look asked for."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rtscan.film import F32
from rtscan.simulate.images import Real, gaussian
from rtscan.simulate.recipe import ScanPart

Grey = NDArray[np.uint8] | NDArray[np.uint16]
BLUR_SIGMA_PER_FWHM = 1.0 / 2.3548
STREAK_PX = 0.4
LOG_STAGE = 0.6
"""Density over which the gain of a staged logarithmic amplifier waves once (four steps of light); seen on digitised films as noise that
is stronger at some densities, no published source. The density read is off by at most a tenth of the waviness."""
NOISE_GROWTH = np.log(10.0) / 2.5


def scan(density: F32, part: ScanPart, rng: np.random.Generator) -> Grey:
    """Grey values of a film; `density` (rows, columns) may be changed in place."""
    sigma = part.blur_mm * part.pixels_per_mm * BLUR_SIGMA_PER_FWHM
    density = gaussian(density, sigma)
    rows, columns = density.shape
    if part.lines:
        streaks = rng.standard_normal((1, columns), dtype=np.float32) * np.float32(part.lines)
        density += gaussian(streaks, STREAK_PX)
    if part.noise:
        for top in range(0, rows, 512):
            block = density[top : top + 512]
            block += rng.standard_normal(block.shape, dtype=np.float32) * noise_at(block, part)
    drag = part.drag_mm * part.pixels_per_mm * BLUR_SIGMA_PER_FWHM
    return to_grey(gaussian(density, 0.0, drag) if drag >= 0.05 else density, part)


def noise_at(density: Real, part: ScanPart) -> F32:
    """White noise of the scanner (density) at a density: as given at D 2, tenfold in 2.5 densities more, for less light comes through
    (a choice between shot noise, 10^(D/2), and a well cooled sensor; seen on digitised films, no published source)."""
    over = np.clip(np.asarray(density, dtype=np.float32), 0.0, 5.0) - np.float32(2.0)
    return np.asarray(np.float32(part.noise) * np.exp(np.float32(NOISE_GROWTH) * over), dtype=np.float32)


def to_grey(density: F32, part: ScanPart) -> Grey:
    """Quantises density. Linear in density: top grey is density 0, grey 0 is `density_max`. Linear in light: grey is 10^-D from D 0.
    Stray light is taken as even over the film. Linear in dose (detector): as density, which is in proportion to dose there. The other
    look is the mirror image of the scale."""
    top = float(2**part.bits - 1)
    kind = np.uint8 if part.bits == 8 else np.uint16
    out = np.empty(density.shape, dtype=kind)
    for row in range(0, density.shape[0], 512):
        block = density[row : row + 512]
        if part.glare and part.grey_is != "dose":
            block = -np.log10(np.power(np.float32(10.0), -block) + np.float32(part.glare))
        if part.log_ripple and part.grey_is == "density":
            block = block + np.float32(part.log_ripple * LOG_STAGE / (2 * np.pi)) * np.sin(np.float32(2 * np.pi / LOG_STAGE) * block)
        share = np.power(np.float32(10.0), -block) if part.grey_is == "light" else 1.0 - block / np.float32(part.density_max)
        if part.look == "dense-dark":
            share = 1.0 - share
        np.clip(share, 0.0, 1.0, out=share)
        out[row : row + 512] = np.rint(share * np.float32(top)).astype(kind)
    return out


def grey_to_density(part: ScanPart) -> tuple[tuple[float, float], ...]:
    """The scanner's calibration table for the job sheet; empty for a light scale with no end points worth a table, and for dose."""
    top = float(2**part.bits - 1)
    if part.grey_is == "dose":
        return ()
    if part.grey_is == "density" and not part.glare:
        low, high = (0.0, part.density_max), (top, 0.0)
        return (low, high) if part.look == "dense-bright" else ((0.0, 0.0), (top, part.density_max))
    densities = np.linspace(part.density_max, 0.0, 46)
    light = 10.0**-densities + part.glare
    share = light if part.grey_is == "light" else np.clip(1.0 + np.log10(light) / part.density_max, 0.0, 1.0)
    greys = top * (share if part.look == "dense-bright" else 1.0 - share)
    pairs = sorted((round(float(g), 3), round(float(d), 4)) for g, d in zip(greys, densities, strict=True))
    return tuple(pairs)
