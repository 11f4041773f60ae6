"""The flat rows of a graded session: what the CSV lists, the history keeps and the statistics count."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from rtscan.practise.grade import FilmGrade, Skill
from rtscan.practise.match import signed_gap_mm
from rtscan.practise.matching import Matching

SKILLS: tuple[Skill, ...] = ("markers", "film quality", "seeing", "naming", "sizing", "judgement")


@dataclass(frozen=True)
class FilmRow:
    """One film of a session. `units_*` are grading units of weld: with a flaw, of those found; without, of those called falsely."""

    film: str
    verdict_true: str
    verdict_given: str
    unfit: bool
    points: float
    possible: float
    passed: bool
    false_calls: int
    units_with: int
    units_found: int
    units_without: int
    units_false: int
    seconds: float | None


@dataclass(frozen=True)
class SkillRow:
    """Points of one skill on one film."""

    film: str
    skill: str
    got: float
    of: float


@dataclass(frozen=True)
class TargetRow:
    """One target: what it is, whether it was found, what it was called, and the lengths to compare (mm)."""

    film: str
    target: str
    type: str
    iso6520: str
    family: str
    size_mm: float | None
    detectability: float | None
    relevant: bool
    rejectable: bool
    found: bool
    call: str
    called_iso6520: str
    called_family: str
    name_share: float
    read_mm: float | None
    true_mm: float | None


@dataclass(frozen=True)
class SessionRows:
    """All rows of one session, or of several put together."""

    films: tuple[FilmRow, ...] = ()
    skills: tuple[SkillRow, ...] = ()
    targets: tuple[TargetRow, ...] = ()


def rows_of(grades: Iterable[FilmGrade], matching: Matching) -> SessionRows:
    """The rows of graded films."""
    from rtscan.practise.lessons import family

    films, skills, targets = [], [], []
    for grade in grades:
        films.append(_film_row(grade, matching))
        for skill in SKILLS:
            lines = [line for line in grade.lines if line.skill == skill]
            if lines:
                skills.append(SkillRow(grade.film, skill, sum(n.got for n in lines), sum(n.of for n in lines)))
        targets += [
            TargetRow(
                grade.film, t.target.id, t.target.type, t.target.iso6520, family(t.target.iso6520, t.target.type), t.target.size_mm,
                t.detectability, t.relevant, t.rejectable, t.found, t.call, t.called_iso6520, family(t.called_iso6520, t.called_type),
                t.name_share, t.read_mm, t.true_mm)
            for t in grade.targets]
    return SessionRows(tuple(films), tuple(skills), tuple(targets))


def pooled(sessions: Iterable[SessionRows]) -> SessionRows:
    """Several sessions as one."""
    parts = tuple(sessions)
    return SessionRows(*(tuple(row for p in parts for row in getattr(p, name)) for name in ("films", "skills", "targets")))


def _film_row(grade: FilmGrade, matching: Matching) -> FilmRow:
    units = (0, 0, 0, 0) if grade.truth.unfit else count_units(grade, matching.grading_unit_mm)
    return FilmRow(
        grade.film, grade.truth.verdict, grade.answer.verdict or "", bool(grade.truth.unfit), grade.points, grade.possible, grade.passed,
        len(grade.false_calls), *units, grade.answer.seconds)


def count_units(grade: FilmGrade, unit_mm: float) -> tuple[int, int, int, int]:
    """Grading units (with a flaw, of them found, without, of them called falsely) over the stations that the film shows."""
    ring = grade.truth.round_mm
    counts = [0, 0, 0, 0]
    for arc in grade.truth.key.weld.arcs:
        start, end = arc.station_from_mm, arc.station_to_mm
        if start is None or end is None:
            continue
        length = (end - start) % ring if ring and abs(end - start) < ring else abs(end - start)
        on_arc = [t for t in grade.targets if not t.target.extent.wall or not arc.wall or t.target.extent.wall == arc.wall]
        for k in range(max(round(length / unit_mm), 1)):
            middle = start + (k + 0.5) * length / max(round(length / unit_mm), 1)
            half = length / max(round(length / unit_mm), 1) / 2
            inside = [t for t in on_arc
                      if abs(signed_gap_mm(t.target.extent.along_mm, middle, ring)) <= half + t.target.extent.half_along_mm]
            falsely = [c for c in grade.false_calls if c.call == "named" and c.mark.along_mm is not None
                       and abs(signed_gap_mm(c.mark.along_mm, middle, ring)) <= half]
            if inside:
                counts[0] += 1
                counts[1] += any(t.found for t in inside)
            else:
                counts[2] += 1
                counts[3] += bool(falsely)
    return counts[0], counts[1], counts[2], counts[3]
