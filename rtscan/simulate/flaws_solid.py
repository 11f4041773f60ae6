"""Solids: slag, tungsten, copper, unfused filler wire. Each function makes the flaws of one recipe line; see site.py."""

from __future__ import annotations

import numpy as np

from rtscan.simulate.recipe import ImperfectionPart
from rtscan.simulate.shapes import Path, path_grid, polygon, ragged, tapered, tube, wander
from rtscan.simulate.site import Flaw, GroupTag, Site, body_at, draw_across, draw_depth, draw_side, draw_size, draw_station, follow_root


def isolated_slag(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Irregular lump, median 2.5 x 1.2 x 0.9 mm, between runs or at the groove face."""
    length = part.length_mm or draw_size(rng, 2.5, 0.45, 0.8, 10)
    width = part.width_mm or draw_size(rng, 0.45 * length, 0.25, 0.4, 3)
    height = part.height_mm or draw_size(rng, 0.9, 0.3, 0.4, 0.4 * site.weld.wall_mm)
    station, depth = draw_station(part, site, rng, length), draw_depth(part, site, rng, 0.5 * height)
    y = draw_across(part, site, rng, station, depth, 0.5 * width)
    angle = part.angle_deg if part.angle_deg is not None else float(rng.normal(0, 20))
    chord = ragged(0.5 * length, 0.5 * width, 0.5 * height, rng)
    half = (0.85 * length, 0.85 * width, 0.5 * height)
    return (Flaw("isolated slag inclusion", "3012", (body_at(chord, station, y, depth, site, half, angle, "slag"),), part),)


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
    width = part.width_mm or draw_size(rng, 0.9, 0.3, 0.4, 2)
    height = part.height_mm or draw_size(rng, 0.8, 0.3, 0.4, 0.4 * site.weld.wall_mm)
    uneven = np.clip(1 + 0.35 * wander(xi, 2.5, rng) + 0.25 * wander(xi, 0.8, rng), 0.12, 2.2)
    path = Path(
        0.5 * length,
        0.18 * wander(xi, 5, rng) + 0.06 * wander(xi, 1, rng),
        width * tapered(xi, 0.1) * uneven,
        height * tapered(xi, 0.12) * np.clip(1 + 0.35 * wander(xi, 2, rng), 0.2, 2),
    )
    path = follow_root(path, site, station, xi)
    body = body_at(tube(path), station, y, depth, site, (0.5 * length, 2.5 * width + 1.5, height), 0.0, "slag")
    return Flaw("linear slag inclusion", "3011", (body,), part, None, tag)


def linear_slag(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """One winding line at the edge of the hot pass, median 14 x 0.9 x 0.8 mm."""
    length = part.length_mm or draw_size(rng, 14, 0.45, 4, 80)
    station = draw_station(part, site, rng, length)
    depth = part.depth_mm if part.depth_mm is not None else float(rng.uniform(0.35, 0.75)) * site.weld.wall_mm
    y = part.across_mm if part.across_mm is not None else site.bevel(depth, draw_side(part, rng)) * float(rng.uniform(0.7, 1.0))
    return (_slag_line(part, site, rng, station, length, float(site.centre(station)) + y, depth, None),)


def wagon_tracks(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Two parallel slag lines at both edges of the root or hot pass."""
    length = part.length_mm or draw_size(rng, 25, 0.35, 8, 100)
    station = draw_station(part, site, rng, length)
    depth = part.depth_mm if part.depth_mm is not None else 0.7 * site.weld.wall_mm
    left, right = site.bevel(depth, "left"), site.bevel(depth, "right")
    apart, middle = max(0.5 * (right - left), 1.3), 0.5 * (left + right)
    tag = GroupTag(f"tracks {station:.1f}", "line", "linear slag inclusion", "3011")
    return tuple(
        _slag_line(
            part,
            site,
            rng,
            station + float(rng.normal(0, 1)),
            length * float(rng.uniform(0.75, 1.0)),
            float(site.centre(station)) + middle + sign * apart,
            depth,
            tag,
        )
        for sign in (-1.0, 1.0)
    )


def tungsten(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Chips (median 0.8 mm) and needles (4 : 1), sharp; mostly in the root and hot pass."""
    needle = rng.random() < 0.25
    length = part.length_mm or draw_size(rng, 0.8, 0.5, 0.25, 4) * (1.8 if needle else 1.0)
    width = part.width_mm or length * (0.22 if needle else float(rng.uniform(0.55, 1.0)))
    height = part.height_mm or width * float(rng.uniform(0.6, 1.0))
    station = draw_station(part, site, rng)
    depth = part.depth_mm if part.depth_mm is not None else site.weld.wall_mm - float(rng.uniform(0.5, min(3.5, 0.8 * site.weld.wall_mm)))
    y = draw_across(part, site, rng, station, depth, 0.5 * width)
    angle = part.angle_deg if part.angle_deg is not None else float(rng.uniform(-90, 90))
    chord = polygon(0.5 * length, 0.5 * width, 0.5 * height, rng)
    half = (0.55 * length, 0.55 * width, 0.5 * height)
    return (Flaw("tungsten inclusion", "3041", (body_at(chord, station, y, depth, site, half, angle, "tungsten"),), part),)


def copper(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """A drop of copper from a contact tip or backing, median 2.5 mm, faint bright."""
    length = part.length_mm or draw_size(rng, 2.5, 0.3, 1, 6)
    width, station = part.width_mm or 0.8 * length, draw_station(part, site, rng)
    height = part.height_mm or 0.7 * width
    depth = draw_depth(part, site, rng, 0.5 * height)
    y = draw_across(part, site, rng, station, depth, 0.5 * width)
    chord = ragged(0.5 * length, 0.5 * width, 0.5 * height, rng, 0.1, 0.5)
    return (
        Flaw(
            "copper inclusion", "3042", (body_at(chord, station, y, depth, site, (0.7 * length, 0.7 * width, height), 0.0, "copper"),), part
        ),
    )


def filler_wire(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Unfused filler wire sticking out of the root into the pipe: a thin bright line, 1.0 mm thick, median 9 mm long, slightly bent."""
    length = part.length_mm or draw_size(rng, 9, 0.3, 3, 25)
    width, station = part.width_mm or float(rng.choice([0.8, 1.0, 1.2])), draw_station(part, site, rng, length)
    angle = part.angle_deg if part.angle_deg is not None else float(rng.uniform(25, 90)) * (1 if rng.random() < 0.5 else -1)
    xi = path_grid(length)
    bend = float(rng.uniform(-0.08, 0.08)) * length * (xi / (0.5 * length)) ** 2
    path = Path(0.5 * length, bend, np.full(xi.size, width), np.full(xi.size, part.height_mm or width))
    reach = 0.35 * length * np.sin(np.deg2rad(abs(angle)))
    y = float(site.root(station)) + (part.across_mm if part.across_mm is not None else (reach if rng.random() < 0.5 else -reach))
    body = body_at(
        tube(path), station, y, site.weld.wall_mm + 1.0, site, (0.5 * length, 0.1 * length + width, width), angle, "carbon steel", True
    )
    return (Flaw("protruding filler wire", "3043", (body,), part, "internal"),)
