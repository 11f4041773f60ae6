"""Training samples from simulated films: what the network sees with the truth beside it, and tables of candidates with their labels."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from films import ReadFilm, Truth, Twins, kind_of, simulate_and_read, simulate_twins, truth_on_grid
from scoring_match import Outline, matched

from rtscan.film import Background
from rtscan.findings import Indication
from rtscan.reading.candidates import Candidate, Search
from rtscan.reading.features import Surroundings, surroundings
from rtscan.reading.filters import Grid, detection_grid
from rtscan.reading.measure import measure
from rtscan.reading.net import KINDS, channels
from rtscan.reading.rank import bar_name
from rtscan.reading.segment import Found, SegmentSettings, outlined, search_strip

GROW_MM = 0.5
LEAST_SHARE = 0.25
LEAST_COUNTED = 3.0
BAR_NAMES = ("dark", "metal", "bright")
LOW_BAR = 0.15
"""Least rank of a region that teaches the naming of types."""


MOVED = (0, 1, 4, 5)
"""The channels of the network that a flaw changes; the others are place and marks."""
COMPRESSED = (0, 5)
"""Those of all channels that are given as asinh."""


@dataclass(frozen=True)
class NetSample:
    """One strip without its flaws, and apart from it what the flaws do, so that they can be laid over any other strip.

    `sound` float16 (channels, across, along) as the network sees it; `added` float16 (`MOVED`, across, along), to be added to those
    channels before their asinh; `flaw` uint8, 0 for none, else 1 + the row of `table`; `table` float32 rows (tone 0 dark 1 bright, kind,
    detectability, area in grid pixels); `middle_row` and `half_rows` of the weld; `unsharpness_mm` of the set-up.
    """

    sound: np.ndarray
    added: np.ndarray
    flaw: np.ndarray
    table: np.ndarray
    middle_row: float
    half_rows: float
    unsharpness_mm: float


def net_samples(seed: int, number: int, clean_share: float, even: bool) -> list[NetSample]:
    """The strips of one film, its weld band taken from the key and jittered. even: every kind of flaw as frequent as the others."""
    twins = simulate_twins(seed, number, clean_share, even)
    return [_net_sample(twins, *pair) for pair in zip(twins.flawed.backgrounds, twins.sound, strict=True)]


def _net_sample(twins: Twins, background: Background, without: Background) -> NetSample:
    grid, around = _seen(background)
    plain, plain_around = _seen(without)
    sound, flawed = channels(plain, plain_around), channels(grid, around)
    added = np.stack([np.sinh(flawed[k]) - np.sinh(sound[k]) if k in COMPRESSED else flawed[k] - sound[k] for k in MOVED])
    masks = truth_on_grid(twins.flawed, background, grid.residual.shape)
    flaw = np.zeros(grid.residual.shape, dtype=np.uint8)
    order = sorted(range(len(masks)), key=lambda k: -int(masks[k].sum()))[:250]
    table = np.zeros((len(order), 4), dtype=np.float32)
    for row, k in enumerate(order):
        flaw[masks[k] & grid.usable] = row + 1
        truth = twins.flawed.truths[k]
        table[row] = (
            float(truth.indication.tone == "bright"),
            KINDS.index(kind_of(truth.indication.iso6520)),
            truth.detectability,
            masks[k].sum(),
        )
    middle, half = (float(np.median(v)) for v in ((around.left + around.right) / 2, (around.right - around.left) / 2))
    return NetSample(
        sound.astype(np.float16), (added * grid.usable).astype(np.float16), flaw, table, middle, max(half, 1.0), twins.unsharpness_mm
    )


def _seen(background: Background) -> tuple[Grid, Surroundings]:
    grid = detection_grid(background)
    return grid, surroundings(background, grid)


@dataclass(frozen=True)
class CandidateTable:
    """Candidates of one film: features (candidates, names) float32, the truth each one finds (−1 none), whether on a mark; truths
    with their facts; `regions`, the outlined ones above a low bar with the truth that each is."""

    number: int
    clean: bool
    technique: str
    found_weld: bool
    names: tuple[str, ...]
    features: np.ndarray
    finds: list[int]
    truths: list[dict[str, Any]]
    regions: list[tuple[dict[str, float], int]]


def candidate_table(seed: int, number: int, clean_share: float, true_band: bool, even: bool = False) -> CandidateTable:
    """One film searched, every candidate compared with the truth. even: every kind of flaw as frequent as the others."""
    read = simulate_and_read(seed, number, clean_share, true_band, even)
    features: list[dict[str, float]] = []
    finds: list[int] = []
    searched = tuple(search_strip(b) for b in read.backgrounds)
    for background, found in zip(read.backgrounds, searched, strict=True):
        masks = truth_on_grid(read, background, found.search.grid.residual.shape)
        features += [dict(f) | {"arc": float(background.strip.arc)} for f in found.features]
        finds += labels(found.search, masks, read)
    facts = [_facts(t) for t in read.truths]
    names = tuple(features[0]) if features else ()
    matrix = np.array([[f[n] for n in names] for f in features], dtype=np.float32)
    return CandidateTable(number, read.clean, read.technique, read.weld is not None, names, matrix, finds, facts, _regions(read, searched))


def _regions(read: ReadFilm, searched: tuple[Found, ...]) -> list[tuple[dict[str, float], int]]:
    """The measured features of every region above a low bar that is one of the truths."""
    if read.weld is None:
        return []
    regions = outlined(read.backgrounds, searched, settings=SegmentSettings(bar=LOW_BAR))
    measured = measure(regions, read.backgrounds, read.film, read.weld, read.job)
    truths = [Outline(t.indication.tone, t.outline_px) for t in read.truths]
    calls = [Outline(m.indication.tone, np.array(m.indication.outline_px, dtype=float)) for m in measured]
    pairs = matched(truths, calls, read.film.pixels_per_mm or 20.0).pairs
    return [({k: float(v) for k, v in measured[j].features.items()}, truth) for truth, j in sorted(pairs.items())]


def labels(search: Search, masks: list[np.ndarray], read: ReadFilm) -> list[int]:
    """The truth each candidate finds: same tone, and a fair share of one lies on the other (grown a little); −1 for none, −2 for
    unclear."""
    return [_label(c, masks, [t.indication.tone for t in read.truths], search.grid.per_mm) for c in search.candidates]


def _label(c: Candidate, masks: list[np.ndarray], tones: list[Any], per_mm: float) -> int:
    import cv2

    margin = round(GROW_MM * per_mm)
    top, left = max(0, c.top - margin), max(0, c.left - margin)
    best, touched = (0.0, -1), False
    for k, mask in enumerate(masks):
        part = mask[top : c.top + c.mask.shape[0] + margin, left : c.left + c.mask.shape[1] + margin]
        if tones[k] != c.tone or not part.any():
            continue
        grown = cv2.dilate(part.astype(np.uint8), cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * margin + 1, 2 * margin + 1))) > 0
        inside = grown[c.top - top :, c.left - left :][: c.mask.shape[0], : c.mask.shape[1]] & c.mask
        exact = part[c.top - top :, c.left - left :][: c.mask.shape[0], : c.mask.shape[1]] & c.mask
        share = max(inside.sum() / c.mask.sum(), exact.sum() / max(1, mask.sum()))
        touched |= bool(inside.any())
        if share > best[0]:
            best = (float(share), k)
    if best[0] >= LEAST_SHARE:
        return best[1]
    return -2 if touched else -1


def _facts(truth: Truth) -> dict[str, Any]:
    i = truth.indication
    return {
        "iso6520": i.iso6520,
        "tone": i.tone,
        "length_mm": i.length_mm,
        "width_mm": i.width_mm,
        "local_width_mm": i.local_width_mm,
        "height_mm": i.height_mm,
        "along_mm": i.along_mm,
        "across_mm": i.across_mm,
        "detectability": truth.detectability,
    }


@dataclass(frozen=True)
class BarTable:
    """What one film is called at every bar: rows of (bar, name, truths found, false calls), by the names of `rank.bar_name`; and how many
    truths of each name count."""

    clean: bool
    rows: list[tuple[float, str, int, int]]
    truths: dict[str, int]


def bar_table(seed: int, number: int, clean_share: float, bars: tuple[float, ...]) -> BarTable:
    """One film searched once and outlined at every bar, so that pieces of one mark count once, as in a reading."""
    read = simulate_and_read(seed, number, clean_share)
    searched = tuple(search_strip(b) for b in read.backgrounds)
    truths = [Outline(t.indication.tone, t.outline_px) for t in read.truths]
    counted = [t.detectability >= LEAST_COUNTED for t in read.truths]
    of_truth = [_bar_of(t.indication) for t in read.truths]
    rows = []
    for bar in bars if read.weld is not None else ():
        regions = outlined(read.backgrounds, searched, settings=SegmentSettings(bar=bar))
        measured = measure(regions, read.backgrounds, read.film, read.weld, read.job)
        calls = [Outline(m.indication.tone, np.array(m.indication.outline_px, dtype=float)) for m in measured]
        seen = matched(truths, calls, read.film.pixels_per_mm or 20.0)
        called = [bar_name(m.features) for m in measured]
        for name in BAR_NAMES:
            found = sum(counted[k] and of_truth[k] == name for k in seen.pairs)
            rows.append((bar, name, found, sum(called[j] == name for j in seen.false)))
    totals = {name: sum(c and t == name for c, t in zip(counted, of_truth, strict=True)) for name in BAR_NAMES}
    return BarTable(read.clean, rows, totals)


def _bar_of(indication: Indication) -> str:
    if indication.tone == "dark":
        return "dark"
    return "bright" if kind_of(indication.iso6520 or "") == "excess metal" else "metal"
