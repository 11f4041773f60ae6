"""Reads one film file and writes its outputs: what `read` does for each film, and what every worker of a set does."""

from __future__ import annotations

import glob
import hashlib
import json
import re
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from rtscan import __version__
from rtscan.acceptance.chart_picture import ChartPicture
from rtscan.acceptance.library import load_criteria
from rtscan.errors import FilmError, RtscanError
from rtscan.filmset.state import FilmState
from rtscan.findings import Worksheet
from rtscan.job import Job, job_sha256, load_job
from rtscan.pipeline import ReadSettings, read_film
from rtscan.reader_changes import signed_by
from rtscan.reading.load import MAX_MEGAPIXELS, load_films
from rtscan.record_json import load_document
from rtscan.report.files import write_worksheet_files
from rtscan.writing import write_bytes, write_text

_PAGE = re.compile(r"(.+)#(\d+)")
READER_ENDINGS = (".worksheet.json", ".worksheet.xlsx", ".worksheet.csv")
OUTPUT_ENDINGS = (".worksheet.json", ".worksheet.csv", ".worksheet.html", ".worksheet.xlsx", ".annotated.png")


@dataclass(frozen=True)
class FilmTask:
    """One film to read. `overrides` maps "section.key" of the job sheet to a value; `known` is what an earlier run made of it."""

    name: str
    path: Path
    job: Path | None
    out: Path
    overrides: Mapping[str, Any] = field(default_factory=dict)
    settings: ReadSettings = field(default_factory=ReadSettings)
    max_megapixels: float = MAX_MEGAPIXELS
    known: FilmState | None = None


@dataclass(frozen=True)
class FilmOutcome:
    """What became of a film. `sheets` are the worksheet files, in page order; a failed film has none and says why.

    "kept" means that a reader has confirmed or changed the reading: nothing was written over it.
    """

    name: str
    status: Literal["read", "unchanged", "kept", "failed"]
    sheets: tuple[str, ...] = ()
    message: str = ""
    fingerprint: str = ""
    outputs: Mapping[str, str] = field(default_factory=dict)
    seconds: float = 0.0


def file_and_page(path: Path) -> tuple[Path, int | None]:
    """`FILM#2` means page 2 of FILM, unless a file of that very name exists."""
    named = _PAGE.fullmatch(path.name)
    return (path.with_name(named[1]), int(named[2])) if named and not path.exists() else (path, None)


def stem_of(path: Path, page: int, pages: int) -> str:
    """Beginning of the output names of one page: `STEM`, or `STEM.p2` when the file has several pages."""
    return path.stem if pages == 1 else f"{path.stem}.p{page}"


def refuse_double_names(films: Sequence[Path], ending: str) -> None:
    """Raises FilmError naming both when two films, or a film and one of its own pages, would write the same `STEM` + `ending`."""
    seen: dict[str, dict[int | None, Path]] = {}
    for path in films:
        file, page = file_and_page(path)
        same = seen.setdefault(file.stem.casefold(), {})
        other = next((same[p] for p in same if p is None or page is None or p == page), None)
        if other is not None:
            raise FilmError(str(path), f"would write the same {file.stem}{ending} as {other}; use two folders with --out")
        same[page] = path


def read_and_write(task: FilmTask) -> tuple[tuple[str, Worksheet], ...]:
    """Reads every page asked for and writes its outputs; returns (name of the worksheet file, worksheet) in page order.

    Raises RtscanError for a film, job sheet or criteria file that cannot be used, and for an output folder that cannot.
    """
    job = load_job(task.job, task.overrides, film_may_tell=True)
    criteria = load_criteria(job.acceptance.criteria) if job.acceptance.criteria else None
    path, page = file_and_page(task.path)
    films = load_films(path, job, task.max_megapixels)
    wanted = [film for film in films if page in (None, film.facts.page)]
    if not wanted:
        raise FilmError(str(task.path), f"has {len(films)} pages; name one of them")
    sheets = []
    for film in wanted:
        stem = stem_of(path, film.facts.page, len(films))
        refuse_reader_overwrite(task.out / f"{stem}.worksheet.json")
        reading = read_film(film, job, criteria, task.settings)
        _write_charts(reading.charts, task.out, stem)
        write_worksheet_files(reading.worksheet, film, task.out, stem, task.settings.units)
        sheets.append((f"{stem}.worksheet.json", reading.worksheet))
    return tuple(sheets)


def _write_charts(charts: tuple[ChartPicture, ...], out: Path, stem: str) -> None:
    """The true-size dot pictures to lay beside a printed chart; those of an earlier reading go."""
    names = {f"{stem}.chart-{chart.finding + 1}.svg": chart.svg for chart in charts}
    for old in out.glob(f"{glob.escape(stem)}.chart-*.svg"):
        if old.name not in names:
            old.unlink()
    for name, svg in names.items():
        write_text(out / name, svg)


def refuse_reader_overwrite(path: Path) -> None:
    """Raises FilmError when `path` holds a worksheet that a reader has confirmed or changed: a person's work is not written over."""
    if reader := _reader_of(path):
        what = f"holds the reading confirmed by {reader}; choose another folder with --out, or judge it again with rtscan judge"
        raise FilmError(str(path), what)


