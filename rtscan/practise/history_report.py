"""The history as pages and files: one person's progress, a class on one page, a person's data to take away."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from rtscan.practise.charts import progress_chart
from rtscan.practise.grade_report import rows_csv, summary_charts
from rtscan.practise.history import Session
from rtscan.practise.pages import page
from rtscan.practise.reliability import HANDBOOK_TARGETS
from rtscan.practise.rows import SKILLS, TargetRow, pooled
from rtscan.practise.summary import VERDICT_WORDS, Share, Summary, summarise
from rtscan.writing import write_text

SCHEMA = "rtscan/practice-history/1"


@dataclass(frozen=True)
class Member:
    """One line of the class page."""

    trainee: str
    sessions: int
    last: str
    figures: Summary

    @property
    def targets(self) -> int:
        """Targets met so far."""
        return int(next((s.of for s in self.figures.found if s.name == "all"), 0))


def write_history(sessions: Sequence[Session], trainee: str, out: Path) -> Path:
    """Writes the page of one person's progress. Raises OutputError."""
    rows = pooled(s.rows for s in sessions)
    figures = summarise(rows)
    each = [summarise(s.rows) for s in sessions]
    skills = [(skill, [_share(f.skills, skill) for f in each]) for skill in SKILLS]
    missed = sorted((f for f in figures.by_family if f.got < f.of), key=lambda f: ((f.got + 1) / (f.of + 2), f.name))[:5]
    types = [(s.name, [_share(f.by_family, s.name) for f in each]) for s in missed]
    path = out / f"{file_name(trainee)}.history.html"
    write_text(path, page(
        "history.html", trainee=trainee, sessions=list(zip(sessions, each, strict=True)), s=figures, charts=summary_charts(rows, figures),
        words=VERDICT_WORDS, handbook=HANDBOOK_TARGETS, skill_chart=progress_chart([s.date for s in sessions], skills, "points"),
        type_chart=progress_chart([s.date for s in sessions], types, "found") if types else ""))
    return path


def write_class(sessions: Sequence[Session], out: Path) -> Path:
    """Writes everybody on one page. Raises OutputError."""
    names = sorted({s.trainee for s in sessions})
    members = []
    for name in names:
        own = [s for s in sessions if s.trainee == name]
        members.append(Member(name, len(own), own[-1].date, summarise(pooled(s.rows for s in own))))
    everybody = summarise(pooled(s.rows for s in sessions))
    path = out / "class.html"
    write_text(path, page("class.html", members=members, everybody=everybody, skills=SKILLS, handbook=HANDBOOK_TARGETS))
    return path


def write_export(sessions: Sequence[Session], trainee: str, out: Path) -> tuple[Path, Path]:
    """Writes all data kept of a person, as JSON and the targets as CSV. Raises OutputError."""
    name = file_name(trainee)
    data = {"schema": SCHEMA, "trainee": trainee, "sessions": [asdict(s) for s in sessions]}
    files = out / f"{name}.history.json", out / f"{name}.targets.csv"
    write_text(files[0], json.dumps(data, indent=1, allow_nan=False) + "\n")
    write_text(files[1], rows_csv(TargetRow, [t for s in sessions for t in s.rows.targets]))
    return files


def _share(shares: Sequence[Share], name: str) -> float | None:
    return next((s.share for s in shares if s.name == name), None)


def file_name(trainee: str) -> str:
    """A file name from a person's name: letters and digits of any script, the rest as hyphens."""
    return "".join(c if c.isalnum() else "-" for c in trainee).strip("-")[:80] or "trainee"
