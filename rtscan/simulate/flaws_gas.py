"""Gas: pores and their groups, cavities, worm-holes, crater pipes. Each function makes the flaws of one recipe line; see site.py."""

from __future__ import annotations

import numpy as np

from rtscan.simulate.recipe import ImperfectionPart
from rtscan.simulate.shapes import Path, ellipsoid, path_grid, tapered, tube, wander
from rtscan.simulate.site import (
    Flaw,
    GroupTag,
    Site,
    body_at,
    draw_across,
    draw_depth,
    draw_side,
    draw_size,
    draw_station,
    follow_root,
    line_place,
)


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
    d = draw_depth(part, site, rng, tall) if depth is None else depth
    y = across if across is not None else draw_across(part, site, rng, station, d, a)
    half = (a * max(stretch, 1), a / min(stretch, 1.0), tall)
    body = body_at(ellipsoid(a * stretch, a / stretch, tall), station, y, d, site, half, float(rng.uniform(-90, 90)))
    return Flaw("gas pore", "2011", (body,), part, None, group)


def gas_pore(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Single pore, median 1.0 mm; `length_mm` is its diameter, `width_mm` of a flattened one, `height_mm` along the wall."""
    station = draw_station(part, site, rng)
    diameter = part.length_mm or draw_size(rng, 1.0, 0.45, 0.3, 0.6 * site.weld.wall_mm)
    if part.width_mm is not None:
        a, b, c = 0.5 * diameter, 0.5 * part.width_mm, 0.5 * (part.height_mm or part.width_mm)
        d = draw_depth(part, site, rng, c)
        y = draw_across(part, site, rng, station, d, b)
        return (Flaw("gas pore", "2011", (body_at(ellipsoid(a, b, c), station, y, d, site, (a, b, c), part.angle_deg or 0.0),), part),)
    return (_pore(part, site, rng, station, None, diameter),)


def uniform_porosity(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Pores of median 0.6 mm over `length_mm` (30) of weld, about one per 2 mm."""
    length = part.length_mm or draw_size(rng, 30, 0.3, 12, 0.8 * (site.to_mm - site.from_mm))
    middle = draw_station(part, site, rng, length)
    n = part.count or max(int(length / 2.0), 4)
    tag = GroupTag(f"porosity {middle:.1f}", "cluster", "uniformly distributed porosity", "2012")
    return tuple(
        _pore(
            part.model_copy(update={"length_mm": None}),
            site,
            rng,
            middle + float(rng.uniform(-0.5, 0.5)) * length,
            None,
            draw_size(rng, 0.6, 0.35, 0.25, 0.4 * site.weld.wall_mm),
            tag,
        )
        for _ in range(n)
    )


def cluster(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Tight group, median diameter of the group 8 mm, pores of median 0.7 mm, often at a stop."""
    length = part.length_mm or draw_size(rng, 8, 0.35, 3, 20)
    middle = draw_station(part, site, rng, length)
    n = part.count or int(np.clip(rng.poisson(7), 3, 25))
    depth = draw_depth(part, site, rng, 0.8)
    y = draw_across(part, site, rng, middle, depth, 1.5)
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
                draw_size(rng, 0.7, 0.4, 0.25, 2.5),
                tag,
                spot,
            )
        )
    return tuple(out)


def linear_porosity(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """A row along the root or a groove face, median length 20 mm, pores of median 0.6 mm about 2.5 mm apart."""
    length = part.length_mm or draw_size(rng, 20, 0.35, 8, 80)
    middle = draw_station(part, site, rng, length)
    n = part.count or max(int(length / 2.5), 4)
    depth = (
        part.depth_mm
        if part.depth_mm is not None
        else (site.weld.wall_mm - 1.0 if rng.random() < 0.6 else float(rng.uniform(1, site.weld.wall_mm - 1)))
    )
    y = (
        part.across_mm
        if part.across_mm is not None
        else (
            0.5 * (site.bevel(depth, "left") + site.bevel(depth, "right"))
            if depth > site.weld.wall_mm - 2
            else site.bevel(depth, draw_side(part, rng))
        )
    )
    tag = GroupTag(f"row {middle:.1f}", "aligned", "linear porosity", "2014")
    places = middle + (np.arange(n) / max(n - 1, 1) - 0.5) * length + rng.normal(0, 0.3, n)
    return tuple(
        _pore(
            part.model_copy(update={"length_mm": None}),
            site,
            rng,
            float(s),
            float(site.centre(s)) + y + float(rng.normal(0, 0.12)),
            draw_size(rng, 0.6, 0.3, 0.25, 1.8),
            tag,
            depth,
        )
        for s in places
    )


def elongated_cavity(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Long smooth void along the weld, median 6 x 1.2 mm."""
    length = part.length_mm or draw_size(rng, 6, 0.4, 2.5, 30)
    width = part.width_mm or draw_size(rng, 1.2, 0.25, 0.5, 0.35 * length)
    station, xi = line_place(part, site, rng, length)
    depth = draw_depth(part, site, rng, 0.5 * width)
    shape = tapered(xi, 0.5) * (1 + 0.08 * wander(xi, 3, rng))
    path = Path(0.5 * length, 0.06 * width * wander(xi, 4, rng), width * shape, (part.height_mm or 0.9 * width) * shape)
    y = draw_across(part, site, rng, station, depth, 0.5 * width)
    return (
        Flaw(
            "elongated cavity",
            "2015",
            (body_at(tube(path), station, y, depth, site, (0.5 * length, width, width), part.angle_deg or 0.0),),
            part,
        ),
    )


def worm_hole(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Tapered tubes that lean to the weld's middle (herring-bone), median 3.5 x 0.9 mm; `count` of them."""
    n = part.count or int(rng.integers(1, 5))
    middle = draw_station(part, site, rng, 4.0 * n)
    tag = GroupTag(f"worm-holes {middle:.1f}", "cluster", "worm-hole", "2016") if n > 1 else None
    out = []
    for k in range(n):
        length, width = part.length_mm or draw_size(rng, 3.5, 0.3, 1.5, 8), part.width_mm or draw_size(rng, 0.9, 0.25, 0.4, 2)
        xi = path_grid(length)
        swell = tapered(xi, 0.3) * np.linspace(0.55, 1.0, xi.size)
        path = Path(0.5 * length, 0.1 * wander(xi, 2, rng), width * swell, width * swell)
        side = -1.0 if rng.random() < 0.5 else 1.0
        station = middle + 3.0 * (k - 0.5 * (n - 1)) + float(rng.normal(0, 0.5))
        depth = draw_depth(part, site, rng, 0.5 * width)
        y = float(site.centre(station)) + (part.across_mm if part.across_mm is not None else side * 0.3 * length)
        angle = part.angle_deg if part.angle_deg is not None else side * float(rng.uniform(40, 75))
        out.append(
            Flaw("worm-hole", "2016", (body_at(tube(path), station, y, depth, site, (0.5 * length, width, width), angle),), part, None, tag)
        )
    return tuple(out)


def hollow_bead(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Long void in the root bead, median 40 x 1.3 mm, soft."""
    length = part.length_mm or draw_size(rng, 40, 0.4, 13, 0.8 * (site.to_mm - site.from_mm))
    width = part.width_mm or draw_size(rng, 1.3, 0.2, 0.6, 2.5)
    station, xi = line_place(part, site, rng, length)
    depth = part.depth_mm if part.depth_mm is not None else site.weld.wall_mm - 0.2
    shape = tapered(xi, 0.1) * np.clip(1 + 0.2 * wander(xi, 6, rng), 0.4, 1.6)
    path = follow_root(
        Path(0.5 * length, 0.08 * wander(xi, 8, rng), width * shape, (part.height_mm or 0.7 * width) * shape), site, station, xi
    )
    y = float(site.root(station)) + (part.across_mm or 0.0)
    return (Flaw("hollow bead", "2015", (body_at(tube(path), station, y, depth, site, (0.5 * length, 2 * width + 2, width)),), part),)


def crater_pipe(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Shrinkage hole at the end of a run: a pore of median 1.2 mm with a tail along the weld, open to the cap."""
    size = part.length_mm or draw_size(rng, 2.4, 0.3, 1.0, 5)
    station = draw_station(part, site, rng)
    width = part.width_mm or 0.5 * size
    height = part.height_mm or min(1.6 * width, 0.5 * site.weld.wall_mm)
    y = float(site.centre(station)) + (part.across_mm if part.across_mm is not None else float(rng.normal(0, 0.8)))
    xi = path_grid(size)
    swell = np.clip(1.0 - ((xi + 0.25 * size) / (0.75 * size)) ** 2, 0, 1) ** 0.5 * tapered(xi, 0.25)
    path = Path(0.5 * size, 0.05 * wander(xi, 2, rng), width * swell, height * swell)
    body = body_at(tube(path), station, y, part.depth_mm or 0.5 * height, site, (0.5 * size, width, height))
    return (Flaw("crater pipe", "2024", (body,), part, "external"),)
