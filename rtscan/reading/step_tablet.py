"""A scanned step tablet to a grey-to-density table: finds the steps as flat stretches of one grey, in order, along the film.

The tablet is a strip of even patches of known, growing density. Along its longer side the median profile is a staircase; the edges
are its steepest places, and the steps the flat stretches between them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
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
        raise FilmError(str(path), f"does not show {len(wanted)} steps in a row; scan the tablet alone and give all its steps")
    levels = [_level(profile, spread, a, b) for a, b in limits]
    jumps = np.diff([grey for grey, _ in levels])
    if not ((jumps > 0).all() or (jumps < 0).all()):
        raise FilmError(str(path), "has steps whose grey neither only falls nor only rises; scan the tablet alone")
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
    rows = along.shape[0]
    middle = along[rows // 4 : rows - rows // 4]
    profile = np.median(middle, axis=0)
    return profile, 1.4826 * np.median(np.abs(middle - profile), axis=0)


def _limits(profile: F64, count: int) -> list[tuple[int, int]] | None:
    """Limits of `count` flat stretches: the count - 1 steepest places that lie apart, and the ends."""
    length = len(profile)
    smooth = ndimage.gaussian_filter1d(profile, max(1.0, length / (60 * count)))
    steep = np.abs(np.gradient(smooth))
    apart = max(2, round(0.35 * length / count))
    edges: list[int] = []
    for place in np.argsort(-steep, kind="stable"):
        if apart // 2 < place < length - apart // 2 and all(abs(place - e) >= apart for e in edges):
            edges.append(int(place))
        if len(edges) == count - 1:
            break
    if len(edges) < count - 1:
        return None
    edges.sort()
    bounds = [0, *edges, length]
    limits = [(bounds[k], bounds[k + 1]) for k in range(count)]
    noise = float(np.median(np.abs(np.diff(profile)))) + 1e-9
    jumps = np.abs(np.diff([float(np.median(profile[a:b])) for a, b in limits]))
    return limits if min(jumps) > 3 * noise else None


def _level(profile: F64, spread: F64, start: int, stop: int) -> tuple[float, float]:
    trim = int((1 - INNER_SHARE) / 2 * (stop - start))
    inner = slice(start + trim, max(start + trim + 1, stop - trim))
    return float(np.median(profile[inner])), float(np.median(spread[inner]))
