"""From bodies to patches of the film: exact projection at the body's depth, four samples a pixel and more, blur of its own depth."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from rtscan.film import F32, F64
from rtscan.simulate.beam import geometric_unsharpness_mm
from rtscan.simulate.geometry import Geometry
from rtscan.simulate.images import disc, shrink
from rtscan.simulate.recipe import Recipe
from rtscan.simulate.shapes import Body

FINEST_PX_PER_MM = 90.0
LARGEST_PATCH = 8_000_000
BLOCK_PX = 4


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
    over = _oversampling(raster, corners)
    x0, y0 = max(int(np.floor(corners[0])), 0) - BLOCK_PX, max(int(np.floor(corners[1])), 0) - BLOCK_PX
    columns = -(-(min(int(np.ceil(corners[2])), raster.width) + BLOCK_PX - x0) // BLOCK_PX)
    rows = -(-(min(int(np.ceil(corners[3])), raster.height) + BLOCK_PX - y0) // BLOCK_PX)
    if columns <= 0 or rows <= 0:
        return None
    thickness = _thickness(body, geometry, raster, (x0, y0, columns, rows), over)
    if not np.any(thickness > 0):
        return None
    b = height_over_film(body, geometry.recipe)
    blur = geometric_unsharpness_mm(geometry.recipe.exposure.focal_mm, max(b, 0.0), geometry.source_to_film)
    return Patch(thickness, over, x0, y0, body, blur)


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


def _oversampling(raster: Raster, corners: tuple[float, float, float, float]) -> int:
    area = max(corners[2] - corners[0] + 8, 1) * max(corners[3] - corners[1] + 8, 1)
    wanted = int(np.ceil(FINEST_PX_PER_MM / raster.pixels_per_mm))
    return int(np.clip(np.sqrt(LARGEST_PATCH / area), 1, max(wanted, 1)))


def _thickness(body: Body, geometry: Geometry, raster: Raster, blocks: tuple[int, int, int, int], over: int) -> F32:
    """Thickness along the rays, `over` samples a pixel, of blocks of BLOCK_PX pixels: first pixel x, y, blocks across, blocks down.

    Where on the weld a ray passes is computed exactly at the middle of every block and interpolated between (it bends by less than
    0.1 um over a block); the chord is computed for every sample near the body.
    """
    x0, y0, columns, rows = blocks
    s0 = float(geometry.unwrapped(body.along, body.wall))
    x = x0 + 0.5 * (BLOCK_PX - 1) + BLOCK_PX * np.arange(columns, dtype=np.float64)
    y = y0 + 0.5 * (BLOCK_PX - 1) + BLOCK_PX * np.arange(rows, dtype=np.float64)
    s, a = _on_weld(body, geometry, raster, x[None, :], y[:, None], s0)
    kx, ke, cosine = _ray_slope(body, geometry, s0)
    turn = np.deg2rad(body.angle_deg)
    u, v = s - s0, a - body.across
    size = (columns * BLOCK_PX * over, rows * BLOCK_PX * over)
    xi = cv2.resize(u * np.cos(turn) + v * np.sin(turn), size, interpolation=cv2.INTER_LINEAR)
    eta = cv2.resize(-u * np.sin(turn) + v * np.cos(turn), size, interpolation=cv2.INTER_LINEAR)
    k_xi, k_eta = float(kx * np.cos(turn) + ke * np.sin(turn)), float(-kx * np.sin(turn) + ke * np.cos(turn))
    near = np.abs(xi) <= body.half_xi + abs(k_xi) * body.half_depth + 0.1
    near &= np.abs(eta) <= body.half_eta + abs(k_eta) * body.half_depth + 0.1
    out = np.zeros(xi.shape, dtype=np.float32)
    out[near] = body.chord(np.asarray(xi[near], dtype=np.float64), np.asarray(eta[near], dtype=np.float64), k_xi, k_eta) / cosine
    return out


def _on_weld(body: Body, geometry: Geometry, raster: Raster, x: F64, y: F64, s0: float) -> tuple[F64, F64]:
    """Station and place across, at the body's depth, of the rays through film pixels (x row, y column vector); far when off the part."""
    reach = body.half_xi + body.half_eta + 3.0 + 2.0 * body.half_depth
    stations = np.linspace(s0 - reach, s0 + reach, 401)
    c_at, z_at = geometry.project(stations, 0.0, body.depth, body.wall)
    _, z_one = geometry.project(stations, 1.0, body.depth, body.wall)
    order = np.argsort(c_at)
    c, z = raster.to_mm(x, y)
    s = np.interp(c, c_at[order], stations[order], left=s0 - 1e3, right=s0 + 1e3)
    a = (z - np.interp(c, c_at[order], z_at[order])) / np.interp(c, c_at[order], (z_one - z_at)[order])
    return s, a


def _ray_slope(body: Body, geometry: Geometry, s0: float) -> tuple[float, float, float]:
    """Shift along and across per mm of depth of the ray at the body's middle, and the cosine of its incidence."""
    h = 1e-3

    def at(ds: float, da: float, dd: float) -> F64:
        c, z = geometry.project(s0 + ds, body.across + da, body.depth + dd, body.wall)
        return np.asarray([float(c), float(z)])

    jacobian = np.column_stack([at(h, 0, 0) - at(-h, 0, 0), at(0, h, 0) - at(0, -h, 0)]) / (2 * h)
    shift = np.linalg.solve(jacobian, (at(0, 0, h) - at(0, 0, -h)) / (2 * h))
    return float(shift[0]), float(shift[1]), float(1.0 / np.sqrt(1.0 + shift @ shift))
