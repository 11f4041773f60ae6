"""The recipe of a simulated film: a TOML file a trainer can read, validated in full.

Lengths mm, angles degrees. `along_mm` is a station of the weld, `across_mm` counts from the weld centreline, positive to the right of
the growing station, `depth_mm` from the outside (cap) surface. What is left out of an imperfection is drawn from the usual population.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from rtscan.job import AcceptanceSection, Joint, LocationSection, Technique, TestingSection

FilmClass = Literal["C1", "C2", "C3", "C4", "C5", "C6"]
FlawWall = Literal["film", "source"]
Kind = Literal[
    "gas pore",
    "uniformly distributed porosity",
    "clustered porosity",
    "linear porosity",
    "elongated cavity",
    "worm-hole",
    "hollow bead",
    "crater pipe",
    "isolated slag inclusion",
    "linear slag inclusion",
    "wagon tracks",
    "tungsten inclusion",
    "copper inclusion",
    "protruding filler wire",
    "lack of side-wall fusion",
    "lack of inter-run fusion",
    "lack of root fusion",
    "missed tie-in",
    "incomplete root penetration",
    "root concavity",
    "continuous excess penetration",
    "local excess penetration",
    "burn-through",
    "continuous undercut",
    "intermittent undercut",
    "shrinkage groove",
    "incompletely filled groove",
    "missed bevel edge",
    "longitudinal crack",
    "transverse crack",
    "crater crack",
    "branching crack",
    "spatter",
    "stray arc",
    "grinding mark",
    "excess weld metal",
    "linear misalignment",
]
ArtefactKind = Literal[
    "scratch",
    "crimp mark",
    "static",
    "roller marks",
    "dust",
    "fingerprint",
    "water spot",
    "screen mark",
    "light leak",
    "handwriting",
    "double-exposed corner",
    "pressure mark",
    "screen dirt",
    "bromide streaks",
]
Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class FilmPart(_Section):
    """The film, its exposure and its scan. `density` is aimed at `density_at`: the middle of the weld or the parent metal beside it."""

    width_mm: float = Field(default=240.0, ge=10, le=450)
    height_mm: float = Field(default=80.0, ge=10, le=450)
    class_: FilmClass = Field(default="C4", alias="class")
    density: float = Field(default=2.6, ge=0.3, le=6.0)
    density_at: Literal["weld", "parent"] = "weld"
    fog: float = Field(default=0.22, ge=0.0, le=1.0)
    mottle_mm: float = Field(default=0.048, ge=0.001, le=0.5, description="spread of a quantum's mark by the electrons of the screens")
    mottle_share: float = Field(default=0.5, ge=0, le=1, description="share of the noise power that is quantum mottle, not silver grain")
    grain_skew: float = Field(default=0.025, ge=0, le=0.1, description="lean of the silver grain to low density, a sixth of its skewness")
    border_mm: float = Field(default=0.0, ge=0, le=15)
    uneven: float = Field(default=0.0, ge=0, le=1.5, description="spread of density over the film from uneven exposure, as a share")
    ends: float = Field(default=0.0, ge=-0.8, le=3.0, description="exposure of the film ends over that of the middle, less one")


class ScanPart(_Section):
    """The scanner: pitch, what the grey is linear in, bits, line noise (density), own blur (full width at half height), look."""

    pixels_per_mm: float = Field(default=20.0, ge=2, le=60)
    bits: Literal[8, 12, 14, 16] = 16
    grey_is: Literal["density", "light", "dose"] = "density"
    look: Literal["dense-bright", "dense-dark"] = "dense-bright"
    lines: float = Field(default=0.002, ge=0, le=0.2)
    noise: float = Field(default=0.004, ge=0, le=0.2, description="white noise at density 2; more light, less noise")
    blur_mm: float = Field(default=0.045, ge=0, le=1.0)
    glare: float = Field(default=0.0, ge=0, le=0.01, description="stray light over the light of density 0: flattens what is dense")
    log_ripple: float = Field(default=0.0, ge=0, le=0.3, description="waviness of the logarithmic amplifier's gain, density scans only")
    drag_mm: float = Field(default=0.0, ge=0, le=1.0, description="more blur down the film, from its movement (full width at half height)")
    density_max: float = Field(default=4.5, ge=2.0, le=6.0)
    dust: int = Field(default=0, ge=0, le=500)


class WeldPart(_Section):
    """The joint and its anatomy. Leave `od_mm` out for plate. Root values are of the root bead beyond the inside surface."""

    name: str = "S-1"
    od_mm: Positive | None = None
    wall_mm: float = Field(default=10.0, ge=1, le=100)
    joint: Joint | None = None
    preparation: Literal["V", "U", "J", "X", "square"] = "V"
    bevel_deg: float = Field(default=30.0, ge=0, le=60)
    gap_mm: float = Field(default=2.5, ge=0, le=8)
    land_mm: float = Field(default=1.5, ge=0, le=6)
    mismatch_mm: float = Field(default=0.0, ge=-5, le=5)
    cap_width_mm: float | None = Field(default=None, ge=3, le=60)
    cap_height_mm: float = Field(default=1.8, ge=-2, le=8)
    root_width_mm: float = Field(default=4.5, ge=1, le=20)
    root_height_mm: float = Field(default=1.0, ge=-1, le=5)
    cap_passes: int = Field(default=1, ge=1, le=6)
    ripple_mm: float = Field(default=0.10, ge=0, le=1.0, description="height of the ripples of the cap")
    ripple_pitch_mm: float = Field(default=2.2, ge=0.3, le=12)
    roughness: float = Field(default=1.0, ge=0, le=4, description="unevenness of beads, edges and weave; 1 is hand welding")
    lumps: float = Field(default=0.0, ge=0, le=0.5, description="how far beads rise and sink over a few mm, as a share of their height")
    hand: float = Field(default=0.0, ge=0, le=1, description="unsteadiness of the hand: steps, ridges, drops and sunken spots; 1 is coarse")
    root_uneven: float = Field(default=1.0, ge=0, le=4, description="unevenness of the root bead over the usual: lumps and sags")
    toe_mm: float = Field(default=0.3, ge=0.1, le=1.5, description="rounding of toes and of seams between drops, standard deviation")
    ground: bool = False
    stops_mm: tuple[float, ...] | None = None
    tacks_mm: tuple[float, ...] = ()
    fill_runs: int | None = Field(default=None, ge=1, le=12, description="runs of the last fill layer, seen where no cap covers them")
    seams_mm: tuple[float, ...] = Field(
        default=(), max_length=8, description="stations of the pipe's own seams; the first left of the weld, the second right, and so on"
    )
    seam_width_mm: float = Field(default=12.0, ge=2, le=40)
    seam_height_mm: float = Field(default=1.5, ge=0.05, le=5)
    material: Literal["carbon steel", "stainless steel"] = "carbon steel"
    process: str = "141/111"
    welders: tuple[str, ...] = ()


class ExposurePart(_Section):
    """How the film was shot. `offset_mm` moves the source along the pipe axis (across the weld), `shift_mm` along the weld."""

    technique: Technique = "SWSI"
    source: Literal["Ir-192", "Se-75", "Yb-169", "Co-60", "x-ray"] = "x-ray"
    kv: float = Field(default=200.0, ge=40, le=450, description="tube voltage; x-ray only")
    filter_mm: NotNegative = 0.0
    focal_mm: float = Field(default=2.0, gt=0, le=10)
    source_to_film_mm: Positive | None = None
    object_to_film_mm: float = Field(default=2.0, ge=0, le=200)
    offset_mm: float = Field(default=0.0, ge=-2000, le=2000)
    shift_mm: float = Field(default=0.0, ge=-1000, le=1000)
    scatter: NotNegative | None = Field(
        default=None, description="scattered over primary radiation behind the weld; from thickness if left out"
    )
    unsharpness_mm: NotNegative | None = Field(default=None, description="inherent unsharpness; from the source if left out")


class PlacePart(_Section):
    """How the weld lies on the film: turned (positive: clockwise in the picture), off the middle, bowed, wandering slowly."""

    angle_deg: float = Field(default=0.0, gt=-180, le=180)
    off_middle_mm: float = Field(default=0.0, ge=-200, le=200)
    bow_mm: float = Field(default=0.0, ge=-40, le=40)
    waviness_mm: float = Field(default=0.0, ge=0, le=5)
    station_at_middle_mm: float = 120.0


class IqiPart(_Section):
    """An image quality indicator. `along_mm`, `across_mm` are its middle on the film, from the film's middle, along and across the weld.
    `turn_deg` and `shim_mm` are for hole plaques: turned on the part, and a steel plate 3.2 mm larger all round under them."""

    kind: Literal["ISO-wire", "ASTM-wire", "hole", "duplex"] = "ISO-wire"
    set: str = "W10"
    side: Literal["film", "source"] = "source"
    along_mm: float = 0.0
    across_mm: float | None = None
    wire_length_mm: Literal[10, 25, 50] = 50
    turn_deg: float = Field(default=0.0, ge=-180, le=180)
    shim_mm: float = Field(default=0.0, ge=0, le=10)
    label: bool = True


class LetterPart(_Section):
    """Lead letters, on the film holder. `across_mm`, `along_mm` are the middle of the text from the film's middle."""

    text: str = Field(min_length=1, max_length=40)
    along_mm: float
    across_mm: float
    height_mm: float = Field(default=9.0, gt=1, le=40)
    turn_deg: float = 0.0
    mirrored: bool = False
    lead_mm: float = Field(default=1.5, gt=0.1, le=5)
    plate: bool = False
    stencil: bool = Field(default=False, description="cut through a lead plate instead of cast")


