"""Toes, cap and plate: undercut, underfill, missed bevel edge, spatter, arc strike, grinding, excess cap, misalignment.

Each function makes the flaws of one recipe line; see site.py."""

from __future__ import annotations

import numpy as np

from rtscan.film import F64
from rtscan.simulate.recipe import ImperfectionPart
from rtscan.simulate.runs import fill_runs
from rtscan.simulate.shapes import Chord, Path, eased, hollow, path_grid, ragged, tapered, wander
from rtscan.simulate.site import Flaw, Site, body_at, draw_side, draw_size, draw_station, line_place


def _undercut(
    part: ImperfectionPart, site: Site, rng: np.random.Generator, term: str, number: str, patchy: float, median: float
) -> tuple[Flaw, ...]:
    length = part.length_mm or draw_size(rng, median, 0.45, 5, 0.9 * (site.to_mm - site.from_mm))
    height, width = (
        part.height_mm or draw_size(rng, 0.45, 0.35, 0.15, 0.25 * site.weld.wall_mm),
        part.width_mm or draw_size(rng, 1.1, 0.25, 0.5, 2.5),
    )
    station, xi = line_place(part, site, rng, length)
    side, internal = draw_side(part, rng), part.surface == "internal"
    sign = -1.0 if side == "left" else 1.0
    edge = site.root(station + xi) + sign * site.root_half(station + xi) if internal else site.toe(station + xi, side)
    centre = edge + sign * 0.32 * width
    deep = height * eased(xi, 0.35) * np.clip(1 + (0.35 + patchy) * wander(xi, 3, rng) + 0.15 * wander(xi, 0.9, rng), 0.04, 2)
    y = float(np.interp(0.0, xi, centre)) + (part.across_mm or 0.0)
    path = Path(0.5 * length, centre - y, width * np.clip(1 + 0.2 * wander(xi, 2, rng), 0.4, 1.6), deep)
    depth = site.weld.wall_mm - 0.3 * height if internal else 0.3 * height
    body = body_at(hollow(path, 1.0, -0.55 * sign), station, y, depth, site, (0.5 * length, 2 * width + 3.0, 0.5 * height))
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
        update={
            "surface": "internal",
            "length_mm": part.length_mm or draw_size(rng, 20, 0.3, 6, 60),
            "along_mm": draw_station(part, site, rng, 20),
        }
    )
    return tuple(
        _undercut(inner.model_copy(update={"side": side}), site, rng, "shrinkage groove", "5013", 0.1, 20)[0] for side in ("left", "right")
    )


