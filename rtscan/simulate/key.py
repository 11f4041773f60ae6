"""The answer key: true places and sizes of what is on a film, before blur, in the terms of the worksheet."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from rtscan.film import F32, F64
from rtscan.findings import Box, FilmFacts, Group, Indication, ObjectMark, Point, Side, Wall, WeldArc, WeldFacts
from rtscan.imperfections import by_term
from rtscan.knowledge.ellipse import COVERED_SINE
from rtscan.simulate.beam import inherent_unsharpness_mm
from rtscan.simulate.geometry import WallFrame, downstream_is_positive_across
from rtscan.simulate.groove import cap_width_mm
from rtscan.simulate.render import Exposed, SeenFlaw
from rtscan.simulate.visibility import calipers, contrast_of, outline_of

SCHEMA = "rtscan/key/1"


@dataclass(frozen=True)
class KeyIndication:
    """An indication with its true values. `recipe` is the recipe line it came from (0 is the first); `visible_contrast` the density
    difference left after all blur; `detectability` the signal-to-noise of the ideal observer in the film's own noise."""

    indication: Indication
    recipe: int
    visible_contrast: float
    detectability: float
    true_outline_px: tuple[Point, ...]


@dataclass(frozen=True)
class Key:
    """The key of one film."""

    film: FilmFacts
    weld: WeldFacts
    indications: tuple[KeyIndication, ...]
    groups: tuple[Group, ...]
    objects: tuple[ObjectMark, ...]
    density_weld: float
    density_parent: float
    unsharpness_mm: float


def make_key(exposed: Exposed, facts: FilmFacts) -> Key:
    """The key of an exposed film; `facts` as of the file that holds it."""
    found, number = [], 1
    for seen in exposed.flaws:
        item = _indication(number, seen, exposed)
        if item is not None:
            found.append((item, seen))
            number += 1
    items, groups = _groups(found)
    weld, parent = _densities(exposed)
    return Key(facts, weld_facts(exposed), items, groups, exposed.marks, weld, parent, _unsharpness(exposed))


def _indication(number: int, seen: SeenFlaw, exposed: Exposed) -> KeyIndication | None:
    lines, mask, over = outline_of(seen)
    if not lines or not _on_film(lines, exposed):
        return None
    body = seen.flaw.bodies[0]
    frame = exposed.geometry.frame(body.wall)
    hull = cv2.convexHull(np.concatenate(lines).astype(np.float32))[:, 0, :].astype(np.float64)
    flat = _unrolled(hull, exposed, frame, body.depth)
    contrast, visible, detectability = contrast_of(seen, exposed)
    outline = _points(lines[0] if len(lines) == 1 else hull)
    px = 0.5 * (hull.min(axis=0) + hull.max(axis=0))
    named = by_term(seen.flaw.type)
    indication = Indication(
        id=number,
        tone="dark" if float(seen.sharp.sum()) < 0 else "bright",
        type=seen.flaw.type,
        iso6520=named.iso6520 if named else seen.flaw.iso6520,
        confidence=1.0,
        why="drawn by the recipe",
        bbox_px=_box(hull),
        outline_px=outline,
        centre_px=(round(float(px[0]), 2), round(float(px[1]), 2)),
        contrast=round(contrast, 4),
        signal_to_noise=round(detectability, 2),
        height_mm=round(max(float(p.fine.max()) for p in seen.patches), 3),
        depth_mm=round(body.depth, 3),
        surface=seen.flaw.surface,
        mismatch=exposed.recipe.weld.mismatch_mm != 0 if seen.flaw.iso6520.startswith("402") else None,
        darker_than_parent=_darker(seen, exposed),
        group=seen.flaw.group.label if seen.flaw.group else None,
    )
    sized = _with_sizes(indication, flat, mask, over, exposed)
    return KeyIndication(_with_place(sized, flat, exposed, frame), seen.recipe_line, round(visible, 4), round(detectability, 2), outline)


