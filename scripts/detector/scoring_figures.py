"""The arithmetic of the bench: plain numbers from scored films, nothing printed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scoring import FilmScore, ScoredTruth
from scoring_verdict import Verdicts

from rtscan.findings import Indication
from rtscan.imperfections import by_number, by_term
from rtscan.practise.reliability import HitMiss, fit_curve

PLANAR_ALTERNATIVE = 0.05
"""From this confidence on a planar alternative counts in the verdict (the contract's rule 6)."""


def family(indication: Indication) -> str:
    """Type family, by term, else by number."""
    known = by_term(indication.type) or by_number(indication.iso6520)
    return known.family if known else "other"


def share(yes: int | float, of: int | float) -> float:
    """yes / of; not a number when there is nothing to divide by."""
    return yes / of if of else float("nan")


@dataclass(frozen=True)
class Fit:
    """Detectability at 50 % and 90 % detection by the logistic fit on its logarithm; None where the data cannot place it."""

    a50: float | None
    a90: float | None


def fit_detection(truths: Sequence[ScoredTruth]) -> Fit:
    """The curve of practise/reliability.py over detectability."""
    if not truths:
        return Fit(None, None)
    size = np.array([t.detectability for t in truths])
    curve = fit_curve(HitMiss(size, np.ones(len(size)), np.array([float(t.found) for t in truths])), "log")
    return Fit(curve.a50, curve.a90)


@dataclass(frozen=True)
class SizeErrors:
    """Called minus true, mm: how many, signed median, median and 90th percentile of the size of the error, share of the truths inside the
    stated interval (k = 2; None where none is stated)."""

    count: int
    signed: float
    median: float
    p90: float
    covered: float | None


STATED = {"length_mm": "length_u_mm", "width_mm": "width_u_mm", "local_width_mm": "width_u_mm", "height_mm": "height_u_mm"}
"""Each size and the uncertainty it is judged with."""


def size_errors(pairs: Sequence[tuple[Indication, Indication]], quantity: str) -> SizeErrors | None:
    """Errors of one size over pairs (truth, call); None where no pair has it."""
    rows = [(getattr(c, quantity) - getattr(t, quantity), getattr(c, STATED[quantity])) for t, c in pairs
            if getattr(c, quantity) is not None and getattr(t, quantity) is not None]
    if not rows:
        return None
    error = np.array([e for e, _ in rows])
    stated = [abs(e) <= u for e, u in rows if u is not None]
    return SizeErrors(len(rows), float(np.median(error)), float(np.median(np.abs(error))), float(np.percentile(np.abs(error), 90)),
                      share(sum(stated), len(stated)) if stated else None)


@dataclass(frozen=True)
class Names:
    """How the found indications are named: shares of family and of exact type right, macro-F1 over the families that are there, share with
    the true type among name and alternatives; planar truths, and those of them with no planar possibility told."""

    count: int
    family_right: float
    type_right: float
    macro_f1: float
    type_among: float
    planar: int
    planar_untold: int


def names(pairs: Sequence[tuple[Indication, Indication]]) -> Names:
    """Figures of naming over pairs (truth, call)."""
    true, told = [family(t) for t, _ in pairs], [family(c) for _, c in pairs]
    planar = [c for t, c in pairs if _is_planar(t.type)]
    return Names(
        len(pairs),
        share(sum(a == b for a, b in zip(true, told, strict=True)), len(pairs)),
        share(sum(t.type == c.type for t, c in pairs), len(pairs)),
        macro_f1(true, told),
        share(sum(t.type in (c.type, *(a.type for a in c.alternatives)) for t, c in pairs), len(pairs)),
        len(planar),
        sum(not _planar_told(c) for c in planar),
    )


def _is_planar(term: str) -> bool:
    known = by_term(term)
    return known is not None and known.planar


def _planar_told(call: Indication) -> bool:
    return _is_planar(call.type) or any(_is_planar(a.type) and a.confidence >= PLANAR_ALTERNATIVE for a in call.alternatives)


def macro_f1(true: Sequence[str], told: Sequence[str]) -> float:
    """Mean over the families that are truly there of 2 · hits / (true + told)."""
    scores = [2 * sum(a == b == f for a, b in zip(true, told, strict=True)) / (true.count(f) + told.count(f)) for f in sorted(set(true))]
    return share(sum(scores), len(scores))


@dataclass(frozen=True)
class ReliabilityBin:
    """Calls with confidence from `low` on: how many, mean confidence told, share of exact types and of families right."""

    low: float
    count: int
    told: float
    type_right: float
    family_right: float


def reliability(pairs: Sequence[tuple[Indication, Indication]], step: float = 0.2) -> list[ReliabilityBin]:
    """The reliability table of the type confidence; empty bins left out. A confidence of 1 belongs to the last bin."""
    last = round(1 / step) - 1
    by_bin: dict[int, list[tuple[Indication, Indication]]] = {}
    for pair in pairs:
        by_bin.setdefault(min(int((pair[1].confidence or 0.0) / step + 1e-9), last), []).append(pair)
    return [ReliabilityBin(k * step, len(held), float(np.mean([c.confidence or 0.0 for _, c in held])),
                           float(np.mean([t.type == c.type for t, c in held])), float(np.mean([family(t) == family(c) for t, c in held])))
            for k, held in sorted(by_bin.items())]


@dataclass(frozen=True)
class VerdictFigures:
    """Over calibrated films, taken as fit. Decided: reading and true list both accept or reject. Names of films where a rejectable truth
    was accepted or an acceptable one rejected. `truth_open`: films whose true list itself gives review."""

    films: int
    decided: int
    agreeing: int
    review: int
    unreadable: int
    truth_open: int
    wrongly_accepted: tuple[str, ...]
    wrongly_rejected: tuple[str, ...]


def verdict_figures(rows: Sequence[tuple[str, Verdicts]], seen_only: bool = False) -> VerdictFigures:
    """`rows` are (film name, its verdicts); `seen_only` takes the true list without what nobody can see."""
    words = [(name, v.reading, v.seen_truth if seen_only else v.truth) for name, v in rows]
    decided = [(name, told, true) for name, told, true in words if {told, true} <= {"accept", "reject"}]
    return VerdictFigures(
        len(words),
        len(decided),
        sum(told == true for _, told, true in decided),
        sum(told == "review" for _, told, _ in words),
        sum(told == "unreadable" for _, told, _ in words),
        sum(true not in ("accept", "reject") for _, _, true in words),
        tuple(name for name, told, true in words if (told, true) == ("accept", "reject")),
        tuple(name for name, told, true in words if (told, true) == ("reject", "accept")),
    )


@dataclass(frozen=True)
class FalseCallFigures:
    """False calls per film, per clean film, per 100 mm of weld and per film on each kind of mark."""

    a_film: float
    a_clean_film: float
    per_100_mm: float
    on_marks: dict[str, float]


def false_call_figures(films: Sequence[FilmScore]) -> FalseCallFigures:
    """Over these films; kinds of marks that drew no call are told too when they are among the usual ones."""
    clean = [f for f in films if f.clean]
    calls = [c for f in films for c in f.false_calls]
    kinds = ["wire", "letter", "marker", "scratch", "dust", "border", "artefact"]
    return FalseCallFigures(
        share(len(calls), len(films)),
        share(sum(len(f.false_calls) for f in clean), len(clean)),
        100 * share(len(calls), sum(f.weld_mm for f in films)),
        {kind: share(sum(c.on_mark == kind for c in calls), len(films)) for kind in kinds},
    )
