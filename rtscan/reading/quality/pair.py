"""Two films of one holder: what is on one film only belongs to the film, not to the part.

Both films were exposed together, so every indication of the part lies on both at the same place and in the same tone, up to the shift
of the two scans. A mark that would have been plain on the other film and is not there is an artefact (dust, scratch, pressure mark).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from rtscan.film import F64, Bool
from rtscan.findings import Indication

SHIFT_MAX_MM = 8.0
NEAR_MM = 1.0
PLAIN_SNR = 12.0
"""Signal-to-noise from which an indication would be found on the sister film too: the level found in 9 of 10 trials with a margin."""


def on_one_film_only(first: Sequence[Indication], second: Sequence[Indication]) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Ids of the plain indications of each film that the other does not show, in the order given.

    Both lists in one station frame (same segment and shot of the job sheet), both films fit to be judged over that segment: what an
    unreadable film does not show says nothing. Indications without a place or too weak to be sure are never called artefacts.
    """
    a, b = _places(first), _places(second)
    shift = _shift(a, b, _alike(first, second))
    return _missing(first, a, second, b - shift), _missing(second, b, first, a + shift)


def _places(indications: Sequence[Indication]) -> F64:
    """(along, across) mm, shape (n, 2); NaN where unknown."""
    rows = [(np.nan if i.along_mm is None else i.along_mm, np.nan if i.across_mm is None else i.across_mm) for i in indications]
    return np.array(rows, dtype=np.float64).reshape(-1, 2)


def _alike(mine: Sequence[Indication], others: Sequence[Indication]) -> Bool:
    """bool, shape (mine, others): True where both are dark or both bright. Less metal on one film is not more metal on the other."""
    own, other = (np.array([i.tone for i in some], dtype=str) for some in (mine, others))
    return np.asarray(own[:, None] == other[None, :])


def _shift(a: F64, b: F64, alike: Bool) -> F64:
    """Shift of the second film that brings most indications together: the difference of places with most others within half a
    millimetre of it, of pairs `alike` in tone; the smallest wins a tie, none when nothing is near."""
    differences = (b[None, :, :] - a[:, None, :])[alike]
    near = differences[np.isfinite(differences).all(axis=1) & (np.abs(differences) <= SHIFT_MAX_MM).all(axis=1)]
    if len(near) < 2:
        return np.zeros(2)
    votes = (np.hypot(*(near[:, None, :] - near[None, :, :]).transpose(2, 0, 1)) <= NEAR_MM / 2).sum(axis=1)
    if votes.max() < 2:
        return np.zeros(2)
    best = near[np.lexsort((np.hypot(near[:, 0], near[:, 1]), -votes))[0]]
    together = near[np.hypot(near[:, 0] - best[0], near[:, 1] - best[1]) <= NEAR_MM / 2]
    return np.asarray(together.mean(axis=0))


def _missing(mine: Sequence[Indication], places: F64, others: Sequence[Indication], other_places: F64) -> tuple[int, ...]:
    halves = np.array([0.5 * (other.length_mm or 0.0) for other in others])
    missing = []
    for indication, place, alike in zip(mine, places, _alike(mine, others), strict=True):
        if not np.isfinite(place).all() or (indication.signal_to_noise or 0.0) < PLAIN_SNR:
            continue
        reach = NEAR_MM + 0.5 * (indication.length_mm or 0.0)
        if not (alike & (np.hypot(other_places[:, 0] - place[0], other_places[:, 1] - place[1]) <= reach + halves)).any():
            missing.append(indication.id)
    return tuple(missing)
