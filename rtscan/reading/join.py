"""Join: the pieces of one long indication become one candidate before it is outlined.

The filter bank sees a wandering crack or a slag line as many short pieces. Where the network sees one connected place of that tone, the
pieces in it are one candidate and the place, with their patches, its patch; `trace` then says where its ridge sinks into the noise. A
wide soft place (a burn-through, a piece of excess metal) is one candidate too.
Compact spots that stand out (separate pores, a pore on a line) stay by themselves.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from rtscan.film import F32, Bool
from rtscan.reading.candidates import Candidate, Search
from rtscan.reading.features import Features
from rtscan.reading.net import KINDS, TONES
from rtscan.reading.part import crossing, less_line, parted
from rtscan.reading.patches import HALO, OPEN_SHARE, covered

PLACE_BAR = 0.4
"""Probability of the network above which a place is one indication with the places beside it."""
DOUBT_BAR = 0.15
"""Probability of the network above which a place may still belong to the indication beside it."""
FADE_BAR = 0.2
FADE_MM = 0.8
LEAST_ASPECT = 2.5
"""A place is long when its greatest inner circle goes this many times into its length."""
LEAST_BOX_ASPECT = 1.5
LEAST_SHARE = 0.5
"""A piece belongs to the place that holds this share of its patch."""
SPRAWL_SHARE = 0.9
SURE = 0.3
CORE_BAR = 0.7
"""Probability of the network inside a place above which a pore certainly lies: its patch is cut to that core."""
WIDE_MM, WIDE_KINDS = 2.0, ("concavity", "excess metal", "undercut")
"""A place without a direction, so wide inside and of such a kind, is one soft flaw."""
OUTLASTING_KINDS = (*WIDE_KINDS, "lack of penetration")
"""Of `OUTLASTS_MM`; cracks and slag are narrow lines, whose pieces part neighbours."""
PORE_ASPECT = 2.0
PEAK_SNR, PEAK_FALL, PEAK_RING = 6.0, 0.6, 3
"""A spot by its own shape: this strong, and fallen off to this share on a ring this many grid pixels outside its patch."""
CLEAR_SNR = 6.0
"""A piece this strong is no speck of the place it lies in."""
OUTLASTS_MM, SURE_SHARE, KIND_SHARE = 12.0, 0.8, 0.7
"""A dark place longer than half the background's window (`BackgroundSettings.window_mm`), the network sure (`CORE_BAR`) over this share of
its length, and of one kind over this share of it, is one: the running middle follows so long a flaw, and what it leaves of it is patches.
Neighbours that run into one another are mostly of two kinds."""
APART_KINDS, APART_MM = ("crack", "lack of fusion"), 3.0
"""Kinds that, so long, are indications of their own in a long soft place."""
FIRST_KIND = 2
PORE_KIND = 0


@dataclass(frozen=True)
class Piece:
    """A candidate to be outlined.

    members: the numbers (in the search) of those that it is made of, the strongest first. anew: its patch is not the member's own any
    more. long: it fills a long place. wide: it fills a wide soft place. reach: length in grid pixels of the place down to `DOUBT_BAR`: how
    far it may go on unseen; 0 when unknown. sure: length of the place down to `PLACE_BAR`, with whatever other pieces lie in it.
    """

    candidate: Candidate
    members: tuple[int, ...]
    anew: bool
    long: bool = False
    reach: float = 0.0
    wide: bool = False
    sure: float = 0.0


def join(search: Search, accepted: Sequence[int], features: Sequence[Features]) -> tuple[Piece, ...]:
    """The accepted candidates, by number in the search, with pieces of one long place joined; in order of their strongest member."""
    pieces: list[Piece] = []
    for tone, channel in (("dark", 0), ("bright", 1)):
        mine = [k for k in accepted if search.candidates[k].tone == tone]
        if not mine:
            continue
        _, labels = cv2.connectedComponents((search.seen[channel] > PLACE_BAR).astype(np.uint8), connectivity=8)
        at = {k: _place(search.candidates[k], labels) for k in mine}
        for label in sorted(set(at.values())):
            members = [k for k in mine if at[k] == label]
            place = labels == label
            sure = _box(place)[0] if label else 0.0
            whole = _with_ends(place, search, channel) if label else None
            pieces += [replace(p, sure=sure) for p in _of_place(search, members, whole, features)]
        _, wide = cv2.connectedComponents((search.seen[channel] > DOUBT_BAR).astype(np.uint8), connectivity=8)
        pieces = [p for p in pieces if p.candidate.tone != tone] + _reaching([p for p in pieces if p.candidate.tone == tone], wide)
    return tuple(sorted(pieces, key=lambda p: p.members[0]))


def _place(c: Candidate, labels: NDArray[np.int32]) -> int:
    """The label of the place that holds most of a patch; 0 for none."""
    counts = np.bincount(labels[c.top : c.top + c.mask.shape[0], c.left : c.left + c.mask.shape[1]][c.mask])
    if len(counts) < 2:
        return 0
    best = 1 + int(np.argmax(counts[1:]))
    return best if counts[best] >= LEAST_SHARE * counts.sum() or counts[best] >= 9 else 0


def _with_ends(place: Bool, search: Search, channel: int) -> Bool:
    """The place with what it fades into, up to `FADE_MM` on: tapered ends, where the network grows unsure before the indication ends."""
    size = 2 * round(FADE_MM * search.grid.per_mm) + 1
    near = cv2.dilate(place.astype(np.uint8), cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)))
    _, labels = cv2.connectedComponents((near & (search.seen[channel] > FADE_BAR)).astype(np.uint8), connectivity=8)
    return np.asarray((labels > 0) & np.isin(labels, np.unique(labels[place])))


def _reaching(pieces: list[Piece], labels: NDArray[np.int32]) -> list[Piece]:
    """The pieces with their reach: what the place has left beside the other pieces in it."""
    at = [_place(p.candidate, labels) for p in pieces]
    own = [_box(p.candidate.mask)[0] for p in pieces]
    whole = {label: _box(labels == label)[0] for label in set(at) if label}
    taken = {label: sum(o for o, a in zip(own, at, strict=True) if a == label) for label in whole}
    return [replace(p, reach=max(0.0, whole[a] - taken[a] + o) if a else 0.0) for p, a, o in zip(pieces, at, own, strict=True)]


def _of_place(search: Search, members: list[int], place: Bool | None, features: Sequence[Features]) -> list[Piece]:
    if place is None:
        return [Piece(search.candidates[k], (k,), False) for k in members]
    grown = cv2.dilate(place.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    long, wholes = _is_long(place), [k for k in members if search.candidates[k].of_network]
    whole = long and bool(wholes) and search.candidates[wholes[0]].tone == "dark" and _outlasts(search, place)
    if whole:
        parts, spots = wholes, [k for k in members if k not in wholes and _stands_apart(search, k, place, features[k])]
    else:
        members = _pieces_or_whole(search, members)
        if not long and not _is_wide(search, place):
            return _trimmed(search, members, grown)
        spots = [k for k in members if _is_spot(search, k, features[k])]
        parts = [k for k in members if k not in spots]
    if not parts:
        return _trimmed(search, members, grown)
    patch = grown.copy()
    for k in spots:
        c = search.candidates[k]
        patch[c.top : c.top + c.mask.shape[0], c.left : c.left + c.mask.shape[1]] &= ~c.mask
    patch = _without_ends(search, patch, [k for k in spots if _is_pore(search, k)], parts)
    alone = [Piece(search.candidates[k], (k,), False) for k in spots]
    if not patch.any():  # spots cover all of it
        return [*alone, *(Piece(search.candidates[k], (k,), False) for k in parts)]
    if whole:
        return [*alone, replace(_joined(search, parts, patch), wide=_is_wide(search, place))]
    if not long:
        return [*alone, replace(_joined(search, parts, patch), long=False, wide=True)]
    for line, body in crossing(search, parts, patch):
        alone.append(_joined(search, line, body))
        parts = [k for k in parts if k not in line]
        patch = less_line(patch, body, search.grid.per_mm)
    if not parts or not patch.any():  # nothing left beside the lines across
        return [*alone, *(Piece(search.candidates[k], (k,), False) for k in parts)]
    halo = np.ones((2 * HALO + 1, 2 * HALO + 1), np.uint8)
    clear = patch & (cv2.dilate(grown.astype(np.uint8) - patch, halo) == 0)
    clusters = parted(search, parts, clear if clear.any() else patch)
    if len(clusters) == 1:
        return [*alone, _joined(search, parts, patch)]
    return alone + _each(search, clusters, patch)


def _without_ends(search: Search, patch: Bool, spots: list[int], parts: list[int]) -> Bool:
    """A place less what lies nearer to one of its `spots`, at its end, than to any part of it: else a line is followed into the pore beside
    it, and the pore is lost. What lies round a spot between the parts stays."""
    away = {k: _away(search.candidates[k], patch.shape) for k in (*spots, *parts)}
    own = np.min([away[k] for k in parts], axis=0)
    for k in spots:
        whole, rest = (_holding(p, own == 0) for p in (patch, patch & (own <= away[k])))
        if rest.max() == whole.max():
            patch = rest > 0
    return patch


def _holding(patch: Bool, parts: Bool) -> NDArray[np.int32]:
    """The connected bits of a patch that hold something of its parts, numbered from 1."""
    _, labels = cv2.connectedComponents(patch.astype(np.uint8), connectivity=8)
    numbers = np.zeros(int(labels.max()) + 1, dtype=np.int32)
    held = np.unique(labels[patch & parts])
    numbers[held] = np.arange(1, len(held) + 1)
    return np.asarray(numbers[labels], dtype=np.int32)


def _away(c: Candidate, shape: tuple[int, ...]) -> F32:
    """Distance of every grid pixel from a patch, in pixels."""
    outside = np.ones(shape, dtype=np.uint8)
    outside[c.top : c.top + c.mask.shape[0], c.left : c.left + c.mask.shape[1]] -= c.mask.astype(np.uint8)
    return np.asarray(cv2.distanceTransform(outside, cv2.DIST_L2, 3), dtype=np.float32)


def _pieces_or_whole(search: Search, members: list[int]) -> list[int]:
    """The members of a place without the place itself, unless the others are mere specks of it."""
    wholes = [k for k in members if search.candidates[k].of_network]
    pieces = [k for k in members if k not in wholes]
    if not wholes or not pieces:
        return members
    whole = max((search.candidates[k] for k in wholes), key=lambda c: int(c.mask.sum()))
    others = [search.candidates[k] for k in pieces]
    held = covered((whole.top, whole.left), whole.mask, [(c.top, c.left, c.mask) for c in others])
    clear = max(c.snr for c in others) >= CLEAR_SNR
    return pieces if clear or held > 1.0 - OPEN_SHARE else members


def _outlasts(search: Search, place: Bool) -> bool:
    """Whether a dark place is so long that the background takes a part of it, and the network sure of it almost from end to end, as one
    kind. Bright ones keep to what the residual shows: on a real film the network was as sure of 100 mm of the bead's own crown."""
    core = place & (search.seen[TONES.index("dark")] > CORE_BAR)
    labels, count = ndimage.label(core, structure=np.ones((3, 3)))
    if not count:
        return False
    largest = labels == 1 + int(np.argmax(np.bincount(labels.ravel())[1:]))
    sure, kinds = _box(largest)[0], np.bincount(search.seen[FIRST_KIND:][:, largest].argmax(axis=0))
    one_kind = kinds.max() >= KIND_SHARE * kinds.sum() and KINDS[int(kinds.argmax())] in OUTLASTING_KINDS
    return bool(one_kind and sure >= OUTLASTS_MM * search.grid.per_mm and sure >= SURE_SHARE * _box(place)[0])