class ImperfectionPart(_Section):
    """One imperfection. What is left out is drawn from the usual population (see flaws.py)."""

    type: Kind
    along_mm: float | None = None
    across_mm: float | None = None
    depth_mm: NotNegative | None = None
    length_mm: Positive | None = None
    width_mm: Positive | None = None
    height_mm: Positive | None = None
    angle_deg: float | None = Field(default=None, ge=-90, le=90)
    count: int | None = Field(default=None, ge=1, le=400)
    wall: FlawWall | None = None
    side: Literal["left", "right"] | None = None
    surface: Literal["external", "internal"] | None = None
    gas: bool = True


class ArtefactPart(_Section):
    """A mark of film, processing or handling; place left out: drawn. Lengths along and across the weld from the film's middle."""

    kind: ArtefactKind
    along_mm: float | None = None
    across_mm: float | None = None
    length_mm: Positive | None = None
    strength: float = Field(default=1.0, gt=0, le=10)


class Recipe(_Section):
    """One film in full."""

    name: str = "film"
    note: str = ""
    seed: int | None = Field(default=None, ge=0)
    film: FilmPart = FilmPart()
    scan: ScanPart = ScanPart()
    weld: WeldPart = WeldPart()
    exposure: ExposurePart = ExposurePart()
    place: PlacePart = PlacePart()
    location: LocationSection = LocationSection()
    testing: TestingSection = TestingSection()
    acceptance: AcceptanceSection = AcceptanceSection()
    iqi: tuple[IqiPart, ...] = ()
    letters: tuple[LetterPart, ...] = ()
    imperfections: tuple[ImperfectionPart, ...] = ()
    artefacts: tuple[ArtefactPart, ...] = ()
    pair: Literal["", "two films", "two exposures"] = ""
    pair_shift_mm: float = 100.0

    @model_validator(mode="after")
    def _fits(self) -> Recipe:
        if self.exposure.technique not in ("SWSI",) and self.weld.od_mm is None:
            raise ValueError(f"technique {self.exposure.technique} needs a pipe; give weld.od_mm or use SWSI")
        if self.weld.od_mm is not None and self.weld.wall_mm >= 0.45 * self.weld.od_mm:
            raise ValueError("the wall is thicker than the pipe allows; give a smaller weld.wall_mm or a larger weld.od_mm")
        if self.weld.seams_mm and self.weld.od_mm is None:
            raise ValueError("weld.seams_mm are seams of a pipe; give weld.od_mm or take them out")
        return self


class SetPart(_Section):
    """A random set: how many films, how hard, which techniques. Level 1 plain, 2 usual, 3 hard."""

    count: int = Field(ge=1, le=10000)
    level: Literal[1, 2, 3] = 2
    technique: tuple[Technique, ...] = ("SWSI",)
    name: str = "practice"
    max_imperfections: int | None = Field(default=None, ge=0, le=40)
    clean_share: float = Field(default=0.15, ge=0, le=1)
