"""A graded session as files: one page for the session, one per film, tables and JSON."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator, Sequence
from dataclasses import asdict, fields
from pathlib import Path
from typing import Any

from rtscan.findings import Finding
from rtscan.job import load_job
from rtscan.practise.charts import curve_chart, size_chart
from rtscan.practise.grade import FALSE_CALL, FilmGrade, Line, verdict_reason
from rtscan.practise.pages import page
from rtscan.practise.pictures import crops_of, overview
from rtscan.practise.reliability import HANDBOOK_TARGETS
from rtscan.practise.rows import FilmRow, SessionRows, TargetRow
from rtscan.practise.session import SessionGrade
from rtscan.practise.summary import VERDICT_WORDS, Summary, hit_miss, summarise
from rtscan.reading.load import load_films
from rtscan.writing import write_text

SCHEMA = "rtscan/practice/1"
_MOST_FINDINGS = 14
_MOST_CALLS = 8


def write_grade(graded: SessionGrade, folder: Path, out: Path, pooled: SessionRows | None, sessions: int) -> Iterator[str]:
    """Writes all files of a graded session into `out`, yielding each film's name when its page is done.

    `pooled` are the rows of all `sessions` of this trainee, None without a history. Raises OutputError.
    """
    figures = summarise(graded.rows)
    for place, grade in enumerate(graded.grades):
        write_text(out / f"{grade.film}.grade.html", _film_page(graded, place, folder))
        yield grade.film
    write_text(out / "grade.json", grade_json(graded, figures))
    write_text(out / "grade.targets.csv", rows_csv(TargetRow, graded.rows.targets))
    write_text(out / "grade.films.csv", rows_csv(FilmRow, graded.rows.films))
    write_text(out / "grade.html", _session_page(graded, figures, pooled, sessions))


def _film_page(graded: SessionGrade, place: int, folder: Path) -> str:
    grade = graded.grades[place]
    film = load_films(folder / f"{grade.film}.tif", load_job(folder / f"{grade.film}.job.toml"))[0]
    doubtful = [t for t in grade.targets if t.says and (t.relevant or t.call != "missed")]
    places = [(t, c) for t in doubtful if (c := crops_of(film, grade.truth.key, t)) is not None]
    lost, more_calls = worth_knowing(grade)
    findings, hidden = shown_findings(grade.truth.judged.findings)
    return page("film.html", g=grade, trainee=graded.trainee, view=overview(film, grade), places=places, findings=findings, hidden=hidden,
                own=graded.own[place], reason=verdict_reason(grade.truth), lost=lost, more_calls=more_calls,
                criteria=graded.session.criteria, pass_share=graded.pass_share)


def worth_knowing(grade: FilmGrade) -> tuple[list[Line], int]:
    """The lines with something to say, no more than a few of the false calls; and how many false calls were left out."""
    calls = [n for n in grade.lines if n.part == FALSE_CALL]
    hidden = calls[_MOST_CALLS:]
    return [n for n in grade.lines if n.says and not any(n is h for h in hidden)], len(hidden)


def shown_findings(findings: Sequence[Finding]) -> tuple[list[Finding], int]:
    """What decides first, then what accepts, no more than a page holds; and how many were left out."""
    order = {"reject": 0, "cannot judge": 1, "review": 1, "accept": 2}
    ranked = sorted(findings, key=lambda f: order[f.result])
    return ranked[:_MOST_FINDINGS], max(len(ranked) - _MOST_FINDINGS, 0)


def _session_page(graded: SessionGrade, figures: Summary, pooled: SessionRows | None, sessions: int) -> str:
    everything = summarise(pooled) if pooled is not None and sessions > 1 else None
    table = hit_miss(pooled) if everything is not None and pooled is not None else None
    chart = curve_chart(everything.size_curve, table, "length, mm") if everything and everything.size_curve and table else ""
    s = graded.session
    return page(
        "grade.html", trainee=graded.trainee, date=graded.date, level=s.level, technique=s.technique, criteria=s.criteria,
        answers_from=graded.answers_from, grades=graded.grades, skipped=graded.skipped, s=figures,
        charts=summary_charts(graded.rows, figures), first=[first_thing(g) for g in graded.grades], words=VERDICT_WORDS,
        pooled=everything, pooled_sessions=sessions, pooled_chart=chart, handbook=HANDBOOK_TARGETS)


def summary_charts(rows: SessionRows, figures: Summary) -> dict[str, str]:
    """The charts of a summary by name; empty where there is nothing to draw."""
    charts = {"size": "", "detectability": "", "sizes": ""}
    wanted = (("size", "size_mm", figures.size_curve, "length, mm"),
              ("detectability", "detectability", figures.detectability_curve, "detectability (signal-to-noise ratio)"))
    for name, quantity, curve, label in wanted:
        table = hit_miss(rows, quantity)
        if curve is not None and table is not None:
            charts[name] = curve_chart(curve, table, label)
    sized = [(t.read_mm, t.true_mm) for t in rows.targets if t.read_mm is not None and t.true_mm is not None]
    if len(sized) > 1:
        charts["sizes"] = size_chart([r for r, _ in sized], [t for _, t in sized], figures.sizes)
    return charts


def first_thing(grade: FilmGrade) -> str:
    """The sentence of the costliest mistake, empty when nothing was lost."""
    if grade.fails:
        return f"{grade.fails[0][0].upper()}{grade.fails[0][1:]}."
    lost = max(grade.lines, key=lambda n: n.of - n.got, default=None)
    return lost.says if lost is not None and lost.of > lost.got else ""


def grade_json(graded: SessionGrade, figures: Summary) -> str:
    """The whole grade as JSON: figures of the session, and lines, targets and false calls of every film."""
    films = [_film_json(g, [r for r in graded.rows.targets if r.film == g.film]) for g in graded.grades]
    data: dict[str, Any] = {
        "schema": SCHEMA, "session": graded.session.id, "trainee": graded.trainee, "date": graded.date, "level": graded.session.level,
        "technique": graded.session.technique, "criteria": graded.session.criteria, "skipped": list(graded.skipped),
        "figures": asdict(figures), "films": films}
    return json.dumps(data, indent=1, allow_nan=False) + "\n"


def _film_json(g: FilmGrade, rows: list[TargetRow]) -> dict[str, Any]:
    calls = [{"mark": c.mark.id, "along_mm": c.mark.along_mm, "across_mm": c.mark.across_mm, "on": c.on, "says": c.says}
             for c in g.false_calls]
    return {
        "film": g.film, "points": g.points, "possible": g.possible, "passed": g.passed, "fails": list(g.fails),
        "verdict_true": g.truth.verdict, "verdict_given": g.answer.verdict, "lines": [asdict(n) for n in g.lines],
        "targets": [asdict(r) | {"says": t.says} for t, r in zip(g.targets, rows, strict=True)], "false_calls": calls}


def rows_csv(kind: type[TargetRow] | type[FilmRow], rows: Sequence[TargetRow] | Sequence[FilmRow]) -> str:
    """Rows as CSV. The targets' table can be given to `rtscan practise reliability` as it is: `found` is the hit."""
    from rtscan.record_lists import written_text

    file = io.StringIO()
    writer = csv.writer(file, lineterminator="\n")
    names = [f.name for f in fields(kind)]
    writer.writerow(names)
    writer.writerows([written_text(getattr(row, name)) for name in names] for row in rows)
    return file.getvalue()
