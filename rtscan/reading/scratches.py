"""Scratches of the film: thin lines as sharp as the scanner draws, even from end to end.

A flaw lies in the metal: it is blurred by source and film, it varies with its depth and fades at its ends, and it keeps to the weld.
A scratch is on the film: only the scanner blurs it, it is equally strong all along, ends at once and runs on over the toes of the weld.
Thin is not enough for a dark line, as a crack on the film side is nearly as sharp: it must also pass from parent metal over the bead to
parent metal unchanged. Dark lines that end in the weld are left to the reader, be
they scratches or not. A bright line of this sharpness cannot be a flaw, only a wire.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from rtscan.film import F32, F64, Bool, Film, Mark

ASSUMED_PIXELS_PER_MM = 20.0


@dataclass(frozen=True)
class ScratchSettings:
    """Lengths in mm. Strengths are multiples of the local noise of the line filter; shares are of the line's own median contrast."""

    pitch_mm: float = 0.1
    seed: float = 7.0
    grow: float = 3.5
    least_length_mm: float = 5.0
    least_dark_mm: float = 8.0
    widest_mm: float = 0.4
    block_mm: float = 1.0
    side_mm: tuple[float, float] = (0.4, 1.0)
    greatest_sigma_mm: float = 0.075
    greatest_sigma_px: float = 1.2
    greatest_beside: float = 0.4
    least_end: float = 0.5
    greatest_spread: float = 0.3
    least_step: float = 0.15
    flat_mm: float = 4.0
    flat_share: float = 0.3
    parent_mm: float = 15.0
    clear_mm: float = 1.0
    wire_angle_deg: float = 4.0
    wire_reach_mm: float = 35.0
    wire_spacing_mm: tuple[float, float] = (4.3, 6.6)
    fringe_mm: float = 0.5
    most: int = 60


@dataclass(frozen=True)
class _Line:
    """A line followed on the film: `path` (n, 2) in film pixels, one point a pixel; contrast and background density per block; the
    Gaussian spread of its profile in mm; `beside` the greatest density change left just beside the line, of either sign."""

    path: F64
    contrast: F64
    background: F64
    sigma_mm: float
    length_mm: float
    beside: float


def find_scratches(film: Film, usable: Bool, wires: tuple[Mark, ...], settings: ScratchSettings) -> tuple[Mark, ...]:
    """One mark per scratch, in order of place. Without a scale, the usual one is assumed."""
    scale = film.pixels_per_mm or ASSUMED_PIXELS_PER_MM
    step = max(1, round(settings.pitch_mm * scale))
    if min(film.density.shape) < 16 * step:
        return ()
    small, known = _reduced(film.density, usable, step, settings.clear_mm * scale)
    found: list[tuple[_Line, int]] = []
    for sign, strength in zip((1, -1), _ridges(small, known), strict=True):
        tracks = (track * step + 0.5 * (step - 1) for track in _tracks(strength, scale / step, settings))
        lines = [line for track in tracks if (line := _follow(film.density, track, sign, scale, settings)) is not None]
        others = [wire.path_px for wire in wires]
        others += _like_wires([line.path for line in lines if float(np.median(line.contrast)) > 0], scale, settings) if sign < 0 else []
        for line in (_whole(film.density, line, sign, scale, settings) for line in lines if _even(line, scale, settings)):
            if _only_a_scratch(line, small, step, scale, settings) if sign > 0 else not _a_wire(line, others, scale, settings):
                found.append((line, sign))
    marks = [_mark(line, sign, scale) for line, sign in _each_once(found, film.density.shape, scale, settings)]
    return tuple(sorted(marks, key=lambda mark: (float(mark.path_px[0, 0]), float(mark.path_px[0, 1]))))


def _mark(line: _Line, sign: int, scale: float) -> Mark:
    says = f"scratch, {'dark' if sign > 0 else 'light'}, {line.length_mm:.0f} mm: sharper and more even than a flaw"
    return Mark("scratch", line.path[:: max(1, round(0.5 * scale))], max(3.0, 5 * line.sigma_mm * scale), says)


