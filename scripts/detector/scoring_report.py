"""The figures of a scored film set as lines of text, in sections."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from scoring import LEAST_DETECTABILITY, FilmScore, ScoredTruth
from scoring_figures import (
    STATED,
    false_call_figures,
    family,
    fit_detection,
    names,
    reliability,
    share,
    size_errors,
    verdict_figures,
)

from rtscan.findings import Indication

DETECTABILITY_EDGES = (LEAST_DETECTABILITY, 5, 10, 20, 50, 100, float("inf"))
FINE_PIXELS_PER_MM = 20.0
Pairs = list[tuple[Indication, Indication]]


def lines(films: Sequence[FilmScore]) -> list[str]:
    """All sections."""
    truths = [t for f in films for t in f.truths if t.counts]
    pairs, fine = _pairs(films), _pairs([f for f in films if f.pixels_per_mm == FINE_PIXELS_PER_MM])
    parts = [_detection(films, truths), _by_kind(films, truths), _references(films, truths), _names(pairs), _sizes(pairs, fine),
             _verdicts(films), _cost(films)]
    return [line for part in parts for line in ("", *part)]


def _pairs(films: Sequence[FilmScore]) -> Pairs:
    """(truth, call) of the found."""
    return [(t.indication, t.call) for f in films for t in f.truths if t.counts and t.call is not None]


def _table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    """Columns wide enough, the first to the left, the others to the right."""
    widths = [max(len(row[k]) for row in (head, *rows)) for k in range(len(head))]
    return ["  " + "  ".join([row[0].ljust(widths[0]), *(c.rjust(w) for c, w in zip(row[1:], widths[1:], strict=True))]).rstrip()
            for row in (head, *rows)]


def _two(value: float | None) -> str:
    return "-" if value is None or np.isnan(value) else f"{value:.2f}"


def _detection(films: Sequence[FilmScore], truths: Sequence[ScoredTruth]) -> list[str]:
    false = false_call_figures(films)
    faint, alone = sum(not t.counts for f in films for t in f.truths), sum(t.by_group and t.call is None for t in truths)
    marks = ", ".join(f"{kind} {_two(value)}" for kind, value in false.on_marks.items())
    pores = [t for t in truths if family(t.indication) == "pore" or t.indication.iso6520.startswith("3041")]
    return [
        "DETECTION",
        f"weld found on {sum(f.found_weld for f in films)} of {len(films)} films",
        f"true indications from detectability {LEAST_DETECTABILITY:g}: {len(truths)}, found {_found(truths)} (by a group alone: {alone}); "
        f"not counted: {faint} fainter, {sum(f.outside for f in films)} outside the covered weld",
        f"false calls: {_two(false.a_film)} a film, {_two(false.a_clean_film)} a clean film ({sum(f.clean for f in films)} clean), "
        f"{_two(false.per_100_mm)} per 100 mm of weld",
        f"false calls on marks, a film: {_two(sum(false.on_marks.values()))} ({marks})",
        f"second calls on a truth: {_two(share(sum(f.second_calls for f in films), len(films)))} a film",
        f"logistic fit over detectability: all {_fitted(truths)}; pores and tungsten {_fitted(pores)}",
    ]


def _fitted(truths: Sequence[ScoredTruth]) -> str:
    fit = fit_detection(truths)
    return ", ".join(f"{name} {'not placed' if at is None else f'at {at:.3g}'}" for name, at in (("50 %", fit.a50), ("90 %", fit.a90)))


def _by_kind(films: Sequence[FilmScore], truths: Sequence[ScoredTruth]) -> list[str]:
    bins = [(f"{a:g} to {b:g}", [t for t in truths if a <= t.detectability < b]) for a, b in pairwise(DETECTABILITY_EDGES)]
    told = Counter(family(c.call) for f in films for c in f.false_calls)
    families = sorted({family(t.indication) for t in truths} | set(told))
    techniques = sorted({f.technique for f in films})
    return [
        *_table(("detectability", "truths", "found"), [(name, str(len(held)), _found(held)) for name, held in bins if held]),
        "",
        *_table(("technique", "films", "truths", "found", "false a film", "on marks"), [_technique(t, films) for t in techniques]),
        "",
        *_table(("family", "truths", "found", "false calls named so"),
                [(f, str(len(held)), _found(held), str(told[f])) for f in families
                 for held in [[t for t in truths if family(t.indication) == f]]]),
    ]


def _found(truths: Sequence[ScoredTruth]) -> str:
    return _two(share(sum(t.found for t in truths), len(truths)))


def _technique(name: str, films: Sequence[FilmScore]) -> tuple[str, ...]:
    own = [f for f in films if f.technique == name]
    truths = [t for f in own for t in f.truths if t.counts]
    false = false_call_figures(own)
    return name, str(len(own)), str(len(truths)), _found(truths), _two(false.a_film), _two(sum(false.on_marks.values()))


def _references(films: Sequence[FilmScore], truths: Sequence[ScoredTruth]) -> list[str]:
    head = ("plain reference, told where the weld is", "found", "false a film")
    return _table(head, [(name, _two(share(sum(f.references[name][0] for f in films), len(truths))),
                          _two(share(sum(f.references[name][1] for f in films), len(films)))) for name in films[0].references])


def _names(pairs: Pairs) -> list[str]:
    if not pairs:
        return ["NAMES", "nothing found, nothing named"]
    all_told = names(pairs)
    seen = sorted({family(i) for pair in pairs for i in pair})
    counts = Counter((family(t), family(c)) for t, c in pairs)
    rows = [(true, *(str(counts[true, told] or "·") for told in seen)) for true in seen]
    return [
        "NAMES of the found",
        f"family right {_two(all_told.family_right)} of {all_told.count}, macro-F1 {_two(all_told.macro_f1)}; exact type right "
        f"{_two(all_told.type_right)}, among name and alternatives {_two(all_told.type_among)}",
        f"planar truths with no planar possibility told: {all_told.planar_untold} of {all_told.planar}",
        *_table(("true \\ named", *seen), rows),
        "",
        *_table(("confidence", "calls", "mean told", "type right", "family right"),
                [(f"from {b.low:.1f}", str(b.count), _two(b.told), _two(b.type_right), _two(b.family_right)) for b in reliability(pairs)]),
    ]


def _sizes(pairs: Pairs, fine: Pairs) -> list[str]:
    pores = [(t, c) for t, c in pairs if t.iso6520 in ("2011", "3041")]
    rows = [row for title, held in (("", pairs), (" at 50 µm", fine), (" of pores and tungsten", pores)) for q in STATED
            if (row := _size_row(q, title, held)) is not None and (title == "" or q in ("length_mm", "local_width_mm"))]
    return ["SIZES, called minus true, mm",
            *_table(("", "found", "signed median", "size of error, median", "90th percentile", "covered by k = 2"), rows)]


def _size_row(quantity: str, title: str, pairs: Pairs) -> tuple[str, ...] | None:
    errors = size_errors(pairs, quantity)
    if errors is None:
        return None
    name = quantity.removesuffix("_mm").replace("_", " ") + title
    return name, str(errors.count), f"{errors.signed:+.3f}", f"{errors.median:.3f}", f"{errors.p90:.2f}", _two(errors.covered)


def _verdicts(films: Sequence[FilmScore]) -> list[str]:
    rows = [(f.name, f.verdicts) for f in films if f.verdicts is not None]
    if not rows:
        return ["VERDICT", "no calibrated film"]
    told = []
    for title, seen_only in (("whole true list", False), (f"true list from detectability {LEAST_DETECTABILITY:g}", True)):
        v = verdict_figures(rows, seen_only)
        told += [
            f"{title}: same verdict on {v.agreeing} of {v.decided} decided ({_two(share(v.agreeing, v.decided))}); "
            f"true list open on {v.truth_open}",
            f"  rejectable truth accepted: {_list(v.wrongly_accepted)}; acceptable truth rejected: {_list(v.wrongly_rejected)}",
        ]
    words, failed = Counter(v.on_film for _, v in rows), Counter(name for _, v in rows for name in v.failed)
    open_rows = Counter(row for _, v in rows for row in v.open_rows)
    return [
        f"VERDICT on {v.films} calibrated films, taken as fit and vouched for",
        f"review {v.review} ({_two(share(v.review, v.films))}), no weld found {v.unreadable} ({_two(share(v.unreadable, v.films))})",
        f"  open rows, films: {_counts(open_rows)}",
        *told,
        "with the film's own checks: " + ", ".join(f"{word} {words[word]}" for word in ("accept", "reject", "review", "unreadable")),
        f"  required checks failed, films: {_counts(failed)}",
    ]


def _counts(counts: Counter[str]) -> str:
    return ", ".join(f"{name} {n}" for name, n in sorted(counts.items(), key=lambda c: (-c[1], c[0]))[:8]) or "none"


def _list(films: tuple[str, ...]) -> str:
    return f"{len(films)} ({', '.join(films)})" if films else "0"


def _cost(films: Sequence[FilmScore]) -> list[str]:
    def told(value: Callable[[FilmScore], Any], unit: str) -> str:
        known = [v for f in films if (v := value(f)) is not None]
        return f"median {np.median(known):.1f} {unit}, most {max(known):.1f} {unit}" if known else "not measured here"

    return [
        "COST of a film, from its file to the verdict, in a process that has read others",
        f"processor time: {told(lambda f: f.cost.seconds, 's')}",
        f"peak memory of the process: {told(lambda f: f.cost.peak_mib, 'MiB')}",
    ]
