"""Handwriting on the film: strokes of a felt pen, dark, of letter size, with outlines sharper than any radiographic image.

A void is blurred by source, film and grain; ink on the film is only blurred by the scanner. So a dark mark with strokes of pen width
counts as handwriting only where its whole outline is that sharp: cracks are thinner, pores and slag fade.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from rtscan.film import F32, Bool, Film, Mark

ASSUMED_PIXELS_PER_MM = 20.0


@dataclass(frozen=True)
class PenSettings:
    """Sizes in mm. `level`: least darkness as a share of the film's density range; `sharpness`: slope per `pitch_mm` over darkness.

    Readers write by the edge of the film; there a mark as dense as ink (`dense`, a share of the range) need not be quite so sharp,
    as ink is streaky.
    """

    pitch_mm: float = 0.1
    widest_stroke_mm: float = 3.0
    stroke_mm: tuple[float, float] = (0.5, 3.0)
    least_size_mm: float = 3.0
    greatest_size_mm: float = 30.0
    level: float = 0.1
    sharpness: float = 0.42
    sharpness_by_the_edge: float = 0.32
    by_the_edge_mm: float = 12.0
    dense: float = 0.25
    grown_mm: float = 0.4
    clear_of_lead_mm: float = 1.5


def find_pen(film: Film, usable: Bool, settings: PenSettings) -> tuple[Bool, tuple[Mark, ...]]:
    """Where ink hides the film, (rows, columns), and one mark per stroke or letter, in order of place."""
    scale = film.pixels_per_mm or ASSUMED_PIXELS_PER_MM
    pitch = max(1, round(settings.pitch_mm * scale))
    per_mm = scale / pitch
    rows, columns = (n // pitch for n in film.density.shape)
    inside = film.density[: rows * pitch, : columns * pitch]
    small = cv2.resize(inside, (columns, rows), interpolation=cv2.INTER_AREA).astype(np.float32)
    known = usable[: rows * pitch : pitch, : columns * pitch : pitch]
    low, high = np.percentile(small[:: max(1, rows // 200), :: max(1, columns // 200)], [2, 98])
    kernel = np.ones((round(settings.widest_stroke_mm * per_mm) | 1,) * 2, np.uint8)
    # Between the strokes of lead letters the film is as dark and as sharply outlined as ink.
    around = np.ones((round(2 * settings.clear_of_lead_mm * per_mm) | 1,) * 2, np.uint8)
    by_lead = cv2.dilate((~known).astype(np.uint8), around).astype(bool)
    dark = small - cv2.morphologyEx(small, cv2.MORPH_OPEN, kernel, borderType=cv2.BORDER_REFLECT).astype(np.float32)
    _, labels, stats, _ = cv2.connectedComponentsWithStats((dark > settings.level * float(high - low)).astype(np.uint8), connectivity=8)
    mask = np.zeros((rows, columns), dtype=np.uint8)
    long = stats[:, 2:4].max(axis=1) / per_mm
    for label in np.flatnonzero((long >= settings.least_size_mm) & (long <= settings.greatest_size_mm)):
        x, y, w, h = (int(v) for v in stats[label, :4])
        window = (slice(y, y + h), slice(x, x + w))
        shape = labels[window] == label
        edge = min(x, y, columns - x - w, rows - y - h) < settings.by_the_edge_mm * per_mm
        dense = edge and float(np.percentile(dark[window][shape], 75)) > settings.dense * float(high - low)
        asked = settings.sharpness_by_the_edge if dense else settings.sharpness
        if label and by_lead[window][shape].mean() < 0.3 and _is_ink(shape, dark[window], _slope(small, window), per_mm, asked, settings):
            mask[window][shape] = 1
    grown = cv2.dilate(mask, np.ones((3, 3), np.uint8), iterations=max(1, round(settings.grown_mm * per_mm)))
    hidden = np.zeros(film.density.shape, dtype=bool)
    hidden[: rows * pitch, : columns * pitch] = cv2.resize(grown, (columns * pitch, rows * pitch), interpolation=cv2.INTER_NEAREST) > 0
    contours, _ = cv2.findContours(grown, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_TC89_L1)
    ordered = sorted(contours, key=lambda c: (int(c[:, 0, 0].min()), int(c[:, 0, 1].min())))
    paths = (c[:, 0, :].astype(np.float64) * pitch + 0.5 * (pitch - 1) for c in ordered)
    return hidden, tuple(Mark("artefact", path, settings.stroke_mm[0] * scale, "handwriting on the film") for path in paths)


def _slope(density: F32, window: tuple[slice, slice]) -> F32:
    """Greatest density slope within a pixel's neighbourhood, per pixel, in a window of the film."""
    top, left = max(0, window[0].start - 2), max(0, window[1].start - 2)
    part = density[top : window[0].stop + 2, left : window[1].stop + 2]
    steep = cv2.magnitude(cv2.Sobel(part, cv2.CV_32F, 1, 0), cv2.Sobel(part, cv2.CV_32F, 0, 1)).astype(np.float32) / np.float32(8)
    widest = cv2.dilate(steep, np.ones((3, 3), np.uint8)).astype(np.float32)
    return widest[window[0].start - top : window[0].stop - top, window[1].start - left : window[1].stop - left]


def _is_ink(shape: Bool, dark: F32, slope: F32, per_mm: float, sharpness: float, settings: PenSettings) -> bool:
    """Whether a dark mark has strokes of pen width and an outline as sharp as ink nearly all round."""
    padded = np.pad(shape.astype(np.uint8), 1)
    stroke = 2 * float(cv2.distanceTransform(padded, cv2.DIST_L2, 3).max()) / per_mm
    if not settings.stroke_mm[0] <= stroke <= settings.stroke_mm[1]:
        return False
    rim = (padded > cv2.erode(padded, np.ones((3, 3), np.uint8)))[1:-1, 1:-1]
    return float(np.percentile(slope[rim], 40)) >= sharpness * float(np.percentile(dark[shape], 75))
