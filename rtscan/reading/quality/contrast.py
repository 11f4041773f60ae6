"""Contrast per millimetre of steel and image blur, from the wires of an indicator; or contrast from the declared source.

A wire of diameter d takes -a chord(u) out of the density, blurred by a Gaussian sigma; all visible wires share a and sigma.
Total unsharpness is given as sqrt(12) sigma, the width of the even strip with the same second moment.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import log, sqrt

import numpy as np
from scipy import ndimage

from rtscan.film import F64, Bool, Film, Strip
from rtscan.job import Job
from rtscan.knowledge.testing import source_name
from rtscan.reading.quality.wires import SeenWire, WireSet, profile_across

FOG = 0.3
STRIP_OF_SIGMA = sqrt(12.0)
REACH_MM = 1.4
GRAIN_MM, DEVIATIONS = 0.1, 2.0
"""Points of a wire's profile this far apart count as independent (grain as blurred by the screens); the misfit of a fit may grow by the
square of the deviations over the number of points."""
SPARSE = 3
SCATTER_PER_MM = 0.1
"""Scattered over primary radiation per mm of steel: 2.0 behind 20 mm, 3.0 behind 31 mm (training problems with Ir-192)."""


@dataclass(frozen=True)
class AtWires:
    """Where the visible wires lie: density lost per mm of steel, and median density less fog (calibrated density only)."""

    per_mm: float
    net_density: float


@dataclass(frozen=True)
class Contrast:
    """How the film shows thickness.

    per_mm
        Density lost per mm of steel in the weld, positive.
    per_mm_u
        Expanded relative uncertainty of it.
    blur_mm
        Gaussian sigma of the unsharpness; None when not measured.
    said_by
        Where it comes from.
    blur_least_mm
        The least sigma that fits the wires as well within two standard deviations; None when not measured.
    at_wires
        What was measured where the wires lie; None without wires or where density is relative.
    """

    per_mm: float
    per_mm_u: float
    blur_mm: float | None
    said_by: str
    blur_least_mm: float | None = None
    at_wires: AtWires | None = None

    @property
    def unsharpness_mm(self) -> float | None:
        """Total unsharpness, the strip of equal second moment."""
        return None if self.blur_mm is None else STRIP_OF_SIGMA * self.blur_mm

    @property
    def unsharpness_least_mm(self) -> float | None:
        """The least total unsharpness that fits as well."""
        return None if self.blur_least_mm is None else STRIP_OF_SIGMA * self.blur_least_mm


def contrast_from_wires(film: Film, found: WireSet, turned: bool, strips: Sequence[Strip]) -> Contrast | None:
    """Fits the visible wires; None when fewer than two are seen or the fit is no wire (not falling, or wider than any film)."""
    seen = [w for w in found.wires if w.visible and len(w.stretch_px) >= 4]
    if len(seen) < 2 or film.pixels_per_mm is None:
        return None
    profiles = [_levelled(film, wire, turned) for wire in seen]
    sigmas = np.geomspace(0.02, 0.6, 36)
    fits = [_fit(profiles, seen, float(sigma)) for sigma in sigmas]
    misfits = np.array([misfit for _, misfit in fits])
    best = int(np.argmin(misfits))
    per_mm, misfit = fits[best]
    if per_mm <= 0 or best == len(sigmas) - 1:
        return None
    scatter = sqrt(misfit / max(1, sum(len(p) for p, _ in profiles))) / max(per_mm * seen[0].wire.diameter_mm, 1e-9)
    net = net_density(film, np.concatenate([w.stretch_px for w in seen])) if film.facts.density_calibrated else None
    gain = gain_in_weld(net, strips)
    free = len(seen) * 2 * REACH_MM / GRAIN_MM - 2  # blur and contrast are fitted
    as_good = misfits <= misfit * (1 + DEVIATIONS**2 / free)
    return Contrast(per_mm * gain, min(1.0, 2 * sqrt(scatter**2 + 0.05**2)), float(sigmas[best]), f"{len(seen)} wires",
                    float(sigmas[as_good][0]), AtWires(per_mm, net) if net is not None else None)


def _levelled(film: Film, wire: SeenWire, turned: bool) -> tuple[F64, F64]:
    profile, u_mm = profile_across(film, wire.stretch_px, turned, REACH_MM)
    outside = np.abs(u_mm) > 0.5 * wire.wire.diameter_mm + 0.5
    level = float(np.median(profile[outside]))
    loss = level - profile
    near = np.abs(u_mm) < 0.5 * wire.wire.diameter_mm + 0.2
    weight = np.clip(loss[near], 0, None)
    centre = float((weight * u_mm[near]).sum() / weight.sum()) if weight.sum() > 0 else 0.0
    return loss, u_mm - centre


def blurred_chord(u_mm: F64, diameter_mm: float, sigma_mm: float) -> F64:
    """Path through a wire at distance u from its axis, mm, blurred by a Gaussian; same shape as `u_mm`."""
    step = min(diameter_mm, sigma_mm) / 8
    reach = diameter_mm / 2 + 5 * sigma_mm
    fine = np.arange(-reach, reach + step, step)
    edges = np.clip(np.append(fine - step / 2, fine[-1] + step / 2) / (diameter_mm / 2), -1, 1)
    section = (diameter_mm / 2) ** 2 * (edges * np.sqrt(1 - edges**2) + np.arcsin(edges))
    chord = np.diff(section) / step
    return np.asarray(np.interp(u_mm, fine, ndimage.gaussian_filter1d(chord, sigma_mm / step, mode="constant"), left=0.0, right=0.0))


def _fit(profiles: Sequence[tuple[F64, F64]], wires: Sequence[SeenWire], sigma_mm: float) -> tuple[float, float]:
    """Least-squares contrast per mm at one blur, each wire weighed by its length, and the sum of squares left."""
    top = bottom = 0.0
    models = []
    for (loss, u_mm), wire in zip(profiles, wires, strict=True):
        model = blurred_chord(u_mm, wire.wire.diameter_mm, sigma_mm)
        weight = float(len(wire.stretch_px))
        top += weight * float(model @ loss)
        bottom += weight * float(model @ model)
        models.append((model, loss, weight))
    per_mm = top / max(bottom, 1e-12)
    total = sum(weight for _, _, weight in models)
    return per_mm, sum(weight * float(((loss - per_mm * model) ** 2).sum()) for model, loss, weight in models) / total * len(models)


def net_density(film: Film, points: F64) -> float:
    """Median density at points (x, y) of an indicator, less fog."""
    rows, columns = film.density.shape
    values = film.density[np.round(points[:, 1]).astype(int).clip(0, rows - 1), np.round(points[:, 0]).astype(int).clip(0, columns - 1)]
    return max(0.1, float(np.median(values)) - FOG)


def gain_in_weld(net_at_indicator: float | None, strips: Sequence[Strip]) -> float:
    """Net density in the weld over that at the indicator: on a linear film the contrast grows with it. 1 where density is relative."""
    inside = [strip.density[weld_rows(strip) & strip.usable] for strip in strips]
    if net_at_indicator is None or not any(len(i) for i in inside):
        return 1.0
    return max(0.2, (float(np.median(np.concatenate(inside))) - FOG) / net_at_indicator)


def weld_rows(strip: Strip, beside_mm: float = 0.0) -> Bool:
    """bool, shape of the strip; True between the weld edges, widened by `beside_mm` on both sides."""
    beside = beside_mm * (strip.pixels_per_mm or 0.0)
    row = np.arange(strip.density.shape[0], dtype=np.float32)[:, None]
    low, high = np.minimum(strip.left_row, strip.right_row) - beside, np.maximum(strip.left_row, strip.right_row) + beside
    return np.asarray((row >= np.ceil(low).astype(np.float32)) & (row <= np.floor(high).astype(np.float32)))


def film_values(image: Bool, strip: Strip, beside_mm: float = 0.0, columns: Bool | None = None) -> Bool:
    """Values of a film-sized mask at every third strip pixel of the weld, widened by `beside_mm`, that lies on the film and in
    `columns` (shape (along,), None: all)."""
    inside = weld_rows(strip, beside_mm)[::SPARSE, ::SPARSE]
    if columns is not None:
        inside = inside & columns[None, ::SPARSE]
    xy = np.round(strip.film_xy[::SPARSE, ::SPARSE][inside]).astype(int)
    rows, columns = image.shape
    on_film = (xy[:, 0] >= 0) & (xy[:, 0] < columns) & (xy[:, 1] >= 0) & (xy[:, 1] < rows)
    return np.asarray(image[xy[on_film, 1], xy[on_film, 0]], dtype=np.bool_)


def contrast_from_source(film: Film, job: Job, strips: Sequence[Strip]) -> Contrast | None:
    """Narrow-beam attenuation of the declared source behind the penetrated wall, weakened by scatter, on a linear film.

    Only on calibrated density: dD/dx = (D - fog) mu / (1 + n). Rough (50 %): scatter is a rule of thumb.
    """
    name = source_name(job.exposure.source)
    wall_mm = job.weld.wall_mm
    if not film.facts.density_calibrated or not name or wall_mm is None or not strips or (name == "x-ray" and job.exposure.kv is None):
        return None
    from rtscan.knowledge.attenuation import gamma_lines, gamma_sources, half_value_layer_mm, tube_spectrum

    if name != "x-ray" and name not in gamma_sources():
        return None
    through_mm = wall_mm * (2 if (job.exposure.technique or "").startswith("DW") else 1)
    spectrum = tube_spectrum(job.exposure.kv) if name == "x-ray" and job.exposure.kv else gamma_lines(name)
    mu = log(2) / half_value_layer_mm(spectrum, "iron", through_mm)
    inside = np.concatenate([strip.density[weld_rows(strip) & strip.usable] for strip in strips])
    if not len(inside):
        return None
    net = max(0.1, float(np.median(inside)) - FOG)
    return Contrast(net * mu / (1 + SCATTER_PER_MM * through_mm), 0.5, None, f"declared source {job.exposure.source}")
