"""Long indications along their own ridge: where it runs, where it sinks into the noise, and how wide it is.

The patch is turned so that its long axis lies along the columns. The path through it that gathers the most contrast is found by dynamic
programming, the network leading where grain hides it; along it the crest is compared with the same average beside the patch. A stretch
longer than `GAP_MM` that proves empty, and where the network doubts the line, interrupts it. Widths come from profiles across the path,
averaged along it, taken at a share of the crest and moved to the toe of a blurred strip with rounded cross-section
(`outline.toe_half_width`).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from rtscan.film import F32, F64, Bool
from rtscan.reading.outline import toe_half_width

GAP_MM = 0.6
"""A ridge that stays in the noise for longer than this is interrupted."""
CREST_SHARE = 0.2
CREST_SIGMAS = 2.0
"""The crest counts as there above this share of its median and this many times its own spread."""
ACROSS_SHARE = 0.15
GAP_SHARE = 0.2
END_DOUBT_MM = 0.4
END_DOUBT_SHARE = 0.05
"""Standard uncertainty of the place of one end: so many mm for its taper and so much of the length for what fades along it (errors on
the tuning films)."""
WIDTH_DOUBT_MM = 0.1
"""Standard uncertainty of a width because the path and so the averaged profile waver (about one smoothing length across)."""
END_SIGMAS = 0.5
GAP_SURE, END_SURE, SURE_REACH_MM = 0.4, 0.5, 0.15
"""Where the network is surer than the first all along, within the reach across, there is no interruption; where it is less sure than the
second, a line has ended (exploration films)."""
FIRM_SIGMAS, FIRM_SHARE = 4.0, 0.5
"""Unless its crest stands so many spreads and such a share of its median high."""
PATH_SURE = 3.0
"""What the network's probability weighs against contrast in finding the ridge, in spreads of the patch: it leads where grain hides it."""
RIM_MM = 1.0
TOE_SHARE, TOE_MM, MOST_IN_MM, TOE_SIGMAS = 0.5, 3.0, 0.4, 2.0
"""An end is moved in, by no more than the third, to where the crest reaches the share of its median over the outer second, where that is
so many spreads high: the network's place and the smoothing along reach 0.2 to 0.4 mm beyond the toe (exploration films). More would mend
strong square ends (0.2 mm are left) and shorten tapers."""


@dataclass(frozen=True)
class Stretch:
    """One uninterrupted stretch, in pixels of the given image.

    outline: (n, 2), (column, row), along the toe. height: its contrast. end_doubt, width_doubt: standard uncertainties of the place of
    one end and of the width. path: the ridge, (n, 2), (column, row).
    """

    outline: F64
    height: float
    end_doubt: float
    width_doubt: float
    path: F64


@dataclass(frozen=True)
class _Frame:
    """The patch turned: `image`, `mask` and the network's probability `sure` (across, along); `back` takes (along, across, 1) to
    (column, row) of the original."""

    image: F32
    mask: Bool
    sure: F32
    back: F64

    def to_original(self, along: F64, across: F64) -> F64:
        return np.asarray(np.stack([along, across, np.ones_like(along)], axis=1) @ self.back.T)


def trace(image: F32, mask: Bool, pitch: float, blur: float, share: float = 0.4, sure: F32 | None = None) -> tuple[Stretch, ...]:
    """The uninterrupted stretches of a long patch, in order along it.

    image: residual, positive towards the tone, shape (rows, columns). mask: the patch. pitch: pixels per mm. blur: Gaussian sigma of the
    unsharpness in pixels. share: of the crest, where widths are taken. sure: the network's probability, shape of the image; without it
    the crest alone decides. Nothing when the patch has no direction or no crest.
    """
    frame = _turned(image, mask, np.zeros_like(image) if sure is None else sure, pitch)
    if frame is None:
        return ()
    across = float(np.clip(0.5 * ACROSS_SHARE * _typical_width(frame.mask), 0.08 * pitch, 0.5 * pitch))
    fine = np.asarray(cv2.GaussianBlur(frame.image, (0, 0), across, borderType=cv2.BORDER_REFLECT), dtype=np.float32)
    path = _path(fine, frame.mask, frame.sure, pitch)
    crest, spread = _crest(frame, path, pitch)
    inside = np.flatnonzero(frame.mask.any(axis=0))
    known = np.zeros(len(crest), dtype=bool)
    known[inside[0] : inside[-1] + 1] = True
    along = _sure_along(frame, path, pitch)
    strong = crest > max(FIRM_SIGMAS * spread, FIRM_SHARE * float(np.median(crest[known])))
    firm = np.flatnonzero(known & ((along > END_SURE) | strong))
    if len(firm):
        known[: firm[0]] = known[firm[-1] + 1 :] = False
    runs = _runs(crest, known, spread, along, pitch)
    runs = [_to_toe(crest, run, spread, pitch) for run in runs]
    return tuple(s for a, b in runs if (s := _stretch(frame, path, crest, (a, b), spread, pitch, blur, share)) is not None)


