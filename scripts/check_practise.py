"""Measures whether the practice statistics recover a simulated trainee of known detection curve, size bias and false-call rate.

    python scripts/check_practise.py [sessions]

Each session: 15 invented films with four targets each, marked by the trainee, graded by the ordinary code. Printed: the share of
sessions whose 95 % intervals hold the true a50, a90, size bias and false-call rate, and whose a90/95 lies above the true a90.
Then the same bound for small, steep tables in which hits and misses do not overlap. Target: 90 % or more in every line.
"""

from __future__ import annotations

import math
import sys
from collections import Counter
from collections.abc import Iterable

import numpy as np

from rtscan.findings import FilmFacts, Indication, WeldArc, WeldFacts, Worksheet
from rtscan.practise.answer import FilmAnswer
from rtscan.practise.answer_key import AnswerKey
from rtscan.practise.grade import FilmGrade, Truth, grade_film
from rtscan.practise.matching import load_matching
from rtscan.practise.reliability import LOGIT_90, HitMiss, fit_curve
from rtscan.practise.rows import SessionRows, rows_of
from rtscan.practise.scale import load_grading
from rtscan.practise.summary import summarise

A50_MM, SLOPE_PER_MM = 1.2, 3.0
BIAS_MM, SPREAD_MM = 0.35, 0.25
FALSE_CALLS_PER_FILM = 0.4
FILMS, TARGETS = 15, 4
FILM_MM = 240.0


def session(rng: np.random.Generator) -> SessionRows:
    """One session of the simulated trainee, graded."""
    return rows_of((_graded_film(f"film-{k:02d}", rng) for k in range(FILMS)), load_matching())


def recovered(sessions: int, rng: np.random.Generator) -> dict[str, float]:
    """Share of sessions whose intervals hold the truth, by quantity."""
    true_a90 = A50_MM + LOGIT_90 / SLOPE_PER_MM
    held: Counter[str] = Counter()
    for _ in range(sessions):
        rows = session(rng)
        figures = summarise(rows)
        targets = rows.targets
        curve = fit_curve(HitMiss(np.array([t.size_mm for t in targets], dtype=np.float64), np.ones(len(targets)),
                                  np.array([float(t.found) for t in targets])))
        held["a50"] += curve.a50_interval.holds(A50_MM)
        held["a90"] += curve.a90_interval.holds(true_a90)
        held["a90/95 above a90"] += curve.a90_95_lr is None or curve.a90_95_lr >= true_a90
        held["size bias"] += figures.sizes.bias_interval.holds(BIAS_MM)
        held["false calls"] += figures.false_calls_interval.holds(FALSE_CALLS_PER_FILM)
    return {name: count / sessions for name, count in held.items()}


def separated_coverage(tables: int, rng: np.random.Generator) -> dict[str, float]:
    """Share of separated tables whose a90/95 lies above the true a90, by steepness and number of targets."""
    shares = {}
    for slope, targets in ((6.0, 12), (12.0, 20), (12.0, 40)):
        held: list[bool] = []
        while len(held) < tables:
            size = np.round(rng.uniform(0.2, 2.2, targets), 2)
            hits = (rng.random(targets) < 1 / (1 + np.exp(-slope * (size - 1.0)))).astype(float)
            curve = fit_curve(HitMiss(size, np.ones(targets), hits))
            if curve.kind == "penalised" and curve.a90 is not None:
                held.append(curve.a90_95_lr is None or curve.a90_95_lr >= 1.0 + LOGIT_90 / slope)
        shares[f"separated, {targets} targets, slope {slope:g}"] = sum(held) / tables
    return shares


def _graded_film(name: str, rng: np.random.Generator) -> FilmGrade:
    places = 30.0 + 60.0 * np.arange(TARGETS) + rng.uniform(-10, 10, TARGETS)
    sizes = np.exp(rng.uniform(math.log(0.3), math.log(5.0), TARGETS))
    truths = tuple(
        Indication(k + 1, type="gas pore", iso6520="2011", along_mm=float(a), across_mm=float(rng.uniform(-4, 4)),
                   length_mm=float(s), width_mm=float(s))
        for k, (a, s) in enumerate(zip(places, sizes, strict=True)))
    weld = WeldFacts(arcs=(WeldArc(None, (), (), (), 0.0, FILM_MM),))
    key = AnswerKey(film=FilmFacts(pixels_per_mm=10.0), weld=weld, indications=truths)
    everything = frozenset(t.id for t in truths)
    answer = FilmAnswer(name, tuple(_marks(truths, rng)), film_fit=True, verdict="accept")
    return grade_film(answer, Truth(key, Worksheet(verdict="accept"), everything, frozenset()), load_matching(), load_grading())


def _marks(truths: Iterable[Indication], rng: np.random.Generator) -> Iterable[Indication]:
    id = 0
    for truth in truths:
        along, across, length = truth.along_mm or 0.0, truth.across_mm or 0.0, truth.length_mm or 0.0
        if rng.random() < 1 / (1 + math.exp(-SLOPE_PER_MM * (length - A50_MM))):
            id += 1
            read = max(length + BIAS_MM + SPREAD_MM * rng.standard_normal(), 0.0)
            yield Indication(id, iso6520="2011", along_mm=along + rng.uniform(-2, 2), across_mm=across + rng.uniform(-1, 1),
                             length_mm=read, width_mm=read)
    for _ in range(rng.poisson(FALSE_CALLS_PER_FILM)):
        id += 1  # beside the weld, 9 mm or more from any target: never a hit by luck
        yield Indication(id, iso6520="2011", along_mm=float(rng.uniform(0, FILM_MM)), across_mm=14.0, length_mm=1.0, width_mm=1.0)


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    figures = recovered(count, np.random.default_rng(5)) | separated_coverage(count, np.random.default_rng(6))
    for name, share in figures.items():
        print(f"{name}: {share:.3f}")
    sys.exit(any(share < 0.90 for share in figures.values()))
