"""Imperfections as bodies in the weld. One small function per kind; what the recipe leaves out is drawn from the usual population.

The population (common practice and the project's reference, no published statistics): sizes are lognormal, `_size(rng, median, spread)`
with the median in mm written in each function, cut at the limits of wall and groove; places follow where the kind occurs (root, bevel,
toe, anywhere in the weld metal). Each function returns the flaws of one recipe line; those with a group share its kind and type.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from rtscan.film import F64
from rtscan.findings import GroupKind
from rtscan.simulate.anatomy import WallRelief
from rtscan.simulate.recipe import FlawWall, ImperfectionPart, WeldPart
from rtscan.simulate.shapes import Body, Path, Substance, ellipsoid, hollow, path_grid, polygon, ragged, sheet, tapered, tube, wander


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

    def bevel(self, depth: float, side: str) -> float:
        """Groove face at a depth, mm from the centreline, signed by side."""
        slope = {"V": 1.0, "X": 1.0, "U": 0.35, "J": 0.35, "square": 0.0}[self.weld.preparation]
        reach = (
            abs(self.weld.wall_mm / 2 - depth) if self.weld.preparation == "X" else max(self.weld.wall_mm - self.weld.land_mm - depth, 0.0)
        )
        return (-1.0 if side == "left" else 1.0) * float(0.5 * self.weld.gap_mm + slope * np.tan(np.deg2rad(self.weld.bevel_deg)) * reach)


Builder = Callable[[ImperfectionPart, Site, np.random.Generator], tuple[Flaw, ...]]


def _size(rng: np.random.Generator, median: float, spread: float, low: float, high: float) -> float:
    return float(np.clip(median * np.exp(rng.normal(0, spread)), low, max(low, high)))


def _station(part: ImperfectionPart, site: Site, rng: np.random.Generator, length: float = 0.0) -> float:
    if part.along_mm is not None:
        return part.along_mm
    low, high = site.from_mm + 0.5 * length + 2, site.to_mm - 0.5 * length - 2
    return float(rng.uniform(low, high)) if high > low else 0.5 * (site.from_mm + site.to_mm)


def _side(part: ImperfectionPart, rng: np.random.Generator) -> str:
    return part.side or ("left" if rng.random() < 0.5 else "right")


def _depth(part: ImperfectionPart, site: Site, rng: np.random.Generator, half: float) -> float:
    if part.depth_mm is not None:
        return part.depth_mm
    low, high = -0.3 + half, site.weld.wall_mm - half
    return float(rng.uniform(low, high)) if high > low else 0.5 * site.weld.wall_mm


def _within_groove(part: ImperfectionPart, site: Site, rng: np.random.Generator, station: float, depth: float, half: float) -> float:
    """Place across, from the weld plane: as given, else anywhere in the weld metal at that depth."""
    centre = float(site.centre(station))
    if part.across_mm is not None:
        return centre + part.across_mm
    reach = max(abs(site.bevel(depth, "right")) + 0.6 - half, 0.3)
    return centre + float(rng.uniform(-reach, reach))


def _at(
    chord: object,
    station: float,
    across: float,
    depth: float,
    site: Site,
    half: tuple[float, float, float],
    angle: float = 0.0,
    substance: Substance = "air",
    adds: bool = False,
) -> Body:
    assert callable(chord)
    return Body(chord, station, across, depth, site.wall, half[0], half[1], half[2], angle, substance, adds)


def _pore(
    part: ImperfectionPart,
    site: Site,
    rng: np.random.Generator,
    station: float,
    across: float | None,
    diameter: float,
    group: GroupTag | None = None,
    depth: float | None = None,
) -> Flaw:
    a = 0.5 * diameter
    stretch = float(np.clip(rng.normal(1.0, 0.06), 0.85, 1.2)) if part.length_mm is None else 1.0
    tall = 0.5 * (part.height_mm or diameter * float(np.clip(rng.normal(1.0, 0.12), 0.7, 1.5)))
    d = _depth(part, site, rng, tall) if depth is None else depth
    y = across if across is not None else _within_groove(part, site, rng, station, d, a)
    half = (a * max(stretch, 1), a / min(stretch, 1.0), tall)
    body = _at(ellipsoid(a * stretch, a / stretch, tall), station, y, d, site, half, float(rng.uniform(-90, 90)))
    return Flaw("gas pore", "2011", (body,), part, None, group)


def gas_pore(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Single pore, median 1.0 mm; `length_mm` is its diameter, `width_mm` of a flattened one, `height_mm` along the wall."""
    station = _station(part, site, rng)
    diameter = part.length_mm or _size(rng, 1.0, 0.45, 0.3, 0.6 * site.weld.wall_mm)
    if part.width_mm is not None:
        a, b, c = 0.5 * diameter, 0.5 * part.width_mm, 0.5 * (part.height_mm or part.width_mm)
        d = _depth(part, site, rng, c)
        y = _within_groove(part, site, rng, station, d, b)
        return (Flaw("gas pore", "2011", (_at(ellipsoid(a, b, c), station, y, d, site, (a, b, c), part.angle_deg or 0.0),), part),)
    return (_pore(part, site, rng, station, None, diameter),)