def _with_sizes(indication: Indication, flat: F64, mask: F32, over: int, exposed: Exposed) -> Indication:
    """Calipers, greatest circle and area of the true outline."""
    ppm = exposed.raster.pixels_per_mm
    length, width, angle = calipers(flat, 1.0 / (over * ppm))
    padded = cv2.copyMakeBorder(mask, 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=0)
    local = (2.0 * float(cv2.distanceTransform(padded, cv2.DIST_L2, cv2.DIST_MASK_PRECISE).max()) - 1.0) / (over * ppm)
    return replace(
        indication,
        angle_deg=round(angle, 1),
        length_mm=round(length, 3),
        width_mm=round(width, 3),
        local_width_mm=round(min(local, width), 3),
        area_mm2=round(float(mask.sum()) / (over * ppm) ** 2, 4),
        length_px=round(length * ppm, 2),
        width_px=round(width * ppm, 2),
    )


def _with_place(indication: Indication, flat: F64, exposed: Exposed, frame: WallFrame) -> Indication:
    """Station, offset, side, wall and clock of the middle of the outline."""
    middle = 0.5 * (flat.min(axis=0) + flat.max(axis=0))
    station = exposed.geometry.wrapped(float(middle[0]))
    across = _across(float(middle[0]), float(middle[1]), exposed, frame)
    return replace(
        indication,
        along_mm=round(station, 3),
        across_mm=round(across, 3),
        side=_side(across, exposed, frame),
        wall=_wall(exposed, frame),
        clock=_clock(station, exposed),
        note=_note(float(middle[0]), exposed, frame),
    )


def _on_film(lines: list[F64], exposed: Exposed) -> bool:
    border = 0.6 * exposed.recipe.film.border_mm * exposed.raster.pixels_per_mm
    points = np.concatenate(lines)
    inside = (points[:, 0] > border) & (points[:, 0] < exposed.raster.width - 1 - border)
    inside &= (points[:, 1] > border) & (points[:, 1] < exposed.raster.height - 1 - border)
    return bool(inside.any())


