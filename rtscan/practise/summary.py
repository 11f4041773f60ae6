"""The figures of a session, or of all sessions of a trainee: curves, false calls, d', size bias, confusion, kappa, time, weak spots."""

from __future__ import annotations

import statistics
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from rtscan.practise.agreement import (
    Interval,
    Kappa,
    Sensitivity,
    SizeAgreement,
    cohens_kappa,
    poisson_interval,
    sensitivity,
    size_agreement,
)
from rtscan.practise.reliability import Curve, HitMiss, fit_curve
from rtscan.practise.rows import SKILLS, SessionRows, TargetRow

VERDICT_WORDS = ("accept", "reject", "review", "unreadable")
SIZE_CLASSES_MM = (0.0, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0, float("inf"))


@dataclass(frozen=True)
class Share:
    """A share got of what was possible, by name; None when nothing was asked."""

    name: str
    got: float
    of: float

    @property
    def share(self) -> float | None:
        """Between 0 and 1."""
        return self.got / self.of if self.of else None


@dataclass(frozen=True)
class Confusion:
    """How often a true type was called something else; `called` "" means missed, "open" a special answer."""

    true: str
    called: str
    count: int


@dataclass(frozen=True)
class Summary:
    """All figures. Curves are None without a target that has the quantity; of the two scales the one with the lower deviance is taken."""

    films: int
    passed: int
    points: float
    possible: float
    found: tuple[Share, ...]
    skills: tuple[Share, ...]
    by_family: tuple[Share, ...]
    by_size: tuple[Share, ...]
    size_curve: Curve | None
    detectability_curve: Curve | None
    false_calls: int
    films_counted: int
    false_calls_per_film: float | None
    false_calls_interval: Interval
    sensitivity: Sensitivity
    sizes: SizeAgreement
    confusion: tuple[Confusion, ...]
    verdicts: tuple[tuple[int, ...], ...]
    kappa: Kappa
    seconds_per_film: float | None
    weakest_family: str
    weakest_size: str


def summarise(rows: SessionRows) -> Summary:
    """The figures of `rows`. Unfit films count for the judgement, not for detection."""
    fit = [f for f in rows.films if not f.unfit]
    calls = sum(f.false_calls for f in fit)
    times = [f.seconds for f in rows.films if f.seconds is not None]
    verdicts = Counter((f.verdict_true, f.verdict_given) for f in rows.films)
    table = tuple(tuple(verdicts[true, given] for given in VERDICT_WORDS) for true in VERDICT_WORDS)
    units = [sum(getattr(f, name) for f in fit) for name in ("units_found", "units_with", "units_false", "units_without")]
    sized = [(t.read_mm, t.true_mm) for t in rows.targets if t.read_mm is not None and t.true_mm is not None]
    by_family, by_size = _by_family(rows.targets), _by_size(rows.targets)
    return Summary(
        len(rows.films), sum(f.passed for f in rows.films), sum(f.points for f in rows.films), sum(f.possible for f in rows.films),
        _found(rows.targets), _skills(rows), by_family, by_size,
        best_curve([t.size_mm for t in rows.targets], [t.found for t in rows.targets]),
        best_curve([t.detectability for t in rows.targets], [t.found for t in rows.targets]),
        calls, len(fit), calls / len(fit) if fit else None, poisson_interval(calls, len(fit)), sensitivity(*units),
        size_agreement([r for r, _ in sized], [t for _, t in sized]), _confusion(rows.targets), table, cohens_kappa(table),
        statistics.median(times) if times else None, weakest(by_family), weakest(by_size))


def best_curve(sizes: Sequence[float | None], found: Sequence[bool]) -> Curve | None:
    """The curve on the scale that fits better, linear on a tie; None when no size is known."""
    known = [(s, f) for s, f in zip(sizes, found, strict=True) if s is not None and s > 0]
    if not known:
        return None
    table = HitMiss(np.array([s for s, _ in known]), np.ones(len(known)), np.array([float(f) for _, f in known]))
    linear, log = fit_curve(table, "linear"), fit_curve(table, "log")
    return log if linear.deviance is not None and log.deviance is not None and log.deviance < linear.deviance - 1e-9 else linear


def hit_miss(rows: SessionRows, quantity: str = "size_mm") -> HitMiss | None:
    """The hit/miss table of the targets against "size_mm" or "detectability"; None when none is known."""
    known = [(getattr(t, quantity), t.found) for t in rows.targets if getattr(t, quantity)]
    if not known:
        return None
    return HitMiss(np.array([s for s, _ in known], dtype=np.float64), np.ones(len(known)), np.array([float(f) for _, f in known]))


def weakest(shares: Sequence[Share]) -> str:
    """The name with the lowest share among those with a miss, each judged as if one hit and one miss more were known; "" without a miss."""
    missed = [s for s in shares if s.got < s.of]
    return min(missed, key=lambda s: ((s.got + 1) / (s.of + 2), s.name)).name if missed else ""


def _found(targets: Sequence[TargetRow]) -> tuple[Share, ...]:
    chosen = {"all": list(targets), "relevant": [t for t in targets if t.relevant], "rejectable": [t for t in targets if t.rejectable]}
    return tuple(Share(name, sum(t.found for t in some), len(some)) for name, some in chosen.items())


def _skills(rows: SessionRows) -> tuple[Share, ...]:
    return tuple(
        Share(skill, max(sum(r.got for r in rows.skills if r.skill == skill), 0.0), sum(r.of for r in rows.skills if r.skill == skill))
        for skill in SKILLS)


def _by_family(targets: Sequence[TargetRow]) -> tuple[Share, ...]:
    names = sorted({t.family for t in targets if t.family})
    return tuple(Share(n, sum(t.found for t in targets if t.family == n), sum(t.family == n for t in targets)) for n in names)


def _by_size(targets: Sequence[TargetRow]) -> tuple[Share, ...]:
    shares = []
    for low, high in pairwise(SIZE_CLASSES_MM):
        some = [t for t in targets if t.size_mm is not None and low < t.size_mm <= high]
        name = f"{low:g} to {high:g} mm" if high < float("inf") else f"over {low:g} mm"
        if some:
            shares.append(Share(name, sum(t.found for t in some), len(some)))
    return tuple(shares)


def _confusion(targets: Sequence[TargetRow]) -> tuple[Confusion, ...]:
    called = Counter((t.family, t.called_family if t.call == "named" else "open" if t.found else "") for t in targets)
    return tuple(Confusion(true, name, count) for (true, name), count in sorted(called.items()))
