"""Planar imperfections: lack of fusion and penetration, cracks. Each function makes the flaws of one recipe line; see site.py."""

from __future__ import annotations

import numpy as np

from rtscan.simulate.groove import face_slope
from rtscan.simulate.recipe import ImperfectionPart
from rtscan.simulate.shapes import Body, Path, hollow, path_grid, ragged, sheet, tapered, wander
from rtscan.simulate.site import Flaw, Site, body_at, draw_across, draw_depth, draw_side, draw_size, draw_station, line_place


def sidewall_fusion(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Straight gap on the groove face (leaning with it), median 12 mm long, 2 mm high, 0.12 mm open at one edge."""
    length = part.length_mm or draw_size(rng, 12, 0.4, 3, 60)
    height = part.height_mm or draw_size(rng, 2.0, 0.3, 0.8, 0.6 * site.weld.wall_mm)
    width = part.width_mm or draw_size(rng, 0.22, 0.35, 0.05, 0.6)
    side = draw_side(part, rng)
    station, xi = line_place(part, site, rng, length)
    depth = part.depth_mm if part.depth_mm is not None else float(rng.uniform(0.25, 0.8)) * site.weld.wall_mm
    lean = face_slope(site.weld, depth, side)
    y = float(site.centre(station)) + (part.across_mm if part.across_mm is not None else site.bevel(depth, side))
    shape = tapered(xi, 0.08) * np.clip(1 + 0.3 * wander(xi, 2, rng), 0.15, 1.8)
    path = Path(0.5 * length, 0.02 * wander(xi, 6, rng), width * shape, height * np.clip(shape, 0, 1.2))
    half = (0.5 * length, 0.5 * height * abs(lean) + 0.6 * height + 2 * width + 0.3, 0.5 * height)
    body = body_at(sheet(path, lean, 0.25, 4), station, y, depth, site, half)
    return (Flaw("lack of side-wall fusion", "4011", (body,), part),)


def interrun_fusion(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Flat gap between runs: faint patch, median 6 x 1.5 mm, 0.35 mm high, with an uneven edge."""
    length = part.length_mm or draw_size(rng, 6, 0.4, 2, 25)
    width, height = part.width_mm or draw_size(rng, 1.2, 0.3, 0.5, 3), part.height_mm or draw_size(rng, 0.35, 0.3, 0.1, 1.0)
    station, depth = draw_station(part, site, rng, length), draw_depth(part, site, rng, 0.5)
    y = draw_across(part, site, rng, station, depth, 0.5 * width)
    chord = ragged(0.5 * length, 0.5 * width, 0.5 * height, rng, 0.15, 0.2)
    angle = part.angle_deg if part.angle_deg is not None else float(rng.normal(0, 6))
    return (
        Flaw(
            "lack of inter-run fusion", "4012", (body_at(chord, station, y, depth, site, (0.8 * length, 0.8 * width, height), angle),), part
        ),
    )


def root_fusion(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """One root edge not fused: straight line at the land, median 18 mm, 0.3 mm wide, 1 mm high."""
    length = part.length_mm or draw_size(rng, 18, 0.4, 4, 100)
    height = part.height_mm or draw_size(rng, 1.0, 0.25, 0.4, max(site.weld.land_mm, 0.6))
    width = part.width_mm or draw_size(rng, 0.25, 0.3, 0.08, 0.6)
    side, sign = draw_side(part, rng), 1.0
    sign = -1.0 if side == "left" else 1.0
    station, xi = line_place(part, site, rng, length)
    edge = float(site.gap(station)) + sign * (0.5 * site.weld.gap_mm + 0.1)
    y = edge if part.across_mm is None else float(site.centre(station)) + part.across_mm
    shape = tapered(xi, 0.06) * np.clip(1 + 0.25 * wander(xi, 3, rng), 0.2, 1.7)
    path = Path(0.5 * length, 0.03 * wander(xi, 8, rng), width * shape, height * np.clip(shape, 0, 1.3))
    body = body_at(sheet(path), station, y, site.weld.wall_mm - 0.5 * height, site, (0.5 * length, 2 * width + height, 0.5 * height))
    return (Flaw("lack of root fusion", "4013", (body,), part, "internal"),)


def root_penetration(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Root gap left open: straight dark slot with parallel edges as wide as the gap (at least 0.5 mm), median 30 mm long, 1.5 mm high."""
    length = part.length_mm or draw_size(rng, 30, 0.5, 5, 0.9 * (site.to_mm - site.from_mm))
    height = part.height_mm or draw_size(rng, 1.5, 0.25, 0.5, 0.4 * site.weld.wall_mm)
    width = part.width_mm or float(np.clip(0.45 * site.weld.gap_mm * rng.uniform(0.7, 1.2), 0.4, 3.0))
    station, xi = line_place(part, site, rng, length)
    edge = np.clip(1 + 0.05 * wander(xi, 3, rng), 0.6, 1.3)
    deep = height * tapered(xi, min(4.0 / length, 0.5)) * np.clip(1 + 0.15 * wander(xi, 8, rng), 0.3, 1.4)
    path = Path(
        0.5 * length,
        site.centre(station + xi) - site.centre(station) + 0.02 * wander(xi, 15, rng),
        width * edge * (tapered(xi, 0.02) > 0),
        deep,
    )
    y = float(site.gap(station)) if part.across_mm is None else float(site.centre(station)) + part.across_mm
    bodies = [body_at(sheet(path), station, y, site.weld.wall_mm - 0.5 * height, site, (0.5 * length, width + height + 1.5, 0.5 * height))]
    if site.weld.root_height_mm > 0:
        bead = Path(
            0.5 * length,
            site.root(station + xi) - y,
            2 * site.root_half(station + xi),
            0.9 * site.weld.root_height_mm * tapered(xi, 6.0 / length) ** 2,
        )
        bodies.append(
            body_at(
                hollow(bead, 0.8),
                station,
                y,
                site.weld.wall_mm + 0.5,
                site,
                (0.5 * length, site.weld.root_width_mm + 1.5, 0.5),
                adds=False,
                outlined=False,
            )
        )
    return (Flaw("incomplete root penetration", "4021", tuple(bodies), part, "internal"),)


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
    height = part.height_mm or draw_size(rng, 0.35 * site.weld.wall_mm, 0.3, 0.6, 0.9 * site.weld.wall_mm)
    width = part.width_mm or draw_size(rng, 0.09, 0.4, 0.03, 0.35)
    depth = (
        part.depth_mm
        if part.depth_mm is not None
        else float(rng.uniform(0.5 * height, max(site.weld.wall_mm - 0.5 * height, 0.5 * height + 0.1)))
    )
    path = _crack(length, width, height, rng, 0.07, 0.05 * length**0.5)
    lean = float(rng.normal(0, 0.07))
    half = (0.5 * length, float(np.max(np.abs(path.offset))) + 0.25 * height + 3 * width + 0.3, 0.5 * height)
    return Flaw(term, number, (body_at(sheet(path, lean), station, y, depth, site, half, angle),), part)


def longitudinal_crack(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Jagged line along the weld, median 15 mm long, 0.09 mm open, a third of the wall high."""
    length = part.length_mm or draw_size(rng, 15, 0.5, 3, 100)
    station = draw_station(part, site, rng, length)
    y = float(site.centre(station)) + (part.across_mm if part.across_mm is not None else float(rng.normal(0, 1.2)))
    angle = part.angle_deg if part.angle_deg is not None else float(rng.normal(0, 3))
    return (_crack_flaw(part, site, rng, length, angle, y, station, "longitudinal crack in the weld metal", "1011"),)


def transverse_crack(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Jagged line across the weld, median 6 mm."""
    length = part.length_mm or draw_size(rng, 6, 0.35, 2, 25)
    station = draw_station(part, site, rng)
    y = float(site.centre(station)) + (part.across_mm if part.across_mm is not None else float(rng.normal(0, 1.0)))
    angle = part.angle_deg if part.angle_deg is not None else 90.0 - abs(float(rng.normal(0, 8)))
    return (_crack_flaw(part, site, rng, length, angle, y, station, "transverse crack in the weld metal", "1021"),)


def _star(
    part: ImperfectionPart, site: Site, rng: np.random.Generator, arms: int, length: float, term: str, number: str, first: float
) -> tuple[Flaw, ...]:
    station = draw_station(part, site, rng, length)
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
        part.length_mm or draw_size(rng, 3, 0.3, 1.2, 6),
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
        part.length_mm or draw_size(rng, 12, 0.35, 4, 40),
        "branching crack",
        "106",
        part.angle_deg if part.angle_deg is not None else float(rng.normal(0, 12)),
    )
