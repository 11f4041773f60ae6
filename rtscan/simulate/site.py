"""What flaws are built from: the records, the wall they are put into, and how left-out values are drawn.

The population (common practice and the project's reference, no published statistics): sizes are lognormal,
`draw_size(rng, median, spread)` with the median in mm told by each function, cut at the limits of wall and groove; places follow where
the kind occurs (root, bevel, toe, anywhere in the weld metal). Each kind has one function that returns the flaws of one recipe line;
those with a group share its kind and type.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from rtscan.film import F64
from rtscan.findings import GroupKind
from rtscan.simulate.anatomy import WallRelief
from rtscan.simulate.groove import face_mm, lean_mm
from rtscan.simulate.recipe import FlawWall, ImperfectionPart, WeldPart
from rtscan.simulate.shapes import Body, Chord, Path, Substance, path_grid


@dataclass(frozen=True)
class GroupTag:
    """Which group a flaw belongs to: a label unique in the film, its kind, ISO term and number."""

    label: str
    kind: GroupKind
    type: str
    iso6520: str


@dataclass(frozen=True)
class Flaw:
    """One indication to be: its name and its bodies (seen together, measured together)."""

    type: str
    iso6520: str
    bodies: tuple[Body, ...]
    part: ImperfectionPart
    surface: str | None = None
    group: GroupTag | None = None


@dataclass(frozen=True)
class Site:
    """The wall a flaw is put into: the weld, its relief, and the stretch of stations (mm, unwrapped) that the film covers."""

    weld: WeldPart
    relief: WallRelief
    wall: FlawWall
    from_mm: float
    to_mm: float

    def _at(self, row: F64, station: F64 | float) -> F64:
        return np.asarray(np.interp(station, self.relief.along, row))

    def centre(self, station: F64 | float) -> F64:
        """Weld centreline across, mm from the weld plane."""
        return self._at(self.relief.centre, station)

    def root(self, station: F64 | float) -> F64:
        """Middle of the root bead across."""
        return self._at(self.relief.root_centre, station)

    def root_half(self, station: F64 | float) -> F64:
        """Half width of the root bead."""
        return self._at(self.relief.root_half, station)

    def toe(self, station: F64 | float, side: str) -> F64:
        """Cap edge across, "left" (negative) or "right"."""
        return self._at(self.relief.left if side == "left" else self.relief.right, station)

    def gap(self, station: F64 | float) -> F64:
        """Middle of the root gap across: the centreline, but for a J, whose groove leans."""
        return self.centre(station) - lean_mm(self.weld)

    def bevel(self, depth: float, side: str) -> float:
        """Groove face at a depth, mm from the centreline, signed."""
        return face_mm(self.weld, depth, side) - lean_mm(self.weld)


def draw_size(rng: np.random.Generator, median: float, spread: float, low: float, high: float) -> float:
    return float(np.clip(median * np.exp(rng.normal(0, spread)), low, max(low, high)))


def draw_station(part: ImperfectionPart, site: Site, rng: np.random.Generator, length: float = 0.0) -> float:
    if part.along_mm is not None:
        return part.along_mm
    low, high = site.from_mm + 0.5 * length + 2, site.to_mm - 0.5 * length - 2
    return float(rng.uniform(low, high)) if high > low else 0.5 * (site.from_mm + site.to_mm)


def draw_side(part: ImperfectionPart, rng: np.random.Generator) -> str:
    return part.side or ("left" if rng.random() < 0.5 else "right")


def draw_depth(part: ImperfectionPart, site: Site, rng: np.random.Generator, half: float) -> float:
    if part.depth_mm is not None:
        return part.depth_mm
    low, high = -0.3 + half, site.weld.wall_mm - half
    return float(rng.uniform(low, high)) if high > low else 0.5 * site.weld.wall_mm


def draw_across(part: ImperfectionPart, site: Site, rng: np.random.Generator, station: float, depth: float, half: float) -> float:
    """Place across, from the weld plane: as given, else anywhere in the weld metal at that depth."""
    centre = float(site.centre(station))
    if part.across_mm is not None:
        return centre + part.across_mm
    left, right = site.bevel(depth, "left"), site.bevel(depth, "right")
    reach = max(0.5 * (right - left) + 0.6 - half, 0.3)
    return centre + 0.5 * (left + right) + float(rng.uniform(-reach, reach))


def body_at(
    chord: Chord,
    station: float,
    across: float,
    depth: float,
    site: Site,
    half: tuple[float, float, float],
    angle: float = 0.0,
    substance: Substance = "air",
    adds: bool = False,
    outlined: bool = True,
) -> Body:
    return Body(chord, station, across, depth, site.wall, half[0], half[1], half[2], angle, substance, adds, outlined)


def line_place(part: ImperfectionPart, site: Site, rng: np.random.Generator, length: float) -> tuple[float, F64]:
    station = draw_station(part, site, rng, length)
    return station, path_grid(length)


def follow_root(path: Path, site: Site, station: float, xi: F64) -> Path:
    """The path with the wander of the root added, relative to its own middle."""
    bend = site.root(station + xi) - site.root(station)
    return replace(path, offset=path.offset + bend)
