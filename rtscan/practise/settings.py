"""Data files that a person may change (matching, grading, levels): read once, every mistake named."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

from rtscan.errors import ListError


class Settings(BaseModel):
    """A part of a settings file: unknown keys are mistakes."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


T = TypeVar("T", bound=BaseModel)


def load_settings(path: Path, kind: type[T], what: str) -> T:
    """Reads `path` as `kind`. Raises ListError with one problem per mistake."""
    try:
        return kind(**tomllib.loads(path.read_text(encoding="utf-8-sig")))
    except OSError as problem:
        raise ListError(str(path), f"cannot be read ({problem.strerror or problem}); check the name") from None
    except (ValueError, RecursionError) as problem:
        raise ListError(str(path), f"is not a TOML file ({problem}); start from a copy of the shipped {what}") from None
    except ValidationError as problem:
        rows = [f"{'.'.join(map(str, e['loc'])) or what}: {e['msg']}; correct it" for e in problem.errors()]
        raise ListError(str(path), rows) from None
