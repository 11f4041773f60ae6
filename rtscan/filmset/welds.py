"""From the worksheets of a set to its welds: joined, judged, written."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from rtscan.acceptance.judge import judge
from rtscan.acceptance.library import load_criteria
from rtscan.acceptance.situation import Units, situation_from_job
from rtscan.errors import ListError, RtscanError
from rtscan.filmset.join import FilmReading, join_weld
from rtscan.filmset.manifest import SetRow
from rtscan.filmset.one_film import FilmOutcome, FilmTask
from rtscan.filmset.tally import SetWeld
from rtscan.findings import WeldDocument, Worksheet
from rtscan.job import Job, load_job
from rtscan.reader_changes import open_for_judging
from rtscan.record_json import dump
from rtscan.writing import write_text


@dataclass(frozen=True)
class ReadFilm:
    """One row of the set with its outcome and worksheets (none when it failed)."""

    row: SetRow
    task: FilmTask
    outcome: FilmOutcome
    sheets: tuple[Worksheet, ...]


def collect(rows: Sequence[SetRow], tasks: Sequence[FilmTask], outcomes: Mapping[str, FilmOutcome]) -> tuple[ReadFilm, ...]:
    """Every row with what became of it, in the order of the set."""
    return tuple(ReadFilm(row, task, outcomes[row.file], _sheets(task, outcomes[row.file]))
                 for row, task in zip(rows, tasks, strict=True) if row.file in outcomes)


def _sheets(task: FilmTask, outcome: FilmOutcome) -> tuple[Worksheet, ...]:
    """The worksheets of a film; what a reader has signed is judged again by today's job sheet and criteria."""
    sheets = tuple(_sheet(task.out / name) for name in outcome.sheets)
    if outcome.status != "kept":
        return sheets
    job = load_job(task.job, task.overrides, film_may_tell=True)
    criteria = load_criteria(job.acceptance.criteria) if job.acceptance.criteria else None
    return tuple(judge(sheet, criteria, situation_from_job(job, sheet, task.settings.units)) for sheet in sheets)


def _sheet(path: Path) -> Worksheet:
    """The worksheet as a reader may have changed it in any of its formats."""
    document = open_for_judging(path)
    if not isinstance(document, Worksheet):
        raise ListError(str(path), "is not the worksheet of a film; move it away and run the set again")
    return document


def weld_names(films: Sequence[ReadFilm]) -> dict[str, tuple[ReadFilm, ...]]:
    """Films by weld. A film without a weld name is a weld of its own, named after the film.

    Raises ListError when two welds would write one file.
    """
    welds: dict[str, list[ReadFilm]] = defaultdict(list)
    for film in films:
        name = film.row.weld or (film.sheets[0].weld.name if film.sheets else "") or film.row.stem
        welds[name].append(film)
    by_file: dict[str, str] = {}
    for name in welds:
        if (other := by_file.setdefault(file_name(name).casefold(), name)) != name:
            raise ListError(file_name(name), f"would be written for both welds {other!r} and {name!r}; rename one weld")
    return {name: tuple(members) for name, members in welds.items()}


def file_name(weld: str) -> str:
    """Name of a weld document: letters, digits, dot, dash, underscore and space of the weld's name, the rest as underscores."""
    safe = re.sub(r"[^\w.\- ]", "_", weld).strip(". ") or "weld"
    return f"{safe[:120]}.weld.json"


def weld_of(name: str, films: Sequence[ReadFilm]) -> SetWeld | None:
    """The weld joined and judged; None when no film of it could be read."""
    readings = [FilmReading(film.row.file if len(film.sheets) == 1 else f"{film.row.file}#{sheet.film.page}", sheet, film.row.shot,
                            film.row.film, film.row.date.isoformat() if film.row.date else "")
                for film in films for sheet in film.sheets]
    if not readings:
        return None
    first = next(film for film in films if film.sheets)
    job = load_job(first.task.job, first.task.overrides, film_may_tell=True)
    document = _judged(join_weld(name, readings), job, first.task.settings.units)
    unread = [f"{film.row.file}: could not be read ({film.outcome.message})" for film in films if not film.sheets]
    document = replace(document, history=(*document.history, *unread))
    days = [r.date or r.worksheet.date for r in readings]
    return SetWeld(document, _welders(films, job), max(days))


def _judged(document: WeldDocument, job: Job, units: Units) -> WeldDocument:
    criteria = load_criteria(job.acceptance.criteria) if job.acceptance.criteria else None
    return judge(document, criteria, situation_from_job(job, document, units))


def _welders(films: Sequence[ReadFilm], job: Job) -> tuple[tuple[str, str], ...]:
    named = [pair for film in films for pair in (("root", film.row.welder_root), ("fill", film.row.welder_fill)) if pair[1]]
    return tuple(dict.fromkeys(named or [("weld", welder) for welder in job.weld.welders]))


def write_welds(films: Sequence[ReadFilm], out: Path) -> tuple[tuple[SetWeld, ...], tuple[RtscanError, ...]]:
    """Joins, judges and writes every weld. A weld whose sheets contradict each other is a problem, not an end."""
    welds, problems = [], []
    for name, members in weld_names(films).items():
        try:
            weld = weld_of(name, members)
            if weld is not None:
                write_text(out / file_name(name), dump(weld.document))
                welds.append(weld)
        except RtscanError as problem:
            problems.append(problem)
    return tuple(welds), tuple(problems)