def _stands_apart(search: Search, number: int, place: Bool, features: Features) -> bool:
    """Whether a piece of a long sure place is an indication of its own: a compact pore, or a long crack in a soft flaw."""
    c = search.candidates[number]
    of_both = kinds_of(search, c, c.mask), search.seen[FIRST_KIND:][:, place].mean(axis=1)
    kind, around = (KINDS[int(np.argmax(kinds))] for kinds in of_both)
    if kind == KINDS[PORE_KIND]:
        return kind != around and features["aspect"] < PORE_ASPECT
    return around in WIDE_KINDS and kind in APART_KINDS and _box(c.mask)[0] >= APART_MM * search.grid.per_mm


def _each(search: Search, clusters: list[list[int]], patch: Bool) -> list[Piece]:
    """One piece for each cluster of one place, with the part of the place that lies nearest to it, no further than `FADE_MM` or the network
    is sure all the way."""
    away = np.full((len(clusters), *patch.shape), np.inf, dtype=np.float32)
    for mine, cluster in zip(away, clusters, strict=True):
        own = np.zeros(patch.shape, dtype=np.uint8)
        for k in cluster:
            c = search.candidates[k]
            own[c.top : c.top + c.mask.shape[0], c.left : c.left + c.mask.shape[1]] |= c.mask.astype(np.uint8)
        mine[:] = cv2.distanceTransform(1 - own, cv2.DIST_L2, 3)
    nearest, distance = away.argmin(axis=0), away.min(axis=0)
    reach = FADE_MM * search.grid.per_mm
    sure = search.seen[TONES.index(search.candidates[clusters[0][0]].tone)] > CORE_BAR
    pieces = []
    for number, cluster in enumerate(clusters):
        nearby = _holding(patch & (nearest == number) & ((distance <= reach) | sure), distance == 0) > 0
        single = len(cluster) == 1 or not nearby.any()
        pieces.append(Piece(search.candidates[cluster[0]], (cluster[0],), False) if single else _joined(search, cluster, nearby))
    return pieces