def _each_once(found: list[tuple[_Line, int]], shape: tuple[int, ...], scale: float, settings: ScratchSettings) -> list[tuple[_Line, int]]:
    """Strongest first, without pieces of a line already there and the fringes beside it."""
    canvas, kept = np.zeros(shape, dtype=np.uint8), []
    for line, sign in sorted(found, key=lambda pair: -float(np.median(pair[0].contrast))):
        at = np.round(line.path).astype(np.int32)
        if canvas[at[:, 1], at[:, 0]].mean() < 0.3:
            kept.append((line, sign))
            cv2.polylines(canvas, [at], False, (1,), max(3, 2 * round(settings.fringe_mm * scale)))
    return kept


def _whole(density: F32, line: _Line, sign: int, scale: float, settings: ScratchSettings) -> _Line:
    """The line followed to its ends; its sharpness stays that of the part first seen."""
    coarse, usual = line.path[:: max(1, round(0.5 * scale))], float(np.median(line.contrast))
    before, after = (_onward(density, path, sign, usual, scale) for path in (coarse[::-1], coarse))
    whole = _follow(density, np.concatenate([before[::-1], coarse, after]), sign, scale, settings)
    return line if whole is None or whole.length_mm < line.length_mm else replace(whole, sigma_mm=line.sigma_mm)


def _onward(density: F32, path: F64, sign: int, usual: float, scale: float) -> F64:
    """Points (n, 2) beyond the last point of a path, half a millimetre apart, as far as the line goes on at half its usual contrast;
    two steps without it may be bridged. At most 150 mm."""
    found: list[F64] = []
    way = (path[-1] - path[-min(len(path), 6)]) / max(float(np.hypot(*(path[-1] - path[-min(len(path), 6)]))), 1e-9)
    last, missed, step = path[-1], 0, 0.5 * scale
    half, along = round(0.6 * scale), np.linspace(-0.5, 0.5, 9)[:, None] * step
    across = np.arange(-half, half + 1, dtype=np.float64)
    for _ in range(300):
        at = last + (missed + 1) * step * way
        if not (half < at[0] < density.shape[1] - half and half < at[1] < density.shape[0] - half):
            break
        x, y = (at[k] + along * way[k] + across * (-way[1], way[0])[k] for k in (0, 1))
        profile = cv2.remap(density, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR).mean(axis=0) * sign
        fine = np.convolve(profile - np.median(profile), np.full(3, 1 / 3), "same")
        near = np.flatnonzero(np.abs(across) <= 0.12 * scale + 0.06 * scale * missed)
        peak = near[int(np.argmax(fine[near]))]
        if fine[peak] < 0.5 * usual:
            missed += 1
            if missed > 2:
                break
            continue
        point = at + across[peak] * np.array([-way[1], way[0]])
        turned = 0.75 * way + 0.25 * (point - last) / max(float(np.hypot(*(point - last))), 1e-9)
        way, last, missed = turned / float(np.hypot(*turned)), point, 0
        found.append(point)
    return np.array(found).reshape(-1, 2)


