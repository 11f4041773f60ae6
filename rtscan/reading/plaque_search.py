"""The plate of a hole-type indicator: a bright rectangle of known size, a few tenths of a mm of steel, at any place and turn.

A rectangle of the size is laid over the reduced film at every turn: each of its four sides must be brighter within than without, over its
whole length, against what such a side collects by chance on this film. The best places are fitted at full resolution, side by side.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from rtscan.film import F32, F64, Bool, Film
from rtscan.knowledge.iqi import Plaque
from rtscan.reading.edges import Edge, fit_edge, pixels_beside, step_at

LEAST_KNOWN, LEAST_SIDES = 0.5, 3
"""Share of a side that must be known film for it to count, and sides that must: one may lie under lead."""
HIDDEN_SHARE = 0.8
PEAKS = 3
"""Places kept of every turn and size: the edges of a shim may show better than those of the plate on it."""
MOST_BLUR_MM = 0.3
"""Gaussian blur of a side, at most (a total unsharpness of 1.04 mm): beside a bead a wider one would take the bead for the step."""
BLUNT, BLUNT_KEPT = 0.95, 2.0
"""A side that would be blurred by more than this share of the most is the slope of a bead; none is, by the second."""
SAME_MM = 0.5
"""Two plates nearer than this are one."""
TIES, MOST = 0.1, 3.0
"""What the other sides count beside the weakest, so that the place is told along all of them, and how far above it they do."""


@dataclass(frozen=True)
class PlaqueSettings:
    """Lengths in mm. `turns_deg` from the film's own axes, either way along; `band_mm`: width of the bands compared beside a side;
    `weak_share`: of the three better sides' evidence, what counts where the fourth has less; `evenness`: least step of a side over the
    greatest, of a plate that shows four sides, and three."""

    pitch_mm: float = 0.3
    turns_deg: tuple[float, ...] = tuple(range(-20, 21, 2))
    band_mm: float = 0.6
    share_of_side: float = 0.8
    step_of_size: float = 0.012
    tried: int = 8
    weak_share: float = 0.0
    apart_mm: float = 2.5
    reach_mm: float = 1.0
    rounds: int = 3
    pieces: int = 6
    coarse_min: float = 4.0
    side_min: float = 5.0
    evenness: tuple[float, float] = (0.3, 0.5)
    size_tolerance: float = 0.03
    least_magnification: float = 0.985


@dataclass(frozen=True)
class Plate:
    """A plate on the film. `centre_px` (x, y), `axis` unit vector along it (its sense is open), both sizes in pixels; `magnification` of
    the drawing; `sides` the fitted edges: the two long ones, then the two ends; `evidence`: step over its error on the weakest side."""

    centre_px: F64
    axis: F64
    length_px: float
    width_px: float
    magnification: float
    sides: tuple[Edge, ...]
    evidence: float

    @property
    def corners_px(self) -> F64:
        """float64 (4, 2), in order round the plate."""
        across = np.array([-self.axis[1], self.axis[0]])
        a, b = 0.5 * self.length_px * self.axis, 0.5 * self.width_px * across
        return np.array([self.centre_px - a - b, self.centre_px + a - b, self.centre_px + a + b, self.centre_px - a + b])


@dataclass(frozen=True)
class _Try:
    score: float
    centre_px: F64
    axis: F64
    magnification: float


def find_plates(film: Film, usable: Bool, plaque: Plaque, magnifications: tuple[float, float], settings: PlaqueSettings) -> list[Plate]:
    """The plates of this size, magnified by something between the two limits, the most convincing first; each place once."""
    scale = film.pixels_per_mm
    if scale is None:
        return []
    plates = [p for t in _tries(film, usable, plaque, magnifications, settings) if (p := _fitted(film, usable, plaque, t, settings))]
    kept: list[Plate] = []
    for plate in sorted(plates, key=lambda plate: -plate.evidence):
        if all(np.hypot(*(plate.centre_px - other.centre_px)) > SAME_MM * scale for other in kept):
            kept.append(plate)
    return kept


def _tries(film: Film, usable: Bool, plaque: Plaque, magnifications: tuple[float, float], settings: PlaqueSettings) -> list[_Try]:
    """The best few places on the reduced film, best first, each a little apart from the better ones: the end of a shim may show better
    than that of the plate on it."""
    scale = film.pixels_per_mm or 1.0
    pitch = max(1, round(settings.pitch_mm * scale))
    rows, columns = (max(8, n // pitch) for n in film.density.shape)
    window = (slice(0, rows * pitch), slice(0, columns * pitch))
    known = (cv2.resize(usable[window].astype(np.float32), (columns, rows), interpolation=cv2.INTER_AREA) > 0.99).astype(np.float32)
    small = np.asarray(cv2.resize(film.density[window], (columns, rows), interpolation=cv2.INTER_AREA), dtype=np.float32)
    sizes = np.arange(magnifications[0], magnifications[1] + settings.step_of_size, settings.step_of_size)
    found: list[_Try] = []
    for turn in (turn + way for way in (0.0, 90.0) for turn in settings.turns_deg):
        for score, x, y, size in _at_turn(small, known, turn, plaque, sizes, scale / pitch, settings):
            axis = np.array([np.cos(np.deg2rad(turn)), np.sin(np.deg2rad(turn))])
            found.append(_Try(score, np.array([x, y]) * pitch + 0.5 * (pitch - 1), axis, size))
    kept: list[_Try] = []
    for one in sorted(found, key=lambda t: -t.score):
        if all(np.hypot(*(one.centre_px - k.centre_px)) > settings.apart_mm * scale for k in kept):
            kept.append(one)
    return kept[: settings.tried]


def _at_turn(small: F32, known: F32, turn_deg: float, plaque: Plaque, sizes: F64, per_mm: float,
             settings: PlaqueSettings) -> Iterator[tuple[float, float, float, float]]:
    """(score, x, y, magnification) of the best places at one turn of the plate, in pixels of the reduced film."""
    turned, back, size = _turned(small.shape, turn_deg)
    mask = np.asarray(cv2.warpAffine(known, turned, size, flags=cv2.INTER_LINEAR), dtype=np.float32)
    film = np.asarray(cv2.warpAffine(small * known, turned, size, flags=cv2.INTER_LINEAR), dtype=np.float32)
    long, short = (round(settings.share_of_side * mm * per_mm) for mm in (plaque.length_mm, plaque.width_mm))
    kernel = _across_a_side(per_mm, settings)
    above, left = _sides(film, mask, (long, 1), kernel[:, None]), _sides(film, mask, (1, short), kernel[None, :])
    for magnification in sizes:
        half_l, half_w = (round(0.5 * mm * magnification * per_mm) for mm in (plaque.length_mm, plaque.width_mm))
        rows, columns = film.shape[0] - 2 * half_w, film.shape[1] - 2 * half_l
        if min(rows, columns) < 1:
            continue
        sides = (above[:rows, half_l:-half_l], -above[2 * half_w :, half_l:-half_l],
                 left[half_w:-half_w, :columns], -left[half_w:-half_w, 2 * half_l :])
        lowest = _weakest(sides, settings.weak_share)
        if float(lowest.max()) < settings.coarse_min:
            continue
        total = lowest + TIES * sum(np.minimum(side, MOST * lowest) for side in sides)
        apart = round(settings.apart_mm * per_mm)
        for _ in range(PEAKS):
            y, x = np.unravel_index(int(total.argmax()), total.shape)
            if lowest[y, x] < settings.coarse_min:
                break
            place = back @ np.array([x + half_l, y + half_w, 1.0])
            yield float(total[y, x]), float(place[0]), float(place[1]), float(magnification)
            total[max(0, y - apart) : y + apart + 1, max(0, x - apart) : x + apart + 1] = 0.0


def _weakest(sides: Sequence[F32], weak_share: float) -> F32:
    """The weakest of the four sides, or a share of the weakest of the other three where that is more: one may be unknown (0), or lost in
    the slope of a bead."""
    a, b, c, d = sides
    low, high = (np.minimum(a, b), np.minimum(c, d)), (np.maximum(a, b), np.maximum(c, d))
    first = np.minimum(*low)
    second = np.minimum(np.maximum(*low), np.minimum(*high))
    return np.asarray(np.maximum(first, np.where(first == 0, HIDDEN_SHARE, weak_share).astype(np.float32) * second), dtype=np.float32)


def _turned(shape: tuple[int, ...], turn_deg: float) -> tuple[F64, F64, tuple[int, int]]:
    """The affine maps that lay lines at `turn_deg` (clockwise on the screen) along the rows, and back, and (columns, rows) of that."""
    rows, columns = shape
    cosine, sine = abs(np.cos(np.deg2rad(turn_deg))), abs(np.sin(np.deg2rad(turn_deg)))
    size = int(columns * cosine + rows * sine) + 1, int(columns * sine + rows * cosine) + 1
    forward = cv2.getRotationMatrix2D((0.5 * (columns - 1), 0.5 * (rows - 1)), turn_deg, 1.0)
    forward[:, 2] += 0.5 * (np.array(size) - np.array([columns, rows]))
    return np.asarray(forward, dtype=np.float64), np.asarray(cv2.invertAffineTransform(forward), dtype=np.float64), size


def _across_a_side(per_mm: float, settings: PlaqueSettings) -> F32:
    """Weights across a side, plus before it: the bands next to it, less what the slope within the next but one bands would make."""
    band = max(2, round(settings.band_mm * per_mm))
    even = np.ones(band) / band
    slope = band + 1.0  # distance of the near bands' middles, in pixels, over that of near and far on both sides
    share = slope / (2 * band)
    before = np.concatenate([-share * even, (1 + share) * even])
    return np.concatenate([before, [0.0], -before[::-1]]).astype(np.float32)


def _sides(film: F32, mask: F32, box: tuple[int, int], kernel: F32) -> F32:
    """How much darker the film is before every place than after it over the length of a side, over the spread of that on the film; 0
    where much of a side is unknown."""
    part = cv2.blur(mask, box, borderType=cv2.BORDER_CONSTANT)
    mean = cv2.blur(film, box, borderType=cv2.BORDER_CONSTANT) / np.maximum(part, np.float32(1e-3))
    change = cv2.filter2D(mean, cv2.CV_32F, kernel, borderType=cv2.BORDER_REPLICATE)
    good = cv2.erode((part > LEAST_KNOWN).astype(np.uint8), np.ones(kernel.shape, np.uint8), borderValue=0) > 0
    some = np.abs(change[::2, ::2][good[::2, ::2]])
    spread = 1.4826 * float(np.median(some)) if len(some) else 1.0
    return np.where(good, change / np.float32(max(spread, 1e-9)), np.float32(0))


def _fitted(film: Film, usable: Bool, plaque: Plaque, tried: _Try, settings: PlaqueSettings) -> Plate | None:
    """The plate fitted at full resolution with all its sides, else without one that is lost in the slope of a bead; None when neither makes
    such a plate."""
    with_all = _fitted_to(film, usable, plaque, tried, settings, BLUNT_KEPT)
    return with_all or _fitted_to(film, usable, plaque, tried, settings, BLUNT)


def _fitted_to(film: Film, usable: Bool, plaque: Plaque, tried: _Try, settings: PlaqueSettings, blunt: float) -> Plate | None:
    """The four sides fitted at full resolution, each turned and moved by what its pieces say; None when they make no such plate. `blunt`:
    share of the most blur from which a side counts as unknown."""
    scale = film.pixels_per_mm or 1.0
    plate = Plate(tried.centre_px, tried.axis, plaque.length_mm * tried.magnification * scale,
                  plaque.width_mm * tried.magnification * scale, tried.magnification, (), tried.score)
    for _ in range(settings.rounds):
        if (nearer := _nearer(film, usable, plate, plaque, settings, blunt)) is None:
            return None
        plate = nearer
    along, across = plate.length_px / (plaque.length_mm * scale), plate.width_px / (plaque.width_mm * scale)
    blur = float(np.median([edge.sigma for edge in plate.sides]))
    steps, errors = np.array([step_at(*_beside(film, usable, line, settings)[1:], blur) for line in _lines(plate)]).T
    seen = np.isfinite(errors)
    if seen.all() and len(plate.sides) == LEAST_SIDES:
        seen[int((steps / errors).argmin())] = False  # placed by the one across from it
    evidence = float((steps / errors)[seen].min())
    fits = abs(along / across - 1) <= settings.size_tolerance and along >= settings.least_magnification
    evenness = settings.evenness[0 if seen.all() else 1]
    if not fits or seen.sum() < LEAST_SIDES or steps[seen].min() < evenness * steps[seen].max() or evidence < settings.side_min:
        return None
    return Plate(plate.centre_px, plate.axis, plate.length_px, plate.width_px, along, plate.sides, evidence)


def _lines(plate: Plate) -> tuple[tuple[F64, F64], ...]:
    """Start and end of the four sides without their corners: the two long ones, then the ends; normals point outwards."""
    corners = plate.corners_px
    pairs = ((corners[0], corners[1], 0.06), (corners[2], corners[3], 0.06), (corners[3], corners[0], 0.12), (corners[1], corners[2], 0.12))
    return tuple((start + cut * (end - start), end - cut * (end - start)) for start, end, cut in pairs)


def _beside(film: Film, usable: Bool, line: tuple[F64, F64], settings: PlaqueSettings) -> tuple[F64, F64, F64]:
    """Pixels beside a side; none where most of it is hidden."""
    reach = settings.reach_mm * (film.pixels_per_mm or 1.0)
    t, u, density = pixels_beside(film, usable, *line, reach)
    whole = 2 * reach * float(np.hypot(*(line[1] - line[0])))
    return (t, u, density) if len(t) > LEAST_KNOWN * whole else (t[:0], u[:0], density[:0])


def _nearer(film: Film, usable: Bool, plate: Plate, plaque: Plaque, settings: PlaqueSettings, blunt: float) -> Plate | None:
    """The plate moved to where the edges of its sides lie; the turn from the pieces of the long sides. One hidden side is placed by the
    one across from it."""
    edges: list[Edge | None] = []
    slopes = []
    most = MOST_BLUR_MM * (film.pixels_per_mm or 1.0)
    for k, line in enumerate(_lines(plate)):
        t, u, density = _beside(film, usable, line, settings)
        edge = fit_edge(u, density, most_px=most)
        if len(u) and blunt >= BLUNT_KEPT and (edge is None or edge.step <= 0):
            return None
        edge = edge if edge is not None and edge.step > 0 and edge.sigma < blunt * most else None
        edges.append(edge)
        if k < 2 and edge is not None:
            slopes.append(_slope(t, u - edge.offset, density, edge, float(np.hypot(*(line[1] - line[0]))), settings.pieces))
    known = tuple(edge for edge in edges if edge is not None)
    if len(known) < LEAST_SIDES or not slopes:
        return None
    up, down, left, right = _offsets(edges, plate, plaque)
    axis = plate.axis - float(np.mean(slopes)) * np.array([-plate.axis[1], plate.axis[0]])
    axis = axis / np.hypot(*axis)
    centre = plate.centre_px + 0.5 * (down - up) * np.array([-plate.axis[1], plate.axis[0]]) + 0.5 * (right - left) * plate.axis
    length, width = plate.length_px + left + right, plate.width_px + up + down
    return Plate(centre, axis, length, width, plate.magnification, known, plate.evidence)


def _offsets(edges: list[Edge | None], plate: Plate, plaque: Plaque) -> list[float]:
    """How far each side moves outwards; a hidden one so that the plate keeps its proportions."""
    moved = [None if edge is None else edge.offset for edge in edges]
    for k, other in ((0, 1), (1, 0), (2, 3), (3, 2)):
        if moved[k] is None:
            a, b = (moved[2], moved[3]) if k < 2 else (moved[0], moved[1])
            share = plaque.width_mm / plaque.length_mm if k < 2 else plaque.length_mm / plaque.width_mm
            whole = (plate.length_px if k < 2 else plate.width_px) + (a or 0.0) + (b or 0.0)
            moved[k] = whole * share - (plate.width_px if k < 2 else plate.length_px) - (moved[other] or 0.0)
    return [0.0 if offset is None else offset for offset in moved]


def _slope(t: F64, u: F64, density: F64, edge: Edge, length: float, pieces: int) -> float:
    """How much the edge moves along its normal per pixel along the line: the middle of what pairs of its pieces say (Theil-Sen)."""
    places, offsets = [], []
    for k in range(pieces):
        here = (t >= length * k / pieces) & (t < length * (k + 1) / pieces)
        piece = fit_edge(u[here], density[here], edge.sigma)
        if piece is not None and abs(piece.step - edge.step) < 0.6 * abs(edge.step):
            places.append(length * (k + 0.5) / pieces)
            offsets.append(piece.offset)
    if len(places) < 3:
        return 0.0
    pairs = [(offsets[j] - offsets[i]) / (places[j] - places[i]) for i in range(len(places)) for j in range(i + 1, len(places))]
    return float(np.median(pairs))
