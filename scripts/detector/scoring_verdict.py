"""The verdict of a reading beside that of the true list, by the same criteria, rules and situation.

Taken on calibrated films: density and scale known, wall in the job sheet. Whether the film itself is fit is another question with its own
checks, so both lists are judged as on a film vouched for; the word with the film's own checks is kept beside it. The true list is exact
(no uncertainty, no doubt about types) and has no detection limit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from rtscan.acceptance.criteria import Criteria
from rtscan.acceptance.judge import judge
from rtscan.acceptance.situation import situation_from_job
from rtscan.findings import Group, Indication, Quality, VerdictWord, WeldFacts, Worksheet
from rtscan.job import Job
from rtscan.record_json import from_json

VOUCHED = "the bench"


@dataclass(frozen=True)
class Verdicts:
    """`on_film`: as read, with the film's own checks, of which `failed` are the required ones that failed. `reading`, `truth`, `seen_truth`
    (the true list without what nobody can see): the film taken as fit. A reading that found no weld is `unreadable`. `open_rows`: the rows
    that give the reading a review."""

    on_film: VerdictWord
    reading: VerdictWord
    truth: VerdictWord
    seen_truth: VerdictWord
    failed: tuple[str, ...] = ()
    open_rows: tuple[str, ...] = ()


def is_calibrated(sheet: Worksheet, job: Job) -> bool:
    """Density and scale known, wall given."""
    return sheet.film.density_calibrated and sheet.film.pixels_per_mm is not None and job.weld.wall_mm is not None


def verdicts(sheet: Worksheet, key: dict[str, Any], truths: Sequence[Indication], seen: Sequence[Indication], job: Job,
             criteria: Criteria) -> Verdicts:
    """Judges the reading, the whole true list and the part of it that can be seen."""
    fit = replace(sheet, quality=Quality(detection_limit=sheet.quality.detection_limit))
    reading = _vouched(fit, job, criteria)
    word: VerdictWord = reading.verdict if sheet.weld.arcs else "unreadable"
    open_rows = {f.rule for f in reading.findings if f.result in ("review", "cannot judge")} if word == "review" else set()
    return Verdicts(
        sheet.verdict, word, _true_word(sheet, key, truths, job, criteria), _true_word(sheet, key, seen, job, criteria),
        tuple(c.name for c in sheet.quality.checks if c.required and c.result == "fail"), tuple(sorted(open_rows)),
    )


def _vouched(sheet: Worksheet, job: Job, criteria: Criteria) -> Worksheet:
    return judge(sheet, criteria, replace(situation_from_job(job, sheet), quality_vouched_by=VOUCHED))


def _true_word(sheet: Worksheet, key: dict[str, Any], truths: Sequence[Indication], job: Job, criteria: Criteria) -> VerdictWord:
    """The verdict of these true indications on the true weld."""
    present = {t.id for t in truths}
    groups = [from_json(row, Group) for row in key["groups"]]
    kept = tuple(g for g in (replace(g, members=tuple(m for m in g.members if m in present)) for g in groups) if len(g.members) > 1)
    named = {g.id for g in kept}
    exact = Worksheet(film=replace(sheet.film, scale_uncertainty=None), weld=from_json(key["weld"], WeldFacts), groups=kept,
                      indications=tuple(t if t.group in named else replace(t, group=None) for t in truths))
    return _vouched(exact, job, criteria).verdict
