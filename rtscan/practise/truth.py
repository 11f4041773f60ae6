"""The truth of a dealt film, judged: what could be seen, what counts under the criterion, what the right verdict is."""

from __future__ import annotations

from dataclasses import replace

from rtscan.acceptance.bench import NO_RULE
from rtscan.acceptance.criteria import Criteria
from rtscan.acceptance.judge import judge
from rtscan.acceptance.situation import situation_from_job
from rtscan.findings import Finding, Group, Indication, Worksheet
from rtscan.job import Job
from rtscan.practise.answer import FilmAnswer
from rtscan.practise.answer_key import AnswerKey
from rtscan.practise.grade import Truth
from rtscan.practise.lessons import family
from rtscan.practise.matching import Matching
from rtscan.practise.sealed import SealedFilm

OUTSIDE = "outside the covered part"


def truth_of(film: SealedFilm, job: Job, criteria: Criteria, matching: Matching) -> Truth:
    """Judges the key of `film`.

    Left out are imperfections outside the covered weld. Those fainter than can be seen stay targets that nobody is asked for, and do
    not enter the verdict; nor do marks of the surface (spatter, stray arcs, grinding), which visual examination judges. Heights are taken
    away before judging: a film does not tell them, so a rule on depth asks for a closer look.
    """
    key = film.key
    covered = tuple(i for i in key.indications if OUTSIDE not in i.note)
    key = replace(key, indications=covered, groups=_kept(key.groups, covered))
    seen = tuple(i for i in covered if is_visible(key, i, matching) and family(i.iso6520, i.type) != "surface")
    sheet = Worksheet(film=key.film, weld=key.weld, groups=_kept(key.groups, seen),
                      indications=tuple(replace(i, height_mm=None, result=None) for i in seen))
    judged = judge(sheet, criteria, situation_from_job(job, sheet))
    named = _members(judged, tuple(f for f in judged.findings if f.rule != NO_RULE))
    rejected = _members(judged, tuple(f for f in judged.findings if f.result == "reject"))
    return Truth(key, judged, named, rejected, film.unfit, film.wire_seen, film.markers)


def judged_marks(answer: FilmAnswer, truth: Truth, job: Job, criteria: Criteria) -> Worksheet:
    """What the criterion says of the reader's own marks: tells a judging mistake from a seeing mistake."""
    counted = tuple(m for m in answer.marks if m.id not in answer.too_small and m.id not in answer.second_shot)
    sheet = Worksheet(film=truth.key.film, weld=truth.key.weld, indications=counted)
    return judge(sheet, criteria, situation_from_job(job, sheet))


def is_visible(key: AnswerKey, indication: Indication, matching: Matching) -> bool:
    """Whether anybody could see it; True when the key does not say."""
    detectability = key.fact(indication.id).detectability
    return detectability is None or detectability >= matching.least_detectability


def _kept(groups: tuple[Group, ...], indications: tuple[Indication, ...]) -> tuple[Group, ...]:
    ids = {i.id for i in indications}
    kept = (replace(g, members=tuple(m for m in g.members if m in ids)) for g in groups)
    return tuple(g for g in kept if len(g.members) > 1)


def _members(judged: Worksheet, findings: tuple[Finding, ...]) -> frozenset[int]:
    """Indications that the findings name, singly or through a group."""
    groups = {g.id: g.members for g in judged.groups}
    return frozenset(k for f in findings for k in (*f.indications, *(m for name in f.groups for m in groups.get(name, ()))))