def _joined(search: Search, parts: list[int], patch: Bool) -> Piece:
    leader = search.candidates[parts[0]]
    rows, columns = np.flatnonzero(patch.any(axis=1)), np.flatnonzero(patch.any(axis=0))
    box = (slice(int(rows[0]), int(rows[-1]) + 1), slice(int(columns[0]), int(columns[-1]) + 1))
    whole = replace(leader, shape="line", top=int(rows[0]), left=int(columns[0]), mask=patch[box])
    return Piece(whole, tuple(parts), True, True)


def _trimmed(search: Search, members: list[int], place: Bool) -> list[Piece]:
    """Candidates by themselves; the strongest, when a pore to the network, cut to the place where it sprawls beyond
    along a ridge of clutter."""
    c = search.candidates[members[0]]
    place = _core(search, c, place)
    kept = c.mask & place[c.top : c.top + c.mask.shape[0], c.left : c.left + c.mask.shape[1]]
    others = [Piece(search.candidates[k], (k,), False) for k in members[1:]]
    kinds = kinds_of(search, c, kept) if kept.any() else np.zeros(1, dtype=np.float32)
    pore = int(np.argmax(kinds)) == PORE_KIND and float(kinds[PORE_KIND]) >= SURE
    if kept.sum() < 6 or kept.sum() >= SPRAWL_SHARE * c.mask.sum() or not pore:
        return [Piece(c, (members[0],), False), *others]
    rows, columns = np.flatnonzero(kept.any(axis=1)), np.flatnonzero(kept.any(axis=0))
    cut = kept[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    return [Piece(replace(c, top=c.top + int(rows[0]), left=c.left + int(columns[0]), mask=cut), (members[0],), True), *others]


def _core(search: Search, c: Candidate, place: Bool) -> Bool:
    """The part of a place round a candidate in which the network is sure, one pixel wider; the place itself when it is nowhere."""
    _, labels = cv2.connectedComponents((search.seen[TONES.index(c.tone)] > CORE_BAR).astype(np.uint8), connectivity=8)
    at = _place(c, labels)
    return cv2.dilate((labels == at).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0 if at else place


def _is_long(place: Bool) -> bool:
    long, short = _box(place)
    inner = 2 * float(cv2.distanceTransform(np.pad(place, 1).astype(np.uint8), cv2.DIST_L2, 5).max())
    return long >= LEAST_ASPECT * inner and long >= LEAST_BOX_ASPECT * short


def _is_wide(search: Search, place: Bool) -> bool:
    inner = 2 * float(cv2.distanceTransform(np.pad(place, 1).astype(np.uint8), cv2.DIST_L2, 5).max())
    kinds = search.seen[FIRST_KIND:][:, place].mean(axis=1)
    return inner >= WIDE_MM * search.grid.per_mm and KINDS[int(np.argmax(kinds))] in WIDE_KINDS


def _box(place: Bool) -> tuple[float, float]:
    """Long and short side of the least box round a place, in pixels."""
    contours, _ = cv2.findContours(np.pad(place, 1).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    _, (width, height), _ = cv2.minAreaRect(max(contours, key=len))
    return max(width, height) + 1.0, min(width, height) + 1.0


def _is_spot(search: Search, number: int, features: Features) -> bool:
    """Compact, and a pore above all to the network or a peak that falls off on all sides."""
    c = search.candidates[number]
    return features["aspect"] < PORE_ASPECT and (_is_pore(search, number) or _is_peak(search, c))


def _is_pore(search: Search, number: int) -> bool:
    """Whether the network takes a candidate for a pore above all."""
    c = search.candidates[number]
    return int(np.argmax(kinds_of(search, c, c.mask))) == PORE_KIND


def _is_peak(search: Search, c: Candidate) -> bool:
    """Whether the residual falls below `PEAK_FALL` of the patch's own on every side of it, clearly above the grain."""
    if c.snr < PEAK_SNR:
        return False
    image = search.smooth[0] if c.tone == "dark" else -search.smooth[0]
    inside = np.pad(c.mask, PEAK_RING + 1).astype(np.uint8)
    wide, wider = (cv2.dilate(inside, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * r + 1,) * 2)) for r in (PEAK_RING - 1, PEAK_RING))
    rows, columns = np.nonzero(wider - wide)
    rows, columns = rows + c.top - PEAK_RING - 1, columns + c.left - PEAK_RING - 1
    on = (rows >= 0) & (rows < image.shape[0]) & (columns >= 0) & (columns < image.shape[1])
    crest = float(image[max(0, c.row - 1) : c.row + 2, max(0, c.column - 1) : c.column + 2].max())
    return bool(float(np.percentile(image[rows[on], columns[on]], 95)) < PEAK_FALL * crest)


def kinds_of(search: Search, c: Candidate, mask: Bool) -> F32:
    """Mean answer of the network on a part of a patch, one per kind."""
    patch = search.seen[FIRST_KIND:, c.top : c.top + c.mask.shape[0], c.left : c.left + c.mask.shape[1]]
    return np.asarray(patch[:, mask].mean(axis=1), dtype=np.float32)
