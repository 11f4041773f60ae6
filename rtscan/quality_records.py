"""What we say of a film alone, before any weld is judged: indicators seen, density along, checks. Frozen records, no numpy.

Units and names as in `findings.py`.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from rtscan.findings import FilmFacts, ObjectMark, Point, Quality, Stretch


@dataclass(frozen=True)
class WireSeen:
    """One wire of an indicator. `visible` means seen over `visible_mm` of at least the length that counts; `profile` holds points
    (distance from the wire in mm, density lost) of the mean profile across it."""

    number: int
    diameter_mm: float
    visible: bool
    signal_to_noise: float
    visible_mm: float
    contrast: float
    path_px: tuple[Point, ...] = ()
    profile: tuple[Point, ...] = ()


@dataclass(frozen=True)
class HoleSeen:
    """One hole of a plaque. `signal_to_noise` is over its area, `contrast` the density gained in it."""

    name: str
    diameter_mm: float
    visible: bool
    signal_to_noise: float
    contrast: float
    centre_px: Point


@dataclass(frozen=True)
class PlaqueSeen:
    """A hole-type indicator: its number, thickness, the density lost in it, its corners, and its holes from the largest on."""

    number: int
    thickness_mm: float
    contrast: float
    corners_px: tuple[Point, ...]
    holes: tuple[HoleSeen, ...]


@dataclass(frozen=True)
class FilmQuality:
    """What is known of the fitness of one film: `STEM.quality.json`.

    `density_along`, `density_low_along`, `density_high_along` are the median, least and greatest density across the weld at the stations
    `along_mm`. `judged` are the stations of the diagnostic length, one stretch for each arc. `objects` are the marks of film, scan and
    set-up in the area of interest.
    """

    schema: str = "rtscan/quality/1"
    tool: str = ""
    job_sha256: str = ""
    film: FilmFacts = field(default_factory=FilmFacts)
    quality: Quality = field(default_factory=Quality)
    testing: str = ""
    iqi: str = ""
    wires: tuple[WireSeen, ...] = ()
    plaque: PlaqueSeen | None = None
    contrast_per_mm: float | None = None
    contrast_from: str = ""
    unsharpness_mm: float | None = None
    along_mm: tuple[float, ...] = ()
    density_along: tuple[float, ...] = ()
    density_low_along: tuple[float, ...] = ()
    density_high_along: tuple[float, ...] = ()
    judged: tuple[Stretch, ...] = ()
    objects: tuple[ObjectMark, ...] = ()
