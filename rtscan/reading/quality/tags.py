"""What a DICONDE file says of component and exposure: used where the job sheet is silent, reported where it says otherwise."""

from __future__ import annotations

import math

from rtscan.errors import JobError
from rtscan.film import Film
from rtscan.findings import Check
from rtscan.job import Job, size_problems
from rtscan.knowledge.testing import Limit
from rtscan.reading.quality.lines import judged

TAG_KEYS: tuple[tuple[str, str, str], ...] = (
    ("material thickness mm", "weld", "wall_mm"), ("outer diameter mm", "weld", "od_mm"), ("pipe diameter mm", "weld", "od_mm"),
    ("source to film mm", "exposure", "source_to_film_mm"), ("kvp", "exposure", "kv"), ("focal spot mm", "exposure", "focal_mm"),
    ("material grade", "weld", "material"), ("component name", "weld", "name"), ("component id", "weld", "name"),
)
"""Tag, section and key of the job sheet; of two tags for one key the first counts."""
WORDS = ("material", "name")
TAG_TOLERANCE = 0.02
SOURCE = "DICONDE tags of the file"


def with_tags(job: Job, film: Film) -> Job:
    """The job sheet with its gaps filled from the file's tags. A tube voltage makes the source an X-ray tube where none is named; it is
    not taken for a named gamma source, nor any diameter for a plate. Raises JobError, named by the film, where a size that the set-up needs
    is told by neither."""
    found: dict[str, dict[str, float | str]] = {}
    for tag, section, key in TAG_KEYS:
        value = _value(film, tag, key)
        if value is None or getattr(getattr(job, section), key) not in (None, "") or _contradicts(job, key):
            continue
        found.setdefault(section, {}).setdefault(key, value)
    if "kv" in found.get("exposure", {}) and not job.exposure.source:
        found["exposure"]["source"] = "x-ray"
    filled = job.model_copy(update={name: getattr(job, name).model_copy(update=part) for name, part in found.items()}) if found else job
    if problems := size_problems(filled):
        raise JobError(film.facts.file or "job sheet", [f"{problem} in the job sheet" for problem in problems])
    return filled


def tag_checks(film: Film, job: Job) -> list[Check]:
    """A line for information: what the tags say where the sheet says otherwise, and what was taken from them. `job` is the filled sheet."""
    differences, taken = [], []
    for tag, section, key in TAG_KEYS:
        said, stated = _value(film, tag, key), getattr(getattr(job, section), key)
        if said is None or stated in (None, "") or (key == "name" and not _same(said, stated)):
            continue  # a component may hold many welds: another name is no contradiction
        if _same(said, stated):
            taken.append(f"{tag} {_text(said)}")
        else:
            differences.append(f"{tag} {_text(said)} in the file, {section}.{key} {_text(stated)} in the job sheet")
    if not differences and not taken:
        return []
    says = "; ".join([*differences, "the job sheet is used"]) if differences else "agree with the job sheet or fill it: " + ", ".join(taken)
    return [judged("file tags", len(differences), Limit("", SOURCE, False, None, 0.0), "differences", says, passing=says, required=False)]


def _value(film: Film, tag: str, key: str) -> float | str | None:
    """What a tag says: a positive number, or words for material and component; None when it is missing or no such thing."""
    text = film.tags.get(tag, "").strip()
    if key in WORDS:
        return " ".join(text.replace("^", " ").split()) or None
    try:
        number = float(text)
    except ValueError:
        return None
    return number if math.isfinite(number) and number > 0 else None


def _contradicts(job: Job, key: str) -> bool:
    gamma = bool(job.exposure.source) and not job.exposure.source.strip().lower().startswith("x")
    return (key == "kv" and gamma) or (key == "od_mm" and job.weld.joint == "plate")


def _same(said: float | str, stated: float | str) -> bool:
    if isinstance(said, str) or isinstance(stated, str):
        return str(said).casefold() == str(stated).casefold()
    return abs(said - stated) <= TAG_TOLERANCE * abs(stated)


def _text(value: float | str) -> str:
    return value if isinstance(value, str) else f"{value:g}"