def _reduced(density: F32, usable: Bool, step: int, clear_px: float) -> tuple[F32, Bool]:
    """The film at a coarser pitch, and where it is known and clear of what is not usable."""
    rows, columns = (n // step for n in density.shape)
    small = cv2.resize(density[: rows * step, : columns * step], (columns, rows), interpolation=cv2.INTER_AREA)
    bad = (~usable[: rows * step : step, : columns * step : step]).astype(np.uint8)
    size = 2 * round(clear_px / step) + 1
    return np.asarray(small, dtype=np.float32), cv2.dilate(bad, np.ones((size, size), np.uint8), borderValue=1) == 0


def _tracks(strength: F32, per_mm: float, settings: ScratchSettings) -> list[F64]:
    """Thin long ridges as points (x, y) of the reduced film along their long axis."""
    _, labels, stats, _ = cv2.connectedComponentsWithStats((strength > settings.grow).astype(np.uint8), connectivity=8)
    extent = np.hypot(stats[:, 2], stats[:, 3]) / per_mm
    thin = stats[:, 4] / np.maximum(extent, 1e-6) / per_mm**2 < settings.widest_mm
    likely = np.flatnonzero((extent >= settings.least_length_mm) & thin)
    likely = likely[likely > 0]
    likely = likely[np.argsort(-extent[likely], kind="stable")[: settings.most]]
    tracks = []
    for label in likely:
        x, y, w, h = (int(v) for v in stats[label, :4])
        inside = labels[y : y + h, x : x + w] == label
        peaks = strength[y : y + h, x : x + w][inside]
        if float(np.percentile(peaks, 75)) < settings.seed:
            continue
        track = _centred(inside, strength[y : y + h, x : x + w])
        if track is None:
            # Grain and neighbours hang on to a strong line: what is half as strong as its best is the line itself.
            track = _centred(*_core(inside, strength[y : y + h, x : x + w], 0.5 * float(np.percentile(peaks, 90))))
        if track is not None:
            tracks.append(track + np.array([x, y]))
    return tracks


def _ridges(small: F32, known: Bool) -> tuple[F32, F32]:
    """Dark and bright ridges: curvature across minus curvature along, in multiples of its local noise; zero where unknown."""
    smooth = cv2.GaussianBlur(small, (0, 0), 0.8)
    xx, yy, xy = (cv2.Sobel(smooth, cv2.CV_32F, dx, dy, ksize=3) for dx, dy in ((2, 0), (0, 2), (1, 1)))
    trace = xx + yy
    # Of the two curvatures, (trace + turn) / 2 and (trace - turn) / 2, the size of the greater less that of the lesser is the lesser of
    # turn and |trace|; the greater has the sign of the trace.
    ridge = np.where(known, np.minimum(cv2.magnitude(xx - yy, 2 * xy), np.abs(trace)), np.float32(0))
    calm = np.minimum(ridge, 3 * float(ridge[::3, ::3].mean()) + 1e-9)
    tile = max(1, min(small.shape) // 40)
    shape = (max(1, small.shape[1] // tile), max(1, small.shape[0] // tile))
    share = cv2.resize(known.astype(np.float32), shape, interpolation=cv2.INTER_AREA)
    noise = cv2.resize(calm, shape, interpolation=cv2.INTER_AREA) / np.maximum(share, 0.05)
    noise = 0.5 * np.maximum(cv2.GaussianBlur(noise, (0, 0), 1.5), 0.3 * float(np.median(noise)) + 1e-9)
    ridge *= cv2.resize((1 / noise).astype(np.float32), small.shape[::-1], interpolation=cv2.INTER_LINEAR)
    dark = np.where(trace < 0, ridge, np.float32(0))
    return dark, ridge - dark


def _core(inside: Bool, strength: F32, least: float) -> tuple[Bool, F32]:
    """The largest piece of a shape with at least a given strength."""
    _, labels, stats, _ = cv2.connectedComponentsWithStats((inside & (strength > least)).astype(np.uint8), connectivity=8)
    return (labels == 1 + int(np.argmax(stats[1:, 4])) if len(stats) > 1 else inside), strength


def _centred(inside: Bool, strength: F32) -> F64 | None:
    """Mean place (x, y) in bins of three pixels along the long axis of a shape; None where it branches or doubles back."""
    rows, columns = np.nonzero(inside)
    points, weight = np.column_stack([columns, rows]).astype(np.float64), strength[inside].astype(np.float64)
    middle = points.mean(axis=0)
    axis = np.linalg.svd(points - middle, full_matrices=False)[2][0]
    axis = axis if (axis[0], axis[1]) > (-axis[0], -axis[1]) else -axis
    along, across = (points - middle) @ axis, (points - middle) @ np.array([-axis[1], axis[0]])
    bins = ((along - along.min()) / 3.0).astype(np.intp)
    total = np.bincount(bins, weight)
    if (total <= 0).any():
        return None
    a, b = np.bincount(bins, weight * along) / total, np.bincount(bins, weight * across) / total
    spread = np.sqrt(np.maximum(np.bincount(bins, weight * across**2) / total - b**2, 0.0))
    if len(a) < 8 or float(np.percentile(spread, 90)) > 1.6:
        return None
    return np.asarray(middle + a[:, None] * axis + b[:, None] * np.array([-axis[1], axis[0]]))


def _follow(density: F32, track: F64, sign: int, scale: float, settings: ScratchSettings) -> _Line | None:
    """Profile, contrast and background along a track, measured on the full film."""
    gone = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(track, axis=0).T))])
    count = int(gone[-1])
    block = max(4, round(settings.block_mm * scale))
    if count < settings.least_length_mm * scale or count < 4 * block:
        return None
    at = np.arange(count // block * block, dtype=np.float64)
    path = np.column_stack([np.interp(at, gone, track[:, k]) for k in (0, 1)])
    profiles, across = _profiles(density, path, scale, settings)
    blocks = profiles.reshape(-1, block, profiles.shape[1]).mean(axis=1)
    # The track is good to about a pixel: every block is moved so that its own peak lies in the middle.
    beside = (np.abs(across) >= settings.side_mm[0] * scale) & (np.abs(across) <= settings.side_mm[1] * scale)
    background = blocks[:, beside].mean(axis=1)
    near = np.flatnonzero(np.abs(across) <= 2.5)
    raised = sign * (blocks - background[:, None])
    peak = near[np.argmax(raised[:, near], axis=1)]
    reach = np.arange(-round(0.35 * scale), round(0.35 * scale) + 1)
    aligned = raised[np.arange(len(peak))[:, None], np.clip(peak[:, None] + reach, 0, len(across) - 1)]
    contrast = aligned[:, np.abs(reach) <= 1].mean(axis=1)
    profile = aligned.mean(axis=0)
    sigma = _sigma(profile, reach.astype(np.float64))
    away = np.abs(reach) >= min(3 * sigma + 0.5, reach[-1])
    return _Line(path, contrast, background, sigma / scale, len(path) / scale, float(np.abs(profile[away]).max()))


def _profiles(density: F32, path: F64, scale: float, settings: ScratchSettings) -> tuple[F32, F64]:
    """Density across the path at every pixel along it, shape (along, across), and the distances across in pixels."""
    direction = np.gradient(cv2.blur(path, (1, 15), borderType=cv2.BORDER_REPLICATE), axis=0)
    direction /= np.maximum(np.hypot(direction[:, :1], direction[:, 1:]), 1e-9)
    half = round(settings.side_mm[1] * scale)
    across = np.arange(-half, half + 1, dtype=np.float64)
    x = (path[:, :1] - direction[:, 1:] * across).astype(np.float32)
    y = (path[:, 1:] + direction[:, :1] * across).astype(np.float32)
    return np.asarray(cv2.remap(density, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), dtype=np.float32), across


def _sigma(profile: F64, at: F64) -> float:
    """Spread of the Gaussian that fits a peak best, with a free base; pixels, 0.3 to 8."""
    best, left = 8.0, np.inf
    for sigma in np.geomspace(0.3, 8.0, 40):
        shape = np.column_stack([np.exp(-0.5 * (at / sigma) ** 2), np.ones(len(at))])
        rest = profile - shape @ np.linalg.lstsq(shape, profile, rcond=None)[0]
        if float(rest @ rest) < left:
            best, left = float(sigma), float(rest @ rest)
    return best


def _even(line: _Line, scale: float, settings: ScratchSettings) -> bool:
    """Sharp, alone (no fringe of a stronger line or edge), equally strong all along, and not fading at the ends."""
    usual = float(np.median(line.contrast))
    if usual <= 0 or line.sigma_mm > max(settings.greatest_sigma_mm, settings.greatest_sigma_px / scale):
        return False
    if line.beside > settings.greatest_beside * usual:
        return False
    inner = line.contrast[1:-1]
    spread = 1.4826 * float(np.median(np.abs(inner - np.median(inner)))) / usual
    ends = min(float(line.contrast[:2].max()), float(line.contrast[-2:].max())) / usual
    return spread < settings.greatest_spread and ends > settings.least_end


def _only_a_scratch(line: _Line, small: F32, step: int, scale: float, settings: ScratchSettings) -> bool:
    """Whether a dark line runs from parent metal over the bead to parent metal."""
    if line.length_mm < settings.least_dark_mm:
        return False
    low, high = np.percentile(small[::8, ::8], [2, 98])
    flat = max(2, round(settings.flat_mm / settings.block_mm))
    if len(line.background) < 2 * flat + 2:
        return False
    ends = [line.background[:flat], line.background[-flat:]]
    rise = min(float(end.min()) for end in ends) - float(line.background.min())
    if rise < settings.least_step * float(high - low) or any(float(np.ptp(end)) > settings.flat_share * rise for end in ends):
        return False
    # Within a weld, too, the ground may be brighter midway (a tack, penetration): but then parent metal, darker still, lies to the sides.
    return all(_darkest_beside(path, small, step, scale, settings) < float(end.mean()) + settings.flat_share * rise
               for path, end in zip((line.path, line.path[::-1]), ends, strict=True))


def _darkest_beside(path: F64, small: F32, step: int, scale: float, settings: ScratchSettings) -> float:
    """Greatest density (its 90th percentile), smoothed over a millimetre, square to the first millimetres of a line on either side."""
    at = path[: max(2, round(settings.flat_mm * scale))]
    way = (at[-1] - at[0]) / max(float(np.hypot(*(at[-1] - at[0]))), 1e-9)
    across = np.arange(-settings.parent_mm * scale, settings.parent_mm * scale, step)
    x, y = (((at[:: max(1, step)].mean(axis=0)[k] + across * (-way[1], way[0])[k]) / step) for k in (0, 1))
    inside = (x > 0) & (y > 0) & (x < small.shape[1] - 1) & (y < small.shape[0] - 1)
    if not inside.any():
        return -np.inf
    along = np.arange(-0.5 * scale / step, 0.5 * scale / step)[:, None]
    columns, rows = ((v[inside] + along * way[k]).astype(np.float32) for k, v in enumerate((x, y)))
    seen = cv2.remap(small, columns, rows, cv2.INTER_LINEAR)
    wide = max(3, round(scale / step))
    return float(np.percentile(cv2.blur(seen.mean(axis=0, keepdims=True), (wide, 1)), 90))


def _like_wires(paths: list[F64], scale: float, settings: ScratchSettings) -> list[F64]:
    """Those of the bright lines that have a parallel neighbour at the distance of the wires of an indicator."""
    kept = []
    for k, path in enumerate(paths):
        for other in paths[:k] + paths[k + 1 :]:
            turn, apart = _to_each_other(path, other)
            near, far = (v * scale for v in settings.wire_spacing_mm)
            if turn < np.sin(np.deg2rad(settings.wire_angle_deg)) and near < apart < far:
                kept.append(path)
                break
    return kept


def _to_each_other(path: F64, other: F64) -> tuple[float, float]:
    """Sine of the angle between the chords of two lines, and the distance of the middle of one from the chord of the other, pixels."""
    own, run = path[-1] - path[0], other[-1] - other[0]
    own, run = own / max(float(np.hypot(*own)), 1e-9), run / max(float(np.hypot(*run)), 1e-9)
    off = path.mean(axis=0) - other.mean(axis=0)
    return abs(float(run[0] * own[1] - run[1] * own[0])), abs(float(run[0] * off[1] - run[1] * off[0]))


def _a_wire(line: _Line, wires: list[F64], scale: float, settings: ScratchSettings) -> bool:
    """Whether a bright line runs along the wires of an indicator and near them: it may be one more."""
    for wire in wires:
        away = float(np.hypot(*(line.path.mean(axis=0) - wire.mean(axis=0)))) / scale
        if _to_each_other(line.path, wire)[0] < np.sin(np.deg2rad(settings.wire_angle_deg)) and away < settings.wire_reach_mm:
            return True
    return False
