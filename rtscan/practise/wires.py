"""Which wires of the indicator can be seen on a simulated film: worked from the film before grain, for the answer key.

A wire counts as seen when the usual (median) 10 mm of it has an ideal-observer signal-to-noise ratio of at least LEAST_SNR and a
density difference of at least LEAST_CONTRAST. Both are the project's own choice: common practice asks for 10 mm of even density,
no published source gives a ratio. A reader may honestly differ by one wire, which the grading scale allows for.
"""

from __future__ import annotations

import re

import numpy as np

from rtscan.film import F64
from rtscan.findings import Box
from rtscan.simulate.emulsion import white_density_mm
from rtscan.simulate.render import Exposed

LENGTH_MM = 10.0
LEAST_SNR = 6.0
LEAST_CONTRAST = 0.006


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
    """One stretch (along the wire, across it) in quarters, so that a leaning wire does not smear; each over a straight background."""
    position = np.linspace(-1.0, 1.0, piece.shape[1])
    edge = np.abs(position) > 0.6
    power, contrasts = 0.0, []
    for quarter in np.array_split(piece, 4):
        profile = quarter.mean(axis=0)
        signal = profile - np.polyval(np.polyfit(position[edge], profile[edge], 1), position)
        power += float((signal**2).sum()) * quarter.shape[0] / scale**2
        contrasts.append(-float(signal.min()))
    noise = float(np.mean(exposed.law.grain(piece))) * white_density_mm()
    return float(np.sqrt(power)) / max(noise, 1e-9), float(np.mean(contrasts))
