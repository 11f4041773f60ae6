"""From bodies to patches of the film: exact projection at the body's depth, four samples a pixel and more, blur of its own depth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rtscan.film import F32, F64
from rtscan.simulate.beam import geometric_unsharpness_mm
from rtscan.simulate.geometry import Geometry
from rtscan.simulate.images import disc, shrink
from rtscan.simulate.recipe import Recipe
from rtscan.simulate.shapes import Body

FINEST_PX_PER_MM = 90.0
LARGEST_PATCH = 6_000_000


@dataclass(frozen=True)
class Raster:
    """The pixel grid: (x, y) = middle + pixels_per_mm * turn (c - c0, z - z0)."""

    width: int
    height: int
    pixels_per_mm: float
    turn_deg: float
    c0: float
    z0: float

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, columns)."""
        return self.height, self.width

    def to_px(self, c: F64 | float, z: F64 | float) -> tuple[F64, F64]:
        """Film pixels (x, y) of film mm."""
        turn = np.deg2rad(self.turn_deg)
        u, v = np.asarray(c, dtype=np.float64) - self.c0, np.asarray(z, dtype=np.float64) - self.z0
        x = 0.5 * (self.width - 1) + self.pixels_per_mm * (u * np.cos(turn) - v * np.sin(turn))
        y = 0.5 * (self.height - 1) + self.pixels_per_mm * (u * np.sin(turn) + v * np.cos(turn))
        return np.asarray(x), np.asarray(y)

    def to_mm(self, x: F64 | float, y: F64 | float) -> tuple[F64, F64]:
        """Film mm (c, z) of film pixels."""
        turn = np.deg2rad(self.turn_deg)
        u = (np.asarray(x, dtype=np.float64) - 0.5 * (self.width - 1)) / self.pixels_per_mm
        v = (np.asarray(y, dtype=np.float64) - 0.5 * (self.height - 1)) / self.pixels_per_mm
        return np.asarray(self.c0 + u * np.cos(turn) + v * np.sin(turn)), np.asarray(self.z0 - u * np.sin(turn) + v * np.cos(turn))


@dataclass(frozen=True)
class Patch:
    """Thickness (mm along the ray) of a body. `fine` (rows, columns) is sampled `over` times per pixel before any blur; pixel (x0, y0) of
    the film is its first block. `height_mm` is the unprojected greatest thickness."""

    fine: F32
    over: int
    x0: int
    y0: int
    body: Body
    unsharpness_mm: float

    def on_film(self, pixels_per_mm: float) -> F32:
        """The patch at film pixels, blurred by the geometric unsharpness of its depth: float32 (rows, columns)."""
        sharp = disc(self.fine, self.unsharpness_mm * pixels_per_mm * self.over)
        return sharp if self.over == 1 else shrink(sharp, self.over)

    def plain(self) -> F32:
        """The patch at film pixels without any blur."""
        return self.fine if self.over == 1 else shrink(self.fine, self.over)


def height_over_film(body: Body, recipe: Recipe) -> float:
    """Height of a body's middle over the film at the middle ray, mm."""
    weld, gap = recipe.weld, recipe.exposure.object_to_film_mm
    if body.wall == "film":
        return gap + body.depth
    if weld.od_mm is None or recipe.exposure.technique == "SWSI":
        return gap + weld.wall_mm - body.depth
    return gap + weld.od_mm - body.depth


def render_body(body: Body, geometry: Geometry, raster: Raster) -> Patch | None:
    """The patch of a body; None when it falls off the film."""
    corners = _corners(body, geometry, raster)
    if corners is None:
        return None
    over = _oversampling(body, raster, corners)
    margin = 4
    x0, y0 = max(int(np.floor(corners[0])) - margin, -margin), max(int(np.floor(corners[1])) - margin, -margin)
    x1, y1 = min(int(np.ceil(corners[2])) + margin, raster.width + margin), min(int(np.ceil(corners[3])) + margin, raster.height + margin)
    if x1 <= x0 or y1 <= y0:
        return None
    x = x0 - 0.5 + (np.arange((x1 - x0 + 1) * over) + 0.5) / over
    y = y0 - 0.5 + (np.arange((y1 - y0 + 1) * over) + 0.5) / over
    thickness = _thickness(body, geometry, raster, x[None, :], y[:, None])
    if not np.any(thickness > 0):
        return None
    b = height_over_film(body, geometry.recipe)
    blur = geometric_unsharpness_mm(geometry.recipe.exposure.focal_mm, max(b, 0.0), geometry.source_to_film)
    return Patch(thickness.astype(np.float32), over, x0, y0, body, blur)


