"""The matching rule. Data in matching.toml."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from pydantic import Field

from rtscan.practise.settings import Settings, load_settings

DEFAULT_FILE = Path(__file__).with_name("matching.toml")


class Matching(Settings):
    """How marks are paired with the truth; every length in mm. See matching.toml."""

    grow_along_mm: float = Field(ge=0)
    grow_across_mm: float = Field(ge=0)
    longest_mark_times: float = Field(ge=1)
    longest_mark_plus_mm: float = Field(ge=0)
    group_share: float = Field(gt=0, le=1)
    group_numbers: tuple[str, ...]
    grading_unit_mm: float = Field(gt=0)
    least_detectability: float = Field(ge=0)


@cache
def load_matching(path: Path = DEFAULT_FILE) -> Matching:
    """Reads the rule. Raises ListError naming every mistake."""
    return load_settings(path, Matching, "matching rule")