def _turned(image: F32, mask: Bool, sure: F32, pitch: float) -> _Frame | None:
    rows, columns = np.nonzero(mask)
    if len(rows) < 6:
        return None
    centre = np.array([columns.mean(), rows.mean()])
    spread, axes = np.linalg.eigh(np.cov(np.stack([columns, rows])) + 1e-9 * np.eye(2))
    if spread[1] < 2.0 * spread[0]:
        return None
    along = axes[:, 1] * (1.0 if axes[0, 1] >= 0 else -1.0)
    across = np.array([-along[1], along[0]])
    offset = np.stack([columns, rows], axis=1) - centre
    t, u = offset @ along, offset @ across
    rim = RIM_MM * pitch
    first, low = t.min() - 0.5 * pitch, u.min() - rim
    size = (int(np.ptp(t) + pitch) + 2, int(np.ptp(u) + 2 * rim) + 2)
    corner = centre + first * along + low * across
    back = np.stack([along, across, corner], axis=1)
    turned = cv2.warpAffine(image, back, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REFLECT)
    patch = cv2.warpAffine(mask.astype(np.uint8), back, size, flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP)
    seen = cv2.warpAffine(sure, back, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    return _Frame(np.asarray(turned, dtype=np.float32), patch > 0, np.asarray(seen, dtype=np.float32), back) if patch.any() else None


def _path(image: F32, mask: Bool, sure: F32, pitch: float) -> NDArray[np.intp]:
    """Row of the crest in every column: most contrast and probability inside the patch, moving at most one row a column (dynamic
    programming, Viterbi)."""
    grown = cv2.dilate(mask.astype(np.uint8), np.ones((3, 2 * round(0.5 * pitch) + 1), np.uint8)) > 0
    image = image + np.float32(PATH_SURE * float(image[mask].std())) * sure
    gain = np.where(grown, image, image.min() - 2 * np.ptp(image)).astype(np.float32)
    cost = np.float32(0.3 * max(float(image[mask].std()), 1e-9))
    rows, columns = gain.shape
    best, came = gain[:, 0].copy(), np.zeros((columns, rows), dtype=np.int8)
    for k in range(1, columns):
        up, down = np.r_[-np.inf, best[:-1]] - cost, np.r_[best[1:], -np.inf] - cost
        side = np.where(up > down, up, down)
        came[k] = np.where(side > best, np.where(up > down, -1, 1), 0)
        best = (np.maximum(best, side) + gain[:, k]).astype(np.float32)
    path = np.zeros(columns, dtype=np.intp)
    path[-1] = int(np.argmax(best))
    for k in range(columns - 1, 0, -1):
        path[k - 1] = path[k] + came[k, path[k]]
    return path


def _crest(frame: _Frame, path: NDArray[np.intp], pitch: float) -> tuple[F64, float]:
    """Contrast along the path over what lies beside the patch, averaged across as wide as the patch allows and along by 0.25 mm, and
    the spread of the same average beside."""
    wide = _typical_width(frame.mask)
    across = float(np.clip(ACROSS_SHARE * wide, 0.08 * pitch, 0.5 * pitch))
    smooth = ndimage.gaussian_filter(frame.image, (across, 0.25 * pitch), mode="nearest")
    free = ~(cv2.dilate(frame.mask.astype(np.uint8), np.ones((2 * round(0.3 * pitch) + 1,) * 2, np.uint8)) > 0)
    beside = smooth[free]
    if beside.size < 50:
        return smooth[path, np.arange(len(path))].astype(np.float64), 0.0
    level = float(np.median(beside))
    spread = 1.4826 * float(np.median(np.abs(beside - level)))
    return smooth[path, np.arange(len(path))].astype(np.float64) - max(0.0, level), spread


def _typical_width(mask: Bool) -> float:
    """Median height of a patch over its columns, in pixels."""
    heights = mask.sum(axis=0)
    return float(np.median(heights[heights > 0]))


def _sure_along(frame: _Frame, path: NDArray[np.intp], pitch: float) -> F64:
    """The greatest probability of the network within `SURE_REACH_MM` across the path, in every column."""
    wide = cv2.dilate(frame.sure, np.ones((2 * round(SURE_REACH_MM * pitch) + 1, 1), np.uint8))
    return np.asarray(wide[path, np.arange(len(path))], dtype=np.float64)


def _runs(crest: F64, known: Bool, spread: float, sure: F64, pitch: float) -> list[tuple[int, int]]:
    """First and last column of each stretch.

    An interruption must be proven: its mean crest under `GAP_SHARE` of the line's own (at an end, which may taper: in the noise), and the
    difference three times what noise leaves of such a mean; and somewhere in it the network must doubt the line (`GAP_SURE`). Stretches
    shorter than half a `GAP_MM` are left out.
    """
    typical = float(np.median(crest[known]))
    there = known & (crest > max(CREST_SIGMAS * spread, CREST_SHARE * typical))
    labels, count = ndimage.label(known & ~there)
    shortest = GAP_MM * pitch
    for number, (box,) in enumerate(ndimage.find_objects(labels, count), start=1):
        length = box.stop - box.start
        lacking = typical - float(crest[box].mean())
        empty = lacking > (1 - GAP_SHARE) * typical
        if not known[box.start - 1 : box.start].any() or not known[box.stop : box.stop + 1].any():
            empty = typical - lacking < END_SIGMAS * spread
        proven = empty and lacking * np.sqrt(length / shortest) > 3.0 * spread
        if length < shortest or not proven or sure[box].min() > GAP_SURE:
            there |= labels == number
    labels, count = ndimage.label(there)
    return [(int(s.start), int(s.stop) - 1) for (s,) in ndimage.find_objects(labels, count) if s.stop - s.start > 0.5 * shortest]


def _to_toe(crest: F64, run: tuple[int, int], spread: float, pitch: float) -> tuple[int, int]:
    """First and last column of a stretch with its ends moved in to the toe (`TOE_SHARE`)."""
    first, last = run
    outer, most = round(min(TOE_MM * pitch, (last - first) / 3)), round(min(MOST_IN_MM * pitch, (last - first) / 4))
    moved = []
    for end in (crest[first : last + 1], crest[first : last + 1][::-1]):
        level = float(np.median(end[: outer + 1]))
        low = end[: most + 1] < TOE_SHARE * level
        moved.append(0 if level < TOE_SIGMAS * spread else most if low.all() else int(np.argmin(low)))
    return first + moved[0], last - moved[1]


def _stretch(
    frame: _Frame, path: NDArray[np.intp], crest: F64, run: tuple[int, int], spread: float, pitch: float, blur: float, share: float
) -> Stretch | None:
    first, last = run
    if last - first < 3:
        return None
    at = np.arange(first, last + 1)
    middle = ndimage.gaussian_filter1d(path[first : last + 1].astype(float), 0.1 * pitch, mode="nearest")
    low, high = _edges(frame, at, middle, pitch, share)
    weak = crest[first : last + 1] <= CREST_SIGMAS * spread
    if weak.any() and not weak.all():  # no profile to speak of: no wider than where there is one
        low[weak] = np.maximum(low[weak], np.median(low[~weak]))
        high[weak] = np.minimum(high[weak], np.median(high[~weak]))
    sigma = float(np.hypot(blur, 0.1 * pitch))
    half = np.array([toe_half_width(float(h), share, sigma) for h in (high - low) / 2])
    half = np.maximum(ndimage.gaussian_filter1d(half, 0.1 * pitch, mode="nearest"), 0.3)
    line = middle + ndimage.gaussian_filter1d((low + high) / 2, 0.1 * pitch, mode="nearest")
    taper = np.minimum(1.0, 0.25 + np.minimum(at - first, last - at) / np.maximum(1.0, 0.2 * pitch))
    rim = np.concatenate([line - half * taper, (line + half * taper)[::-1]])
    height = float(np.percentile(crest[first : last + 1], 90))
    end, width = _end_doubt(crest[first : last + 1], height, spread, pitch), _width_doubt(high - low, half, blur, pitch)
    both = np.concatenate([at, at[::-1]]).astype(float)
    return Stretch(frame.to_original(both, rim), height, end, width, frame.to_original(at.astype(float), line))


def _end_doubt(crest: F64, height: float, spread: float, pitch: float) -> float:
    """Standard uncertainty of the place of one end in pixels: noise over slope, fading, and ends whose crest lies in the noise."""
    slope = max(height / max(1.0, 0.15 * len(crest)), 1e-9)
    weak = crest <= max(CREST_SIGMAS * spread, CREST_SHARE * height)
    hidden = [float(np.argmin(side)) / np.sqrt(3.0) for side in (weak, weak[::-1])]
    parts = [spread / slope, END_DOUBT_MM * pitch, END_DOUBT_SHARE * len(crest), *(h / np.sqrt(2.0) for h in hidden)]
    return float(np.sqrt(np.sum(np.square(parts))))


def _width_doubt(seen: F64, half: F64, blur: float, pitch: float) -> float:
    """Standard uncertainty of a width in pixels. seen: widths at the share of the crest; half: half widths at the toe."""
    shift = float(np.median(half - seen / 2))
    return float(np.sqrt(np.sum(np.square([0.5 * blur, WIDTH_DOUBT_MM * pitch, seen.std(), shift, 0.05 * 2 * half.mean()]))))


def _edges(frame: _Frame, at: NDArray[np.intp], middle: F64, pitch: float, share: float) -> tuple[F64, F64]:
    """Distances from the path (low negative, high positive) at which the profile, averaged along by 0.4 mm, sinks below the share."""
    reach = int(frame.image.shape[0])
    across = np.arange(-reach, reach + 1, dtype=np.float32)
    rows = (middle[None, :] + across[:, None]).astype(np.float32)
    columns = np.broadcast_to(at.astype(np.float32), rows.shape)
    flat = cv2.remap(frame.image, np.ascontiguousarray(columns), rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
    flat = np.asarray(ndimage.gaussian_filter(flat, (0.1 * pitch, 0.4 * pitch), mode="nearest"), dtype=np.float32)
    near = max(1, round(0.1 * pitch))
    crest = np.maximum(flat[reach - near : reach + near + 1].max(axis=0), 1e-9)
    inside = np.flatnonzero(frame.mask.any(axis=1))
    wide = min(reach, round(0.5 * len(inside) + 0.5 * pitch))
    base = np.clip(np.percentile(flat[reach - wide : reach + wide + 1], 20, axis=0), 0.0, 0.5 * crest)
    level = (base + share * (crest - base)).astype(np.float32)
    upper: F32 = flat[reach::-1].astype(np.float32)
    return -_first_below(upper, level), _first_below(flat[reach:].astype(np.float32), level)


def _first_below(profile: F32, level: F32) -> F64:
    """Rows from the first to where each column sinks below its level, between two pixels."""
    below = profile < level[None]
    below[0] = False
    below[-1] = True
    k = np.argmax(below, axis=0)
    column = np.arange(profile.shape[1])
    above, under = profile[k - 1, column], profile[k, column]
    part = np.clip((above - level) / np.maximum(above - under, 1e-9), 0.0, 1.0)
    return np.asarray(k - 1 + part, dtype=np.float64)
