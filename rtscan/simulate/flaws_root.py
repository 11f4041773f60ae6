"""The root: missed tie-in, concavity, excess penetration, burn-through. Each function makes the flaws of one recipe line; see site.py."""

from __future__ import annotations

import numpy as np

from rtscan.simulate.recipe import ImperfectionPart
from rtscan.simulate.shapes import Path, eased, hollow, path_grid, ragged, tapered, wander
from rtscan.simulate.site import Flaw, Site, body_at, draw_size, draw_station, line_place


def missed_tie_in(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Root run not joined to a tack or stop: a dark crescent across the root, median 3 mm wide, 0.9 mm long, 1 mm deep."""
    width, across = (
        part.width_mm or draw_size(rng, 0.9, 0.3, 0.4, 2.5),
        part.length_mm or draw_size(rng, 3.0, 0.2, 1.5, site.weld.root_width_mm + 1),
    )
    height = part.height_mm or draw_size(rng, 1.1, 0.25, 0.4, 0.5 * site.weld.wall_mm)
    station = draw_station(part, site, rng)
    xi = path_grid(across)
    bow = float(rng.choice([-1.0, 1.0])) * 0.25 * across * ((xi / (0.5 * across)) ** 2 - 0.4)
    shape = tapered(xi, 0.6) * np.clip(1 + 0.2 * wander(xi, 1, rng), 0.4, 1.5)
    path = Path(0.5 * across, bow + 0.05 * wander(xi, 1, rng), width * shape, height * shape)
    y = float(site.root(station)) + (part.across_mm or float(rng.normal(0, 0.3)))
    body = body_at(
        hollow(path, 0.7, float(rng.uniform(-0.5, 0.5))),
        station,
        y,
        site.weld.wall_mm - 0.4 * height,
        site,
        (0.5 * across, 0.3 * across + width, 0.5 * height),
        90.0 if part.angle_deg is None else part.angle_deg,
    )
    return (Flaw("missed tie-in", "517", (body,), part, "internal"),)


def root_concavity(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Root surface sucked back: soft dark band as wide as the root, wandering, median 30 mm long, 0.8 mm deep below the wall."""
    length = part.length_mm or draw_size(rng, 30, 0.5, 8, 0.9 * (site.to_mm - site.from_mm))
    height = part.height_mm or draw_size(rng, 0.8, 0.35, 0.2, 0.3 * site.weld.wall_mm)
    width = part.width_mm or site.weld.root_width_mm * float(rng.uniform(0.6, 0.95))
    station, xi = line_place(part, site, rng, length)
    fade = eased(xi, 0.5)
    path = Path(
        0.5 * length,
        site.root(station + xi) - site.root(station) + 0.12 * wander(xi, 6, rng),
        width * (0.6 + 0.4 * fade) * np.clip(1 + 0.12 * wander(xi, 5, rng), 0.5, 1.5),
        (height + max(site.weld.root_height_mm, 0)) * fade * np.clip(1 + 0.2 * wander(xi, 7, rng), 0.2, 1.7),
    )
    y = float(site.root(station)) + (part.across_mm or 0.0)
    body = body_at(hollow(path, 1.2), station, y, site.weld.wall_mm - 0.3 * height, site, (0.5 * length, width + 1.5, 0.5 * height))
    return (Flaw("root concavity", "515", (body,), part, "internal"),)


def continuous_penetration(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Root bead hanging through: bright band, median 45 mm long, 2.5 mm more than the normal root."""
    length = part.length_mm or draw_size(rng, 45, 0.4, 10, 0.9 * (site.to_mm - site.from_mm))
    height = part.height_mm or draw_size(rng, 2.5, 0.3, 1.0, 6)
    width = part.width_mm or site.weld.root_width_mm * float(rng.uniform(0.9, 1.25))
    station, xi = line_place(part, site, rng, length)
    fade = eased(xi, 0.4)
    path = Path(
        0.5 * length,
        site.root(station + xi) - site.root(station),
        width * (0.25 + 0.75 * np.sqrt(fade)) * np.clip(1 + 0.12 * wander(xi, 4, rng), 0.5, 1.5),
        height * fade * np.clip(1 + 0.3 * wander(xi, 3.5, rng), 0.3, 1.8),
    )
    body = body_at(
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
    length = part.length_mm or draw_size(rng, 5, 0.3, 2.5, 12)
    width, height = part.width_mm or 0.9 * length, part.height_mm or draw_size(rng, 3, 0.3, 1, 7)
    station = draw_station(part, site, rng)
    chord = ragged(0.5 * length, 0.5 * width, 0.5 * height, rng, 0.07, 0.75)
    y = float(site.root(station)) + (part.across_mm or float(rng.normal(0, 0.3)))
    body = body_at(
        chord, station, y, site.weld.wall_mm + 0.5 * height, site, (0.7 * length, 0.7 * width, height), 0.0, "carbon steel", True
    )
    return (Flaw("local excess penetration", "5041", (body,), part, "internal"),)


def burn_through(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Hole blown through the root: dark round patch, median 6 x 5 mm, most of the root lost, with a bright rim of metal pushed out."""
    length = part.length_mm or draw_size(rng, 6, 0.3, 3, 14)
    width = part.width_mm or 0.85 * length
    height = part.height_mm or draw_size(rng, 2.5, 0.25, 1.0, 0.6 * site.weld.wall_mm)
    station = draw_station(part, site, rng)
    y, deep = float(site.root(station)) + (part.across_mm or 0.0), site.weld.wall_mm
    hole = ragged(0.5 * length, 0.5 * width, 0.5 * (height + max(site.weld.root_height_mm, 0)), rng, 0.08, 0.7)
    bodies = [body_at(hole, station, y, deep - 0.4 * height, site, (0.75 * length, 0.75 * width, 0.5 * height))]
    turn = float(rng.uniform(0, 2 * np.pi))
    lump = ragged(0.28 * length, 0.2 * length, 0.5, rng, 0.15, 0.7)
    bodies.append(
        body_at(
            lump,
            station + 0.55 * length * np.cos(turn),
            y + 0.55 * width * np.sin(turn),
            deep + 1.0,
            site,
            (0.45 * length, 0.4 * length, 1.0),
            float(np.rad2deg(turn)) % 180 - 90,
            "carbon steel",
            True,
            False,
        )
    )
    return (Flaw("burn-through", "510", tuple(bodies), part, "internal"),)
