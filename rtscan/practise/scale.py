"""The grading scale: points per answer, tolerances, what fails a film. Data in grading.toml."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from pydantic import Field

from rtscan.findings import VerdictWord
from rtscan.practise.settings import Settings, load_settings

DEFAULT_FILE = Path(__file__).with_name("grading.toml")


class Points(Settings):
    """Points per answer."""

    markers: float = Field(ge=0)
    film_fit: float = Field(ge=0)
    why: float = Field(ge=0)
    wire: float = Field(ge=0)
    see: float = Field(ge=0)
    name: float = Field(ge=0)
    size: float = Field(ge=0)
    verdict: float = Field(ge=0)
    rule: float = Field(ge=0)
    false_call: float = Field(le=0)


class OtherAnswers(Settings):
    """Points of "too small to call" and "cannot tell, second shot", instead of those for seeing."""

    too_small_right: float
    too_small_wrong: float
    too_small_nothing: float
    second_shot_on_mark: float
    second_shot_on_target: float
    second_shot_nothing: float


class SizeRule(Settings):
    """A length off by no more than the larger of the two is right."""

    tolerance_mm: float = Field(ge=0)
    tolerance_share: float = Field(ge=0)


class WireRule(Settings):
    """Share of the points for the neighbouring wire."""

    one_off: float = Field(ge=0, le=1)


class FatalRule(Settings):
    """Families of which no rejectable one may be missed."""

    families: tuple[str, ...]


class Grading(Settings):
    """The whole scale; `verdict[truth][answer]` is a share of the points."""

    pass_share: float = Field(ge=0, le=1)
    points: Points
    other_answers: OtherAnswers
    size: SizeRule
    wire: WireRule
    fatal: FatalRule
    verdict: dict[VerdictWord, dict[VerdictWord, float]]


@cache
def load_grading(path: Path = DEFAULT_FILE) -> Grading:
    """Reads the scale. Raises ListError naming every mistake."""
    return load_settings(path, Grading, "grading scale")
