"""The sealed key of a dealt session: one file that is not read by accident. It is no security measure, and says so."""

from __future__ import annotations

import base64
import json
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rtscan.errors import ListError
from rtscan.practise.answer_key import AnswerKey, key_from_json
from rtscan.writing import write_text

NAME = "answer_key.sealed"
_HEAD = ("Answer key of a practice session. Sealed only so that nobody reads it by accident: this is no security measure,\n"
         "anyone who has rtscan can open it. For an examination keep this file apart from the films.\n")
_MOST_BYTES = 256 * 2**20


@dataclass(frozen=True)
class SealedFilm:
    """The truth of one film: its key, why it is unfit (empty: fit), the state of its markers, the thinnest wire seen (None: not asked)."""

    name: str
    key: AnswerKey
    unfit: tuple[str, ...]
    markers: str
    wire_seen: int | None


@dataclass(frozen=True)
class SealedSession:
    """A dealt session. `id` names it in the history."""

    id: str
    level: int
    technique: str
    criteria: str
    terms: str
    films: tuple[SealedFilm, ...]


def seal(session: dict[str, Any], folder: Path) -> None:
    """Writes the key file of a session given as plain values. Raises OutputError."""
    packed = base64.b64encode(zlib.compress(json.dumps(session, allow_nan=False).encode("utf-8"), 9)).decode("ascii")
    lines = "\n".join(packed[k:k + 120] for k in range(0, len(packed), 120))
    write_text(folder / NAME, f"{_HEAD}\n{lines}\n")


def unseal(folder: Path) -> SealedSession:
    """Reads the key file of a dealt folder. Raises ListError."""
    path = folder / NAME
    try:
        _, _, packed = path.read_text(encoding="ascii").partition("\n\n")
        unpack = zlib.decompressobj()
        data = json.loads(unpack.decompress(base64.b64decode(packed), _MOST_BYTES))
        films = tuple(
            SealedFilm(f["name"], key_from_json(f["key"], f"{path}: {f['name']}"), tuple(f["unfit"]), f["markers"], f["wire_seen"])
            for f in data["films"])
        return SealedSession(data["id"], data["level"], data["technique"], data["criteria"], data["terms"], films)
    except FileNotFoundError:
        raise ListError(str(folder), f"holds no {NAME}; give the folder that `rtscan practise deal` wrote") from None
    except OSError as problem:
        raise ListError(str(path), f"cannot be read ({problem.strerror or problem}); check the folder") from None
    except (ValueError, zlib.error, KeyError, TypeError) as problem:
        raise ListError(str(path), f"is damaged ({type(problem).__name__}); deal the session again with the same seed") from None
