"""The answer key of a simulated film, as the grader uses it: true indications in mm, groups, marks of the film, what makes it unfit."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

from rtscan.findings import FilmFacts, Group, Indication, ObjectMark, Point, Quality, WeldFacts
from rtscan.record_json import from_json
from rtscan.report.weld_frame import frames, place_px


@dataclass(frozen=True)
class KeyFacts:
    """What the key says of an indication beyond the worksheet's keys.

    `detectability` is the ideal-observer signal-to-noise ratio of the blurred indication in the film's own noise;
    `visible_contrast` a density difference; `recipe` the line of the recipe it came from; `true_outline_px` the outline before blur.
    """

    id: int
    recipe: int | None = None
    visible_contrast: float | None = None
    detectability: float | None = None
    true_outline_px: tuple[Point, ...] = ()


@dataclass(frozen=True)
class AnswerKey:
    """`STEM.key.json`: the truth of one film."""

    film: FilmFacts = field(default_factory=FilmFacts)
    quality: Quality = field(default_factory=Quality)
    weld: WeldFacts = field(default_factory=WeldFacts)
    indications: tuple[Indication, ...] = ()
    groups: tuple[Group, ...] = ()
    objects: tuple[ObjectMark, ...] = ()
    facts: tuple[KeyFacts, ...] = ()

    def fact(self, id: int) -> KeyFacts:
        """What the key adds about indication `id`."""
        return next((f for f in self.facts if f.id == id), KeyFacts(id))

    def object_at(self, mark: Indication) -> str | None:
        """The kind of the smallest object (scratch, wire, letter …) within 2 mm of the middle of `mark`; None on none."""
        scale = self.film.pixels_per_mm
        point = place_px(mark, frames(self.weld, scale), self.weld.length_mm, scale)
        if point is None or scale is None:
            return None
        near = 2.0 * scale
        under = [
            (area, thing.kind) for thing in self.objects for x0, y0, x1, y1 in (thing.bbox_px,)
            if x0 - near <= point[0] <= x1 + near and y0 - near <= point[1] <= y1 + near
            for area in ((x1 - x0) * (y1 - y0),)]
        return min(under)[1] if under else None


def key_from_json(data: dict[str, Any], name: str) -> AnswerKey:
    """The key in parsed JSON; `name` stands in messages. Raises ListError."""
    key = from_json(data, AnswerKey, name)
    return replace(key, facts=from_json({"facts": data.get("indications") or []}, _Facts, name).facts)


@dataclass(frozen=True)
class _Facts:
    facts: tuple[KeyFacts, ...] = ()
