"""A small network that looks at the whole film, much reduced, and tells where a weld may lie: one weld, or the two arcs of an ellipse.

It sees a picture of `LONGER_SIDE` pixels (`channels`) in the middle of a square and answers with a probability per place for every row of
`OUTPUTS`; the first arc of an ellipse is the upper one (the left one where they stand side by side). It was trained on simulated films
only (scripts/train_detector weld; models/detector.json names recipe, data version and hash) and is run by onnxruntime on the CPU.
`sighted` makes coarse ribbons of an answer; `weld_band` decides what to believe.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from scipy import ndimage
from scipy.ndimage import gaussian_filter1d, median_filter

from rtscan.film import F32, F64, Bool
from rtscan.reading.ribbon import Reduced, Ribbon

MODEL = Path(__file__).with_name("models") / "weld.onnx"
LONGER_SIDE = 384
LEAST_SIDE = 32
OUTPUTS = ("weld", "first arc", "second arc")
LIKELY = 0.5
LEAST_PLACES = 8
LEAST_WIDTH = 8.0


@dataclass(frozen=True)
class Sight:
    """The network's answer on the reduced film: `maps` float32 (len(OUTPUTS), rows, columns), `cell_px` film pixels (x, y) in one place."""

    maps: F32
    cell_px: tuple[float, float]


@dataclass(frozen=True)
class Sighted:
    """One weld as the network sees it: a coarse ribbon in the frame of `reduced`, and how sure the network is along its middle (0 to 1)."""

    reduced: Reduced
    ribbon: Ribbon
    sure: float


