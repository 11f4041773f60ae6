"""A scanned step tablet to a grey-to-density table: finds the steps as flat stretches of one grey, in order, along the film.

The tablet is a strip of even patches of known, growing density and one length. Along its longer side the median profile is a staircase;
the edges are its steepest places, and the steps the flat stretches between them. The light table or a mask may show round it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
from scipy import ndimage

from rtscan.errors import FilmError
from rtscan.film import F64
from rtscan.reading.decode import BadPage, decode, kind_of
from rtscan.reading.load import MAX_MEGAPIXELS

INNER_SHARE = 0.6
"""Part of each step, from its middle, that is measured: the rims carry flare from the neighbours."""
LEAST_SIDE_PX = 16
OF_ONE_LENGTH = (0.55, 1.7)
"""Lengths of the steps over their median: two steps run together are 2.0; an end one may be cut. Common practice, no published source."""
FLAT = 8.0
"""What is beyond the steps is even when eight of ten of its greys lie within this many times the usual difference of neighbours (2.7 times
where there is noise alone)."""
STAIRCASE_SHARE = 0.5
"""Rows whose grey spans this share of the greatest span lie on the tablet: the light table is even."""


@dataclass(frozen=True)
class TabletStep:
    """One step: the density given, the grey measured (median of its inner part), its spread, the density that the neighbours alone
    predict there less the one given (None at the ends), and its limits along the tablet, pixels."""

    density: float
    grey: float
    spread: float
    residual: float | None
    from_px: int
    to_px: int


def read_tablet(path: Path, densities: Sequence[float], dense_is_bright: bool = False) -> tuple[TabletStep, ...]:
    """The steps of a scanned tablet in growing density.

    dense_is_bright
        The scan is inverted: its grey grows with optical density (a scan looks like the film on the viewer otherwise).
    Raises FilmError when the steps cannot be found or do not fall in order.
    """
    if len(densities) < 3:
        raise FilmError(str(path), "needs at least three steps; give their densities with --steps")
    wanted = sorted(densities)
    if len(set(wanted)) < len(wanted) or wanted[0] < 0 or wanted[-1] > 6:
        raise FilmError(str(path), "has steps of equal density, or outside 0 to 6; correct --steps")
    grey = _grey(path)
    profile, spread = _profile(grey)
    limits = _limits(profile, len(wanted))
    if limits is None:
        raise FilmError(str(path), f"does not show {len(wanted)} steps of one length in a row, growing denser or thinner; "
                        "scan the tablet alone, along the picture, and give all its steps")
    levels = [_level(profile, spread, a, b) for a, b in limits]
    return _paired(levels, limits, wanted, dense_is_bright)


def _paired(levels: Sequence[tuple[float, float]], limits: Sequence[tuple[int, int]], wanted: Sequence[float],
            dense_is_bright: bool) -> tuple[TabletStep, ...]:
    """Greys and densities side by side, whichever end the tablet starts at."""
    by_grey = sorted(zip(levels, limits, strict=True), key=lambda r: r[0][0], reverse=not dense_is_bright)
    greys, densities = np.array([level[0] for level, _ in by_grey]), np.asarray(wanted, dtype=np.float64)
    return tuple(TabletStep(float(densities[k]), level[0], level[1], _residual(greys, densities, k), *limit)
                 for k, (level, limit) in enumerate(by_grey))


def _residual(greys: F64, densities: F64, k: int) -> float | None:
    """What a straight line between the two neighbours makes of step k, less its density: shows a step out of line."""
    if k in (0, len(greys) - 1):
        return None
    x = np.array([greys[k - 1], greys[k + 1]])
    y = np.array([densities[k - 1], densities[k + 1]])
    order = np.argsort(x)
    return float(np.interp(greys[k], x[order], y[order]) - densities[k])


def _grey(path: Path) -> F64:
    try:
        data = path.read_bytes()
    except OSError as problem:
        raise FilmError(str(path), f"cannot be read ({problem.strerror or problem}); check name and rights") from problem
    kind = kind_of(data)
    if kind is None:
        raise FilmError(str(path), "is not a scan in PNG, TIFF, JPEG, BMP, WebP or DICONDE format; export it as one of these")
    try:
        page = decode(data, kind, MAX_MEGAPIXELS)[0]
        if isinstance(page, BadPage):
            raise page
    except BadPage as problem:
        raise FilmError(str(path), str(problem)) from problem
    grey = np.asarray(page.grey, dtype=np.float64)
    if min(grey.shape) < LEAST_SIDE_PX or not np.isfinite(grey).all():
        raise FilmError(str(path), "is too small or holds no numbers; scan the tablet again")
    return grey


def _profile(grey: F64) -> tuple[F64, F64]:
    """Median and robust spread across the tablet, along its longer side, over the middle half of its width."""
    along = grey if grey.shape[1] >= grey.shape[0] else grey.T
    low, high = np.percentile(ndimage.uniform_filter1d(along, 5, axis=1), [2, 98], axis=1)
    stairs = np.flatnonzero(high - low >= STAIRCASE_SHARE * np.percentile(high - low, 95))
    rows = len(stairs)
    middle = along[stairs[rows // 4 : max(rows - rows // 4, rows // 4 + 1)]]
    profile = np.median(middle, axis=0)
    return profile, 1.4826 * np.median(np.abs(middle - profile), axis=0)


def _limits(profile: F64, count: int) -> list[tuple[int, int]] | None:
    """Limits of `count` flat stretches in a row, all of the picture or with a stretch beyond them at one end or at both; of what fits the
    most even. None when nothing does."""
    found = [limits for beyond in (0, 1, 2) if (edges := _edges(profile, count - 1 + beyond)) is not None
             for first in ((0,), (0, 1), (1,))[beyond] if (limits := _steps(profile, edges, first, count)) is not None]
    return min(found, key=_unevenness, default=None)


def _unevenness(limits: Sequence[tuple[int, int]]) -> float:
    lengths = np.diff(np.asarray(limits, dtype=np.float64))[:, 0]
    return float(np.abs(np.log(lengths / np.median(lengths))).sum())


def _steps(profile: F64, edges: Sequence[int], first: int, count: int) -> list[tuple[int, int]] | None:
    """The `count` stretches from number `first` on; None when they differ in length, hardly differ in grey, or do not rise or fall, and
    when a stretch beyond them may hold another step: then it is not told which of the steps were given."""
    bounds = np.array([0, *edges, len(profile)])
    lengths, levels = np.diff(bounds), np.array([np.median(profile[a:b]) for a, b in pairwise(bounds)])
    mine = lengths[first : first + count]
    least, most = np.array(OF_ONE_LENGTH) * np.median(mine)
    noise = float(np.median(np.abs(np.diff(profile)))) + 1e-9
    jumps = np.diff(levels) * np.sign(levels[first + 1] - levels[first])
    if (mine[1:-1] < least).any() or mine.max() > most or jumps[first : first + count - 1].min() <= 3 * noise:
        return None
    for k, between in ((first - 1, first - 1), (first + count, first + count - 1)):
        if 0 <= k < len(lengths):
            goes_on = lengths[k] > least and jumps[between] > 3 * noise
            if goes_on and (lengths[k] < most or np.ptp(np.percentile(_inner(profile, bounds[k], bounds[k + 1]), [10, 90])) > FLAT * noise):
                return None
    return [(int(bounds[k]), int(bounds[k + 1])) for k in range(first, first + count)]


def _edges(profile: F64, count: int) -> list[int] | None:
    """The `count` steepest places that lie apart, in order; None when there are fewer."""
    length = len(profile)
    smooth = ndimage.gaussian_filter1d(profile, max(1.0, length / (60 * count)))
    steep = np.abs(np.gradient(smooth))
    apart = max(2, round(0.35 * length / (count + 1)))
    edges: list[int] = []
    for place in np.argsort(-steep, kind="stable"):
        if apart // 2 < place < length - apart // 2 and all(abs(place - e) >= apart for e in edges):
            edges.append(int(place))
        if len(edges) == count:
            return sorted(edges)
    return None


def _level(profile: F64, spread: F64, start: int, stop: int) -> tuple[float, float]:
    return float(np.median(_inner(profile, start, stop))), float(np.median(_inner(spread, start, stop)))


def _inner(values: F64, start: int, stop: int) -> F64:
    trim = int((1 - INNER_SHARE) / 2 * (stop - start))
    return values[start + trim : max(start + trim + 1, stop - trim)]