def _corners(body: Body, geometry: Geometry, raster: Raster) -> tuple[float, float, float, float] | None:
    turn = np.deg2rad(body.angle_deg)
    xi = np.linspace(-body.half_xi, body.half_xi, 9)
    eta = np.asarray([-body.half_eta, 0.0, body.half_eta])
    u, v = (g.ravel() for g in np.meshgrid(xi, eta))
    s = body.along + u * np.cos(turn) - v * np.sin(turn)
    a = body.across + u * np.sin(turn) + v * np.cos(turn)
    spots = [geometry.project(s, a, np.full_like(s, body.depth + d), body.wall) for d in (-body.half_depth, body.half_depth)]
    c, z = (np.concatenate([spot[k] for spot in spots]) for k in (0, 1))
    px, py = raster.to_px(c, z)
    if px.max() < 0 or py.max() < 0 or px.min() > raster.width or py.min() > raster.height or not np.all(np.isfinite(px)):
        return None
    return float(px.min()), float(py.min()), float(px.max()), float(py.max())


def _oversampling(body: Body, raster: Raster, corners: tuple[float, float, float, float]) -> int:
    area = max(corners[2] - corners[0] + 8, 1) * max(corners[3] - corners[1] + 8, 1)
    wanted = int(np.ceil(FINEST_PX_PER_MM / raster.pixels_per_mm))
    return int(np.clip(np.sqrt(LARGEST_PATCH / area), 1, max(wanted, 1)))


def _thickness(body: Body, geometry: Geometry, raster: Raster, x: F64, y: F64) -> F64:
    """Thickness along the rays through film pixels (x row vector, y column vector)."""
    s0 = float(geometry.unwrapped(body.along, body.wall))
    reach = body.half_xi + body.half_eta + 3.0 + 2.0 * body.half_depth
    stations = np.linspace(s0 - reach, s0 + reach, 401)
    c_at, z_at = geometry.project(stations, 0.0, body.depth, body.wall)
    _, z_one = geometry.project(stations, 1.0, body.depth, body.wall)
    order = np.argsort(c_at)
    c, z = raster.to_mm(x, y)
    s = np.interp(c, c_at[order], stations[order], left=np.nan, right=np.nan)
    a = (z - np.interp(c, c_at[order], z_at[order])) / np.interp(c, c_at[order], (z_one - z_at)[order])
    kx, ke, cosine = _ray_slope(body, geometry, s0)
    turn = np.deg2rad(body.angle_deg)
    u, v = s - s0, a - body.across
    xi, eta = u * np.cos(turn) + v * np.sin(turn), -u * np.sin(turn) + v * np.cos(turn)
    k_xi, k_eta = kx * np.cos(turn) + ke * np.sin(turn), -kx * np.sin(turn) + ke * np.cos(turn)
    return np.nan_to_num(body.chord(xi, eta, float(k_xi), float(k_eta))) / cosine


def _ray_slope(body: Body, geometry: Geometry, s0: float) -> tuple[float, float, float]:
    """Shift along and across per mm of depth of the ray at the body's middle, and the cosine of its incidence."""
    h = 1e-3

    def at(ds: float, da: float, dd: float) -> F64:
        c, z = geometry.project(s0 + ds, body.across + da, body.depth + dd, body.wall)
        return np.asarray([float(c), float(z)])

    jacobian = np.column_stack([at(h, 0, 0) - at(-h, 0, 0), at(0, h, 0) - at(0, -h, 0)]) / (2 * h)
    shift = np.linalg.solve(jacobian, (at(0, 0, h) - at(0, 0, -h)) / (2 * h))
    return float(shift[0]), float(shift[1]), float(1.0 / np.sqrt(1.0 + shift @ shift))