def reduced_picture(density: F32, valid: Bool) -> tuple[F32, Bool]:
    """The film with `LONGER_SIDE` pixels along its longer side (area means over valid pixels), and which of them are valid."""
    scale = LONGER_SIDE / max(density.shape)
    size = (max(LEAST_SIDE, round(density.shape[1] * scale)), max(LEAST_SIDE, round(density.shape[0] * scale)))
    weight = cv2.resize(valid.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    total = cv2.resize(np.where(valid, density, np.float32(0)), size, interpolation=cv2.INTER_AREA)
    known = weight > 0.3
    fill = float(np.median(total[known] / weight[known])) if known.any() else 0.0
    return np.where(known, total / np.maximum(weight, 1e-6), np.float32(fill)).astype(np.float32), known


def channels(picture: F32, known: Bool) -> F32:
    """What the network sees: float32 (3, rows, columns). Density over its own spread; what stands out of a wide blur, over its own spread
    there (asinh); 1 where the film is valid."""
    values = picture[known] if known.any() else picture
    low, middle, high = np.percentile(values, [2, 50, 98])
    level = np.clip((picture - middle) / max(high - low, 1e-3), -1.5, 1.5)
    out = picture - cv2.GaussianBlur(picture, (0, 0), LONGER_SIDE / 24)
    spread = np.sqrt(cv2.GaussianBlur(out * out, (0, 0), LONGER_SIDE / 8)) + 1e-3
    return np.stack([level, np.arcsinh(2 * out / spread), known]).astype(np.float32)


def in_square(pictures: F32) -> F32:
    """Pictures (n, rows, columns) in the middle of a square of zeros, as the network was trained to see them."""
    rows, columns = pictures.shape[1:]
    top, left = (LONGER_SIDE - rows) // 2, (LONGER_SIDE - columns) // 2
    square = np.zeros((len(pictures), LONGER_SIDE, LONGER_SIDE), dtype=np.float32)
    square[:, top : top + rows, left : left + columns] = pictures
    return square


def out_of_square(square: F32, shape: tuple[int, ...]) -> F32:
    """The part of a square (n, side, side) in which `in_square` has put pictures of `shape` (rows, columns)."""
    top, left = (LONGER_SIDE - shape[0]) // 2, (LONGER_SIDE - shape[1]) // 2
    return square[:, top : top + shape[0], left : left + shape[1]]


def sight(density: F32, valid: Bool) -> Sight | None:
    """Where the network sees a weld; None without a model."""
    session = _session()
    if session is None:
        return None
    picture, known = reduced_picture(density, valid)
    answer = session.run(None, {session.get_inputs()[0].name: in_square(channels(picture, known))[None]})[0][0]
    full = np.stack([cv2.resize(a, (LONGER_SIDE, LONGER_SIDE), interpolation=cv2.INTER_LINEAR) for a in answer])
    maps = out_of_square(full, picture.shape)
    rows, columns = picture.shape
    return Sight(np.where(known, maps, 0).astype(np.float32), (density.shape[1] / columns, density.shape[0] / rows))


def sighted(seen: Sight, double: bool | None) -> tuple[Sighted, ...]:
    """The weld, or the two arcs, of an answer; empty when the network sees none. double: whether the job sheet tells of an ellipse."""
    single, first, second = seen.maps
    both = float(np.maximum(first, second)[np.maximum(first, second) > LIKELY].sum())
    alone = float(single[single > LIKELY].sum())
    if double is True or (double is None and both > alone):
        arcs = [_ribbon(m, seen.cell_px, _turned(np.maximum(first, second))) for m in (first, second)]
        return tuple(a for a in arcs if a is not None)
    anywhere = seen.maps.max(axis=0) if double is False else single
    one = _ribbon(anywhere, seen.cell_px, _turned(anywhere))
    return (one,) if one is not None else ()


def of_width(seen: Sighted, width_px: float, trusted: float) -> Sighted:
    """The same with the width told, film pixels, where the seen one is off by more than a share of `trusted`; no narrower than
    `LEAST_WIDTH` places or pixels."""
    told = max(LEAST_WIDTH, LEAST_WIDTH / seen.reduced.across_px, width_px / seen.reduced.across_px)
    middle = 0.5 * (seen.ribbon.upper + seen.ribbon.lower)
    if abs(float(np.median(seen.ribbon.lower - seen.ribbon.upper)) / told - 1.0) <= trusted:
        return seen
    return replace(seen, ribbon=replace(seen.ribbon, upper=middle - told / 2, lower=middle + told / 2))


def _turned(probability: F32) -> bool:
    """Whether the largest likely part runs up and down the picture."""
    mask = _largest(probability)
    if not mask.any():
        return False
    rows, columns = np.nonzero(mask)
    return bool(np.ptp(rows) > np.ptp(columns))


def _largest(probability: F32) -> Bool:
    labels, count = ndimage.label(probability > LIKELY)
    if count == 0:
        return np.zeros(probability.shape, dtype=bool)
    mass = ndimage.sum_labels(probability, labels, np.arange(1, count + 1))
    kept = np.flatnonzero(mass > 0.25 * mass.max()) + 1
    return np.asarray(np.isin(labels, kept))


def _ribbon(probability: F32, cell_px: tuple[float, float], turned: bool) -> Sighted | None:
    """The likely parts as a ribbon: per column the mass of probability is the width and its centre the middle."""
    mask = _largest(probability)
    image = (np.where(mask, probability, 0)).astype(np.float64)
    if turned:
        image = image.T
    mass = image.sum(axis=0)
    seen = mass > 0.4 * float(np.median(mass[mass > 0])) if (mass > 0).any() else mass > 0
    places = np.flatnonzero(seen)
    if len(places) < LEAST_PLACES:
        return None
    rows = np.arange(image.shape[0])[:, None] + 0.5
    centre = (image * rows).sum(axis=0)[places] / mass[places]
    columns = np.arange(image.shape[1])
    middle, width = np.interp(columns, places, centre), np.interp(columns, places, mass[places])
    middle, width = (median_filter(v, 15, mode="nearest") for v in (middle, width))
    middle, width = gaussian_filter1d(middle, 3.0, mode="nearest"), gaussian_filter1d(width, 5.0, mode="nearest")
    x, y = cell_px
    reduced = Reduced(np.zeros(image.shape, np.float32), np.ones(image.shape, bool), x if turned else y, y if turned else x, turned)
    evidence: F64 = np.where((columns >= places[0]) & (columns <= places[-1]), 1.5, 0.0)
    inside = image[np.clip(middle.astype(np.int64), 0, image.shape[0] - 1), columns]
    sure = float(inside[places[0] : places[-1] + 1].mean())
    return Sighted(reduced, Ribbon(middle - width / 2, middle + width / 2, 1.5 * sure, evidence), sure)


@cache
def _session() -> Any:
    if not MODEL.exists():
        return None
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    options.enable_cpu_mem_arena = False  # memory for one run, not kept for the next
    options.log_severity_level = 3
    return onnxruntime.InferenceSession(str(MODEL), options, providers=["CPUExecutionProvider"])
