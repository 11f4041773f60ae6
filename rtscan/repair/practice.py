"""Common practice of repair as data: settings of the plan and one technique note per kind of imperfection (practice.toml)."""

from __future__ import annotations

import tomllib
from importlib import resources
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from rtscan.errors import ListError
from rtscan.findings import Indication
from rtscan.imperfections import is_within
from rtscan.repair_records import TechniqueNote

SOURCE = "common practice, no published source; the qualified procedure goes first"


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Settings(_Part):
    """Lengths and limits of the plan; the meaning of each is beside it in practice.toml."""

    beyond_ends_mm: float = Field(ge=0)
    shortest_stretch_mm: float = Field(ge=0)
    least_sound_metal_mm: float = Field(ge=0)
    end_taper: float = Field(ge=0)
    side_angle_deg: float = Field(ge=0, lt=80)
    bottom_width_mm: float = Field(ge=0)
    deep_share: float = Field(gt=0, le=1)
    root_run_mm: float = Field(ge=0)
    cap_run_mm: float = Field(ge=0)
    small_bore_od_mm: float = Field(ge=0)
    large_share: float = Field(gt=0, le=1)
    reshoot_margin_mm: float = Field(ge=0)


class Note(_Part):
    """One technique note as written in the file."""

    name: str
    applies_to: tuple[str, ...]
    opens: Literal["outside", "root", "surface", "none"]
    run: str = ""
    run_why: str = ""
    authorisation: bool = False
    lower_bound: bool = False
    find: str
    remove: tuple[str, ...]
    gone: str
    weld: tuple[str, ...]
    never: tuple[str, ...]
    source: str = SOURCE

    def for_welder(self) -> TechniqueNote:
        """The part of the note that is printed."""
        return TechniqueNote(self.name, self.find, self.remove, self.gone, self.weld, self.never, self.source)


class ForAll(_Part):
    """What is said of every stretch."""

    first: tuple[str, ...]
    weld: tuple[str, ...]


class Practice(_Part):
    """The whole file."""

    settings: Settings
    note: tuple[Note, ...] = Field(min_length=1)
    all: ForAll

    def note_for(self, indication: Indication) -> Note:
        """The note for an indication: by its term first, then by the longest fitting number; else the one that applies to nothing."""
        on_root = (indication.surface or "") in ROOT_SURFACES
        wanted = "undercut at the root" if on_root and is_within(indication.iso6520, "501") else indication.type.strip().lower()
        by_term = next((n for n in self.note if wanted in n.applies_to), None)
        if by_term is not None:
            return by_term
        fitting = [(len(a.rstrip("0")), n) for n in self.note for a in n.applies_to if is_within(indication.iso6520, a)]
        if fitting:
            return max(fitting, key=lambda f: f[0])[1]
        return next((n for n in self.note if not n.applies_to), self.note[-1])


ROOT_SURFACES = frozenset({"root", "inside", "internal"})


def load_practice(path: Path | None = None) -> Practice:
    """Reads the file at `path`, or the one that comes with the tool. Raises ListError with every mistake."""
    try:
        text = (resources.files("rtscan.repair") / "practice.toml" if path is None else path).read_text(encoding="utf-8")
        return Practice.model_validate(tomllib.loads(text))
    except OSError as problem:
        raise ListError(str(path), f"cannot be read ({problem.strerror}); check the name") from problem
    except (ValueError, RecursionError) as problem:
        raise ListError(str(path), f"is not TOML ({problem}); start from a copy of practice.toml") from problem
    except ValidationError as problem:
        lines = [f"{'.'.join(map(str, e['loc']))}: {e['msg'].lower()}; correct it" for e in problem.errors()]
        raise ListError(str(path), lines) from problem
