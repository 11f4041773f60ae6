"""The job sheet: TOML to `Job`. Every key is optional; an unknown key is an error that names the nearest known one."""

from __future__ import annotations

import difflib
import hashlib
import itertools
import re
import tomllib
from collections.abc import Mapping
from datetime import date as Date
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from rtscan.errors import JobError
from rtscan.knowledge.pipe_sizes import nearest_names, nominal_sizes, pipe, schedules_of

Look = Literal["auto", "dense-bright", "dense-dark"]
GreyIs = Literal["density", "light", "dose", "unknown"]
Joint = Literal["girth", "longitudinal", "plate"]
Layers = Literal["single", "multi"]
Technique = Literal["SWSI", "panoramic", "DWSI", "DWDI-ellipse", "DWDI-superimposed"]
TestingStandard = Literal["iso-17636-1", "iso-17636-2", "asme-v", "api-1104"]
# Numbers no weld, film or tube can have are slips of the keyboard; they are refused here and not where they overflow.
LEAST_PIXELS_PER_MM, MOST_PIXELS_PER_MM = 2.0, 500.0
Scale = Annotated[float, Field(ge=LEAST_PIXELS_PER_MM, le=MOST_PIXELS_PER_MM)]
Size = Annotated[float, Field(ge=0.001, le=1000)]
Span = Annotated[float, Field(ge=0.001, le=1e6)]
Station = Annotated[float, Field(ge=-1e7, le=1e7)]
Pixel = Annotated[float, Field(ge=-1e6, le=1e6)]


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, coerce_numbers_to_str=True)


class FilmSection(_Section):
    """How the film was digitised and which part of the weld it shows."""

    pixels_per_mm: Scale | None = None
    scale: Literal["file"] | None = None
    scale_uncertainty: float | None = Field(default=None, ge=0, lt=0.5)
    look: Look = "auto"
    grey_is: GreyIs = "unknown"
    grey_to_density: tuple[tuple[float, float], ...] = ()
    segment: str = ""
    shot: str = ""
    class_: str = Field(default="", alias="class")
    date: Date | None = None
    quality_vouched_by: str = ""


class WeldSection(_Section):
    """The joint. `od_mm` and `wall_mm` may come from `nps` with `schedule`; leave the diameter out for plate."""

    name: str = ""
    od_mm: Span | None = None
    nps: str | None = None
    schedule: str | None = None
    wall_mm: Size | None = None
    joint: Joint | None = None
    preparation: str = ""
    process: str = ""
    layers: Layers | None = None
    penetration: Literal["full", "partial"] = "full"
    cap_width_mm: Size | None = None
    length_mm: Span | None = None
    centreline_px: tuple[tuple[Pixel, Pixel], ...] = ()
    material: str = ""
    welders: tuple[str, ...] = ()
    repairs_so_far: int = Field(default=0, ge=0, le=1000)
    repair_limit: int = Field(default=2, ge=0, le=1000)


class ExposureSection(_Section):
    """How the film was shot."""

    technique: Technique | None = None
    source: str = ""
    kv: float | None = Field(default=None, ge=1, le=100_000)
    focal_mm: float | None = Field(default=None, ge=1e-5, le=1000)
    source_to_film_mm: Span | None = None
    object_to_film_mm: float | None = Field(default=None, ge=0, le=1e6)


class LocationSection(_Section):
    """Where on the weld the film lies and which way stations grow."""

    datum: str = ""
    datum_clock: str | None = None
    looking: Literal["downstream", "upstream"] | None = None
    direction: Literal["clockwise", "anticlockwise"] | None = None
    downstream_is: Literal["up", "down", "left", "right"] | None = None
    seen_from: Literal["outside", "inside"] = "outside"
    station_at_left_mm: Station | None = None
    station_at_middle_mm: Station | None = None
    marker_px: tuple[Pixel, Pixel] | None = None
    marker_station_mm: Station | None = None
    end_markers_px: tuple[tuple[Pixel, Pixel], tuple[Pixel, Pixel]] | None = None


class TestingSection(_Section):
    """The testing standard and class the film is checked against."""

    __test__ = False
    standard: TestingStandard | None = None
    class_: Literal["A", "B"] | None = Field(default=None, alias="class")


class IqiSection(_Section):
    """The image quality indicator on the film."""

    kind: Literal["ISO-wire", "ASTM-wire", "hole", "duplex"] | None = None
    set: str = ""
    side: Literal["film", "source"] | None = None
    required_wire: int | None = Field(default=None, ge=1, le=21)


class AcceptanceSection(_Section):
    """Which acceptance criteria: a shipped name, NAME@edition, or a file."""

    criteria: str | None = None


