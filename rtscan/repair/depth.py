"""Depth of an indication from two exposures between which the source moved along the weld; flat film.

A source `source_to_film_mm` = t above the film moves by a along the growing station. The image of a point at height z above
the film moves by -a z / (t - z). Stations are read from a marker at known height, so what is seen is the difference of two
such movements. For a marker on the film this is d = b t / (a + b) of the public radiography handbooks; for a distant source
and a marker on the source side of a thickness T it becomes d = T (shift of the flaw) / (shift of the marker).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

from rtscan.errors import ListError
from rtscan.findings import Indication, Worksheet
from rtscan.lengths import size_text
from rtscan.repair.places import is_girth, weld_length_mm
from rtscan.repair_records import Depth

Surface = Literal["film", "source"]


@dataclass(frozen=True)
class DepthSettings:
    """Doubts, all expanded (k = 2), and how alike two images of one indication must be.

    Common practice, no published source: a lead marker is placed to 0.3 mm, a shift taped to 1 mm or 1 %, a source-to-film
    distance to 1 %, the gap to the film to 1 mm.
    """

    marker_u_mm: float = 0.3
    middle_u_mm: float = 0.5
    shift_u_mm: float = 1.0
    shift_u_share: float = 0.01
    source_to_film_u_share: float = 0.01
    gap_mm: float = 1.5
    gap_u_mm: float = 1.0
    window_mm: float = 2.0
    across_mm: float = 0.7
    size_ratio: float = 1.25
    sure_by: float = 2.0
    most_unlike: float = 12.0


@dataclass(frozen=True)
class Exposures:
    """What is known of the two exposures. `shift_mm` is positive when the source moved with the growing station; `gap_mm` lies
    between the film side of the wall and the film."""

    shift_mm: float
    source_to_film_mm: float
    marker: Surface
    wall_mm: float | None
    gap_mm: float
    outside_is: Surface | None

    @property
    def marker_height_mm(self) -> float:
        """Height of the marker above the film."""
        return self.gap_mm + (self.wall_mm or 0.0 if self.marker == "source" else 0.0)


@dataclass(frozen=True)
class Depths:
    """Depths found, in the order of the stations on the first film, and one sentence for each indication without one."""

    depths: tuple[Depth, ...]
    not_found: tuple[str, ...]


def height_above_film_mm(shift_mm: float, source_to_film_mm: float, image_shift_mm: float, marker_height_mm: float = 0.0) -> float:
    """Height of a point above the film from its image shift against a marker at `marker_height_mm`.

    All in mm; the image shift is positive with the growing station, so against a marker on the film it is opposite to the shift.
    """
    ratio = marker_height_mm / (source_to_film_mm - marker_height_mm) - image_shift_mm / shift_mm
    return source_to_film_mm * ratio / (1 + ratio)


def image_shift_mm(shift_mm: float, source_to_film_mm: float, height_mm: float, marker_height_mm: float = 0.0) -> float:
    """The inverse of `height_above_film_mm`."""
    point, marker = (z / (source_to_film_mm - z) for z in (height_mm, marker_height_mm))
    return -shift_mm * (point - marker)


def measure_depths(
    first: Worksheet, second: Worksheet, shift_mm: float, source_to_film_mm: float, marker: Surface,
    outside_is: Surface | None = None, settings: DepthSettings = DepthSettings(), file: str = "second worksheet",
) -> Depths:
    """Depths of the indications of `first` that are found again on `second`.

    `outside_is` names the side of the wall that is the outside of the pipe; None takes it from the technique. Raises ListError naming
    `file`.
    """
    exposures = _exposures(first, second, shift_mm, source_to_film_mm, marker, outside_is, settings, file)
    round_mm = weld_length_mm(first.weld) if is_girth(first.weld) else None
    found: list[Depth] = []
    lost: list[str] = []
    for one in sorted((i for i in first.indications if i.along_mm is not None), key=lambda i: (i.along_mm or 0.0, i.id)):
        fits = sorted(
            ((cost, other.id, other) for other in second.indications
             if (cost := _unlike(one, other, exposures, round_mm, settings)) <= settings.most_unlike),
            key=lambda fit: fit[:2],
        )
        if not fits:
            lost.append(f"No. {one.id} {one.type}: not found on the second film where the shift would put it")
        elif len(fits) > 1 and fits[1][0] - fits[0][0] < settings.sure_by:
            lost.append(f"No. {one.id} {one.type}: more than one mark of the second film fits (No. {fits[0][1]} and No. {fits[1][1]})")
        else:
            found.append(_depth(one, fits[0][2], exposures, round_mm, settings))
    partners = [d.partner for d in found]
    twice = [d for d in found if partners.count(d.partner) > 1]
    lost += [f"No. {d.indication}: shares No. {d.partner} of the second film with another mark" for d in twice]
    return Depths(tuple(d for d in found if d not in twice), tuple(lost))


def with_depths(worksheet: Worksheet, depths: Depths) -> Worksheet:
    """The worksheet with `depth_mm` and its doubt filled in where a depth from the outside was found."""
    by_id = {d.indication: d for d in depths.depths if d.depth_mm is not None}
    indications = tuple(
        replace(i, depth_mm=by_id[i.id].depth_mm, depth_u_mm=by_id[i.id].depth_u_mm) if i.id in by_id else i for i in worksheet.indications
    )
    return replace(worksheet, indications=indications)


def _exposures(
    first: Worksheet, second: Worksheet, shift_mm: float, source_to_film_mm: float, marker: Surface, outside_is: Surface | None,
    settings: DepthSettings, file: str,
) -> Exposures:
    if first.weld.name != second.weld.name:
        names = [w.weld.name or "(no name)" for w in (second, first)]
        raise ListError(file, f"is of weld {names[0]}, the first of {names[1]}; give two films of one weld")
    wall = first.weld.wall_mm
    problems = []
    if not (math.isfinite(shift_mm) and math.isfinite(source_to_film_mm)):
        raise ListError(file, "shift and source-to-film distance must be lengths in mm; check --shift-mm and --source-to-film-mm")
    if shift_mm == 0:
        problems.append("the source has to move between the exposures; give --shift-mm")
    if source_to_film_mm <= (wall or 0.0) + settings.gap_mm:
        problems.append("the source would be inside the wall; check --source-to-film-mm")
    if marker == "source" and wall is None:
        problems.append("the wall is needed for a marker on the source side; give wall_mm in the job sheet")
    techniques = {w.exposure.technique or "" for w in (first, second)}
    if any(t.startswith("DWDI") for t in techniques):
        problems.append("double-image films have two walls in one picture; the flat-film formula does not hold for them")
    if problems:
        raise ListError(file, problems)
    gap = first.exposure.object_to_film_mm if first.exposure.object_to_film_mm is not None else settings.gap_mm
    if outside_is is None and first.exposure.technique in ("DWSI", "panoramic"):
        outside_is = "film"
    return Exposures(shift_mm, source_to_film_mm, marker, wall, gap, outside_is)


def _along_shift(one: Indication, other: Indication, round_mm: float | None) -> float:
    shift = (other.along_mm or 0.0) - (one.along_mm or 0.0)
    return (shift + round_mm / 2) % round_mm - round_mm / 2 if round_mm else shift


def _unlike(one: Indication, other: Indication, exposures: Exposures, round_mm: float | None, settings: DepthSettings) -> float:
    """How badly two images fit together, in squared doubts; infinite when they cannot be one indication."""
    if other.along_mm is None or one.tone != other.tone:
        return math.inf
    far = exposures.gap_mm + (exposures.wall_mm if exposures.wall_mm is not None else exposures.source_to_film_mm / 4)
    limits = [
        image_shift_mm(exposures.shift_mm, exposures.source_to_film_mm, z, exposures.marker_height_mm) for z in (exposures.gap_mm, far)
    ]
    shift = _along_shift(one, other, round_mm)
    if not min(limits) - settings.window_mm <= shift <= max(limits) + settings.window_mm:
        return math.inf
    cost = 0.0
    if one.across_mm is not None and other.across_mm is not None:
        cost += ((one.across_mm - other.across_mm) / settings.across_mm) ** 2
    for a, b in ((one.length_mm, other.length_mm), (one.width_mm, other.width_mm)):
        if a and b:
            cost += (math.log(a / b) / math.log(settings.size_ratio)) ** 2
    return cost


def _depth(one: Indication, other: Indication, exposures: Exposures, round_mm: float | None, settings: DepthSettings) -> Depth:
    shift = _along_shift(one, other, round_mm)
    middles = [(i.length_u_mm / 2 if i.length_u_mm is not None else settings.middle_u_mm) for i in (one, other)]
    shift_u = math.hypot(*middles, math.sqrt(2) * settings.marker_u_mm)
    below = _below_marker(shift, exposures)
    doubt = _doubt(shift, shift_u, exposures, settings)
    wall = exposures.wall_mm
    if exposures.marker == "film":
        film, source = below, wall - below if wall is not None else None
    else:
        film, source = (wall or 0.0) - below, below
    outside = {"film": film, "source": source, None: None}[exposures.outside_is]
    return Depth(one.id, other.id, shift, shift_u, film, source, outside, doubt, _says(film, doubt, exposures))


def _below_marker(shift_mm: float, exposures: Exposures) -> float:
    """Distance into the wall from the surface that carries the marker."""
    height = height_above_film_mm(exposures.shift_mm, exposures.source_to_film_mm, shift_mm, exposures.marker_height_mm)
    return height - exposures.marker_height_mm if exposures.marker == "film" else exposures.marker_height_mm - height


def _doubt(shift_mm: float, shift_u_mm: float, exposures: Exposures, settings: DepthSettings) -> float:
    """Expanded uncertainty (k = 2) of the depth: each input moved by its own doubt, the effects added in quadrature."""
    source_u = max(settings.shift_u_mm, settings.shift_u_share * abs(exposures.shift_mm))
    distance_u = settings.source_to_film_u_share * exposures.source_to_film_mm
    tries: list[Callable[[int], float]] = [
        lambda sign: _below_marker(shift_mm + sign * shift_u_mm, exposures),
        lambda sign: _below_marker(shift_mm, replace(exposures, shift_mm=exposures.shift_mm + sign * source_u)),
        lambda sign: _below_marker(shift_mm, replace(exposures, source_to_film_mm=exposures.source_to_film_mm + sign * distance_u)),
        lambda sign: _below_marker(shift_mm, replace(exposures, gap_mm=exposures.gap_mm + sign * settings.gap_u_mm)),
    ]
    return math.hypot(*((at(1) - at(-1)) / 2 for at in tries))


def _says(from_film_mm: float, doubt_mm: float, exposures: Exposures) -> str:
    wall = exposures.wall_mm
    if from_film_mm < -doubt_mm or (wall is not None and from_film_mm > wall + doubt_mm):
        return "lies outside the wall: check which film is the first, the sign of the shift, and the side of the marker"
    if wall is None:
        return f"{size_text(from_film_mm, 'mm')} from the film side"
    if doubt_mm > wall / 2:
        return "too uncertain to tell the side; move the source farther"
    half = wall / 2
    near = "film" if from_film_mm + doubt_mm < half else "source" if from_film_mm - doubt_mm > half else ""
    return f"nearer the {near} side" if near else "about the middle of the wall, or not sure"
