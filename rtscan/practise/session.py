"""Grades a dealt folder: finds the answers, judges the truth, grades every answered film."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from rtscan.acceptance.library import load_criteria
from rtscan.errors import ListError
from rtscan.findings import Worksheet
from rtscan.job import load_job
from rtscan.practise.answer import FilmAnswer, from_worksheet
from rtscan.practise.answer_sheet import read_answers
from rtscan.practise.grade import FilmGrade, grade_film
from rtscan.practise.history import Session
from rtscan.practise.matching import Matching
from rtscan.practise.rows import SessionRows, rows_of
from rtscan.practise.scale import Grading
from rtscan.practise.sealed import SealedSession, unseal
from rtscan.practise.truth import judged_marks, truth_of
from rtscan.record_json import load_document


@dataclass(frozen=True)
class SessionGrade:
    """A graded session. `own` holds, per grade, the reader's marks judged by the criterion; `skipped` are films without any answer,
    neither graded nor counted."""

    session: SealedSession
    trainee: str
    date: str
    answers_from: str
    grades: tuple[FilmGrade, ...]
    own: tuple[Worksheet, ...]
    skipped: tuple[str, ...]
    rows: SessionRows
    pass_share: float

    def for_history(self) -> Session:
        """What the history keeps."""
        s = self.session
        return Session(s.id, self.trainee, self.date, s.level, s.technique, s.criteria, self.rows)


def grade_session(folder: Path, trainee: str, matching: Matching, grading: Grading, answers: Path | None = None) -> SessionGrade:
    """Grades the answers in `folder`, or those of `answers`: a sheet, or a folder of worksheets. Raises ListError and JobError."""
    sealed = unseal(folder)
    names = [f.name for f in sealed.films]
    source = answers or _filled_sheet(folder, names)
    given = _from_worksheets(source, names) if source.is_dir() else read_answers(source, names)
    by_film = {a.film: a for a in given if not a.blank}
    if not by_film:
        missing = "no worksheet of these films; read them first" if source.is_dir() else "no answer yet; fill in the sheet first"
        raise ListError(str(source), f"holds {missing}")
    own_file = folder / sealed.criteria
    criteria = load_criteria(str(own_file) if own_file.is_file() else sealed.criteria)
    grades, own = [], []
    for film in sealed.films:
        if film.name in by_film:
            job, answer = load_job(folder / f"{film.name}.job.toml"), by_film[film.name]
            truth = truth_of(film, job, criteria, matching)
            grades.append(grade_film(answer, truth, matching, grading))
            own.append(judged_marks(answer, truth, job, criteria))
    skipped = tuple(n for n in names if n not in by_film)
    return SessionGrade(
        sealed, trainee, date.today().isoformat(), source.name, tuple(grades), tuple(own), skipped, rows_of(grades, matching),
        grading.pass_share)


def _filled_sheet(folder: Path, names: list[str]) -> Path:
    """The sheet that was filled in. Raises ListError when both were, or none is there."""
    sheets = [folder / name for name in ("answers.csv", "answers.xlsx") if (folder / name).is_file()]
    if not sheets:
        raise ListError(str(folder), "holds no answers.csv or answers.xlsx; give the sheet with --answers")
    filled = [path for path in sheets if any(not a.blank for a in read_answers(path, names))]
    if len(filled) > 1:
        raise ListError(str(folder), "answers.csv and answers.xlsx are both filled in; name the one that counts with --answers")
    return filled[0] if filled else sheets[0]


def _from_worksheets(folder: Path, names: list[str]) -> tuple[FilmAnswer, ...]:
    answers = []
    for path in sorted(folder.glob("*.worksheet.json")):
        name = re.sub(r"(\.tif)?\.worksheet\.json$", "", path.name)
        document = load_document(path)
        if name in names and isinstance(document, Worksheet):
            answers.append(from_worksheet(document, name))
    return tuple(answers)
