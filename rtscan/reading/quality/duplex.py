"""The duplex wire indicator on the film: which pairs are still apart, and the basic spatial resolution that follows.

Pairs of wires, gap as wide as the wire (ISO 19232-5). The picture is averaged along the wires; a chain of pairs of falling size at free
distances is looked for, the largest pair first. The first pair whose dip is below 20 % gives the basic spatial resolution (its wire
diameter) and twice that the unsharpness (ISO 17636-2). The dip is (A + B - 2 C) / (A + B) of the two peaks and the valley,
over the film beside.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy import ndimage

from rtscan.film import F64, Film
from rtscan.knowledge.iqi import duplex_dip_min, duplex_wires
from rtscan.reading.quality.contrast import blurred_chord
from rtscan.reading.wire_search import make_bands

CELL_MM = (1.0, 0.05)
ALONG_MM = 5.0
"""Length of the wires that is averaged; of two such lengths on end the lesser counts, so that letters do not pass for wires."""
NEXT_MM = (1.5, 8.0)
"""From the end of one pair to the middle of the next."""
MAGNIFICATION = (1.0, 1.05, 1.1, 1.2)
BLUR_MM = 0.08
APART, UNSTEADY = 0.8, 0.12
"""Dip of the largest pair, at least (0.83 at a blur of 0.3 mm sigma, far beyond a fit film; a wire set shows up to 0.73), and the most by
which a dip may exceed that of a larger pair, or it may be anything."""
GREATEST_FALL = 0.28
"""The most a dip falls from one pair to the next, whatever the blur: closed form of two chords under a Gaussian. Letters and other wires
fall at once, from wide gaps to none."""
LEAST_HEIGHT = 0.45
"""The least that the wires of a pair stand out of what those of the pair before do, up to the first merged one: 0.63 by the same closed
form, less what uneven film takes. The wires of a thinning set fell to a sixth."""
LARGEST_SNR, PAIR_SNR = 12.0, 5.0
EVEN_SHARE = 0.6
"""The weaker wire of the largest pair over the stronger one, at least."""


@dataclass(frozen=True)
class Duplex:
    """`dips` are those of the pairs read, D1 first, the last the first one that merges; `number` is that pair, None when all are apart.
    `resolution_mm` is its wire diameter: the basic spatial resolution at the film."""

    number: int | None
    resolution_mm: float
    dips: tuple[float, ...]


def read_duplex(film: Film) -> Duplex | None:
    """Finds and reads the indicator on a film of known scale, its wires along either side of the film; None when it is not seen.

    Only for films whose job sheet names a duplex indicator: lead letters of other sizes than were tried may still pass for one.
    """
    if film.pixels_per_mm is None:
        return None
    best: tuple[float, tuple[float, ...]] | None = None
    for turned in (False, True):
        bands = make_bands(film, film.valid, turned, 1.6, CELL_MM)
        if bands is None:
            continue
        length = max(2, round(ALONG_MM * bands.rows_per_mm))
        means = ndimage.uniform_filter1d(bands.rough, length, axis=0)[length // 2 :]
        for profile in np.minimum(means[:-length], means[length:])[:: max(1, length // 2)]:
            for direction in (1, -1):
                found = _chain(np.asarray(profile[::direction], dtype=np.float64), bands.columns_per_mm)
                if found is not None and (best is None or found[0] > best[0]):
                    best = found
    return None if best is None else _read(best[1])


def _chain(profile: F64, per_mm: float) -> tuple[float, tuple[float, ...]] | None:
    """(sum of the first pairs' strengths, dips) of the best chain in one profile; None when no largest pair stands out, its
    wires apart."""
    pairs = duplex_wires()
    noise = 1.4826 * float(np.median(np.abs(profile - np.median(profile)))) or 1e-9
    best: tuple[float, tuple[float, ...]] | None = None
    for magnification in MAGNIFICATION:
        first = _answer(profile, pairs[0][1] * magnification, per_mm)
        start = int(first.argmax())
        if first[start] < LARGEST_SNR * noise or not _even(profile, start, pairs[0][1] * magnification, per_mm):
            continue
        places, strength = [start], float(first[start])
        for _, wire_mm, _ in pairs[1:]:
            answer = _answer(profile, wire_mm * magnification, per_mm)
            low, high = (places[-1] + round(mm * per_mm) for mm in NEXT_MM)
            ahead = answer[low:high]
            if not len(ahead) or ahead.max() < PAIR_SNR * noise:
                break
            places.append(low + int(ahead.argmax()))
            strength += float(ahead.max()) if len(places) <= 4 else 0.0
        if len(places) >= 3 and (best is None or strength > best[0]):
            dips = tuple(_dip(profile, place, pairs[k][1] * magnification, per_mm) for k, place in enumerate(places))
            read = places[: _first_merged(dips) + 1]
            falls = [before - after for before, after in pairwise(dips[: len(read)])]
            steady = all(-UNSTEADY <= fall <= GREATEST_FALL + UNSTEADY for fall in falls)
            heights = [sum(_peaks(profile, place, pairs[k][1] * magnification, per_mm)[:2]) for k, place in enumerate(read)]
            steady = steady and all(after >= LEAST_HEIGHT * before for before, after in pairwise(heights))
            if dips[0] >= APART and dips[1] >= duplex_dip_min() and steady:
                best = strength, dips
    return best


def _answer(profile: F64, wire_mm: float, per_mm: float) -> F64:
    """Height of a pair of wires fitted at every place, over the film beside it."""
    reach = np.arange(-round((2.5 * wire_mm + 0.4) * per_mm), round((2.5 * wire_mm + 0.4) * per_mm) + 1) / per_mm
    shape = blurred_chord(np.abs(reach) - wire_mm, wire_mm, BLUR_MM)
    shape = shape - shape.mean()
    return np.asarray(ndimage.correlate1d(profile, shape / np.sqrt((shape**2).sum()), mode="nearest"), dtype=np.float64)


def _even(profile: F64, place: int, wire_mm: float, per_mm: float) -> bool:
    left, right, _ = _peaks(profile, place, wire_mm, per_mm)
    return min(left, right) >= EVEN_SHARE * max(left, right) > 0


def _peaks(profile: F64, place: int, wire_mm: float, per_mm: float) -> tuple[float, float, float]:
    """The two peaks and the valley between over the film beside the pair."""
    half, beside = max(1, round(wire_mm * per_mm)), round((2 * wire_mm + 0.25) * per_mm)
    cut = profile[max(0, place - beside - round(0.3 * per_mm)) : place + beside + round(0.3 * per_mm) + 1]
    level = float(np.percentile(cut, 10))
    left = profile[max(0, place - 2 * half) : place + 1]
    right = profile[place : place + 2 * half + 1]
    a, b = int(left.argmax()) + max(0, place - 2 * half), int(right.argmax()) + place
    return float(profile[a]) - level, float(profile[b]) - level, float(profile[a : b + 1].min()) - level


def _dip(profile: F64, place: int, wire_mm: float, per_mm: float) -> float:
    left, right, valley = _peaks(profile, place, wire_mm, per_mm)
    return (left + right - 2 * valley) / max(left + right, 1e-12)


def _read(dips: Sequence[float]) -> Duplex:
    pairs, merged = duplex_wires(), _first_merged(dips)
    if merged == len(pairs):
        return Duplex(None, pairs[-1][1], tuple(dips))
    return Duplex(pairs[merged][0], pairs[merged][1], tuple(dips[: merged + 1]))


def _first_merged(dips: Sequence[float]) -> int:
    """Index of the first pair with too small a dip; the pair after the last where all are apart, because it does not show at all."""
    return next((k for k, dip in enumerate(dips) if dip < duplex_dip_min()), len(dips))
