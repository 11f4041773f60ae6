"""Where the rays go: from the source through plate or pipe to the film. Exact ray tracing; no pixels, no metal.

Two coordinates lie on the film: c along the weld (for a pipe: round it) and z across it, both mm, z measured from the weld plane. The
source stands at (shift, offset). In the plane square to z every ray depends on c alone, so each surface is a table over c: the station
where the ray meets it and the share tau of the way from source to film at which it does. Across, z at the surface = offset +
tau (z - offset). For a pipe the film is flat under double-image techniques and wrapped round the pipe otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from rtscan.film import F64
from rtscan.job import LocationSection
from rtscan.simulate.recipe import FlawWall, Recipe

TABLE_STEP_MM = 0.05
_QUARTER = {"up": "right", "right": "down", "down": "left", "left": "up"}
_VECTOR = {"right": (1.0, 0.0), "down": (0.0, 1.0), "left": (-1.0, 0.0), "up": (0.0, -1.0)}


@dataclass(frozen=True)
class Surface:
    """One surface of one wall. station (NaN where no ray meets it), tau, and 1/cos of the incidence in the plane, shape (n,)."""

    wall: FlawWall
    side: Literal["external", "internal"]
    station: F64
    tau: F64
    slant: F64


@dataclass(frozen=True)
class WallFrame:
    """How stations run on one wall: `middle` station under the middle ray, `sense` +1 when they grow with c."""

    wall: FlawWall
    middle: float
    sense: int


@dataclass(frozen=True)
class Geometry:
    """The set-up. c, wall_path (mm of parent metal in the plane), reach (source to film in the plane, mm): shape (n,)."""

    recipe: Recipe
    c: F64
    wall_path: F64
    reach: F64
    surfaces: tuple[Surface, ...]
    frames: tuple[WallFrame, ...]
    source_to_film: float
    around_mm: float | None

    def frame(self, wall: FlawWall) -> WallFrame:
        """The frame of a wall. KeyError when the technique does not show it."""
        for frame in self.frames:
            if frame.wall == wall:
                return frame
        raise KeyError(wall)

    def unwrapped(self, station: F64 | float, wall: FlawWall) -> F64:
        """Station brought within half a circumference of the wall's middle (unchanged on plate)."""
        s = np.asarray(station, dtype=np.float64)
        if self.around_mm is None:
            return s
        middle = self.frame(wall).middle
        return np.asarray(middle + np.mod(s - middle + 0.5 * self.around_mm, self.around_mm) - 0.5 * self.around_mm)

    def wrapped(self, station: float) -> float:
        """Station in [0, circumference) on a girth weld, unchanged on plate."""
        return station if self.around_mm is None else station % self.around_mm

    def project(self, station: F64 | float, across: F64 | float, depth: F64 | float, wall: FlawWall) -> tuple[F64, F64]:
        """Film (c, z) of a point of the weld: station, across, depth from the outside surface."""
        frame = self.frame(wall)
        s = self.unwrapped(station, wall)
        a = frame.sense * np.asarray(across, dtype=np.float64)
        x, y = self._place(s, np.asarray(depth, dtype=np.float64), frame)
        c, stretch = self._to_film(x, y)
        offset = self.recipe.exposure.offset_mm
        return c, np.asarray(offset + (a - offset) * stretch + 0.0 * c)

    def _place(self, station: F64, depth: F64, frame: WallFrame) -> tuple[F64, F64]:
        weld, exposure = self.recipe.weld, self.recipe.exposure
        if weld.od_mm is None:
            return (station - frame.middle) * frame.sense, exposure.object_to_film_mm + weld.wall_mm - depth
        theta = (station - frame.middle) * frame.sense / (0.5 * weld.od_mm)
        r = 0.5 * weld.od_mm - depth
        return r * np.sin(theta), r * np.cos(theta) * (1.0 if frame.wall == "source" else -1.0)

    def _to_film(self, x: F64, y: F64) -> tuple[F64, F64]:
        sx, sy = _source_place(self.recipe, self.source_to_film)
        shape = _film_shape(self.recipe)
        if shape[0] == "flat":
            stretch = (sy - shape[1]) / (sy - y)
            return np.asarray(sx + (x - sx) * stretch), np.asarray(stretch)
        dx, dy = x - sx, y - sy
        near, far = _circle(sx, sy, dx, dy, shape[1])
        stretch = near if shape[0] == "inside" else far
        up = 1.0 if shape[0] == "inside" else -1.0
        return np.asarray(shape[1] * np.arctan2(sx + dx * stretch, up * (sy + dy * stretch))), np.asarray(stretch)