def _points(points: F64) -> tuple[Point, ...]:
    step = max(points.shape[0] // 400, 1)
    return tuple((round(float(x), 2), round(float(y), 2)) for x, y in points[::step])


def _box(points: F64) -> Box:
    low, high = points.min(axis=0), points.max(axis=0)
    return round(float(low[0]), 2), round(float(low[1]), 2), round(float(high[0]), 2), round(float(high[1]), 2)


def _unrolled(points: F64, exposed: Exposed, frame: WallFrame, depth: float) -> F64:
    """(station, z' ) of film points for one wall: station exact at the depth; z' is film mm across, growing with `across`.

    On double-image films the first is arc length, as the contract asks; otherwise film mm measured from the middle of the points, so that
    sizes are as projected, moved to the true station.
    """
    geometry, raster = exposed.geometry, exposed.raster
    c, z = raster.to_mm(points[:, 0], points[:, 1])
    reach = 0.6 * max(raster.width, raster.height) / raster.pixels_per_mm
    if geometry.around_mm is not None:
        reach = min(reach, 0.249 * geometry.around_mm)
    stations = np.linspace(frame.middle - reach, frame.middle + reach, 4001)
    at, _ = geometry.project(stations, 0.0, depth, frame.wall)
    order = np.argsort(at)
    s = np.interp(c, at[order], stations[order])
    if not exposed.recipe.exposure.technique.startswith("DWDI"):
        middle = 0.5 * (c.min() + c.max())
        s = float(np.interp(middle, at[order], stations[order])) + frame.sense * (c - middle)
    return np.column_stack([s, frame.sense * z])


def _across(station: float, z: float, exposed: Exposed, frame: WallFrame) -> float:
    """Across (mm, from the centreline) of a point whose film z (times sense) is known; by the outside surface."""
    spots = [float(exposed.geometry.project(station, a, 0.0, frame.wall)[1]) * frame.sense for a in (0.0, 1.0)]
    relief = exposed.reliefs[frame.wall]
    return (z - spots[0]) / (spots[1] - spots[0]) - float(np.interp(station, relief.along, relief.centre))


def _darker(seen: SeenFlaw, exposed: Exposed) -> bool | None:
    """Whether less metal is met at the deepest point of a root or toe hollow than in the parent wall; None for other kinds."""
    if seen.flaw.iso6520 not in ("515", "510", "511", "5011", "5012", "5013", "4021"):
        return None
    row, column = np.unravel_index(int(np.argmin(seen.blurred)), seen.blurred.shape)
    y, x = int(np.clip(row + seen.y0, 0, exposed.raster.height - 1)), int(np.clip(column + seen.x0, 0, exposed.raster.width - 1))
    return bool(exposed.thickness[y, x] < exposed.parent_mm[y, x])


def _side(across: float, exposed: Exposed, frame: WallFrame) -> Side | None:
    if exposed.recipe.location.downstream_is is None or abs(across) < 1e-9:
        return None
    downstream = downstream_is_positive_across(exposed.recipe, frame.sense) == (across > 0)
    return "downstream" if downstream else "upstream"


def _wall(exposed: Exposed, frame: WallFrame) -> Wall | None:
    technique = exposed.recipe.exposure.technique
    return frame.wall if technique.startswith("DWDI") else None


def _clock(station: float, exposed: Exposed) -> str | None:
    datum, weld = exposed.recipe.location.datum_clock, exposed.recipe.weld
    if datum is None or weld.od_mm is None:
        return None
    hours, _, minutes = datum.partition(":")
    turn = station / (np.pi * weld.od_mm) * 720.0 * (-1 if exposed.recipe.location.direction == "anticlockwise" else 1)
    total = round((int(hours) % 12) * 60 + int(minutes or 0) + turn) % 720
    return f"{total // 60 or 12}:{total % 60:02d}"


def _note(station: float, exposed: Exposed, frame: WallFrame) -> str:
    if not exposed.recipe.exposure.technique.startswith("DWDI"):
        return ""
    theta = (station - frame.middle) / (0.5 * (exposed.recipe.weld.od_mm or 1.0))
    return "" if abs(np.sin(theta)) <= COVERED_SINE else "outside the covered part of the weld"


def _groups(found: list[tuple[KeyIndication, SeenFlaw]]) -> tuple[tuple[KeyIndication, ...], tuple[Group, ...]]:
    """Gives the groups their names G1, G2 ... and sizes; groups of one are dropped."""
    members: dict[str, list[int]] = {}
    for k, (_, seen) in enumerate(found):
        if seen.flaw.group is not None:
            members.setdefault(seen.flaw.group.label, []).append(k)
    items = [replace(item, indication=replace(item.indication, group=None)) for item, _ in found]
    groups: list[Group] = []
    for rows in members.values():
        if len(rows) < 2:
            continue
        name, tag = f"G{len(groups) + 1}", found[rows[0]][1].flaw.group
        assert tag is not None
        for k in rows:
            items[k] = replace(items[k], indication=replace(items[k].indication, group=name))
        parts = [items[k].indication for k in rows]
        ends = [
            (p.along_mm or 0.0) + sign * 0.5 * (p.length_mm or 0.0) * abs(np.cos(np.deg2rad(p.angle_deg or 0.0)))
            for p in parts
            for sign in (-1, 1)
        ]
        spots = np.asarray([(p.along_mm or 0.0, p.across_mm or 0.0) for p in parts], dtype=np.float32)
        _, radius = cv2.minEnclosingCircle(spots)
        groups.append(
            Group(
                name,
                tag.kind,
                tag.type,
                tag.iso6520,
                tuple(p.id for p in parts),
                round(sum(p.length_mm or 0.0 for p in parts), 3),
                round(max(ends) - min(ends), 3),
                round(2 * float(radius) + float(np.mean([p.length_mm or 0.0 for p in parts])), 3),
            )
        )
    return tuple(items), tuple(groups)


def weld_facts(exposed: Exposed) -> WeldFacts:
    """The weld with its true centreline and cap edges on the film."""
    weld, geometry = exposed.recipe.weld, exposed.geometry
    arcs = []
    for frame in geometry.frames:
        if exposed.recipe.exposure.technique == "DWSI" and frame.wall == "source":
            continue
        arcs.append(_arc(exposed, frame))
    length = geometry.around_mm
    return WeldFacts(
        weld.name,
        round(length, 3) if length else None,
        round(cap_width_mm(weld), 2),
        tuple(arcs),
        weld.wall_mm,
        weld.od_mm,
        weld.joint or ("girth" if weld.od_mm else "plate"),
    )


def _arc(exposed: Exposed, frame: WallFrame) -> WeldArc:
    relief, geometry, raster = exposed.reliefs[frame.wall], exposed.geometry, exposed.raster
    stations = np.arange(relief.along[0], relief.along[-1], 1.0)
    if geometry.around_mm is not None and exposed.recipe.exposure.technique.startswith("DWDI"):
        limit = float(np.arcsin(0.9)) * 0.5 * (exposed.recipe.weld.od_mm or 0.0)
        stations = stations[np.abs(stations - frame.middle) <= limit]
    lines = []
    for row in (relief.centre, relief.left, relief.right):
        x, y = raster.to_px(*geometry.project(stations, np.interp(stations, relief.along, row), 0.0, frame.wall))
        lines.append(np.column_stack([x, y]))
    edge = exposed.recipe.film.border_mm * raster.pixels_per_mm
    middle = lines[0]
    seen = (
        (middle[:, 0] >= edge)
        & (middle[:, 0] <= raster.width - 1 - edge)
        & (middle[:, 1] >= edge)
        & (middle[:, 1] <= raster.height - 1 - edge)
    )
    shown = stations[seen]
    wall = frame.wall if exposed.recipe.exposure.technique.startswith("DWDI") else None
    points = [tuple((round(float(x), 2), round(float(y), 2)) for x, y in line[seen][::2]) for line in lines]
    first, last = (float(shown[0]), float(shown[-1])) if shown.size else (0.0, 0.0)
    return WeldArc(wall, points[0], points[1], points[2], round(first, 2), round(last, 2))


def _densities(exposed: Exposed) -> tuple[float, float]:
    """Total density along the middle of the weld and beside it, medians."""
    values = []
    frame, half = exposed.geometry.frames[0], 0.5 * cap_width_mm(exposed.recipe.weld) + 4.0
    arc = _arc(exposed, frame)
    for across in (0.0, half):
        stations = np.linspace(arc.station_from_mm or 0.0, arc.station_to_mm or 0.0, 200)
        x, y = exposed.raster.to_px(*exposed.geometry.project(stations, across, 0.0, frame.wall))
        ok = (x >= 0) & (x < exposed.raster.width) & (y >= 0) & (y < exposed.raster.height)
        dose = exposed.dose[y[ok].astype(int), x[ok].astype(int)] if ok.any() else np.asarray([0.0])
        values.append(float(np.median(exposed.law.net_density(dose * exposed.exposure))) + exposed.fog)
    return round(values[0], 3), round(values[1], 3)


def _unsharpness(exposed: Exposed) -> float:
    """Total unsharpness at the cap: geometric and inherent in quadrature."""
    recipe = exposed.recipe
    tau = next(s.tau for s in exposed.geometry.surfaces if s.side == "external")
    height = (1.0 - float(np.nanmedian(tau))) * exposed.geometry.source_to_film
    geometric = recipe.exposure.focal_mm * height / (exposed.geometry.source_to_film - height)
    return round(float(np.hypot(geometric, inherent_unsharpness_mm(recipe.exposure))), 4)
