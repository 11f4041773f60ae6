"""Drawn bodies of known size under a Gaussian blur, found, outlined and measured: the contract's toe, not half contrast."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
import pytest

from rtscan.film import Arc, Film, Strip, Weld
from rtscan.findings import FilmFacts, Indication
from rtscan.job import Job
from rtscan.reading.background import estimate_background
from rtscan.reading.measure import measure
from rtscan.reading.quality.contrast import Contrast
from rtscan.reading.segment import SegmentSettings, segment

pytestmark = pytest.mark.slow
ROWS, COLUMNS, PITCH, MIDDLE, FINE = 460, 2400, 20.0, 230.0, 4
GRAIN = 0.02
WIRES = Contrast(0.5, 0.1, 0.1, "3 wires")


@dataclass(frozen=True)
class Body:
    """A body at a strip pixel: "sphere" (ellipsoid), "disc" (flat, upright walls), "slot" (flat, straight ends) or "groove" (rounded
    cross-section, straight ends); sizes in mm, direction in degrees from the growing column to the growing row."""

    kind: str
    column: float
    row: float
    length: float
    width: float
    degrees: float = 0.0

    def thickness(self, along: np.ndarray, across: np.ndarray) -> np.ndarray:
        u, v = 2 * along / self.length, 2 * across / self.width
        if self.kind == "sphere":
            return np.sqrt(np.maximum(0.0, 1 - u**2 - v**2))
        if self.kind == "disc":
            return np.asarray(u**2 + v**2 < 1, dtype=float)
        section = np.sqrt(np.maximum(0.0, 1 - v**2)) if self.kind == "groove" else (np.abs(v) < 1).astype(float)
        return np.asarray(np.where(np.abs(u) < 1, section, 0.0))


COMPACT = (Body("sphere", 250, 230, 0.8, 0.8), Body("sphere", 500, 262, 1.4, 1.4), Body("disc", 800, 198, 1.2, 1.2),
           Body("sphere", 2050, 225, 2.4, 1.0, 20.0))
LONG = (Body("slot", 1100, 240, 8.0, 0.5), Body("slot", 1450, 222, 5.0, 0.4, 30.0), Body("groove", 1750, 235, 8.0, 0.5))


def drawn(body: Body, density: np.ndarray, blur_px: float, contrast: float) -> None:
    """Adds the blurred body, drawn `FINE` times finer than the pixels."""
    reach = int(body.length * PITCH / 2 + 6 * blur_px + 6)
    x0, y0 = int(body.column) - reach, max(0, int(body.row) - reach)
    x1, y1 = int(body.column) + reach, min(ROWS, int(body.row) + reach)
    rows, columns = np.mgrid[y0 * FINE : y1 * FINE, x0 * FINE : x1 * FINE]
    x, y = (columns + 0.5) / FINE - 0.5 - body.column, (rows + 0.5) / FINE - 0.5 - body.row
    c, s = np.cos(np.deg2rad(body.degrees)), np.sin(np.deg2rad(body.degrees))
    shape = body.thickness((c * x + s * y) / PITCH, (c * y - s * x) / PITCH).astype(np.float32)
    seen = cv2.GaussianBlur(shape, (0, 0), blur_px * FINE)
    density[y0:y1, x0:x1] += contrast * cv2.resize(seen, (x1 - x0, y1 - y0), interpolation=cv2.INTER_AREA)


@cache
def readings(blur_mm: float, contrast: float) -> dict[Body, Indication]:
    """The longest indication at each body."""
    rows, columns = np.mgrid[0:ROWS, 0:COLUMNS].astype(np.float32)
    grain = cv2.GaussianBlur(np.random.default_rng(3).standard_normal((ROWS, COLUMNS)).astype(np.float32), (0, 0), 0.8)
    density = 2.8 - 0.8 / (1 + np.exp(-(120 - np.abs(rows - MIDDLE)) / 8)) + GRAIN * grain / grain.std()
    for body in (*COMPACT, *LONG):
        drawn(body, density, blur_mm * PITCH, contrast)
    ok = np.ones((ROWS, COLUMNS), bool)
    strip = Strip(0, None, density.astype(np.float32), ok, ~ok, np.stack([columns, rows], axis=2), MIDDLE, np.full(COLUMNS, 110.0),
                  np.full(COLUMNS, 350.0), PITCH, np.arange(COLUMNS) / PITCH)
    at = np.arange(0.0, COLUMNS, 100.0)
    weld = Weld((Arc(None, *(np.stack([at, np.full_like(at, y)], axis=1) for y in (MIDDLE, 110.0, 350.0)), at / PITCH),), "image")
    backgrounds = (estimate_background(strip),)
    regions = segment(backgrounds, blur_mm, SegmentSettings(bar=0.05))  # measuring is tried here, not ranking
    found = [m.indication for m in measure(regions, backgrounds, Film(FilmFacts(pixels_per_mm=PITCH), density, ok), weld, Job(), WIRES)]
    near = {b: [i for i in found if i.centre_px and np.hypot(i.centre_px[0] - b.column, i.centre_px[1] - b.row) < 40]
            for b in (*COMPACT, *LONG)}
    return {b: max(held, key=lambda i: i.length_mm or 0) for b, held in near.items() if held}


CASES = [(0.05, 0.4), (0.1, 0.4), (0.15, 0.4), (0.1, 0.15)]


@pytest.mark.parametrize(("blur_mm", "contrast"), CASES)
@pytest.mark.parametrize("body", [b for b in COMPACT if b.kind == "sphere"], ids=lambda b: f"{b.length}x{b.width}")
def test_a_rounded_body_is_measured_at_its_toe_whatever_the_blur(body: Body, blur_mm: float, contrast: float) -> None:
    one = readings(blur_mm, contrast)[body]
    assert one.length_mm == pytest.approx(body.length, abs=0.12)  # the aim for the median error at 50 µm
    assert one.width_mm == pytest.approx(body.width, abs=0.12)
    assert one.local_width_mm == pytest.approx(body.width, abs=0.12)
    assert one.length_mm > 0.9 * body.length  # half contrast would give 0.87
    assert abs(one.length_mm - body.length) <= (one.length_u_mm or 0)
    if body.length == body.width:  # an elongated one may be slag, so its height is left open
        assert one.height_mm == pytest.approx(contrast / 0.5, rel=0.1)
    assert one.across_mm == pytest.approx((body.row - MIDDLE) / PITCH, abs=0.03)
    assert one.along_mm == pytest.approx(body.column / PITCH, abs=0.03)


@pytest.mark.parametrize(("blur_mm", "contrast"), CASES)
def test_a_flat_disc_is_read_too_large_by_no_more_than_its_stated_doubt(blur_mm: float, contrast: float) -> None:
    disc = COMPACT[2]
    one = readings(blur_mm, contrast)[disc]
    # The fit takes bodies for ellipsoids; the one with the second moment of a flat disc is wider by sqrt(5/4), 0.14 mm here.
    assert disc.length <= (one.length_mm or 0) <= disc.length + (one.length_u_mm or 0)


@pytest.mark.parametrize(("blur_mm", "contrast"), CASES)
@pytest.mark.parametrize("body", LONG, ids=lambda b: f"{b.kind} {b.length}x{b.width}")
def test_the_width_direction_and_doubt_of_a_straight_line(body: Body, blur_mm: float, contrast: float) -> None:
    one = readings(blur_mm, contrast)[body]
    assert one.local_width_mm == pytest.approx(body.width, abs=0.15)  # blur up to 0.35 mm across, its doubt a quarter of that
    assert abs((one.local_width_mm or 0) - body.width) <= (one.width_u_mm or 0)
    assert abs((one.length_mm or 0) - body.length) <= (one.length_u_mm or 0)
    assert one.angle_deg == pytest.approx(body.degrees, abs=4.0)


@pytest.mark.xfail(strict=True, reason="a strong line is drawn 0.2 mm too long in the median, 0.25 at most: trace.MOST_IN_MM")
def test_the_length_of_a_strong_straight_line_ends_at_its_toe() -> None:
    errors = [(one.length_mm or 0) - body.length for case in CASES for body in LONG if (one := readings(*case).get(body)) is not None]
    assert np.median(np.abs(errors)) <= 0.12  # the aim for the median error at 50 µm
    assert max(np.abs(errors)) <= 0.5
