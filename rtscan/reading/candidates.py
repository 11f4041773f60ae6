"""Candidates: every place where the filter bank stands out, with the patch of grid pixels that belongs to it.

Strong finds are taken out before the search is repeated, because a filter fitted to a weak pore goes blind in the ring that a
stronger neighbour leaves; of a long line only its own running middle, so that a pore on it stays. Places that the network sees and no patch
fills become candidates as they are. Completeness is the aim here; `rank` decides which candidates are worth a reader's attention.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from rtscan.film import F32, Bool
from rtscan.findings import Tone
from rtscan.reading.filters import FilterSettings, Grid, Response, Shape, put, responses
from rtscan.reading.patches import component, open_places, taken_out, without_tails

SUPPORT_SIGMAS_MM = (0.1, 0.2, 0.4, 0.8)


@dataclass(frozen=True)
class CandidateSettings:
    """Bars on signal-to-noise, counts and window sizes (mm). A place that the network is sure of passes a bar lower by `net_bonus`.

    Two spots are kept apart when the residual between them sinks below `saddle_share` of the weaker; a spot on a ridge is kept apart when
    it stands out of the ridge by `spot_over_ridge`. A patch lies above `contrast_share` of the way from its surroundings to its crest, and
    above `level_share` of the crest; one that fills more than `sprawl` of its window tries bars higher by `sprawl_steps`. At most
    `most_per_tone` peaks a pass, and beside them `most_seen` where the network answers more than `seen_least`; none below `least_snr`,
    which the ranking never accepts.
    """

    blob_bar: float = 4.2
    line_bar: float = 5.0
    line_low: float = 3.0
    strong: float = 10.0
    contrast_share: float = 0.4
    apart_mm: float = 0.35
    most_per_tone: int = 80
    net_bonus: float = 4.0
    spot_bar: float = 5.0
    saddle_share: float = 0.72
    spot_over_ridge: float = 2.2
    level_share: float = 0.2
    sprawl: float = 0.3
    sprawl_steps: tuple[float, ...] = (0.25, 0.5)
    line_window_mm: float = 3.0
    seen_least: float = 0.1
    most_seen: int = 150
    least_snr: float = 3.5
    least_pixels: int = 4


@dataclass(frozen=True)
class Candidate:
    """One candidate on the detection grid. `row`, `column` the place of the greatest signal-to-noise; `top`, `left` and `mask` the patch
    of grid pixels above its contrast bar; `family` the index of the filter that saw it best; `profile` the response of every filter
    there. of_network: the patch is a place that the network sees, not what a filter found."""

    tone: Tone
    row: int
    column: int
    snr: float
    shape: Shape
    family: int
    size_mm: float
    width_mm: float
    direction_deg: float
    contrast: float
    bar: float
    support: int
    top: int
    left: int
    mask: Bool
    profile: tuple[float, ...]
    of_network: bool = False


@dataclass(frozen=True)
class Search:
    """All candidates of a strip, best signal-to-noise first, with the maps they were found on. `smooth` are the residuals smoothed by
    `SUPPORT_SIGMAS_MM`, in which the patches were cut out; `seen` the network's answer, shape (outputs, across, along)."""

    grid: Grid
    seen: F32
    candidates: tuple[Candidate, ...]
    smooth: tuple[F32, ...]
    maps: tuple[Response, ...]


def find_candidates(grid: Grid, seen: F32, settings: CandidateSettings | None = None, bank: FilterSettings | None = None) -> Search:
    """Dark and bright candidates of one strip. seen: the network's answer on the grid (see `net.look`), dark and bright first."""
    chosen = settings or CandidateSettings()
    maps = responses(grid, bank)
    smooth = smoothed(grid)
    found: list[Candidate] = []
    for tone, sign in (("dark", 1.0), ("bright", -1.0)):
        hunt = _Hunt(grid, smooth, maps, sign, "dark" if tone == "dark" else "bright", seen[0 if tone == "dark" else 1], chosen)
        found += hunt.candidates()
    found.sort(key=lambda c: (-c.snr, c.column, c.row))
    return Search(grid, seen, tuple(found), smooth, maps)


def smoothed(grid: Grid) -> tuple[F32, ...]:
    """The residual smoothed by each of `SUPPORT_SIGMAS_MM`."""
    return tuple(
        np.asarray(cv2.GaussianBlur(grid.residual, (0, 0), s * grid.per_mm, borderType=cv2.BORDER_REFLECT), dtype=np.float32)
        for s in SUPPORT_SIGMAS_MM
    )