def trace(recipe: Recipe) -> Geometry:
    """Ray traced set-up of a recipe; the tables cover the whole film, turned or not."""
    half = 0.55 * float(np.hypot(recipe.film.width_mm, recipe.film.height_mm)) + 2.0 + abs(recipe.place.off_middle_mm)
    c = np.arange(-half, half + TABLE_STEP_MM, TABLE_STEP_MM)
    distance = source_to_film_mm(recipe)
    frames = _frames(recipe)
    sx, sy = _source_place(recipe, distance)
    shape = _film_shape(recipe)
    if shape[0] == "flat":
        fx, fy = c, np.full_like(c, shape[1])
    else:
        up = 1.0 if shape[0] == "inside" else -1.0
        fx, fy = shape[1] * np.sin(c / shape[1]), up * shape[1] * np.cos(c / shape[1])
    dx, dy = fx - sx, fy - sy
    reach = np.hypot(dx, dy)
    around = None if recipe.weld.od_mm is None else float(np.pi * recipe.weld.od_mm)
    if recipe.weld.od_mm is None:
        surfaces, path = _plate(recipe, frames[0], sx, sy, dx, dy)
    else:
        surfaces, path = _pipe(recipe, frames, sx, sy, dx, dy)
    return Geometry(recipe, c, path * reach, reach, surfaces, frames, distance, around)


def source_to_film_mm(recipe: Recipe) -> float:
    """Source-to-film distance: as given, else the usual one of the technique."""
    weld, exposure = recipe.weld, recipe.exposure
    if exposure.technique == "panoramic":
        return 0.5 * (weld.od_mm or 0.0) + exposure.object_to_film_mm
    if exposure.source_to_film_mm is not None:
        return exposure.source_to_film_mm
    return (weld.od_mm or 0.0) + 100.0 if exposure.technique == "DWSI" else 700.0


def _film_shape(recipe: Recipe) -> tuple[Literal["flat", "outside", "inside"], float]:
    """Shape of the film and its height (flat: y of the plane) or radius, in the frame of the tracer."""
    weld, exposure = recipe.weld, recipe.exposure
    if weld.od_mm is None:
        return "flat", 0.0
    if exposure.technique.startswith("DWDI"):
        return "flat", -(0.5 * weld.od_mm + exposure.object_to_film_mm)
    if exposure.technique == "SWSI":
        return "inside", max(0.5 * weld.od_mm - weld.wall_mm - exposure.object_to_film_mm, 5.0)
    return "outside", 0.5 * weld.od_mm + exposure.object_to_film_mm


def _source_place(recipe: Recipe, distance: float) -> tuple[float, float]:
    shape, where = _film_shape(recipe)
    shift = recipe.exposure.shift_mm
    if shape == "flat":
        return shift, where + distance
    return (shift, where + distance) if shape == "inside" else (shift, distance - where)


def growth(location: LocationSection) -> str:
    """Direction in the picture in which stations grow on the wall facing the viewer: right, down, left or up."""
    downstream = location.downstream_is or "up"
    direction = _QUARTER[downstream]
    flips = (location.direction == "anticlockwise") + (location.looking == "upstream") + (location.seen_from == "inside")
    return _QUARTER[_QUARTER[direction]] if flips % 2 else direction


