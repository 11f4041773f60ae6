"""Reads one film of a draw as the command does, and lays what it says beside the truth."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from films import SimulatedFiles, Truth, film_folder, simulate_files, true_indications
from scoring_cost import Cost, with_cost
from scoring_match import GROW_MM, Outline, found_by_group, mark_under, matched
from scoring_references import reference_boxes, scored_boxes
from scoring_verdict import Verdicts, is_calibrated, verdicts

from rtscan.acceptance.criteria import Criteria
from rtscan.acceptance.library import load_criteria
from rtscan.findings import Indication, Worksheet
from rtscan.pipeline import Reading, read_film
from rtscan.reading.load import load_films

LEAST_DETECTABILITY = 3.0
OUTSIDE = "outside the covered part"


@dataclass(frozen=True)
class ScoredTruth:
    """A true indication on the covered weld, the call that finds it, and whether a group finds it."""

    indication: Indication
    detectability: float
    call: Indication | None
    by_group: bool

    @property
    def found(self) -> bool:
        """By a call of its own or by a group."""
        return self.call is not None or self.by_group

    @property
    def counts(self) -> bool:
        """Whether an ideal observer could see it at all."""
        return self.detectability >= LEAST_DETECTABILITY


@dataclass(frozen=True)
class FalseCall:
    """A call that meets no truth, and the kind of mark of film or set-up that it lies on."""

    call: Indication
    on_mark: str | None


@dataclass(frozen=True)
class FilmScore:
    """One film. `outside`: truths beyond the covered weld, which are neither asked for nor make a call false; `second_calls`: further
    calls on a truth already found; `verdicts` None where the film is not calibrated; `references`: (truths found, false calls) by name."""

    name: str
    clean: bool
    technique: str
    pixels_per_mm: float
    found_weld: bool
    weld_mm: float
    truths: tuple[ScoredTruth, ...]
    outside: int
    false_calls: tuple[FalseCall, ...]
    second_calls: int
    verdicts: Verdicts | None
    cost: Cost
    references: dict[str, tuple[int, int]]


def score_film(seed: int, number: int, clean_share: float, criteria: str) -> FilmScore:
    """Simulates, reads and scores film `number` of the draw with `seed`; `criteria` judges both lists."""
    rows = load_criteria(criteria)
    with film_folder() as place:
        made = simulate_files(seed, number, clean_share, Path(place))
        reading, cost = with_cost(lambda: read_film(load_films(made.film, made.job)[0], made.job, rows))
    return _scored(made, reading, cost, rows)


def _scored(made: SimulatedFiles, reading: Reading, cost: Cost, criteria: Criteria) -> FilmScore:
    truths, sheet = true_indications(made.key), reading.worksheet
    per_mm = sheet.film.pixels_per_mm or made.key["film"]["pixels_per_mm"]
    calls = sheet.indications
    seen = matched(_true_outlines(truths), _outlines(calls), per_mm)
    grouped = _found_by_groups(truths, sheet, per_mm)
    inside = [k for k, t in enumerate(truths) if OUTSIDE not in t.indication.note]
    scored = tuple(ScoredTruth(truths[k].indication, truths[k].detectability, _at(calls, seen.pairs.get(k)), k in grouped) for k in inside)
    false = tuple(FalseCall(calls[j], mark_under(calls[j].centre_px, made.key["objects"])) for j in seen.false)
    return FilmScore(
        name=made.film.stem, clean=made.clean, technique=made.technique, pixels_per_mm=per_mm, found_weld=reading.weld is not None,
        weld_mm=sum(b.strip.density.shape[1] for b in reading.backgrounds) / per_mm,
        truths=scored, outside=len(truths) - len(inside), false_calls=false, second_calls=len(seen.second),
        verdicts=_verdicts(made, sheet, scored, criteria), cost=cost, references=_references(scored, truths, inside, reading, per_mm),
    )


def _at(calls: tuple[Indication, ...], place: int | None) -> Indication | None:
    return None if place is None else calls[place]


def _verdicts(made: SimulatedFiles, sheet: Worksheet, scored: tuple[ScoredTruth, ...], criteria: Criteria) -> Verdicts | None:
    if not is_calibrated(sheet, made.job):
        return None
    true, seen = [t.indication for t in scored], [t.indication for t in scored if t.counts]
    return verdicts(sheet, made.key, true, seen, made.job, criteria)


def _true_outlines(truths: tuple[Truth, ...]) -> list[Outline]:
    return [Outline(t.indication.tone, t.outline_px) for t in truths]


def _outlines(calls: tuple[Indication, ...]) -> list[Outline]:
    return [Outline(c.tone, np.array(c.outline_px)) for c in calls]


def _found_by_groups(truths: tuple[Truth, ...], sheet: Worksheet, per_mm: float) -> set[int]:
    calls = {i.id: i for i in sheet.indications}
    groups = [_outlines(tuple(calls[m] for m in g.members)) for g in sheet.groups]
    return set().union(*(found_by_group(_true_outlines(truths), members, per_mm) for members in groups))


def _references(scored: tuple[ScoredTruth, ...], truths: tuple[Truth, ...], inside: list[int], reading: Reading,
                per_mm: float) -> dict[str, tuple[int, int]]:
    """(truths that count found, false calls) of each plain reference."""
    counted = {k for k, t in zip(inside, scored, strict=True) if t.counts}
    result = {}
    for name, boxes in reference_boxes(reading.backgrounds, per_mm).items():
        found, false = scored_boxes([t.outline_px for t in truths], boxes, GROW_MM * per_mm)
        result[name] = (len(found & counted), false)
    return result