def _reader_of(path: Path) -> str:
    """Who signed the worksheet; empty when nobody did or there is none."""
    if not path.exists():
        return ""
    if path.suffix != ".json":
        return signed_by(path)
    try:
        reader = load_document(path).reader
    except RtscanError:
        return ""
    return (reader.name or "a reader") if reader else ""


def do_task(task: FilmTask) -> FilmOutcome:
    """Brings one film of a set up to date. Never raises for the film's sake: a film that cannot be read is an outcome."""
    started = time.perf_counter()
    try:
        fingerprint = fingerprint_of(task)
        if kept := _kept_by_reader(task):
            return FilmOutcome(task.name, "kept", kept, "", fingerprint, task.known.outputs if task.known else {})
        if (done := _still_valid(task, fingerprint)) is not None:
            return done
        edited = _edited_tables(task)
        names = tuple(name for name, _ in read_and_write(task))
        message = _set_aside(task.out, edited)
        outputs = {name: _sha256(task.out / name) for sheet in names for name in _outputs_of(sheet, task.out)}
        return FilmOutcome(task.name, "read", names, message, fingerprint, outputs, time.perf_counter() - started)
    except RtscanError as problem:
        seconds = time.perf_counter() - started
        return FilmOutcome(task.name, "failed", (), "; ".join(problem.lines()), _failed_fingerprint(task), {}, seconds)


def _edited_tables(task: FilmTask) -> dict[str, bytes]:
    """Tables of this film that are not as the run wrote them: somebody may have worked in them without signing."""
    known = task.known.outputs if task.known else {}
    paths = [task.out / name for name in known if name.endswith((".csv", ".xlsx"))]
    return {path.name: path.read_bytes() for path in paths if path.exists() and _sha256(path) != known[path.name]}


def _set_aside(out: Path, edited: Mapping[str, bytes]) -> str:
    """Saves edited tables that the new reading replaced; says so in words, or nothing."""
    lost = {name: data for name, data in edited.items() if (out / name).read_bytes() != data}
    for name, data in lost.items():
        write_bytes(out / f"unsigned-{name}", data)
    return f"changes without a reader's name were set aside in {', '.join(f'unsigned-{name}' for name in lost)}" if lost else ""


def _outputs_of(sheet_name: str, out: Path) -> tuple[str, ...]:
    """The files that belong to a worksheet and are there."""
    stem = sheet_name.removesuffix(".worksheet.json")
    charts = sorted(path.name for path in out.glob(f"{glob.escape(stem)}.chart-*.svg"))
    return tuple(name for name in (*(stem + ending for ending in OUTPUT_ENDINGS), *charts) if (out / name).exists())


def fingerprint_of(task: FilmTask) -> str:
    """Hash of all that decides the reading: film, job sheet with overrides, criteria, settings, version of the tool and its model.

    Raises FilmError when the film cannot be opened, JobError and CriteriaError for their files.
    """
    job = load_job(task.job, task.overrides, film_may_tell=True)
    path, page = file_and_page(task.path)
    parts = {
        "film": _sha256(path), "page": page, "job": job_sha256(job), "criteria": _criteria_sha256(job),
        "settings": repr(task.settings), "max_megapixels": task.max_megapixels, "tool": __version__,
    }
    return hashlib.sha256(json.dumps(parts, sort_keys=True).encode()).hexdigest()


def _criteria_sha256(job: Job) -> str:
    return load_criteria(job.acceptance.criteria).sha256 if job.acceptance.criteria else ""


def _failed_fingerprint(task: FilmTask) -> str:
    try:
        return fingerprint_of(task)
    except RtscanError:
        return ""


def _sha256(path: Path) -> str:
    try:
        with path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError as problem:
        raise FilmError(str(path), f"cannot be opened ({problem.strerror}); check the name") from problem


def _kept_by_reader(task: FilmTask) -> tuple[str, ...]:
    """Worksheets of this film that a reader has signed, in whichever of the formats; the JSON counts first."""
    path, _ = file_and_page(task.path)
    known = task.known.outputs if task.known else {}
    stems = {path.stem, *(name.removesuffix(".worksheet.json") for name in known if name.endswith(".worksheet.json"))}
    candidates = ([f"{stem}{ending}" for ending in READER_ENDINGS] for stem in sorted(stems))
    signed = (next((name for name in names if _reader_of(task.out / name)), None) for names in candidates)
    return tuple(name for name in signed if name)


def _still_valid(task: FilmTask, fingerprint: str) -> FilmOutcome | None:
    """The earlier outcome when nothing that decides it has changed and every file it wrote is still whole."""
    known = task.known
    if known is None or not fingerprint or known.fingerprint != fingerprint:
        return None
    if known.status == "failed":
        return FilmOutcome(task.name, "failed", (), known.message, fingerprint)
    if any(not (task.out / name).exists() or _sha256(task.out / name) != sha for name, sha in known.outputs.items()):
        return None
    sheets = tuple(sorted(name for name in known.outputs if name.endswith(".worksheet.json")))
    return FilmOutcome(task.name, "unchanged", sheets, "", fingerprint, known.outputs)

