"""Whether a simulated film is fit to judge: density over the weld and the thinnest wire seen, worked from the film before grain.

A wire counts as seen when the usual (median) 10 mm of it has an ideal-observer signal-to-noise ratio of at least LEAST_SNR and a
density difference of at least LEAST_CONTRAST. Both are the project's own choice: common practice asks for 10 mm of even density,
no published source gives a ratio. A reader may honestly differ by one wire, which the grading scale allows for.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from rtscan.film import F32, F64
from rtscan.findings import Box, WeldFacts
from rtscan.simulate.emulsion import white_density_mm
from rtscan.simulate.render import Exposed

BESIDE_MM = 5.0
"""Parent metal beside the weld that counts, as in the density check."""
STRAY = (1.0, 99.0)
HIDDEN_SHARE_MAX = 0.05
HIDING_DENSITY = 0.5
"""A mark that changes the density by this much hides what is under it. With the share above: common practice, no published source."""
END_SHARE, DOUBLE_END_SHARE = 0.25, 0.15
"""Thin or dense ends of one wall shorten its diagnostic length and make no film unfit while the middle half is fit; the ends of a double
image are shot again from the side. The project's own choice."""
LENGTH_MM = 10.0
LEAST_SNR = 6.0
LEAST_CONTRAST = 0.006


@dataclass(frozen=True)
class Fitness:
    """Least and greatest density over the weld and beside it, the thinnest wire seen and the one required (None: nothing to compare),
    and the share of the weld that marks of film or handling hide."""

    least: float
    greatest: float
    wire_seen: int | None
    wire_required: int | None
    hidden: float = 0.0

    def reasons(self, low: float, high: float) -> tuple[str, ...]:
        """Why the film is not fit, in words of the answer sheet, by density limits `low` and `high`; empty when it is."""
        found = [("density too low", self.least < low), ("density too high", self.greatest > high),
                 ("wire not seen", self.wire_required is not None and (self.wire_seen or 0) < self.wire_required),
                 ("marks over the weld", self.hidden > HIDDEN_SHARE_MAX)]
        return tuple(text for text, wrong in found if wrong)


def fitness_of(exposed: Exposed, weld: WeldFacts, wire_required: int | None) -> Fitness:
    """The fitness of an exposed film, before development; `weld` as in its key."""
    inside = _weld_field(exposed, weld, BESIDE_MM, END_SHARE)
    for mark in exposed.marks:
        if mark.kind in ("letter", "marker"):
            x0, y0, x1, y1 = (int(v / _STEP) for v in mark.bbox_px)
            inside[max(y0 - 4, 0):y1 + 5, max(x0 - 4, 0):x1 + 5] = False
    density = _even_density(exposed)[inside]
    least, greatest = np.percentile(density, STRAY) if density.size else (0.0, 0.0)
    return Fitness(float(least), float(greatest), thinnest_wire_seen(exposed), wire_required)


def hidden_share(exposed: Exposed, weld: WeldFacts, density: F32) -> float:
    """Share of the weld where the developed film, float32 `density` (rows, columns), is far from what the exposure gives."""
    inside = _weld_field(exposed, weld, 0.0, 0.0)
    expected = _even_density(exposed)
    shown = cv2.resize(density, expected.shape[::-1], interpolation=cv2.INTER_AREA)
    top = exposed.recipe.scan.density_max
    far = np.abs(shown - np.minimum(expected, top)) > HIDING_DENSITY
    return float(far[inside].mean()) if inside.any() else 0.0


_STEP = 4


def _even_density(exposed: Exposed) -> F64:
    """Density before grain and artefacts, every fourth pixel."""
    dose = exposed.dose[::_STEP, ::_STEP].astype(np.float64)
    return np.asarray(exposed.law.net_density(exposed.exposure * dose) + exposed.recipe.film.fog, dtype=np.float64)


def _weld_field(exposed: Exposed, weld: WeldFacts, beside_mm: float, ends: float) -> NDArray[np.bool_]:
    """True over the weld and `beside_mm` on either side, every fourth pixel; on one wall without this share of it at either end."""
    field = np.zeros(exposed.raster.shape, dtype=np.uint8)
    for arc in weld.arcs:
        part = _judged_part(len(arc.centreline_px), DOUBLE_END_SHARE if arc.wall is not None else ends)
        if not arc.left_edge_px[part]:  # this wall's weld lies off the film
            continue
        ring = np.vstack([np.asarray(arc.left_edge_px)[part], np.asarray(arc.right_edge_px)[part][::-1]]).reshape(-1, 1, 2)
        cv2.fillPoly(field, [np.round(ring).astype(np.int32)], 1)
    wide = 2 * round(beside_mm * exposed.raster.pixels_per_mm) + 1
    return np.asarray(cv2.dilate(field, np.ones((wide, wide), np.uint8))[::_STEP, ::_STEP] > 0)


def _judged_part(points: int, ends: float) -> slice:
    """The points of an arc without a share of them at either end."""
    cut = round(ends * points)
    return slice(cut, points - cut)


def thinnest_wire_seen(exposed: Exposed) -> int | None:
    """The greatest wire number seen without a gap from the thickest wire on; None without wires or when none is seen."""
    wires = sorted((int(found[1]), mark.bbox_px) for mark in exposed.marks
                   if mark.kind == "wire" and (found := re.fullmatch(r"W(\d+)", mark.says)))
    seen = None
    for number, box in wires:
        if not _is_seen(box, exposed):
            break
        seen = number
    return seen


def _is_seen(box: Box, exposed: Exposed) -> bool:
    stretches = np.array(_stretches(box, exposed))
    if not stretches.size:
        return False
    snr, contrast = np.median(stretches, axis=0)
    return bool(snr >= LEAST_SNR and contrast >= LEAST_CONTRAST)


def _stretches(box: Box, exposed: Exposed) -> list[tuple[float, float]]:
    """(signal-to-noise, density difference) of each 10 mm of the wire, cut across its length."""
    scale = exposed.raster.pixels_per_mm
    x0, y0, x1, y1 = box
    upright = y1 - y0 >= x1 - x0
    side, length = 1.5 * scale, LENGTH_MM * scale
    rows = slice(max(int(y0 - (0 if upright else side)), 0), int(y1 + (0 if upright else side)) + 1)
    columns = slice(max(int(x0 - (side if upright else 0)), 0), int(x1 + (side if upright else 0)) + 1)
    density = exposed.law.net_density(exposed.exposure * exposed.dose[rows, columns].astype(np.float64))
    along = density if upright else density.T
    out = []
    for start in range(0, max(along.shape[0] - int(length) + 1, 0), max(int(length / 2), 1)):
        out.append(_measured(along[start:start + int(length)], exposed, scale))
    return out


def _measured(piece: F64, exposed: Exposed, scale: float) -> tuple[float, float]:
    """One stretch (along the wire, across it) in quarters, so that a leaning wire does not smear; each over a smooth (cubic) background."""
    position = np.linspace(-1.0, 1.0, piece.shape[1])
    edge = np.abs(position) > 0.5
    power, contrasts = 0.0, []
    for quarter in np.array_split(piece, 4):
        profile = quarter.mean(axis=0)
        signal = profile - np.polyval(np.polyfit(position[edge], profile[edge], 3), position)
        power += float((signal**2).sum()) * quarter.shape[0] / scale**2
        contrasts.append(-float(signal.min()))
    noise = float(np.mean(exposed.law.grain(piece))) * white_density_mm()
    return float(np.sqrt(power)) / max(noise, 1e-9), float(np.mean(contrasts))