def uniform_porosity(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Pores of median 0.6 mm over `length_mm` (30) of weld, about one per 2 mm."""
    length = part.length_mm or _size(rng, 30, 0.3, 12, 0.8 * (site.to_mm - site.from_mm))
    middle = _station(part, site, rng, length)
    n = part.count or max(int(length / 2.0), 4)
    tag = GroupTag(f"porosity {middle:.1f}", "cluster", "uniformly distributed porosity", "2012")
    return tuple(
        _pore(
            part.model_copy(update={"length_mm": None}),
            site,
            rng,
            middle + float(rng.uniform(-0.5, 0.5)) * length,
            None,
            _size(rng, 0.6, 0.35, 0.25, 0.4 * site.weld.wall_mm),
            tag,
        )
        for _ in range(n)
    )


def cluster(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Tight group, median diameter of the group 8 mm, pores of median 0.7 mm, often at a stop."""
    length = part.length_mm or _size(rng, 8, 0.35, 3, 20)
    middle = _station(part, site, rng, length)
    n = part.count or int(np.clip(rng.poisson(7), 3, 25))
    depth = _depth(part, site, rng, 0.8)
    y = _within_groove(part, site, rng, middle, depth, 1.5)
    tag = GroupTag(f"cluster {middle:.1f}", "cluster", "clustered porosity", "2013")
    out = []
    for _ in range(n):
        at = rng.normal(0, 0.22, 2)
        spot = float(np.clip(depth + rng.normal(0, 0.8), 0.4, site.weld.wall_mm - 0.4))
        out.append(
            _pore(
                part.model_copy(update={"length_mm": None}),
                site,
                rng,
                middle + float(at[0]) * length,
                y + float(np.clip(at[1] * length, -4, 4)),
                _size(rng, 0.7, 0.4, 0.25, 2.5),
                tag,
                spot,
            )
        )
    return tuple(out)


def linear_porosity(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """A row along the root or a groove face, median length 20 mm, pores of median 0.6 mm about 2.5 mm apart."""
    length = part.length_mm or _size(rng, 20, 0.35, 8, 80)
    middle = _station(part, site, rng, length)
    n = part.count or max(int(length / 2.5), 4)
    depth = (
        part.depth_mm
        if part.depth_mm is not None
        else (site.weld.wall_mm - 1.0 if rng.random() < 0.6 else float(rng.uniform(1, site.weld.wall_mm - 1)))
    )
    y = part.across_mm if part.across_mm is not None else (0.0 if depth > site.weld.wall_mm - 2 else site.bevel(depth, _side(part, rng)))
    tag = GroupTag(f"row {middle:.1f}", "aligned", "linear porosity", "2014")
    places = middle + (np.arange(n) / max(n - 1, 1) - 0.5) * length + rng.normal(0, 0.3, n)
    return tuple(
        _pore(
            part.model_copy(update={"length_mm": None}),
            site,
            rng,
            float(s),
            float(site.centre(s)) + y + float(rng.normal(0, 0.12)),
            _size(rng, 0.6, 0.3, 0.25, 1.8),
            tag,
            depth,
        )
        for s in places
    )


def _line(part: ImperfectionPart, site: Site, rng: np.random.Generator, length: float) -> tuple[float, F64]:
    station = _station(part, site, rng, length)
    return station, path_grid(length)


def elongated_cavity(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Long smooth void along the weld, median 6 x 1.2 mm."""
    length = part.length_mm or _size(rng, 6, 0.4, 2.5, 30)
    width = part.width_mm or _size(rng, 1.2, 0.25, 0.5, 0.35 * length)
    station, xi = _line(part, site, rng, length)
    depth = _depth(part, site, rng, 0.5 * width)
    shape = tapered(xi, 0.5) * (1 + 0.08 * wander(xi, 3, rng))
    path = Path(0.5 * length, 0.06 * width * wander(xi, 4, rng), width * shape, (part.height_mm or 0.9 * width) * shape)
    y = _within_groove(part, site, rng, station, depth, 0.5 * width)
    return (
        Flaw(
            "elongated cavity",
            "2015",
            (_at(tube(path), station, y, depth, site, (0.5 * length, width, width), part.angle_deg or 0.0),),
            part,
        ),
    )


def worm_hole(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Tapered tubes that lean to the weld's middle (herring-bone), median 3.5 x 0.9 mm; `count` of them."""
    n = part.count or int(rng.integers(1, 5))
    middle = _station(part, site, rng, 4.0 * n)
    tag = GroupTag(f"worm-holes {middle:.1f}", "cluster", "worm-hole", "2016") if n > 1 else None
    out = []
    for k in range(n):
        length, width = part.length_mm or _size(rng, 3.5, 0.3, 1.5, 8), part.width_mm or _size(rng, 0.9, 0.25, 0.4, 2)
        xi = path_grid(length)
        swell = tapered(xi, 0.3) * np.linspace(0.55, 1.0, xi.size)
        path = Path(0.5 * length, 0.1 * wander(xi, 2, rng), width * swell, width * swell)
        side = -1.0 if rng.random() < 0.5 else 1.0
        station = middle + 3.0 * (k - 0.5 * (n - 1)) + float(rng.normal(0, 0.5))
        depth = _depth(part, site, rng, 0.5 * width)
        y = float(site.centre(station)) + (part.across_mm if part.across_mm is not None else side * 0.3 * length)
        angle = part.angle_deg if part.angle_deg is not None else side * float(rng.uniform(40, 75))
        out.append(
            Flaw("worm-hole", "2016", (_at(tube(path), station, y, depth, site, (0.5 * length, width, width), angle),), part, None, tag)
        )
    return tuple(out)


def _follow_root(path: Path, site: Site, station: float, xi: F64) -> Path:
    """The path with the wander of the root added, relative to its own middle."""
    bend = site.root(station + xi) - site.root(station)
    return replace(path, offset=path.offset + bend)


def hollow_bead(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Long void in the root bead, median 40 x 1.3 mm, soft."""
    length = part.length_mm or _size(rng, 40, 0.4, 13, 0.8 * (site.to_mm - site.from_mm))
    width = part.width_mm or _size(rng, 1.3, 0.2, 0.6, 2.5)
    station, xi = _line(part, site, rng, length)
    depth = part.depth_mm if part.depth_mm is not None else site.weld.wall_mm - 0.2
    shape = tapered(xi, 0.1) * np.clip(1 + 0.2 * wander(xi, 6, rng), 0.4, 1.6)
    path = _follow_root(
        Path(0.5 * length, 0.08 * wander(xi, 8, rng), width * shape, (part.height_mm or 0.7 * width) * shape), site, station, xi
    )
    y = float(site.root(station)) + (part.across_mm or 0.0)
    return (Flaw("hollow bead", "2015", (_at(tube(path), station, y, depth, site, (0.5 * length, 2 * width + 2, width)),), part),)


def crater_pipe(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Shrinkage hole at the end of a run: a pore of median 1.2 mm with a tail along the weld, open to the cap."""
    size = part.length_mm or _size(rng, 2.4, 0.3, 1.0, 5)
    station = _station(part, site, rng)
    width = part.width_mm or 0.5 * size
    height = part.height_mm or min(1.6 * width, 0.5 * site.weld.wall_mm)
    y = float(site.centre(station)) + (part.across_mm if part.across_mm is not None else float(rng.normal(0, 0.8)))
    xi = path_grid(size)
    swell = np.clip(1.0 - ((xi + 0.25 * size) / (0.75 * size)) ** 2, 0, 1) ** 0.5 * tapered(xi, 0.25)
    path = Path(0.5 * size, 0.05 * wander(xi, 2, rng), width * swell, height * swell)
    body = _at(tube(path), station, y, part.depth_mm or 0.5 * height, site, (0.5 * size, width, height))
    return (Flaw("crater pipe", "2024", (body,), part, "external"),)


def isolated_slag(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Irregular lump, median 2.5 x 1.2 x 0.9 mm, between runs or at the groove face."""
    length = part.length_mm or _size(rng, 2.5, 0.45, 0.8, 10)
    width = part.width_mm or _size(rng, 0.45 * length, 0.25, 0.4, 3)
    height = part.height_mm or _size(rng, 0.9, 0.3, 0.4, 0.4 * site.weld.wall_mm)
    station, depth = _station(part, site, rng, length), _depth(part, site, rng, 0.5 * height)
    y = _within_groove(part, site, rng, station, depth, 0.5 * width)
    angle = part.angle_deg if part.angle_deg is not None else float(rng.normal(0, 20))
    chord = ragged(0.5 * length, 0.5 * width, 0.5 * height, rng)
    half = (0.85 * length, 0.85 * width, 0.5 * height)
    return (Flaw("isolated slag inclusion", "3012", (_at(chord, station, y, depth, site, half, angle, "slag"),), part),)


def _slag_line(
    part: ImperfectionPart,
    site: Site,
    rng: np.random.Generator,
    station: float,
    length: float,
    y: float,
    depth: float,
    tag: GroupTag | None,
) -> Flaw:
    xi = path_grid(length)
    width = part.width_mm or _size(rng, 0.9, 0.3, 0.4, 2)
    height = part.height_mm or _size(rng, 0.8, 0.3, 0.4, 0.4 * site.weld.wall_mm)
    uneven = np.clip(1 + 0.35 * wander(xi, 2.5, rng) + 0.25 * wander(xi, 0.8, rng), 0.12, 2.2)
    path = Path(
        0.5 * length,
        0.18 * wander(xi, 5, rng) + 0.06 * wander(xi, 1, rng),
        width * tapered(xi, 0.1) * uneven,
        height * tapered(xi, 0.12) * np.clip(1 + 0.35 * wander(xi, 2, rng), 0.2, 2),
    )
    path = _follow_root(path, site, station, xi)
    body = _at(tube(path), station, y, depth, site, (0.5 * length, 2.5 * width + 1.5, height), 0.0, "slag")
    return Flaw("linear slag inclusion", "3011", (body,), part, None, tag)


def linear_slag(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """One winding line at the edge of the hot pass, median 14 x 0.9 x 0.8 mm."""
    length = part.length_mm or _size(rng, 14, 0.45, 4, 80)
    station = _station(part, site, rng, length)
    depth = part.depth_mm if part.depth_mm is not None else float(rng.uniform(0.35, 0.75)) * site.weld.wall_mm
    y = part.across_mm if part.across_mm is not None else site.bevel(depth, _side(part, rng)) * float(rng.uniform(0.7, 1.0))
    return (_slag_line(part, site, rng, station, length, float(site.centre(station)) + y, depth, None),)


def wagon_tracks(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Two parallel slag lines at both edges of the root or hot pass."""
    length = part.length_mm or _size(rng, 25, 0.35, 8, 100)
    station = _station(part, site, rng, length)
    depth = part.depth_mm if part.depth_mm is not None else 0.7 * site.weld.wall_mm
    apart = max(abs(site.bevel(depth, "right")), 1.3)
    tag = GroupTag(f"tracks {station:.1f}", "line", "linear slag inclusion", "3011")
    return tuple(
        _slag_line(
            part,
            site,
            rng,
            station + float(rng.normal(0, 1)),
            length * float(rng.uniform(0.75, 1.0)),
            float(site.centre(station)) + sign * apart,
            depth,
            tag,
        )
        for sign in (-1.0, 1.0)
    )


def tungsten(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Chips (median 0.8 mm) and needles (4 : 1), sharp; mostly in the root and hot pass."""
    needle = rng.random() < 0.25
    length = part.length_mm or _size(rng, 0.8, 0.5, 0.25, 4) * (1.8 if needle else 1.0)
    width = part.width_mm or length * (0.22 if needle else float(rng.uniform(0.55, 1.0)))
    height = part.height_mm or width * float(rng.uniform(0.6, 1.0))
    station = _station(part, site, rng)
    depth = part.depth_mm if part.depth_mm is not None else site.weld.wall_mm - float(rng.uniform(0.5, min(3.5, 0.8 * site.weld.wall_mm)))
    y = _within_groove(part, site, rng, station, depth, 0.5 * width)
    angle = part.angle_deg if part.angle_deg is not None else float(rng.uniform(-90, 90))
    chord = polygon(0.5 * length, 0.5 * width, 0.5 * height, rng)
    half = (0.55 * length, 0.55 * width, 0.5 * height)
    return (Flaw("tungsten inclusion", "3041", (_at(chord, station, y, depth, site, half, angle, "tungsten"),), part),)


def copper(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """A drop of copper from a contact tip or backing, median 2.5 mm, faint bright."""
    length = part.length_mm or _size(rng, 2.5, 0.3, 1, 6)
    width, station = part.width_mm or 0.8 * length, _station(part, site, rng)
    height = part.height_mm or 0.7 * width
    depth = _depth(part, site, rng, 0.5 * height)
    y = _within_groove(part, site, rng, station, depth, 0.5 * width)
    chord = ragged(0.5 * length, 0.5 * width, 0.5 * height, rng, 0.1, 0.5)
    return (
        Flaw("copper inclusion", "3042", (_at(chord, station, y, depth, site, (0.7 * length, 0.7 * width, height), 0.0, "copper"),), part),
    )


def filler_wire(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Unfused filler wire sticking out of the root into the pipe: a thin bright line, 1.0 mm thick, median 9 mm long, slightly bent."""
    length = part.length_mm or _size(rng, 9, 0.3, 3, 25)
    width, station = part.width_mm or float(rng.choice([0.8, 1.0, 1.2])), _station(part, site, rng, length)
    angle = part.angle_deg if part.angle_deg is not None else float(rng.uniform(25, 90)) * (1 if rng.random() < 0.5 else -1)
    xi = path_grid(length)
    bend = float(rng.uniform(-0.08, 0.08)) * length * (xi / (0.5 * length)) ** 2
    path = Path(0.5 * length, bend, np.full(xi.size, width), np.full(xi.size, part.height_mm or width))
    reach = 0.35 * length * np.sin(np.deg2rad(abs(angle)))
    y = float(site.root(station)) + (part.across_mm if part.across_mm is not None else (reach if rng.random() < 0.5 else -reach))
    body = _at(
        tube(path), station, y, site.weld.wall_mm + 1.0, site, (0.5 * length, 0.1 * length + width, width), angle, "carbon steel", True
    )
    return (Flaw("protruding filler wire", "3043", (body,), part, "internal"),)


def sidewall_fusion(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Straight gap on the groove face (leaning with it), median 12 mm long, 2 mm high, 0.12 mm open at one edge."""
    length = part.length_mm or _size(rng, 12, 0.4, 3, 60)
    height = part.height_mm or _size(rng, 2.0, 0.3, 0.8, 0.6 * site.weld.wall_mm)
    width = part.width_mm or _size(rng, 0.22, 0.35, 0.05, 0.6)
    side = _side(part, rng)
    station, xi = _line(part, site, rng, length)
    depth = part.depth_mm if part.depth_mm is not None else float(rng.uniform(0.25, 0.8)) * site.weld.wall_mm
    lean = (1.0 if side == "left" else -1.0) * np.tan(np.deg2rad(site.weld.bevel_deg)) * (0.0 if site.weld.preparation == "square" else 1.0)
    y = float(site.centre(station)) + (part.across_mm if part.across_mm is not None else site.bevel(depth, side))
    shape = tapered(xi, 0.08) * np.clip(1 + 0.3 * wander(xi, 2, rng), 0.15, 1.8)
    path = Path(0.5 * length, 0.02 * wander(xi, 6, rng), width * shape, height * np.clip(shape, 0, 1.2))
    half = (0.5 * length, 0.5 * height * abs(lean) + 0.6 * height + 2 * width + 0.3, 0.5 * height)
    body = _at(sheet(path, float(lean), 0.25, 4), station, y, depth, site, half)
    return (Flaw("lack of side-wall fusion", "4011", (body,), part),)


def interrun_fusion(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Flat gap between runs: faint patch, median 6 x 1.5 mm, 0.35 mm high, with an uneven edge."""
    length = part.length_mm or _size(rng, 6, 0.4, 2, 25)
    width, height = part.width_mm or _size(rng, 1.2, 0.3, 0.5, 3), part.height_mm or _size(rng, 0.35, 0.3, 0.1, 1.0)
    station, depth = _station(part, site, rng, length), _depth(part, site, rng, 0.5)
    y = _within_groove(part, site, rng, station, depth, 0.5 * width)
    chord = ragged(0.5 * length, 0.5 * width, 0.5 * height, rng, 0.15, 0.2)
    angle = part.angle_deg if part.angle_deg is not None else float(rng.normal(0, 6))
    return (
        Flaw("lack of inter-run fusion", "4012", (_at(chord, station, y, depth, site, (0.8 * length, 0.8 * width, height), angle),), part),
    )


def root_fusion(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """One root edge not fused: straight line at the land, median 18 mm, 0.3 mm wide, 1 mm high."""
    length = part.length_mm or _size(rng, 18, 0.4, 4, 100)
    height = part.height_mm or _size(rng, 1.0, 0.25, 0.4, max(site.weld.land_mm, 0.6))
    width = part.width_mm or _size(rng, 0.25, 0.3, 0.08, 0.6)
    side, sign = _side(part, rng), 1.0
    sign = -1.0 if side == "left" else 1.0
    station, xi = _line(part, site, rng, length)
    y = float(site.centre(station)) + (part.across_mm if part.across_mm is not None else sign * (0.5 * site.weld.gap_mm + 0.1))
    shape = tapered(xi, 0.06) * np.clip(1 + 0.25 * wander(xi, 3, rng), 0.2, 1.7)
    path = Path(0.5 * length, 0.03 * wander(xi, 8, rng), width * shape, height * np.clip(shape, 0, 1.3))
    body = _at(sheet(path), station, y, site.weld.wall_mm - 0.5 * height, site, (0.5 * length, 2 * width + height, 0.5 * height))
    return (Flaw("lack of root fusion", "4013", (body,), part, "internal"),)


def missed_tie_in(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Root run not joined to a tack or stop: a dark crescent across the root, median 3 mm wide, 0.9 mm long, 1 mm deep."""
    width, across = (
        part.width_mm or _size(rng, 0.9, 0.3, 0.4, 2.5),
        part.length_mm or _size(rng, 3.0, 0.2, 1.5, site.weld.root_width_mm + 1),
    )
    height = part.height_mm or _size(rng, 1.1, 0.25, 0.4, 0.5 * site.weld.wall_mm)
    station = _station(part, site, rng)
    xi = path_grid(across)
    bow = float(rng.choice([-1.0, 1.0])) * 0.25 * across * ((xi / (0.5 * across)) ** 2 - 0.4)
    shape = tapered(xi, 0.6) * np.clip(1 + 0.2 * wander(xi, 1, rng), 0.4, 1.5)
    path = Path(0.5 * across, bow + 0.05 * wander(xi, 1, rng), width * shape, height * shape)
    y = float(site.root(station)) + (part.across_mm or float(rng.normal(0, 0.3)))
    body = _at(
        hollow(path, 0.7, float(rng.uniform(-0.5, 0.5))),
        station,
        y,
        site.weld.wall_mm - 0.4 * height,
        site,
        (0.5 * across, 0.3 * across + width, 0.5 * height),
        90.0 if part.angle_deg is None else part.angle_deg,
    )
    return (Flaw("missed tie-in", "517", (body,), part, "internal"),)


def root_penetration(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Root gap left open: straight dark slot with parallel edges as wide as the gap (at least 0.5 mm), median 30 mm long, 1.5 mm high."""
    length = part.length_mm or _size(rng, 30, 0.5, 5, 0.9 * (site.to_mm - site.from_mm))
    height = part.height_mm or _size(rng, 1.5, 0.25, 0.5, 0.4 * site.weld.wall_mm)
    width = part.width_mm or float(np.clip(0.45 * site.weld.gap_mm * rng.uniform(0.7, 1.2), 0.4, 3.0))
    station, xi = _line(part, site, rng, length)
    edge = np.clip(1 + 0.05 * wander(xi, 3, rng), 0.6, 1.3)
    deep = height * tapered(xi, 0.04) * np.clip(1 + 0.15 * wander(xi, 8, rng), 0.3, 1.4)
    path = Path(
        0.5 * length,
        site.centre(station + xi) - site.centre(station) + 0.02 * wander(xi, 15, rng),
        width * edge * (tapered(xi, 0.02) > 0),
        deep,
    )
    y = float(site.centre(station)) + (part.across_mm or 0.0)
    bodies = [_at(sheet(path), station, y, site.weld.wall_mm - 0.5 * height, site, (0.5 * length, width + height + 1.5, 0.5 * height))]
    if site.weld.root_height_mm > 0:
        bead = Path(
            0.5 * length, site.root(station + xi) - y, 2 * site.root_half(station + xi), 0.9 * site.weld.root_height_mm * tapered(xi, 0.05)
        )
        bodies.append(_at(hollow(bead, 0.8), station, y, site.weld.wall_mm + 0.5, site, (0.5 * length, site.weld.root_width_mm + 1.5, 0.5)))
    return (Flaw("incomplete root penetration", "4021", tuple(bodies), part, "internal"),)


def root_concavity(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Root surface sucked back: soft dark band as wide as the root, wandering, median 30 mm long, 0.8 mm deep below the wall."""
    length = part.length_mm or _size(rng, 30, 0.5, 8, 0.9 * (site.to_mm - site.from_mm))
    height = part.height_mm or _size(rng, 0.8, 0.35, 0.2, 0.3 * site.weld.wall_mm)
    width = part.width_mm or site.weld.root_width_mm * float(rng.uniform(0.6, 0.95))
    station, xi = _line(part, site, rng, length)
    fade = tapered(xi, 0.35) ** 2
    path = Path(
        0.5 * length,
        site.root(station + xi) - site.root(station) + 0.12 * wander(xi, 6, rng),
        width * (0.6 + 0.4 * fade) * np.clip(1 + 0.12 * wander(xi, 5, rng), 0.5, 1.5),
        (height + max(site.weld.root_height_mm, 0)) * fade * np.clip(1 + 0.2 * wander(xi, 7, rng), 0.2, 1.7),
    )
    y = float(site.root(station)) + (part.across_mm or 0.0)
    body = _at(hollow(path, 1.2), station, y, site.weld.wall_mm - 0.3 * height, site, (0.5 * length, width + 1.5, 0.5 * height))
    return (Flaw("root concavity", "515", (body,), part, "internal"),)


def continuous_penetration(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Root bead hanging through: bright band, median 45 mm long, 2.5 mm more than the normal root."""
    length = part.length_mm or _size(rng, 45, 0.4, 10, 0.9 * (site.to_mm - site.from_mm))
    height = part.height_mm or _size(rng, 2.5, 0.3, 1.0, 6)
    width = part.width_mm or site.weld.root_width_mm * float(rng.uniform(0.9, 1.25))
    station, xi = _line(part, site, rng, length)
    fade = tapered(xi, 0.25) ** 2
    path = Path(
        0.5 * length,
        site.root(station + xi) - site.root(station),
        width * (0.7 + 0.3 * fade) * np.clip(1 + 0.1 * wander(xi, 5, rng), 0.5, 1.5),
        height * fade * np.clip(1 + 0.25 * wander(xi, 5, rng), 0.3, 1.8),
    )
    body = _at(
        hollow(path, 0.8),
        station,
        float(site.root(station)) + (part.across_mm or 0.0),
        site.weld.wall_mm + 0.5 * height,
        site,
        (0.5 * length, width + 1.5, height),
        0.0,
        "carbon steel",
        True,
    )
    return (Flaw("continuous excess penetration", "5042", (body,), part, "internal"),)


def local_penetration(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """A drop hanging from the root: bright blob, median 5 x 4.5 mm, 3 mm high."""
    length = part.length_mm or _size(rng, 5, 0.3, 2.5, 12)
    width, height = part.width_mm or 0.9 * length, part.height_mm or _size(rng, 3, 0.3, 1, 7)
    station = _station(part, site, rng)
    chord = ragged(0.5 * length, 0.5 * width, 0.5 * height, rng, 0.07, 0.75)
    y = float(site.root(station)) + (part.across_mm or float(rng.normal(0, 0.3)))
    body = _at(chord, station, y, site.weld.wall_mm + 0.5 * height, site, (0.7 * length, 0.7 * width, height), 0.0, "carbon steel", True)
    return (Flaw("local excess penetration", "5041", (body,), part, "internal"),)


def burn_through(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Hole blown through the root: dark round patch, median 6 x 5 mm, most of the root lost, with a bright rim of metal pushed out."""
    length = part.length_mm or _size(rng, 6, 0.3, 3, 14)
    width = part.width_mm or 0.85 * length
    height = part.height_mm or _size(rng, 2.5, 0.25, 1.0, 0.6 * site.weld.wall_mm)
    station = _station(part, site, rng)
    y, deep = float(site.root(station)) + (part.across_mm or 0.0), site.weld.wall_mm
    hole = ragged(0.5 * length, 0.5 * width, 0.5 * (height + max(site.weld.root_height_mm, 0)), rng, 0.08, 0.7)
    bodies = [_at(hole, station, y, deep - 0.4 * height, site, (0.75 * length, 0.75 * width, 0.5 * height))]
    turn = float(rng.uniform(0, 2 * np.pi))
    lump = ragged(0.28 * length, 0.2 * length, 0.5, rng, 0.15, 0.7)
    bodies.append(
        _at(
            lump,
            station + 0.55 * length * np.cos(turn),
            y + 0.55 * width * np.sin(turn),
            deep + 1.0,
            site,
            (0.45 * length, 0.4 * length, 1.0),
            float(np.rad2deg(turn)) % 180 - 90,
            "carbon steel",
            True,
        )
    )
    return (Flaw("burn-through", "510", tuple(bodies), part, "internal"),)


def _undercut(
    part: ImperfectionPart, site: Site, rng: np.random.Generator, term: str, number: str, patchy: float, median: float
) -> tuple[Flaw, ...]:
    length = part.length_mm or _size(rng, median, 0.45, 5, 0.9 * (site.to_mm - site.from_mm))
    height, width = part.height_mm or _size(rng, 0.6, 0.3, 0.2, 0.25 * site.weld.wall_mm), part.width_mm or _size(rng, 1.1, 0.25, 0.5, 2.5)
    station, xi = _line(part, site, rng, length)
    side, internal = _side(part, rng), part.surface == "internal"
    sign = -1.0 if side == "left" else 1.0
    edge = site.root(station + xi) + sign * site.root_half(station + xi) if internal else site.toe(station + xi, side)
    centre = edge + sign * 0.32 * width
    deep = height * tapered(xi, 0.08) * np.clip(1 + (0.35 + patchy) * wander(xi, 3, rng) + 0.15 * wander(xi, 0.9, rng), 0.04, 2)
    y = float(np.interp(0.0, xi, centre)) + (part.across_mm or 0.0)
    path = Path(0.5 * length, centre - y, width * np.clip(1 + 0.2 * wander(xi, 2, rng), 0.4, 1.6), deep)
    depth = site.weld.wall_mm - 0.3 * height if internal else 0.3 * height
    body = _at(hollow(path, 1.0, -0.55 * sign), station, y, depth, site, (0.5 * length, 2 * width + 3.0, 0.5 * height))
    return (Flaw(term, number, (body,), part, "internal" if internal else "external"),)


def continuous_undercut(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Groove along the toe (or the root edge with surface "internal"), median 30 x 1.1 mm, 0.6 mm deep, uneven."""
    return _undercut(part, site, rng, "continuous undercut", "5011", 0.0, 30)


def intermittent_undercut(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Short undercut, median 10 mm."""
    return _undercut(part, site, rng, "intermittent undercut", "5012", 0.25, 10)


def shrinkage_groove(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Root undercut on both sides of the root bead (two indications)."""
    inner = part.model_copy(
        update={"surface": "internal", "length_mm": part.length_mm or _size(rng, 20, 0.3, 6, 60), "along_mm": _station(part, site, rng, 20)}
    )
    return tuple(
        _undercut(inner.model_copy(update={"side": side}), site, rng, "shrinkage groove", "5013", 0.1, 20)[0] for side in ("left", "right")
    )


def underfill(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Groove not filled: soft dark band over most of the weld width, median 30 mm, 1.2 mm below the plate."""
    length = part.length_mm or _size(rng, 30, 0.4, 8, 0.8 * (site.to_mm - site.from_mm))
    height = (part.height_mm or _size(rng, 1.2, 0.3, 0.4, 0.4 * site.weld.wall_mm)) + max(site.weld.cap_height_mm, 0.0)
    station, xi = _line(part, site, rng, length)
    left, right = site.toe(station + xi, "left"), site.toe(station + xi, "right")
    y = float(0.5 * (np.interp(0, xi, left) + np.interp(0, xi, right))) + (part.across_mm or 0.0)
    width = (part.width_mm or 0.92 * float(np.mean(right - left))) * np.clip(1 + 0.05 * wander(xi, 4, rng), 0.6, 1.3)
    path = Path(
        0.5 * length, 0.5 * (left + right) - y, width, height * tapered(xi, 0.3) ** 2 * np.clip(1 + 0.1 * wander(xi, 6, rng), 0.4, 1.5)
    )
    body = _at(hollow(path, 0.7), station, y, 0.5, site, (0.5 * length, float(width.max()), 0.5 * height))
    return (Flaw("incompletely filled groove", "511", (body,), part, "external"),)


def missed_bevel(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """The cap misses one bevel edge: a dark strip whose outer edge is straight (the machined edge), median 25 x 1.4 mm, 1 mm deep."""
    length = part.length_mm or _size(rng, 25, 0.4, 6, 0.8 * (site.to_mm - site.from_mm))
    width, height = part.width_mm or _size(rng, 1.4, 0.25, 0.6, 3), part.height_mm or _size(rng, 1.0, 0.25, 0.4, 2.5)
    side = _side(part, rng)
    sign = -1.0 if side == "left" else 1.0
    station, xi = _line(part, site, rng, length)
    outer = site.centre(station + xi) + site.bevel(0.0, side) + sign * 0.5
    inner = np.clip(width * tapered(xi, 0.2) * np.clip(1 + 0.25 * wander(xi, 3, rng), 0.3, 1.6), 0.0, None)
    centre = outer - sign * 0.5 * inner
    y = float(np.interp(0, xi, centre)) + (part.across_mm or 0.0)
    path = Path(0.5 * length, centre - y, inner, height * tapered(xi, 0.2))
    body = _at(hollow(path, 0.6, 0.85 * sign), station, y, 0.4 * height, site, (0.5 * length, width + 2, 0.5 * height))
    return (Flaw("missed bevel edge", "511", (body,), part, "external"),)


def _crack(length: float, width: float, height: float, rng: np.random.Generator, jag: float, swing: float) -> Path:
    xi = path_grid(length)
    steps = np.cumsum(rng.choice([-1.0, 1.0], xi.size) * (rng.random(xi.size) < 0.12)) * jag
    line = steps - np.linspace(steps[0], steps[-1], xi.size) + swing * wander(xi, 0.35 * length + 1, rng) + 0.5 * jag * wander(xi, 0.6, rng)
    taper = tapered(xi, 0.5) * np.clip(1 + 0.4 * wander(xi, 1.2, rng), 0.05, 2.0)
    return Path(0.5 * length, line, width * taper, height * np.clip(taper, 0, 1.3))


def _crack_flaw(
    part: ImperfectionPart,
    site: Site,
    rng: np.random.Generator,
    length: float,
    angle: float,
    y: float,
    station: float,
    term: str,
    number: str,
) -> Flaw:
    height = part.height_mm or _size(rng, 0.35 * site.weld.wall_mm, 0.3, 0.6, 0.9 * site.weld.wall_mm)
    width = part.width_mm or _size(rng, 0.09, 0.4, 0.03, 0.35)
    depth = (
        part.depth_mm
        if part.depth_mm is not None
        else float(rng.uniform(0.5 * height, max(site.weld.wall_mm - 0.5 * height, 0.5 * height + 0.1)))
    )
    path = _crack(length, width, height, rng, 0.07, 0.05 * length**0.5)
    lean = float(rng.normal(0, 0.07))
    half = (0.5 * length, float(np.max(np.abs(path.offset))) + 0.25 * height + 3 * width + 0.3, 0.5 * height)
    return Flaw(term, number, (_at(sheet(path, lean), station, y, depth, site, half, angle),), part)


def longitudinal_crack(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Jagged line along the weld, median 15 mm long, 0.09 mm open, a third of the wall high."""
    length = part.length_mm or _size(rng, 15, 0.5, 3, 100)
    station = _station(part, site, rng, length)
    y = float(site.centre(station)) + (part.across_mm if part.across_mm is not None else float(rng.normal(0, 1.2)))
    angle = part.angle_deg if part.angle_deg is not None else float(rng.normal(0, 3))
    return (_crack_flaw(part, site, rng, length, angle, y, station, "longitudinal crack in the weld metal", "1011"),)


def transverse_crack(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Jagged line across the weld, median 6 mm."""
    length = part.length_mm or _size(rng, 6, 0.35, 2, 25)
    station = _station(part, site, rng)
    y = float(site.centre(station)) + (part.across_mm if part.across_mm is not None else float(rng.normal(0, 1.0)))
    angle = part.angle_deg if part.angle_deg is not None else 90.0 - abs(float(rng.normal(0, 8)))
    return (_crack_flaw(part, site, rng, length, angle, y, station, "transverse crack in the weld metal", "1021"),)


def _star(
    part: ImperfectionPart, site: Site, rng: np.random.Generator, arms: int, length: float, term: str, number: str, first: float
) -> tuple[Flaw, ...]:
    station = _station(part, site, rng, length)
    y = float(site.centre(station)) + (part.across_mm if part.across_mm is not None else float(rng.normal(0, 0.6)))
    bodies: list[Body] = []
    for k in range(arms):
        size = length * (1.0 if k == 0 else float(rng.uniform(0.3, 0.6)))
        angle = first if k == 0 else float(rng.uniform(-85, 85))
        along = 0.0 if k == 0 else float(rng.uniform(-0.35, 0.35)) * length * np.cos(np.deg2rad(first))
        bodies += _crack_flaw(part, site, rng, size, angle, y, station + along, term, number).bodies
    return (Flaw(term, number, tuple(bodies), part),)


def crater_crack(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Star of three or four short arms at a stop, median 3 mm, shallow."""
    shallow = part.model_copy(update={"height_mm": part.height_mm or 1.4, "depth_mm": part.depth_mm if part.depth_mm is not None else 0.7})
    return _star(
        shallow,
        site,
        rng,
        int(rng.integers(3, 5)),
        part.length_mm or _size(rng, 3, 0.3, 1.2, 6),
        "crater crack",
        "104",
        part.angle_deg if part.angle_deg is not None else float(rng.uniform(-40, 40)),
    )


def branching_crack(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """A long crack with two to four side arms, median 12 mm."""
    return _star(
        part,
        site,
        rng,
        part.count or int(rng.integers(3, 6)),
        part.length_mm or _size(rng, 12, 0.35, 4, 40),
        "branching crack",
        "106",
        part.angle_deg if part.angle_deg is not None else float(rng.normal(0, 12)),
    )


def spatter(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Drops on the plate beside the cap: `count` (3) round bright spots of median 1.2 mm."""
    out, middle = [], _station(part, site, rng, 20)
    for _ in range(part.count or int(rng.integers(1, 6))):
        size, side = part.length_mm or _size(rng, 1.2, 0.35, 0.4, 4), _side(part, rng)
        station = middle + float(rng.normal(0, 8)) * (0 if part.along_mm is not None and part.count == 1 else 1)
        away = float(site.toe(station, side)) + (-1 if side == "left" else 1) * float(rng.uniform(0.5, 8))
        y = float(site.centre(station)) + part.across_mm if part.across_mm is not None else away
        height = part.height_mm or 0.45 * size
        chord = ragged(0.5 * size, 0.5 * size, 0.5 * height, rng, 0.05, 0.5)
        out.append(
            Flaw(
                "spatter",
                "602",
                (_at(chord, station, y, -0.5 * height, site, (0.6 * size, 0.6 * size, height), 0.0, "carbon steel", True),),
                part,
                "external",
            )
        )
    return tuple(out)


def stray_arc(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Arc strike on the plate: a crater of median 3 mm with a raised, brighter rim."""
    size, side, station = part.length_mm or _size(rng, 3, 0.3, 1.2, 8), _side(part, rng), _station(part, site, rng)
    away = float(site.toe(station, side)) + (-1 if side == "left" else 1) * float(rng.uniform(3, 12))
    y = float(site.centre(station)) + part.across_mm if part.across_mm is not None else away
    height = part.height_mm or _size(rng, 0.4, 0.3, 0.15, 1.2)
    angle = float(rng.uniform(-90, 90))
    rim = _at(
        ragged(0.5 * size, 0.4 * size, 0.3 * height, rng, 0.2, 0.3),
        station,
        y,
        -0.2,
        site,
        (0.8 * size, 0.8 * size, height),
        angle,
        "carbon steel",
        True,
    )
    pit = _at(ragged(0.3 * size, 0.22 * size, 0.8 * height, rng, 0.25, 0.7), station, y, 0.3, site, (0.6 * size, 0.6 * size, height), angle)
    return (Flaw("stray arc", "601", (rim, pit), part, "external"),)


def grinding_mark(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Ground streak on cap or plate: soft dark band, median 18 x 5 mm, 0.35 mm deep."""
    length, width = part.length_mm or _size(rng, 18, 0.3, 6, 60), part.width_mm or _size(rng, 5, 0.3, 1.5, 15)
    height, station = part.height_mm or _size(rng, 0.35, 0.3, 0.1, 1.2), _station(part, site, rng, 18)
    y = float(site.centre(station)) + (part.across_mm if part.across_mm is not None else float(rng.normal(0, 6)))
    xi = path_grid(length)
    path = Path(0.5 * length, 0.1 * wander(xi, 8, rng), width * tapered(xi, 0.3), height * tapered(xi, 0.5) ** 2)
    angle = part.angle_deg if part.angle_deg is not None else float(rng.normal(0, 30))
    return (
        Flaw(
            "grinding mark",
            "604",
            (_at(hollow(path, 1.3), station, y, 0.1, site, (0.5 * length, width + 1, 0.5 * height), float(np.clip(angle, -89, 90))),),
            part,
            "external",
        ),
    )


def excess_cap(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Cap too high over a stretch: bright, sharp at the toe, median 35 mm, 2 mm more."""
    length, height = (
        part.length_mm or _size(rng, 35, 0.4, 8, 0.8 * (site.to_mm - site.from_mm)),
        part.height_mm or _size(rng, 2.0, 0.3, 0.8, 5),
    )
    station, xi = _line(part, site, rng, length)
    left, right = site.toe(station + xi, "left"), site.toe(station + xi, "right")
    y = float(0.5 * (np.interp(0, xi, left) + np.interp(0, xi, right)))
    path = Path(
        0.5 * length,
        0.5 * (left + right) - y,
        0.97 * (right - left),
        height * tapered(xi, 0.3) ** 2 * np.clip(1 + 0.1 * wander(xi, 5, rng), 0.4, 1.6),
    )
    body = _at(hollow(path, 0.6), station, y, -height, site, (0.5 * length, float(np.max(right - left)), height), 0.0, "carbon steel", True)
    return (Flaw("excess weld metal", "502", (body,), part, "external"),)


def misalignment(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Edges offset over a stretch: the wall path steps at the root edge and ramps back to the cap toes; median 60 mm, 1.5 mm."""
    length = part.length_mm or _size(rng, 60, 0.3, 20, 0.95 * (site.to_mm - site.from_mm))
    step, (station, xi) = part.height_mm or _size(rng, 1.5, 0.3, 0.5, 4), _line(part, site, rng, length)
    left, right, root = site.toe(station + xi, "left"), site.toe(station + xi, "right"), site.centre(station + xi)
    y, sign, fade = float(site.centre(station)), -1.0 if _side(part, rng) == "left" else 1.0, np.clip(tapered(xi, 0.2) ** 2, 0, 1)
    low = Path(0.5 * length, 0.5 * (left + root) - y, root - left, 0.5 * step * fade)
    high = Path(0.5 * length, 0.5 * (root + right) - y, right - root, 0.5 * step * fade)
    half = (0.5 * length, float(np.max(right - left)), 0.5)
    dark, bright = (low, high) if sign < 0 else (high, low)
    bodies = (
        _at(hollow(dark, 0.5, -0.9 * sign), station, y, 0.5, site, half),
        _at(hollow(bright, 0.5, 0.9 * sign), station, y, 0.5, site, half, 0.0, "carbon steel", True),
    )
    return (Flaw("linear misalignment", "507", bodies, part),)


BUILDERS: dict[str, Builder] = {
    "gas pore": gas_pore,
    "uniformly distributed porosity": uniform_porosity,
    "clustered porosity": cluster,
    "linear porosity": linear_porosity,
    "elongated cavity": elongated_cavity,
    "worm-hole": worm_hole,
    "hollow bead": hollow_bead,
    "crater pipe": crater_pipe,
    "isolated slag inclusion": isolated_slag,
    "linear slag inclusion": linear_slag,
    "wagon tracks": wagon_tracks,
    "tungsten inclusion": tungsten,
    "copper inclusion": copper,
    "protruding filler wire": filler_wire,
    "lack of side-wall fusion": sidewall_fusion,
    "lack of inter-run fusion": interrun_fusion,
    "lack of root fusion": root_fusion,
    "missed tie-in": missed_tie_in,
    "incomplete root penetration": root_penetration,
    "root concavity": root_concavity,
    "continuous excess penetration": continuous_penetration,
    "local excess penetration": local_penetration,
    "burn-through": burn_through,
    "continuous undercut": continuous_undercut,
    "intermittent undercut": intermittent_undercut,
    "shrinkage groove": shrinkage_groove,
    "incompletely filled groove": underfill,
    "missed bevel edge": missed_bevel,
    "longitudinal crack": longitudinal_crack,
    "transverse crack": transverse_crack,
    "crater crack": crater_crack,
    "branching crack": branching_crack,
    "spatter": spatter,
    "stray arc": stray_arc,
    "grinding mark": grinding_mark,
    "excess weld metal": excess_cap,
    "linear misalignment": misalignment,
}


def build(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """The flaws of one recipe line."""
    return BUILDERS[part.type](part, site, rng)