class Job(_Section):
    """The job sheet in full."""

    film: FilmSection = FilmSection()
    weld: WeldSection = WeldSection()
    exposure: ExposureSection = ExposureSection()
    location: LocationSection = LocationSection()
    testing: TestingSection = TestingSection()
    iqi: IqiSection = IqiSection()
    acceptance: AcceptanceSection = AcceptanceSection()


JOB_SHEET_MAX_BYTES = 1_000_000
Raw = dict[str, dict[str, Any]]


def load_job(path: Path | None, overrides: Mapping[str, Any] | None = None, film_may_tell: bool = False) -> Job:
    """The job sheet of a file (None: an empty one) with overrides from the command line, checked.

    `overrides` maps "section.key" as in the file to a value; None stands for "not given". A size by `nps` and `schedule` is
    turned into `od_mm` and `wall_mm`; a criteria file is looked for beside the job sheet first. `film_may_tell`: sizes that are missing may
    stand in the tags of the film; whoever fills them in asks `size_problems` again.
    Raises JobError holding every mistake of the sheet.
    """
    name = "job sheet" if path is None else str(path)
    raw: Any = {} if path is None else _read_toml(path)
    problems: list[str] = []
    sections = _known_only(raw, problems)
    for key, value in (overrides or {}).items():
        section, _, field = key.partition(".")
        if value is not None:
            sections.setdefault(section, {})[field] = value
    _resolve_pipe(sections.get("weld", {}), problems)
    if path is not None:
        _resolve_criteria(sections.get("acceptance", {}), path.parent)
    job = _validated(sections, problems)
    problems += _contradictions(job) + ([] if film_may_tell else size_problems(job))
    if problems:
        raise JobError(name, problems)
    return job


def job_sha256(job: Job) -> str:
    """Content hash of a job: the same for two sheets that say the same, whatever their comments or order."""
    return hashlib.sha256(job.model_dump_json(by_alias=True).encode()).hexdigest()


def _validated(sections: Raw, problems: list[str]) -> Job:
    """The job of the values that are right; the wrong ones go to `problems` and are left out."""
    try:
        return Job.model_validate(sections)
    except ValidationError as error:
        problems += _pydantic_problems(error)
        for item in error.errors(include_url=False):
            section, *rest = (str(part) for part in item["loc"])
            if rest:
                sections.get(section, {}).pop(rest[0], None)
            else:
                sections.pop(section, None)
        return Job.model_validate(sections)


def _read_toml(path: Path) -> Any:
    try:
        if not path.is_file():
            raise JobError(str(path), "is not a file; check the name given with --job")
        if path.stat().st_size > JOB_SHEET_MAX_BYTES:
            raise JobError(str(path), "is too large for a job sheet; check the name given with --job")
        return tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except (OSError, ValueError, RecursionError) as problem:
        what = "is not in UTF-8" if isinstance(problem, UnicodeDecodeError) else str(getattr(problem, "strerror", None) or problem)
        raise JobError(str(path), f"cannot be read as TOML ({what}); correct the file") from problem


def _known_only(raw: Mapping[str, Any], problems: list[str]) -> Raw:
    """The known sections and keys of `raw`; unknown ones go to `problems` with the nearest known name."""
    sections: Raw = {}
    for name, content in raw.items():
        if name not in Job.model_fields:
            problems.append(f"unknown key {name!r}; {_nearest_key(name)}")
        elif not isinstance(content, dict):
            problems.append(f"{name} is {content!r}, not a section; write [{name}] and its keys below it")
        else:
            known = _keys_of(name)
            sections[name] = {key: value for key, value in content.items() if key in known}
            problems += [f"unknown key {name}.{key}; {_nearest_key(key, name)}" for key in content if key not in known]
    return sections


def _keys_of(section: str) -> tuple[str, ...]:
    """The keys of a section as a job sheet spells them ("class", not the attribute `class_`)."""
    model = Job.model_fields[section].annotation
    assert isinstance(model, type)
    assert issubclass(model, _Section)
    return tuple(field.alias or name for name, field in model.model_fields.items())


def _nearest_key(key: str, section: str | None = None) -> str:
    """Hint for an unknown key: the nearest in its section, else the same or a near key of another section, else what is known."""
    here = _keys_of(section) if section else tuple(Job.model_fields)
    longer = [known for known in here if known.startswith(f"{key}_")]
    if close := longer or difflib.get_close_matches(key, here, n=1, cutoff=0.6):
        return f"did you mean {close[0]!r}?"
    elsewhere = {f"{name}.{known}": known for name in Job.model_fields for known in _keys_of(name)}
    if close := difflib.get_close_matches(key, elsewhere.values(), n=1, cutoff=0.75):
        return f"did you mean {next(full for full, known in elsewhere.items() if known == close[0])!r}?"
    return f"known here: {', '.join(here)}"


