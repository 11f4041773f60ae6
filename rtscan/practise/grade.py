"""Grades one film: answer against truth, in the order a film is read. The same code grades a trainee and a machine worksheet."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from rtscan.findings import Indication, VerdictWord, Worksheet
from rtscan.imperfections import is_within
from rtscan.practise import lessons
from rtscan.practise.answer import SECOND_SHOT, FilmAnswer
from rtscan.practise.answer_key import AnswerKey
from rtscan.practise.match import Matched, Target, match
from rtscan.practise.matching import Matching
from rtscan.practise.scale import Grading


@dataclass(frozen=True)
class Truth:
    """The truth of one film: the key, and the key judged by the session's criterion (findings, verdict).

    `relevant` are true indications above the criterion's floor, `rejectable` those that a rule rejects, alone or with others.
    `unfit` says why the film may not be judged, in words of the answer sheet (empty: fit). `wire_seen` None and `markers` "":
    not asked on this film.
    """

    key: AnswerKey
    judged: Worksheet
    relevant: frozenset[int]
    rejectable: frozenset[int]
    unfit: tuple[str, ...] = ()
    wire_seen: int | None = None
    markers: str = ""

    @property
    def verdict(self) -> VerdictWord:
        """The right answer for the film."""
        return "unreadable" if self.unfit else self.judged.verdict

    @property
    def round_mm(self) -> float | None:
        """Length of a closed girth weld, None for any other."""
        return self.key.weld.length_mm if self.key.weld.joint == "girth" else None


FALSE_CALL = "false call"
Skill = Literal["markers", "film quality", "seeing", "naming", "sizing", "judgement"]


@dataclass(frozen=True)
class Line:
    """One line of the grade: points got and possible, and a sentence when something was wrong or is worth saying."""

    skill: Skill
    part: str
    got: float
    of: float
    says: str = ""


@dataclass(frozen=True)
class TargetGrade:
    """How one target fared. `call` is "named", "too small", "second shot" or "missed"; `truth` its longest member.

    `read_mm` and `true_mm` are lengths to be compared, None when there is nothing to compare. `size_right` None: not compared.
    """

    target: Target
    truth: Indication
    marks: tuple[int, ...]
    call: str
    relevant: bool
    rejectable: bool
    fatal: bool
    detectability: float | None
    called_type: str = ""
    called_iso6520: str = ""
    name_share: float = 0.0
    read_mm: float | None = None
    true_mm: float | None = None
    size_right: bool | None = None
    says: str = ""

    @property
    def found(self) -> bool:
        """True when a mark points at it, whatever it was called."""
        return self.call != "missed"


@dataclass(frozen=True)
class FalseCall:
    """A mark where no imperfection is. `on` is the kind of object it sits on, if any."""

    mark: Indication
    call: str
    on: str
    says: str


@dataclass(frozen=True)
class Count:
    """Targets found, of how many."""

    found: int
    of: int


@dataclass(frozen=True)
class FilmGrade:
    """The grade of one film. `fails` lists what fails it whatever the points. On an unfit film nothing of the weld is counted."""

    film: str
    answer: FilmAnswer
    truth: Truth
    matched: Matched
    targets: tuple[TargetGrade, ...]
    false_calls: tuple[FalseCall, ...]
    lines: tuple[Line, ...]
    fails: tuple[str, ...]
    points: float
    possible: float
    passed: bool

    def count(self, which: str) -> Count:
        """Targets found among "all", the "relevant" or the "rejectable" ones."""
        chosen = [t for t in self.targets if which == "all" or (t.relevant if which == "relevant" else t.rejectable)]
        return Count(sum(t.found for t in chosen), len(chosen))


def grade_film(answer: FilmAnswer, truth: Truth, matching: Matching, grading: Grading) -> FilmGrade:
    """Grades `answer` against `truth`. A blank answer grades as nothing seen and nothing said."""
    marks = answer.marks
    counted = not truth.unfit
    matched = match(marks if counted else (), truth.key.indications if counted else (), truth.key.groups, matching, truth.round_mm)
    targets = tuple(
        _grade_target(t, tuple(m for m in marks if m.id in ids), answer, truth, grading)
        for t, ids in zip(matched.targets, matched.hits, strict=True))
    calls = tuple(_false_call(m, answer, truth, matched) for m in marks if m.id in matched.false_calls)
    lines = (*film_lines(answer, truth, grading), *(line for t in targets for line in _target_lines(t, grading)),
             *(_call_line(c, grading) for c in calls), *verdict_lines(answer, truth, grading))
    fails = _fails(answer, truth, targets)
    got, possible = max(sum(line.got for line in lines), 0.0), sum(line.of for line in lines)
    passed = not fails and got >= grading.pass_share * possible - 1e-9
    return FilmGrade(answer.film, answer, truth, matched, targets, calls, lines, fails, got, possible, passed)


def _grade_target(target: Target, marks: tuple[Indication, ...], answer: FilmAnswer, truth: Truth, grading: Grading) -> TargetGrade:
    members = [i for i in truth.key.indications if i.id in target.members]
    shown = max(members, key=lambda i: i.length_mm or 0.0)
    if target.is_group:
        shown = replace(shown, type=target.type, iso6520=target.iso6520, along_mm=target.extent.along_mm)
    detectable = [d for m in members if (d := truth.key.fact(m.id).detectability) is not None]
    rejectable = not truth.rejectable.isdisjoint(target.members)
    fatal = rejectable and lessons.family(target.iso6520, target.type) in grading.fatal.families
    grade = TargetGrade(
        target, shown, tuple(m.id for m in marks), "missed", not truth.relevant.isdisjoint(target.members), rejectable, fatal,
        max(detectable, default=None))
    if not marks:
        return replace(grade, says=lessons.missed(shown))
    called = [m for m in marks if m.id not in answer.too_small and m.id not in answer.second_shot]
    if called:
        return _named_grade(grade, called, grading)
    if any(m.id in answer.second_shot for m in marks):
        return replace(grade, call="second shot", says=f"Left open {lessons.where(shown)}: it is {shown.type} {shown.iso6520}, "
                                                       f"{lessons.sign(shown.iso6520)}.")
    counts = f"Too large to pass over {lessons.where(shown)}: {shown.type} {shown.iso6520} counts under this criterion."
    return replace(grade, call="too small", says=counts if grade.relevant else "")


def _named_grade(grade: TargetGrade, called: list[Indication], grading: Grading) -> TargetGrade:
    best = max(called, key=lambda m: (_name_share(m, grade.target), m.length_mm or 0.0))
    share = _name_share(best, grade.target)
    true_mm = 2 * grade.target.extent.half_along_mm if grade.target.is_group else grade.truth.length_mm
    as_one = not grade.target.is_group or len(called) == 1
    read_mm = best.length_mm if as_one else None
    right = None
    if as_one and true_mm is not None:
        allowed_mm = max(grading.size.tolerance_mm, grading.size.tolerance_share * true_mm)
        right = read_mm is not None and abs(read_mm - true_mm) <= allowed_mm + 1e-9
    return replace(
        grade, call="named", called_type=best.type, called_iso6520=best.iso6520, name_share=share, read_mm=read_mm,
        true_mm=true_mm if as_one else None, size_right=right, says="" if share == 1.0 else lessons.misnamed(best, grade.truth))


def _name_share(mark: Indication, target: Target) -> float:
    """1 for the number (or a finer one below it), a half for the family, else 0."""
    if mark.iso6520 and is_within(mark.iso6520, target.iso6520):
        return 1.0
    family = lessons.family(mark.iso6520, mark.type)
    return 0.5 if family and family == lessons.family(target.iso6520, target.type) else 0.0


def _false_call(mark: Indication, answer: FilmAnswer, truth: Truth, matched: Matched) -> FalseCall:
    call = "too small" if mark.id in answer.too_small else "second shot" if mark.id in answer.second_shot else "named"
    thing = truth.key.object_at(mark)
    if thing is not None:
        return FalseCall(mark, call, thing, f"False call {lessons.where(mark)}: {lessons.on_object(thing) or f'that is a {thing}'}.")
    if mark.id in matched.too_long:
        return FalseCall(mark, call, "", f"Mark {lessons.where(mark)} covers far more weld than anything there is: mark what you see.")
    if mark.along_mm is None:
        return FalseCall(mark, call, "", f"The mark {mark.id} has no station, so it cannot be found again: give along_mm.")
    return FalseCall(mark, call, "", lessons.false_call(mark, truth.key.weld.cap_width_mm))


def _target_lines(t: TargetGrade, grading: Grading) -> tuple[Line, ...]:
    points, other = grading.points, grading.other_answers
    part = f"{t.target.type} at {t.target.extent.along_mm:.0f} mm"
    if not t.relevant:
        if t.call == "too small":
            return (Line("seeing", f"{part}: too small to call, rightly", other.too_small_right, other.too_small_right),)
        says = "Below the floor of the criterion: it costs nothing, seen or not."
        return (Line("seeing", f"{part}: not relevant", 0.0, 0.0, f"{t.says} {says}".strip()),)
    whole = points.see + points.name + (points.size if t.true_mm is not None or not t.found else 0.0)
    if t.call == "named":
        size = points.size if t.size_right else 0.0
        off = "" if t.size_right is not False else _size_says(t)
        return (Line("seeing", f"{part}: seen", points.see, points.see),
                Line("naming", f"{part}: named", points.name * t.name_share, points.name, t.says),
                *((Line("sizing", f"{part}: sized", size, points.size, off),) if t.size_right is not None else ()))
    got = {"second shot": other.second_shot_on_target, "too small": other.too_small_wrong}.get(t.call, 0.0)
    return (Line("seeing", f"{part}: {t.call}", got, whole, t.says),)


def _size_says(t: TargetGrade) -> str:
    if t.read_mm is None or t.true_mm is None:
        return "No length was given."
    return f"Length read {t.read_mm:.1f} mm, true {t.true_mm:.1f} mm: measure to the toe of the image, where it fades out."


def _call_line(call: FalseCall, grading: Grading) -> Line:
    other = grading.other_answers
    if call.call == "second shot":
        got = other.second_shot_on_mark if call.on else other.second_shot_nothing
        says = f"Rightly doubted: {call.says}" if call.on else call.says
        return Line("seeing", "second shot asked for", got, max(got, 0.0), says)
    got = other.too_small_nothing if call.call == "too small" else grading.points.false_call
    return Line("seeing", FALSE_CALL, got, 0.0, call.says)


def film_lines(answer: FilmAnswer, truth: Truth, grading: Grading) -> tuple[Line, ...]:
    """Film identity, fitness, reason and wire."""
    points = grading.points
    lines = []
    if truth.markers:
        right = answer.markers == truth.markers
        lines.append(Line("markers", "markers", points.markers if right else 0.0, points.markers, "" if right else
                          f"The markers are {truth.markers}: compare every letter on the film with the job sheet first."))
    fit = not truth.unfit
    right = answer.film_fit is fit
    says = "" if right else "The film is fit to judge." if fit else f"The film is not fit to judge: {', '.join(truth.unfit)}."
    lines.append(Line("film quality", "film fit", points.film_fit if right else 0.0, points.film_fit, says))
    if truth.unfit:
        given = [w.strip().lower() for w in answer.why.replace(",", ";").split(";")]
        right = any(reason in given for reason in truth.unfit)
        says = "" if right else f"The reason is: {', '.join(truth.unfit)}."
        lines.append(Line("film quality", "why not fit", points.why if right else 0.0, points.why, says))
    if truth.wire_seen is not None:
        off = None if answer.wire_seen is None else abs(answer.wire_seen - truth.wire_seen)
        share = 1.0 if off == 0 else grading.wire.one_off if off == 1 else 0.0
        says = "" if off == 0 else (f"The thinnest wire to be seen is W{truth.wire_seen}: count from the thickest, "
                                    "over at least 10 mm of even density.")
        lines.append(Line("film quality", "wire seen", points.wire * share, points.wire, says))
    return tuple(lines)


def verdict_lines(answer: FilmAnswer, truth: Truth, grading: Grading) -> tuple[Line, ...]:
    """Judgement and the rule behind it."""
    points = grading.points
    share = grading.verdict[truth.verdict].get(answer.verdict, 0.0) if answer.verdict else 0.0
    says = "" if share == 1.0 else verdict_reason(truth)
    lines = [Line("judgement", "judgement", points.verdict * share, points.verdict, says)]
    rules = {_plain(text) for f in truth.judged.findings if f.result == "reject" for text in (f.rule, f.clause) if text}
    if truth.verdict == "reject" and rules:
        right = any(_plain(rule) in rules for rule in answer.rule.split(";"))
        broken = [f for f in truth.judged.findings if f.result == "reject"]
        names = ", ".join(dict.fromkeys(f"{f.rule} ({f.clause})" if f.clause not in ("", f.rule) else f.rule for f in broken))
        lines.append(Line("judgement", "rule", points.rule if right else 0.0, points.rule, "" if right else f"It is rejected by {names}."))
    return tuple(lines)


def verdict_reason(truth: Truth) -> str:
    """The right verdict and what decides it, in one sentence."""
    if truth.unfit:
        return f"The right answer is unreadable: {', '.join(truth.unfit)}."
    if truth.verdict == "accept":
        return "The right answer is accept: nothing that is here exceeds a limit."
    wanted = ("reject",) if truth.verdict == "reject" else ("review", "cannot judge")
    deciding = next((f for f in truth.judged.findings if f.result in wanted), None)
    word = "reject" if truth.verdict == "reject" else SECOND_SHOT
    return f"The right answer is {word}: {deciding.says if deciding else truth.judged.verdict_says}."


def _plain(rule: str) -> str:
    return "".join(rule.lower().split())


def _fails(answer: FilmAnswer, truth: Truth, targets: tuple[TargetGrade, ...]) -> tuple[str, ...]:
    fails = [f"missed a rejectable {t.target.type} {lessons.where(t.truth)}" for t in targets
             if t.fatal and t.call in ("missed", "too small")]
    if truth.unfit and answer.verdict in ("accept", "reject"):
        fails.append("judged a film that is not fit to judge")
    elif truth.verdict == "reject" and answer.verdict == "accept":
        fails.append("accepted a weld that the criterion rejects")
    return tuple(fails)
