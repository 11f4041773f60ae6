"""What a practice level means. Data in levels.toml; empty `types` takes every type the simulator draws."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Annotated

from pydantic import Field

from rtscan.errors import ListError
from rtscan.practise.settings import Settings, load_settings
from rtscan.simulate.recipe import Kind

DEFAULT_FILE = Path(__file__).with_name("levels.toml")
Share = Annotated[float, Field(ge=0, le=1)]


class Level(Settings):
    """One level; see levels.toml for every key."""

    number: int = Field(ge=1, le=99)
    says: str = ""
    set_up: int = Field(ge=1, le=3)
    imperfections: tuple[int, int]
    detectability: tuple[float, float]
    smallest_mm: float = Field(ge=0)
    clean: Share
    unfit: Share
    marker_faults: Share
    pairs: Share
    confusing: Share
    nuisances: tuple[int, int]
    types: tuple[Kind, ...] = ()


class Levels(Settings):
    """All levels, and the pairs of types that are easily taken for one another."""

    confusing_pairs: tuple[tuple[Kind, Kind], ...]
    level: tuple[Level, ...]


@cache
def load_levels(path: Path = DEFAULT_FILE) -> Levels:
    """Reads the levels. Raises ListError naming every mistake."""
    return load_settings(path, Levels, "levels")


def find_level(number: int, path: Path = DEFAULT_FILE) -> Level:
    """The level of that number. Raises ListError when the file has none."""
    levels = load_levels(path).level
    found = next((level for level in levels if level.number == number), None)
    if found is None:
        raise ListError(str(path.name), f"has no level {number}; choose one of {', '.join(str(n.number) for n in levels)}")
    return found