def downstream_is_positive_across(recipe: Recipe, sense: int) -> bool:
    """True when positive `across` (right of the growing station) points downstream in the picture."""
    turn = np.deg2rad(recipe.place.angle_deg)
    across = sense * np.asarray([-np.sin(turn), np.cos(turn)])
    return bool(across @ np.asarray(_VECTOR[recipe.location.downstream_is or "up"]) > 0)


def _frames(recipe: Recipe) -> tuple[WallFrame, ...]:
    turn = np.deg2rad(recipe.place.angle_deg)
    sense = 1 if float(np.asarray([np.cos(turn), np.sin(turn)]) @ np.asarray(_VECTOR[growth(recipe.location)])) >= -1e-9 else -1
    middle = recipe.place.station_at_middle_mm
    technique = recipe.exposure.technique
    if recipe.weld.od_mm is None or technique == "SWSI":
        return (WallFrame("source", middle, sense),)
    half = 0.5 * float(np.pi * recipe.weld.od_mm)
    if technique == "panoramic":
        return (WallFrame("film", middle, sense),)
    if technique == "DWSI":
        return WallFrame("film", middle, sense), WallFrame("source", middle + half, -sense)
    return WallFrame("source", middle, sense), WallFrame("film", middle + half, -sense)


def _plate(recipe: Recipe, frame: WallFrame, sx: float, sy: float, dx: F64, dy: F64) -> tuple[tuple[Surface, ...], F64]:
    gap, wall = recipe.exposure.object_to_film_mm, recipe.weld.wall_mm
    slant = np.hypot(dx, dy) / np.abs(dy)
    surfaces = []
    for side, height in (("external", gap + wall), ("internal", gap)):
        tau = np.full_like(dx, (sy - height) / sy)
        station = frame.middle + frame.sense * (sx + tau * dx)
        surfaces.append(Surface("source", "external" if side == "external" else "internal", station, tau, slant))
    return tuple(surfaces), np.full_like(dx, wall / sy)


def _circle(sx: float, sy: float, dx: F64, dy: F64, radius: float) -> tuple[F64, F64]:
    """Shares of the way at which the rays enter and leave a circle about the origin; NaN where they miss it."""
    a = dx * dx + dy * dy
    b = dx * sx + dy * sy
    with np.errstate(invalid="ignore"):
        root = np.sqrt(b * b - a * (sx * sx + sy * sy - radius * radius))
    return np.asarray((-b - root) / a), np.asarray((-b + root) / a)


def _pipe(recipe: Recipe, frames: tuple[WallFrame, ...], sx: float, sy: float, dx: F64, dy: F64) -> tuple[tuple[Surface, ...], F64]:
    outer = 0.5 * (recipe.weld.od_mm or 0.0)
    inner = outer - recipe.weld.wall_mm
    out_near, out_far = _circle(sx, sy, dx, dy, outer)
    in_near, in_far = _circle(sx, sy, dx, dy, inner)
    clip = [np.clip(np.nan_to_num(t, nan=0.0), 0.0, 1.0) for t in (out_near, out_far, in_near, in_far)]
    path = (clip[1] - clip[0]) - (clip[3] - clip[2])
    hits = {
        "source": (("external", out_near, outer), ("internal", in_near, inner)),
        "film": (("external", out_far, outer), ("internal", in_far, inner)),
    }
    surfaces = []
    for frame in frames:
        for side, tau, radius in hits[frame.wall]:
            x, y = sx + tau * dx, sy + tau * dy
            theta = np.arctan2(x, y if frame.wall == "source" else -y)
            cosine = np.abs(x * dx + y * dy) / (radius * np.hypot(dx, dy))
            met = (tau > 0) & (tau < 1)
            station = np.where(met, frame.middle + frame.sense * outer * theta, np.nan)
            slant = 1.0 / np.clip(np.nan_to_num(cosine, nan=1.0), 0.12, 1.0)
            surfaces.append(
                Surface(frame.wall, "external" if side == "external" else "internal", station, np.where(met, tau, np.nan), slant)
            )
    return tuple(surfaces), path
