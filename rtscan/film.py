"""What we see: arrays, pixels, density. Frozen records handed from stage to stage of the reading.

Conventions, fixed here and nowhere else
- Arrays are (rows, columns); row grows downwards, column to the right; pixel centres lie at whole numbers.
- A point in film pixels is (x, y) = (column, row).
- Images are float32 optical density: larger is darker on the viewer, which is less metal. Voids are positive and tungsten
  negative in a residual. Where no calibration is known the density is relative: same sense, unknown gain and offset.
- A strip is one weld arc pulled straight: rows run across the weld (growing row = growing `across`, to the right of the
  growing station as seen on the film), columns run along it (growing column = growing station).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from rtscan.findings import FilmFacts, ObjectKind, Tone, Wall

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
Bool = NDArray[np.bool_]


@dataclass(frozen=True)
class Film:
    """One digitised radiograph as density.

    density
        float32, shape (rows, columns); absolute optical density when `facts.density_calibrated`, else relative.
    valid
        bool, same shape; False where the grey value is saturated at either end or not a number.
    tags
        Facts found in the file (DICONDE and the like), plain names to plain text.
    """

    facts: FilmFacts
    density: F32
    valid: Bool
    tags: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))

    @property
    def pixels_per_mm(self) -> float | None:
        """Scale of the film plane, pixels per millimetre; None when unknown."""
        return self.facts.pixels_per_mm


@dataclass(frozen=True)
class Arc:
    """One visible stretch of weld in film pixels, in the order of growing station.

    centreline_px, left_edge_px, right_edge_px
        float64, shape (n, 2), (x, y); same n: point k of each lies on one line across the weld. Left and right are seen in
        the direction of growing station (weld running to the right: left is the upper edge).
    station_mm
        float64, shape (n,), station of each centreline point; None when the scale or the station is unknown.
    covered
        bool, shape (n,); False where the weld is visible but outside the diagnostic length.
    """

    wall: Wall | None
    centreline_px: F64
    left_edge_px: F64
    right_edge_px: F64
    station_mm: F64 | None = None
    covered: Bool | None = None


@dataclass(frozen=True)
class Weld:
    """The weld on the film: one arc, or two on an elliptical exposure. `found_by` is "image" or "job sheet"."""

    arcs: tuple[Arc, ...]
    found_by: Literal["image", "job sheet"]
    doubt: str = ""


@dataclass(frozen=True)
class Mark:
    """A mark of film, scan or set-up. `path_px` (n, 2) runs along a wire or scratch, or round a letter; `says` is its meaning."""

    kind: ObjectKind
    path_px: F64
    width_px: float
    says: str = ""


@dataclass(frozen=True)
class HoleOnFilm:
    """One hole of a plaque: its name (1T, 2T, 4T), diameter, place (x, y), density gained in it with its standard error by the noise, and
    signal-to-noise over its area; all three 0 where lead or the edge of the film hides the place."""

    name: str
    diameter_mm: float
    centre_px: F64
    contrast: float
    contrast_u: float
    snr: float


@dataclass(frozen=True)
class PlaqueOnFilm:
    """The plate of a hole-type indicator.

    corners_px
        float64, shape (4, 2), (x, y), in order round the plate; the first and the last lie at the end without holes.
    magnification
        Of its drawing on the film.
    step
        Density lost in the plate, with its standard error `step_u`, and `blur_px` the Gaussian blur of its edges with `blur_u_px`.
    holes
        From the end without holes on.
    """

    number: int
    corners_px: F64
    magnification: float
    step: float
    step_u: float
    blur_px: float
    blur_u_px: float
    holes: tuple[HoleOnFilm, ...]


@dataclass(frozen=True)
class Marks:
    """All marks of a film. `hidden` (rows, columns) is True where nothing of the weld can be judged (letters, border);
    `lines` is True under wires and scratches, where large indications can still be seen. `plaque` is the hole-type indicator, whose edges
    and holes are among the marks."""

    marks: tuple[Mark, ...]
    hidden: Bool
    lines: Bool
    plaque: PlaqueOnFilm | None = None


@dataclass(frozen=True)
class Strip:
    """One weld arc pulled straight.

    density
        float32, shape (across, along).
    usable
        bool, same shape; False off the film, under hidden marks, or where the film is saturated.
    lines
        bool, same shape; True under wires and scratches.
    film_xy
        float32, shape (across, along, 2); film pixel (x, y) of each strip pixel. The exact transform strip -> film.
    centre_row
        float, the row of the weld centreline.
    left_row, right_row
        float64, shape (along,), rows of the weld edges.
    pixels_per_mm
        Scale of the strip, None when unknown (then one strip pixel is one film pixel).
    station_mm
        float64, shape (along,), or None.
    """

    arc: int
    wall: Wall | None
    density: F32
    usable: Bool
    lines: Bool
    film_xy: F32
    centre_row: float
    left_row: F64
    right_row: F64
    pixels_per_mm: float | None
    station_mm: F64 | None

    def on_film(self, points: F64) -> F64:
        """Film pixels (x, y) of strip points (column, row), float64 (n, 2): bilinear in `film_xy`, carried on past the rim."""
        rows, columns = self.film_xy.shape[:2]
        column, row = points[:, 0], points[:, 1]
        c = np.clip(np.floor(column).astype(int), 0, columns - 2)
        r = np.clip(np.floor(row).astype(int), 0, rows - 2)
        u, v = (column - c)[:, None], (row - r)[:, None]
        a, b, d, e = (self.film_xy[r + i, c + j].astype(np.float64) for i, j in ((0, 0), (0, 1), (1, 0), (1, 1)))
        return np.asarray(a * (1 - u) * (1 - v) + b * u * (1 - v) + d * (1 - u) * v + e * u * v)


@dataclass(frozen=True)
class Background:
    """What the strip would look like without flaws. All float32, shape (across, along).

    residual is density minus flaw-free density; noise is the standard deviation of film noise and of clutter per pixel.
    """

    strip: Strip
    flawfree: F32
    residual: F32
    noise: F32


@dataclass(frozen=True)
class Region:
    """One dark or bright region of a strip. `outline` float64 (n, 2) is (column, row) in strip pixels, along the toe;
    `score` is the matched-filter height over local noise and clutter; `features` are named plain numbers."""

    arc: int
    tone: Tone
    outline: F64
    score: float
    contrast: float
    scale_px: float
    features: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))


@dataclass(frozen=True)
class Regions:
    """All regions of a film, best score first; an empty tuple is a normal answer. `repeats`: spots that the film processor pressed at equal
    steps, no indications of the weld."""

    regions: tuple[Region, ...]
    repeats: tuple[Region, ...] = ()
