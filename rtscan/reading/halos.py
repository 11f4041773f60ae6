"""Halos: unevenness of the bead that passes for an indication only because a much stronger one lies beside it.

Of the network's answer a candidate is ranked by the greatest within its patch. A patch that touches a strong pore takes that from the
pore; where it lies off the pore, the network sees nothing. Such a call says the pore twice, with a length that is not the pore's.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from rtscan.film import F32
from rtscan.reading.candidates import Candidate, Search
from rtscan.reading.join import PLACE_BAR
from rtscan.reading.net import TONES
from rtscan.reading.patches import paste

STRENGTH, SURE = 2.0, 0.7
"""A neighbour this many times as strong can lend a candidate its probability; so can any stronger one that the network is so sure of, on
the mean of its patch."""
REACH_MM, RIM_SHARE = 0.4, 0.3
"""The network sees a flaw this far beyond its patch; off it, so little of a halo passes for a place (looked at on 120 exploration films,
of which 40 are the tuning set)."""


def without_halos(search: Search, accepted: Sequence[int]) -> list[int]:
    """The accepted candidates, by number in the search, less those that owe the network's probability to a stronger neighbour alone."""
    kept = []
    for k in accepted:
        c = search.candidates[k]
        strong = [s for s in (search.candidates[j] for j in accepted)
                  if s.tone == c.tone and not s.of_network and s.snr > c.snr and (s.snr >= STRENGTH * c.snr or _is_sure(search, s))]
        if not _is_lent(search, c, strong):
            kept.append(k)
    return kept


def _is_sure(search: Search, c: Candidate) -> bool:
    return bool(_seen(search, c)[c.mask].mean() >= SURE)


def _seen(search: Search, c: Candidate) -> F32:
    """The network's probability of a candidate's tone in the box of its patch."""
    return search.seen[TONES.index(c.tone), c.top : c.top + c.mask.shape[0], c.left : c.left + c.mask.shape[1]]


def _is_lent(search: Search, c: Candidate, strong: Sequence[Candidate]) -> bool:
    """Whether the network sees a place in a candidate's patch by the strong ones, and next to nothing off them."""
    reach = round(REACH_MM * search.grid.per_mm)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1,) * 2)
    by_them = np.zeros(c.mask.shape, dtype=np.uint8)
    for s in strong:
        if _near(c, s, reach):
            grown = cv2.dilate(np.pad(s.mask, reach).astype(np.uint8), disc) > 0
            paste(by_them, (c.top, c.left), (s.top - reach, s.left - reach, grown))
    seen = _seen(search, c) > PLACE_BAR
    lent, own = c.mask & (by_them > 0), c.mask & (by_them == 0)
    return bool(own.any() and seen[lent].any() and seen[own].mean() < RIM_SHARE)


def _near(c: Candidate, s: Candidate, reach: int) -> bool:
    """Whether the box of one, grown by `reach`, meets that of the other."""
    rows, columns = s.top - c.top, s.left - c.left
    (height, width), (its_height, its_width) = c.mask.shape, s.mask.shape
    return bool(-its_height - reach <= rows <= height + reach and -its_width - reach <= columns <= width + reach)
