"""Cut: the patch of one candidate at the full resolution of its strip, with what else is known of the place."""

from __future__ import annotations

import cv2
import numpy as np

from rtscan.film import F32, Background, Bool
from rtscan.reading.background import NOMINAL_PIXELS_PER_MM
from rtscan.reading.candidates import Candidate, Search
from rtscan.reading.net import TONES


class Cut:
    """A candidate's patch of the residual at strip resolution, positive towards its tone; `mine` is its own mask there, `others` the
    patches of its neighbours, `sure` the network's probability of its tone."""

    def __init__(self, background: Background, search: Search, c: Candidate) -> None:
        down, right = search.grid.factor
        self.pitch = background.strip.pixels_per_mm or NOMINAL_PIXELS_PER_MM
        margin = round((0.5 + 0.5 * min(c.width_mm, 3.0)) * self.pitch)
        rows, columns = background.residual.shape
        self.top, self.left = max(0, int(c.top / down) - margin), max(0, int(c.left / right) - margin)
        bottom = min(rows, int((c.top + c.mask.shape[0]) / down) + margin)
        end = min(columns, int((c.left + c.mask.shape[1]) / right) + margin)
        box = (slice(self.top, bottom), slice(self.left, end))
        sign = np.float32(1.0 if c.tone == "dark" else -1.0)
        self.image: F32 = sign * background.residual[box]
        self.noise = float(np.median(background.noise[box]))
        shape = (bottom - self.top, end - self.left)
        self.mine = placed(c, search, (self.top, self.left), shape)
        self.others = np.zeros(shape, dtype=bool)
        for other in search.candidates:
            if other is not c and other.tone == c.tone and not other.of_network and _overlaps(c, other, int(margin * down) + 1):
                self.others |= placed(other, search, (self.top, self.left), shape)
        self.usable: Bool = background.strip.usable[box]
        self.sure = sampled(search.seen[TONES.index(c.tone)], search, (self.top, self.left), shape)


def _overlaps(a: Candidate, b: Candidate, margin: int) -> bool:
    return bool(
        a.top - margin < b.top + b.mask.shape[0]
        and b.top < a.top + a.mask.shape[0] + margin
        and a.left - margin < b.left + b.mask.shape[1]
        and b.left < a.left + a.mask.shape[1] + margin
    )


def sampled(picture: F32, search: Search, corner: tuple[int, int], shape: tuple[int, int]) -> F32:
    """A picture on the detection grid in strip pixels, in a window of `shape` whose first pixel is `corner`."""
    down, right = search.grid.factor
    matrix = np.array([[1 / right, 0, 0.5 / right - 0.5 - corner[1]], [0, 1 / down, 0.5 / down - 0.5 - corner[0]]])
    return np.asarray(cv2.warpAffine(picture, matrix, (shape[1], shape[0]), flags=cv2.INTER_LINEAR), dtype=np.float32)


def placed(c: Candidate, search: Search, corner: tuple[int, int], shape: tuple[int, int]) -> Bool:
    """The candidate's mask in strip pixels, in a window of `shape` whose first pixel is `corner`."""
    down, right = search.grid.factor
    matrix = np.array([[1 / right, 0, (c.left + 0.5) / right - 0.5 - corner[1]], [0, 1 / down, (c.top + 0.5) / down - 0.5 - corner[0]]])
    warped = cv2.warpAffine(c.mask.astype(np.float32), matrix, (shape[1], shape[0]), flags=cv2.INTER_LINEAR)
    return np.asarray(warped > 0.5)