def _pydantic_problems(error: ValidationError) -> list[str]:
    """One line per wrong value: key, what is wrong, value got."""
    lines = []
    for item in error.errors(include_url=False):
        place = ".".join(str(part) for part in item["loc"])
        said = item["msg"][:1].lower() + item["msg"][1:]
        lines.append(f"{place} = {_short(item['input'])} is wrong: {said}; correct the value")
    return lines


def _short(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _resolve_pipe(weld: dict[str, Any], problems: list[str]) -> None:
    """Fills `od_mm` and `wall_mm` from `nps` and `schedule`; sizes that disagree with the table are mistakes."""
    nps, schedule = (None if weld.get(key) is None else str(weld[key]) for key in ("nps", "schedule"))
    if nps is None and schedule is None:
        return
    if nps is None or schedule is None:
        problems.append("weld.nps and weld.schedule belong together; give both")
        return
    found = pipe(nps, schedule)
    if found is None:
        known = schedules_of(nps)
        problems.append(f"weld.schedule = {schedule!r} is not made in NPS {nps}; {nearest_names(schedule, known)}" if known else
                        f"weld.nps = {nps!r} is not in the pipe tables; {nearest_names(nps, nominal_sizes())}")
        return
    for key, size_mm, tolerance_mm in (("od_mm", found.od_mm, 0.5), ("wall_mm", found.wall_mm, 0.05)):
        given = weld.setdefault(key, size_mm)
        if isinstance(given, (int, float)) and abs(given - size_mm) > tolerance_mm:
            problems.append(f"weld.{key} = {given:g} contradicts NPS {found.nps} schedule {found.schedule} "
                            f"({size_mm:g} mm, {found.edition}); leave one of them out")


def _resolve_criteria(acceptance: dict[str, Any], folder: Path) -> None:
    named = acceptance.get("criteria")
    if isinstance(named, str) and named.endswith(".toml") and not Path(named).is_absolute() and (folder / named).is_file():
        acceptance["criteria"] = str(folder / named)


def size_problems(job: Job) -> list[str]:
    """Sizes of the pipe that set-up or joint need and nobody has told."""
    technique, joint = job.exposure.technique or "", job.weld.joint
    if job.weld.od_mm is not None:
        return []
    wrong = {
        "weld.joint = 'girth' needs weld.od_mm (or nps with schedule); give it": joint == "girth",
        "exposure.technique on both walls needs weld.od_mm (or nps with schedule); give it": technique.startswith("DW"),
        "exposure.technique = 'panoramic' needs weld.od_mm (or nps with schedule); give it": technique == "panoramic",
    }
    return [text for text, is_wrong in wrong.items() if is_wrong]


def _contradictions(job: Job) -> list[str]:
    """Mistakes that only show when keys are seen together."""
    film, weld, exposure, location = job.film, job.weld, job.exposure, job.location
    wrong = {
        "weld.wall_mm is not less than half of weld.od_mm; check both":
            weld.od_mm is not None and weld.wall_mm is not None and weld.wall_mm * 2 >= weld.od_mm,
        "weld.joint = 'plate' has no weld.od_mm; leave one of them out": weld.joint == "plate" and weld.od_mm is not None,
        "weld.centreline_px needs at least two points; give more or leave it out": len(weld.centreline_px) == 1,
        "location.marker_px and location.marker_station_mm belong together; give both":
            (location.marker_px is None) != (location.marker_station_mm is None),
        f"location.datum_clock = {location.datum_clock!r} is not a clock time; write hours:minutes such as '12:00'":
            location.datum_clock is not None and not re.fullmatch(r"(0?[1-9]|1[0-2]):[0-5]\d", location.datum_clock),
        "exposure.object_to_film_mm is not less than exposure.source_to_film_mm; check both":
            None not in (exposure.object_to_film_mm, exposure.source_to_film_mm)
            and (exposure.object_to_film_mm or 0) >= (exposure.source_to_film_mm or 0),
    }
    return [text for text, is_wrong in wrong.items() if is_wrong] + _table_problems(film.grey_to_density)


def _table_problems(table: tuple[tuple[float, float], ...]) -> list[str]:
    """A grey-to-density table must have two rows or more, distinct greys and densities that only fall or only rise."""
    if not table:
        return []
    if len(table) < 2:
        return ["film.grey_to_density needs at least two rows; give more or leave it out"]
    rows = sorted(table)
    steps = [(b[0] - a[0], b[1] - a[1]) for a, b in itertools.pairwise(rows)]
    if any(grey == 0 for grey, _ in steps):
        return ["film.grey_to_density has the same grey twice; correct it"]
    if not (all(density > 0 for _, density in steps) or all(density < 0 for _, density in steps)):
        return ["film.grey_to_density neither only falls nor only rises; correct it"]
    if any(not 0 <= density <= 6 for _, density in rows):
        return ["film.grey_to_density has a density outside 0 to 6; correct it"]
    return []