class _Hunt:
    """The search for one tone; `taken` (across, along) holds the patches already given away."""

    def __init__(
        self,
        grid: Grid,
        smooth: tuple[F32, ...],
        maps: tuple[Response, ...],
        sign: float,
        tone: Tone,
        seen: F32,
        settings: CandidateSettings,
    ) -> None:
        self.seen, self.bonus = seen, settings.net_bonus * seen
        self.grid, self.maps, self.sign, self.tone, self.settings = grid, maps, np.float32(sign), tone, settings
        self.smooth = tuple(self.sign * s for s in smooth)
        self.taken = np.zeros(grid.residual.shape, dtype=bool)
        self.ridges = self._ridges()
        self.spots = self._spots()

    def candidates(self) -> list[Candidate]:
        found = self._by_filters()
        patches = [(c.top, c.left, c.mask) for c in found]
        places = open_places(self.seen, self.grid.usable, patches, self.grid.per_mm)
        return found + [c for place in places for c in self._of_place(*place)]

    def _by_filters(self) -> list[Candidate]:
        first = self._pass(self.maps)
        strong = [c for c in first if c.snr >= self.settings.strong]
        if not strong:
            return first
        out = [((c.top, c.left, c.mask), c.direction_deg if self._is_long(c) else None) for c in strong]
        grow, window = round(0.25 * self.grid.per_mm), round(self.settings.line_window_mm * self.grid.per_mm)
        again = replace(self.grid, residual=taken_out(self.grid.residual, float(self.sign), out, grow, window))
        blobs = FilterSettings(
            blob_radii_mm=tuple(r.size_mm for r in self.maps if r.shape == "blob" and r.size_mm <= 1.0), line_sigmas_mm=()
        )
        for c in filter(self._is_long, strong):
            self.taken[c.top : c.top + c.mask.shape[0], c.left : c.left + c.mask.shape[1]] &= ~c.mask
        self.smooth = tuple(self.sign * s for s in smoothed(again))
        return first + [replace(c, profile=self._profile(c.row, c.column)) for c in self._pass(responses(again, blobs))]

    def _is_long(self, c: Candidate) -> bool:
        """Whether a running middle can follow a find: a line twice as long as the window."""
        return c.shape == "line" and max(c.mask.shape) >= 2 * self.settings.line_window_mm * self.grid.per_mm

    def _of_place(self, top: int, left: int, mask: Bool) -> list[Candidate]:
        """The candidate that fills a place, at the place's best filter; none where every filter stays in the noise."""
        margin = self.settings.line_bar - self.settings.blob_bar
        box = (slice(top, top + mask.shape[0]), slice(left, left + mask.shape[1]))
        values = np.stack([np.where(mask, self.sign * m.snr[box] - (margin if m.shape == "line" else 0.0), -np.inf) for m in self.maps])
        index, row, column = (int(n) for n in np.unravel_index(int(values.argmax()), values.shape))
        row, column, best = row + top, column + left, self.maps[index]
        if self.sign * best.snr[row, column] < self.settings.least_snr:
            return []
        base = self._base(self.smooth[self._support(best)], row, column, best.width_mm)
        return [replace(self._candidate(index, row, column, best, (top, left, mask), base), of_network=True)]

    def _pass(self, maps: tuple[Response, ...]) -> list[Candidate]:
        found = []
        for index, row, column in self._peaks(maps):
            if self.taken[row, column]:
                continue
            candidate = self._cut(index, row, column, maps[index])
            if candidate is not None:
                found.append(candidate)
        return found

    def _peaks(self, maps: tuple[Response, ...]) -> list[tuple[int, int, int]]:
        """(filter, row, column) of the local maxima over all filters, strongest first."""
        margin = self.settings.line_bar - self.settings.blob_bar
        best, which = np.full(self.grid.residual.shape, -np.inf, dtype=np.float32), np.zeros(self.grid.residual.shape, dtype=np.float32)
        for k, one in enumerate(maps):
            value = self.sign * one.snr
            if one.shape == "line":
                value -= np.float32(margin)
            put(np.full(value.shape, k, dtype=np.float32), value > best, which)
            np.maximum(best, value, out=best)
        lines = np.array([margin if one.shape == "line" else 0.0 for one in maps], dtype=np.float32)
        lifted = best + self.bonus
        reach = 2 * max(1, round(self.settings.apart_mm * self.grid.per_mm)) + 1
        top = cv2.dilate(lifted, np.ones((reach, reach), np.uint8))
        rows, columns = np.nonzero((lifted >= top) & (lifted >= self.settings.blob_bar) & self.grid.usable & ~self.taken)
        family = which[rows, columns].astype(int)
        clear = best[rows, columns] + lines[family] >= self.settings.least_snr
        rows, columns, family = rows[clear], columns[clear], family[clear]
        order = np.lexsort((rows, columns, -lifted[rows, columns]))
        told = self.seen[rows[order], columns[order]] > self.settings.seen_least
        order = order[np.where(told, np.cumsum(told) <= self.settings.most_seen, np.arange(len(order)) < self.settings.most_per_tone)]
        return [(int(family[i]), int(rows[i]), int(columns[i])) for i in order]

    def _cut(self, index: int, row: int, column: int, response: Response) -> Candidate | None:
        """The patch that belongs to a peak, or None when next to nothing is left of it beside what is taken."""
        support = self._support(response)
        image = self.smooth[support]
        base = self._base(image, row, column, response.width_mm)
        crest = self._crest(image, row, column)
        if crest <= base:
            return None
        bar = max(base + self.settings.contrast_share * (crest - base), self.settings.level_share * crest)
        patch = self._ridge_patch(row, column) if response.shape == "line" else None
        if patch is None:
            patch = self._compact_patch(image, bar, row, column, response)
        if patch is None or patch[2].sum() < self.settings.least_pixels:
            return None
        self._take(patch[0], patch[1], patch[2])
        return self._candidate(index, row, column, response, patch, base)

    def _support(self, response: Response) -> int:
        """Which of the smoothed residuals suits a filter."""
        support = int(np.searchsorted(SUPPORT_SIGMAS_MM, 0.3 * response.width_mm, side="right")) - 1
        return min(max(support, 0), len(SUPPORT_SIGMAS_MM) - 1)

    def _crest(self, image: F32, row: int, column: int) -> float:
        return float(image[max(0, row - 2) : row + 3, max(0, column - 2) : column + 3].max())

    def _candidate(self, index: int, row: int, column: int, response: Response, patch: tuple[int, int, Bool], base: float) -> Candidate:
        support = self._support(response)
        contrast = max(self._crest(self.smooth[support], row, column) - base, float(self.grid.noise[row, column]))
        return Candidate(
            tone=self.tone,
            row=row,
            column=column,
            snr=float(self.sign * response.snr[row, column]),
            shape=response.shape,
            family=index,
            size_mm=response.size_mm,
            width_mm=response.width_mm,
            direction_deg=float(response.direction[row, column]) if response.direction is not None else 0.0,
            contrast=contrast,
            bar=base + self.settings.contrast_share * contrast,
            support=support,
            top=patch[0],
            left=patch[1],
            mask=patch[2],
            profile=self._profile(row, column),
        )

    def _base(self, image: F32, row: int, column: int, width_mm: float) -> float:
        """What the residual is around a place: a low middle value of a ring one to two widths away."""
        far = max(4, round(1.1 * width_mm * self.grid.per_mm) + 2)
        top, left = max(0, row - far), max(0, column - far)
        window = image[top : row + far + 1, left : column + far + 1]
        rim = np.concatenate([window[0], window[-1], window[:, 0], window[:, -1]])
        return float(np.percentile(rim, 40))

    def _spots(self) -> NDArray[np.float64]:
        """Compact peaks on fine scales: rows of (row, column, radius in grid pixels, contrast of the finest support)."""
        fine = [r for r in self.maps if r.shape == "blob" and r.size_mm <= 1.0]
        best, radius = np.full(self.taken.shape, -np.inf, dtype=np.float32), np.zeros(self.taken.shape, dtype=np.float32)
        for one in fine:
            value = self.sign * one.snr
            put(np.full(value.shape, one.size_mm * self.grid.per_mm, dtype=np.float32), value > best, radius)
            np.maximum(best, value, out=best)
        best += self.bonus
        reach = 2 * max(1, round(0.25 * self.grid.per_mm)) + 1
        rows, columns = np.nonzero(
            (best >= cv2.dilate(best, np.ones((reach, reach), np.uint8))) & (best > self.settings.spot_bar) & self.grid.usable
        )
        height = self.smooth[0][rows, columns]
        return np.stack([rows, columns, radius[rows, columns], height], axis=1).astype(float)

    def _without_rivals(self, top: int, left: int, mask: Bool, row: int, column: int) -> Bool:
        """The patch less what belongs to other spots in it: those with a saddle between them and this one."""
        inside = (self.spots[:, 0] >= top) & (self.spots[:, 0] < top + mask.shape[0])
        inside &= (self.spots[:, 1] >= left) & (self.spots[:, 1] < left + mask.shape[1])
        rivals = [s for s in self.spots[inside] if mask[int(s[0]) - top, int(s[1]) - left] and self._apart(row, column, s)]
        if not rivals:
            return mask
        rows, columns = np.mgrid[top : top + mask.shape[0], left : left + mask.shape[1]]
        own = np.hypot(rows - row, columns - column)
        nearest = np.min([np.hypot(rows - s[0], columns - s[1]) for s in rivals], axis=0)
        return np.asarray(mask & (own <= nearest))

    def _apart(self, row: int, column: int, spot: NDArray[np.float64]) -> bool:
        steps = int(max(abs(spot[0] - row), abs(spot[1] - column)))
        if steps < 3:
            return False
        t = np.linspace(0.0, 1.0, steps + 1)
        between = self.smooth[0][np.round(row + t * (spot[0] - row)).astype(int), np.round(column + t * (spot[1] - column)).astype(int)]
        own = float(self.smooth[0][max(0, row - 1) : row + 2, max(0, column - 1) : column + 2].max())
        return bool(between.min() < self.settings.saddle_share * min(own, spot[3]))

    def _profile(self, row: int, column: int) -> tuple[float, ...]:
        return tuple(float(self.sign * one.snr[row, column]) for one in self.maps)

    def _compact_patch(self, image: F32, bar: float, row: int, column: int, response: Response) -> tuple[int, int, Bool] | None:
        reach = round((1.2 * response.size_mm + 1.0) * self.grid.per_mm)
        top, left = max(0, row - reach), max(0, column - reach)
        window = (slice(top, row + reach + 1), slice(left, column + reach + 1))
        patch = self._above(image[window], bar, window, row - top, column - left)
        if patch is None:
            return None
        kept = self._without_rivals(*patch, row, column)
        patch = component(kept, row - patch[0], column - patch[1], patch[0], patch[1])
        return None if patch is None else without_tails(patch, row, column)

    def _above(self, image: F32, bar: float, window: tuple[slice, slice], row: int, column: int) -> tuple[int, int, Bool] | None:
        """The connected part of a window above the bar; where it sprawls over the window (soft clutter, a place beside a trough), a higher
        bar that parts it from what lies around, if there is one."""
        crest = float(image[row, column])
        first = None
        for share in (0.0, *self.settings.sprawl_steps):
            above = (image > bar + share * (crest - bar)) & ~self.taken[window] & self.grid.usable[window]
            above[row, column] = True
            patch = component(above, row, column, window[0].start, window[1].start)
            first = first or patch
            if patch is None or patch[2].sum() <= self.settings.sprawl * image.size:
                return patch or first
        return first

    def _ridges(self) -> NDArray[np.int32]:
        """Labels of the connected stretches over which the line filters of any width stay above the low bar."""
        line = np.max([self.sign * r.snr for r in self.maps if r.shape == "line" and r.size_mm < 6.0], axis=0)
        above = (line > self.settings.line_low + 0.5) & (self.smooth[1] > 0) & self.grid.usable
        labels, _ = ndimage.label(above, structure=np.ones((3, 3)))
        self.slices = ndimage.find_objects(labels)
        return np.asarray(labels, dtype=np.int32)

    def _ridge_patch(self, row: int, column: int) -> tuple[int, int, Bool] | None:
        label = int(self.ridges[row, column])
        if label == 0:
            return None
        box = self.slices[label - 1]
        top, left = box[0].start, box[1].start
        mask = (self.ridges[box] == label) & ~self.taken[box]
        mask &= ~self._spots_on(mask, top, left)
        return component(mask, row - top, column - left, top, left) if mask[row - top, column - left] else None

    def _spots_on(self, mask: Bool, top: int, left: int) -> Bool:
        """Discs round the spots that stand out of a ridge."""
        discs = np.zeros(mask.shape, dtype=np.uint8)
        if not mask.any():
            return discs.astype(bool)
        crest = float(np.median(self.smooth[0][top : top + mask.shape[0], left : left + mask.shape[1]][mask]))
        for row, column, radius, height in self.spots:
            r, c = int(row) - top, int(column) - left
            if 0 <= r < mask.shape[0] and 0 <= c < mask.shape[1] and mask[r, c] and height > self.settings.spot_over_ridge * crest:
                cv2.circle(discs, (c, r), round(1.2 * radius), 1, -1)
        return discs.astype(bool)

    def _take(self, top: int, left: int, mask: Bool) -> None:
        grown = cv2.dilate(np.pad(mask, 1).astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool)
        r0, c0 = max(0, top - 1), max(0, left - 1)
        part = self.taken[r0 : top + mask.shape[0] + 1, c0 : left + mask.shape[1] + 1]
        part |= grown[r0 - top + 1 :, c0 - left + 1 :][: part.shape[0], : part.shape[1]]