def underfill(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Groove not filled: a dark band over most of the weld width, fill runs on its floor; median 30 mm, 1.2 mm deep."""
    length = part.length_mm or draw_size(rng, 30, 0.4, 8, 0.8 * (site.to_mm - site.from_mm))
    height = (part.height_mm or draw_size(rng, 1.2, 0.3, 0.4, 0.4 * site.weld.wall_mm)) + max(site.weld.cap_height_mm, 0.0)
    station, xi = line_place(part, site, rng, length)
    left, right = site.toe(station + xi, "left"), site.toe(station + xi, "right")
    y = float(0.5 * (np.interp(0, xi, left) + np.interp(0, xi, right))) + (part.across_mm or 0.0)
    width = (part.width_mm or 0.92 * float(np.mean(right - left))) * np.clip(1 + 0.05 * wander(xi, 4, rng), 0.6, 1.3)
    path = Path(0.5 * length, 0.5 * (left + right) - y, width, height * eased(xi, 0.5) * np.clip(1 + 0.1 * wander(xi, 6, rng), 0.4, 1.5))
    chord = _over_runs(hollow(path, 0.7), fill_runs(site.weld, float(width.mean())), path, site, rng)
    body = body_at(chord, station, y, 0.5, site, (0.5 * length, float(width.max()), 0.5 * height))
    return (Flaw("incompletely filled groove", "511", (body,), part, "external"),)


def _over_runs(groove: Chord, count: int, path: Path, site: Site, rng: np.random.Generator) -> Chord:
    """The empty groove less the convex runs that lie on its floor, side by side and rippled."""
    pitch, bow = max(site.weld.ripple_pitch_mm, 0.8), float(rng.uniform(0.2, 0.8))
    ripple, crown = 0.5 * min(site.weld.ripple_mm, 0.5) + 0.02, float(rng.uniform(0.2, 0.45))
    xi = path_grid(2 * path.half)
    waver, jitter = 0.06 * wander(xi, 6, rng), 0.5 * wander(xi, 9, rng)

    def chord(xi_: F64, eta: F64, kx: float, ke: float) -> F64:
        offset, width, _ = path.at(xi_)
        run = np.maximum(width, 1e-3) / count
        place = (eta - offset) / run + 0.5 * count + np.interp(xi_, xi, waver)
        q = 2.0 * (place - np.floor(place)) - 1.0
        wave = np.abs(np.sin(np.pi * ((xi_ + bow * q * q * 0.5 * run) / pitch + np.interp(xi_, xi, jitter) + 0.37 * np.floor(place))))
        empty = groove(xi_, eta, kx, ke)
        return np.asarray(np.clip(empty - np.minimum(crown * (1 - q * q) * run / 6.0 + ripple * wave, 0.6 * empty), 0.0, None))

    return chord


def missed_bevel(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """The cap misses one bevel edge: a dark strip whose outer edge is straight (the machined edge), median 25 x 1.4 mm, 1 mm deep."""
    length = part.length_mm or draw_size(rng, 25, 0.4, 6, 0.8 * (site.to_mm - site.from_mm))
    width, height = part.width_mm or draw_size(rng, 1.4, 0.25, 0.6, 3), part.height_mm or draw_size(rng, 1.0, 0.25, 0.4, 2.5)
    side = draw_side(part, rng)
    sign = -1.0 if side == "left" else 1.0
    station, xi = line_place(part, site, rng, length)
    outer = site.centre(station + xi) + site.bevel(0.0, side) + sign * 0.5
    inner = np.clip(width * tapered(xi, 0.2) * np.clip(1 + 0.25 * wander(xi, 3, rng), 0.3, 1.6), 0.0, None)
    centre = outer - sign * 0.5 * inner
    y = float(np.interp(0, xi, centre)) + (part.across_mm or 0.0)
    path = Path(0.5 * length, centre - y, inner, height * tapered(xi, 0.2))
    body = body_at(hollow(path, 0.6, 0.85 * sign), station, y, 0.4 * height, site, (0.5 * length, width + 2, 0.5 * height))
    return (Flaw("missed bevel edge", "511", (body,), part, "external"),)


def spatter(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Drops on the plate beside the cap: `count` (3) round bright spots of median 1.2 mm."""
    out, middle = [], draw_station(part, site, rng, 20)
    for _ in range(part.count or int(rng.integers(1, 6))):
        size, side = part.length_mm or draw_size(rng, 1.2, 0.35, 0.4, 4), draw_side(part, rng)
        station = middle + float(rng.normal(0, 8)) * (0 if part.along_mm is not None and part.count == 1 else 1)
        away = float(site.toe(station, side)) + (-1 if side == "left" else 1) * float(rng.uniform(0.5, 8))
        y = float(site.centre(station)) + part.across_mm if part.across_mm is not None else away
        height = part.height_mm or 0.45 * size
        chord = ragged(0.5 * size, 0.5 * size, 0.5 * height, rng, 0.05, 0.5)
        out.append(
            Flaw(
                "spatter",
                "602",
                (body_at(chord, station, y, -0.5 * height, site, (0.6 * size, 0.6 * size, height), 0.0, "carbon steel", True),),
                part,
                "external",
            )
        )
    return tuple(out)


def stray_arc(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Arc strike on the plate: a crater of median 3 mm with a raised, brighter rim."""
    size, side, station = part.length_mm or draw_size(rng, 3, 0.3, 1.2, 8), draw_side(part, rng), draw_station(part, site, rng)
    away = float(site.toe(station, side)) + (-1 if side == "left" else 1) * float(rng.uniform(3, 12))
    y = float(site.centre(station)) + part.across_mm if part.across_mm is not None else away
    height = part.height_mm or draw_size(rng, 0.4, 0.3, 0.15, 1.2)
    angle = float(rng.uniform(-90, 90))
    rim = body_at(
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
    pit = body_at(
        ragged(0.3 * size, 0.22 * size, 0.8 * height, rng, 0.25, 0.7), station, y, 0.3, site, (0.6 * size, 0.6 * size, height), angle
    )
    return (Flaw("stray arc", "601", (rim, pit), part, "external"),)


def grinding_mark(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Ground streak on cap or plate: soft dark band, median 18 x 5 mm, 0.35 mm deep."""
    length, width = part.length_mm or draw_size(rng, 18, 0.3, 6, 60), part.width_mm or draw_size(rng, 5, 0.3, 1.5, 15)
    height, station = part.height_mm or draw_size(rng, 0.35, 0.3, 0.1, 1.2), draw_station(part, site, rng, 18)
    y = float(site.centre(station)) + (part.across_mm if part.across_mm is not None else float(rng.normal(0, 6)))
    xi = path_grid(length)
    path = Path(0.5 * length, 0.1 * wander(xi, 8, rng), width * tapered(xi, 0.3), height * tapered(xi, 0.5) ** 2)
    angle = part.angle_deg if part.angle_deg is not None else float(rng.normal(0, 30))
    return (
        Flaw(
            "grinding mark",
            "604",
            (body_at(hollow(path, 1.3), station, y, 0.1, site, (0.5 * length, width + 1, 0.5 * height), float(np.clip(angle, -89, 90))),),
            part,
            "external",
        ),
    )


def excess_cap(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Cap too high over a stretch: bright, sharp at the toe, median 35 mm, 2 mm more."""
    length, height = (
        part.length_mm or draw_size(rng, 35, 0.4, 8, 0.8 * (site.to_mm - site.from_mm)),
        part.height_mm or draw_size(rng, 2.0, 0.3, 0.8, 5),
    )
    station, xi = line_place(part, site, rng, length)
    left, right = site.toe(station + xi, "left"), site.toe(station + xi, "right")
    y = float(0.5 * (np.interp(0, xi, left) + np.interp(0, xi, right)))
    path = Path(
        0.5 * length,
        0.5 * (left + right) - y,
        0.97 * (right - left),
        height * eased(xi, 0.5) * np.clip(1 + 0.1 * wander(xi, 5, rng), 0.4, 1.6),
    )
    body = body_at(
        hollow(path, 0.6), station, y, -height, site, (0.5 * length, float(np.max(right - left)), height), 0.0, "carbon steel", True
    )
    return (Flaw("excess weld metal", "502", (body,), part, "external"),)


def misalignment(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """Edges offset over a stretch: the wall path steps at the root edge and ramps back to the cap toes; median 60 mm, 1.5 mm."""
    length = part.length_mm or draw_size(rng, 60, 0.3, 20, 0.95 * (site.to_mm - site.from_mm))
    step, (station, xi) = part.height_mm or draw_size(rng, 1.5, 0.3, 0.5, 4), line_place(part, site, rng, length)
    left, right, root = site.toe(station + xi, "left"), site.toe(station + xi, "right"), site.centre(station + xi)
    y, sign, fade = float(site.centre(station)), -1.0 if draw_side(part, rng) == "left" else 1.0, eased(xi, 0.5)
    low = Path(0.5 * length, 0.5 * (left + root) - y, root - left, 0.5 * step * fade)
    high = Path(0.5 * length, 0.5 * (root + right) - y, right - root, 0.5 * step * fade)
    half = (0.5 * length, float(np.max(right - left)), 0.5)
    dark, bright = (low, high) if sign < 0 else (high, low)
    bodies = (
        body_at(hollow(dark, 0.9, -0.7 * sign), station, y, 0.5, site, half),
        body_at(hollow(bright, 0.9, 0.7 * sign), station, y, 0.5, site, half, 0.0, "carbon steel", True),
    )
    return (Flaw("linear misalignment", "507", bodies, part),)
