"""Bodies: voids and pieces of foreign metal as thickness seen by a ray. Flaws are built from them; nothing here knows a weld.

A body has its own frame, mm: xi along its length, eta across it, depth d from its middle (down). `chord(xi, eta, kx, ke)` is the thickness,
measured along depth, met by the ray that passes (xi, eta) at the middle depth and moves by -kx, -ke per mm of depth. Arrays broadcast.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from rtscan.film import F64
from rtscan.simulate.beads import smooth_noise
from rtscan.simulate.recipe import FlawWall

Chord = Callable[[F64, F64, float, float], F64]
Substance = Literal["air", "slag", "tungsten", "copper", "carbon steel"]
PATH_STEP_MM = 0.05
SOFT_MM = 0.01


@dataclass(frozen=True)
class Body:
    """A body and where it is. `across` is measured from the weld plane, `depth` to its middle; `half_xi`, `half_eta`, `half_depth`
    bound it.

    `adds` True for metal added outside the wall, False for what replaces steel. `outlined` False for what goes with the flaw but is not
    measured with it (a root bead that is missing, a rim).
    """

    chord: Chord
    along: float
    across: float
    depth: float
    wall: FlawWall
    half_xi: float
    half_eta: float
    half_depth: float
    angle_deg: float = 0.0
    substance: Substance = "air"
    adds: bool = False
    outlined: bool = True


def ellipsoid(a: float, b: float, c: float) -> Chord:
    """Ellipsoid with half axes along, across, deep: the exact chord of a slanted ray."""

    def chord(xi: F64, eta: F64, kx: float, ke: float) -> F64:
        qa = 1 / c**2 + kx**2 / a**2 + ke**2 / b**2
        qb = -(xi * kx / a**2 + eta * ke / b**2)
        qc = xi**2 / a**2 + eta**2 / b**2 - 1
        return np.asarray(2.0 * np.sqrt(np.maximum(qb * qb - qa * qc, 0.0)) / qa)

    return chord


def ragged(a: float, b: float, c: float, rng: np.random.Generator, jagged: float = 0.25, flatness: float = 0.35) -> Chord:
    """A lump with an irregular outline and uneven thickness, of about the given half axes."""
    waves = np.arange(2, 9)
    strength = rng.normal(0, jagged, waves.size) / waves**0.7
    phase = rng.uniform(0, 2 * np.pi, waves.size)
    bumps = rng.uniform(-0.8, 0.8, (6, 2))
    dents = rng.uniform(-0.5, 0.4, 6)

    def chord(xi: F64, eta: F64, kx: float, ke: float) -> F64:
        u, v = xi / a, eta / b
        turn = np.arctan2(v, u)
        edge = 1.0 + sum(s * np.cos(w * turn + p) for s, w, p in zip(strength, waves, phase, strict=True))
        q = np.hypot(u, v) / np.clip(edge, 0.35, 1.6)
        body = np.clip(1.0 - q * q, 0.0, 1.0) ** flatness
        uneven = 1.0 + sum(d * np.exp(-((u - x) ** 2 + (v - y) ** 2) / 0.12) for d, (x, y) in zip(dents, bumps, strict=True))
        return np.asarray(2.0 * c * body * np.clip(uneven, 0.25, 1.6))

    return chord


def polygon(a: float, b: float, c: float, rng: np.random.Generator, corners: int | None = None) -> Chord:
    """An angular chip: convex polygon outline with bevelled, near flat top."""
    n = corners or int(rng.integers(4, 8))
    angles = np.sort(rng.uniform(0, 2 * np.pi, n) * 0.35 + np.arange(n) * 2 * np.pi / n)
    reach = rng.uniform(0.75, 1.0, n)

    def chord(xi: F64, eta: F64, kx: float, ke: float) -> F64:
        u, v = xi / a, eta / b
        inside = np.full(np.broadcast(u, v).shape, np.inf)
        for angle, r in zip(angles, reach, strict=True):
            inside = np.minimum(inside, r - (u * np.cos(angle) + v * np.sin(angle)))
        return np.asarray(2.0 * c * np.clip(inside / 0.3, 0.0, 1.0))

    return chord


@dataclass(frozen=True)
class Path:
    """A line-like body along xi, on a grid of PATH_STEP_MM from -half: offset of its middle, full width, height, shape (n,)."""

    half: float
    offset: F64
    width: F64
    height: F64

    def at(self, xi: F64) -> tuple[F64, F64, F64]:
        """offset, width, height at xi; zero width and height beyond the ends."""
        grid = np.linspace(-self.half, self.half, self.offset.size)
        row = [np.interp(xi, grid, v) for v in (self.offset, self.width, self.height)]
        inside = np.abs(xi) <= self.half
        return row[0], np.where(inside, row[1], 0.0), np.where(inside, row[2], 0.0)


def path_grid(length: float) -> F64:
    """xi grid of a path of a length: n points from -length/2 to length/2."""
    return np.linspace(-0.5 * length, 0.5 * length, max(round(length / PATH_STEP_MM) + 1, 5))


def tapered(xi: F64, ends: float = 0.25) -> F64:
    """Rises from 0 at the ends of xi to 1 over a share `ends` of the length, as a square root (rounded ends)."""
    reach = np.clip((1.0 - np.abs(xi) / np.max(np.abs(xi))) / max(ends, 1e-6), 0.0, 1.0)
    return np.asarray(np.sqrt(reach))


def eased(xi: F64, ends: float = 0.3) -> F64:
    """Rises from 0 at the ends of xi to 1 over a share `ends` of the length, without a kink at either end."""
    t = np.clip((1.0 - np.abs(xi) / np.max(np.abs(xi))) / max(ends, 1e-6), 0.0, 1.0)
    return np.asarray(t * t * (3.0 - 2.0 * t))


def wander(xi: F64, scale_mm: float, rng: np.random.Generator) -> F64:
    """Random curve of unit spread along a path."""
    return smooth_noise(xi.size, float(xi[1] - xi[0]), scale_mm, rng)


def tube(path: Path) -> Chord:
    """Elliptical cross-section: thickness `height` in the middle, round at the sides."""

    def chord(xi: F64, eta: F64, kx: float, ke: float) -> F64:
        offset, width, height = path.at(xi)
        half = np.maximum(0.5 * width, 1e-6)
        c = np.maximum(0.5 * height, 1e-6)
        x = eta - offset
        qa = 1 / c**2 + ke**2 / half**2
        qb = -x * ke / half**2
        root = np.maximum(qb * qb - qa * (x**2 / half**2 - 1), 0.0)
        return np.asarray(np.where((width > 0) & (height > 0), 2.0 * np.sqrt(root) / qa, 0.0))

    return chord


def sheet(path: Path, lean: float = 0.0, other_width: float = 1.0, slices: int = 1) -> Chord:
    """A gap: upright (or leaning by `lean` mm across per mm of depth) slot of the path's width and height.

    Seen by a slanted ray its area width x height spreads over width + height |lean - ke| (exact for parallel walls). `other_width` is the
    width at the bottom over that at the top; the sheet is then cut in `slices`.
    """
    shares = (np.arange(slices) + 0.5) / slices - 0.5

    def chord(xi: F64, eta: F64, kx: float, ke: float) -> F64:
        offset, width, height = path.at(xi)
        slope = lean + ke
        total = np.zeros(np.broadcast(xi, eta).shape)
        for share in shares:
            part = height / slices
            opening = width * (1.0 + (other_width - 1.0) * (share + 0.5))
            middle = offset + slope * share * height
            spread = np.maximum(np.abs(slope) * part, SOFT_MM)
            x = eta - middle
            overlap = np.minimum(x + 0.5 * spread, 0.5 * opening) - np.maximum(x - 0.5 * spread, -0.5 * opening)
            total = total + part * np.clip(overlap, 0.0, None) / spread
        return total

    return chord


def hollow(path: Path, power: float = 1.0, sharp: float = 0.0) -> Chord:
    """A groove or ridge on a surface: height (1 - q^2)^power across; `sharp` -1..1 shifts its deepest line to either side."""

    def chord(xi: F64, eta: F64, kx: float, ke: float) -> F64:
        offset, width, height = path.at(xi)
        q = (eta - offset) / np.maximum(0.5 * width, 1e-6)
        q = np.where(q > sharp, (q - sharp) / (1.0 - sharp + 1e-6), (q - sharp) / (1.0 + sharp + 1e-6))
        return np.asarray(np.where(width > 0, height * np.clip(1.0 - q * q, 0.0, 1.0) ** power, 0.0))

    return chord
