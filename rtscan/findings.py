"""What we say: plain numbers, millimetres and words. Frozen records, no numpy, names as in the contract's JSON.

Every `_mm` is millimetres, every `_u_mm` the expanded uncertainty (k = 2) of its namesake, every `_px` film pixels
(x right, y down, centres at whole numbers), every angle degrees. An unknown quantity is None, never zero.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

Point = tuple[float, float]
Box = tuple[float, float, float, float]
Tone = Literal["dark", "bright"]
Wall = Literal["film", "source", "unknown"]
Side = Literal["upstream", "downstream"]
Result = Literal["accept", "reject", "review", "cannot judge"]
VerdictWord = Literal["accept", "reject", "review", "unreadable"]
Scope = Literal["film", "weld"]
CheckResult = Literal["pass", "fail", "not assessed"]
GroupKind = Literal["cluster", "aligned", "line"]
ObjectKind = Literal["wire", "letter", "marker", "border", "scratch", "dust", "artefact"]


@dataclass(frozen=True)
class FilmFacts:
    """What is known of the film file. `bits` is the bit depth as stored; `look` as in the contract."""

    file: str = ""
    sha256: str = ""
    page: int = 1
    width_px: int = 0
    height_px: int = 0
    bits: int = 16
    look: str = "dense-bright"
    look_reason: str = ""
    grey_is: str = "unknown"
    density_calibrated: bool = False
    pixels_per_mm: float | None = None
    scale_from: str | None = None
    scale_uncertainty: float | None = None
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True)
class Range:
    """A limit with either end open."""

    min: float | None = None
    max: float | None = None


@dataclass(frozen=True)
class Check:
    """One line of the film quality table. `required` checks decide whether the film may be judged; `waived` is a required check
    that failed and that the user chose to go past, which every output says."""

    name: str
    result: CheckResult
    clause: str = ""
    measured: float | None = None
    limit: Range = Range()
    unit: str = ""
    required: bool = True
    unverified: bool = False
    source: str = ""
    says: str = ""
    waived: bool = False


@dataclass(frozen=True)
class DetectionLimit:
    """Smallest pore (diameter) and line (width) found with 90 % probability, worst along the weld, and the curve; 4 mm stands for that and
    more."""

    pore_mm: float | None = None
    line_width_mm: float | None = None
    along_mm: tuple[float, ...] = ()
    pore_along_mm: tuple[float, ...] = ()


@dataclass(frozen=True)
class Quality:
    """Whether the film may be judged. `readable` is False when a required check failed."""

    readable: bool = True
    checks: tuple[Check, ...] = ()
    detection_limit: DetectionLimit | None = None


@dataclass(frozen=True)
class Stretch:
    """A stretch of weld by station, `from_mm` to `to_mm` in the growing direction (it may pass the datum)."""

    from_mm: float
    to_mm: float


@dataclass(frozen=True)
class WeldArc:
    """One visible stretch of weld; left and right are seen in the direction of growing station.

    `station_mm` has the station of each centreline point; empty when unknown, or when even spacing between the ends is meant.
    """

    wall: Wall | None
    centreline_px: tuple[Point, ...]
    left_edge_px: tuple[Point, ...]
    right_edge_px: tuple[Point, ...]
    station_from_mm: float | None = None
    station_to_mm: float | None = None
    station_mm: tuple[float, ...] = ()


@dataclass(frozen=True)
class LocationFacts:
    """Where stations start and which way they grow, in the words of the job sheet; `direction` is seen `looking` along the pipe.

    `stations_from_datum` is False when no marker or end station was given, so that stations only count from the end of the weld seen.
    """

    datum: str = ""
    datum_clock: str | None = None
    looking: str | None = None
    direction: str | None = None
    downstream_is: str | None = None
    seen_from: str = "outside"
    stations_from_datum: bool | None = None


@dataclass(frozen=True)
class ExposureFacts:
    """How the film was shot, in the words of the job sheet."""

    technique: str | None = None
    source: str = ""
    kv: float | None = None
    focal_mm: float | None = None
    source_to_film_mm: float | None = None
    object_to_film_mm: float | None = None


@dataclass(frozen=True)
class WeldFacts:
    """The weld on this film. `length_mm` is the whole weld, not the visible part."""

    name: str = ""
    length_mm: float | None = None
    cap_width_mm: float | None = None
    arcs: tuple[WeldArc, ...] = ()
    wall_mm: float | None = None
    od_mm: float | None = None
    joint: str | None = None
    preparation: str = ""
    process: str = ""
    layers: str | None = None
    material: str = ""
    welders: tuple[str, ...] = ()
    repairs_so_far: int | None = None
    repair_limit: int | None = None
    location: LocationFacts = LocationFacts()


@dataclass(frozen=True)
class Alternative:
    """Another type the indication may be; `confidence` is a probability."""

    type: str
    iso6520: str
    confidence: float


@dataclass(frozen=True)
class Nearest:
    """The nearest other indication and the sound metal between the outlines."""

    id: int
    gap_mm: float


@dataclass(frozen=True)
class Indication:
    """A mark on the film that may come from the part and needs interpreting. See the contract for every quantity.

    `along_mm` is the station of the middle, `across_mm` the offset from the weld centreline, positive to the right of the
    growing station. `angle_deg` in (-90, 90] from the growing station, positive towards positive across.
    """

    id: int
    tone: Tone | None = None
    type: str = ""
    iso6520: str = ""
    confidence: float | None = None
    alternatives: tuple[Alternative, ...] = ()
    why: str = ""
    bbox_px: Box | None = None
    outline_px: tuple[Point, ...] = ()
    centre_px: Point | None = None
    along_mm: float | None = None
    other_along_mm: float | None = None
    across_mm: float | None = None
    side: Side | None = None
    wall: Wall | None = None
    clock: str | None = None
    angle_deg: float | None = None
    length_mm: float | None = None
    width_mm: float | None = None
    local_width_mm: float | None = None
    area_mm2: float | None = None
    length_u_mm: float | None = None
    width_u_mm: float | None = None
    length_px: float | None = None
    width_px: float | None = None
    contrast: float | None = None
    signal_to_noise: float | None = None
    height_mm: float | None = None
    height_u_mm: float | None = None
    depth_mm: float | None = None
    depth_u_mm: float | None = None
    surface: str | None = None
    run: str | None = None
    mismatch: bool | None = None
    darker_than_parent: bool | None = None
    group: str | None = None
    nearest: Nearest | None = None
    result: Result | None = None
    note: str = ""
    film: str | None = None
    seen_on: tuple[str, ...] = ()


@dataclass(frozen=True)
class Group:
    """Indications that belong together. `diameter_mm` is the least circle round a cluster."""

    id: str
    kind: GroupKind
    type: str
    iso6520: str
    members: tuple[int, ...]
    sum_length_mm: float | None = None
    end_to_end_mm: float | None = None
    diameter_mm: float | None = None


@dataclass(frozen=True)
class ObjectMark:
    """A mark known to come from film, scan or set-up. `says` is what it is or reads; `along_mm` its station when known."""

    kind: ObjectKind
    bbox_px: Box
    says: str = ""
    along_mm: float | None = None


@dataclass(frozen=True)
class CriteriaFacts:
    """Which acceptance criteria were used; `units` is the printed limit set, "mm" or "in"."""

    name: str = ""
    title: str = ""
    edition: str = ""
    units: str = "mm"


@dataclass(frozen=True)
class Finding:
    """One rule applied to one indication, group or stretch. `measured` and `limit` carry `unit`."""

    rule: str
    result: Result
    says: str
    clause: str = ""
    indications: tuple[int, ...] = ()
    groups: tuple[str, ...] = ()
    measured: float | None = None
    measured_u: float | None = None
    limit: float | None = None
    unit: str = "mm"
    unverified: bool = False


@dataclass(frozen=True)
class Closed:
    """A finding that a reader has settled; `finding` is its place in the list, from 0."""

    finding: int
    result: Result
    note: str = ""


@dataclass(frozen=True)
class Reader:
    """The person who confirmed or changed the reading, and what was changed."""

    name: str
    level: str = ""
    date: str = ""
    changed: tuple[str, ...] = ()
    closed: tuple[Closed, ...] = ()


@dataclass(frozen=True)
class Worksheet:
    """The reading of one film: `STEM.worksheet.json`."""

    schema: str = "rtscan/worksheet/1"
    tool: str = ""
    job_sha256: str = ""
    criteria_sha256: str = ""
    film: FilmFacts = FilmFacts()
    quality: Quality = Quality()
    weld: WeldFacts = WeldFacts()
    indications: tuple[Indication, ...] = ()
    groups: tuple[Group, ...] = ()
    objects: tuple[ObjectMark, ...] = ()
    criteria: CriteriaFacts | None = None
    findings: tuple[Finding, ...] = ()
    removal: tuple[int, ...] = ()
    verdict: VerdictWord = "review"
    verdict_scope: Scope = "film"
    verdict_unverified: bool = False
    verdict_says: str = ""
    reader: Reader | None = None
    model: str = ""
    exposure: ExposureFacts = ExposureFacts()
    segment: str = ""
    shot: str = ""
    date: str = ""


@dataclass(frozen=True)
class FilmOfWeld:
    """One film of a weld document: what it is, whether it may be judged, the stations it shows, and which shot it is."""

    film: FilmFacts
    quality: Quality
    station_from_mm: float | None = None
    station_to_mm: float | None = None
    shot: str = ""
    segment: str = ""
    date: str = ""
    exposure: ExposureFacts = ExposureFacts()
    objects: tuple[ObjectMark, ...] = ()
    stretches: tuple[Stretch, ...] = ()


@dataclass(frozen=True)
class WeldDocument:
    """The films of one weld joined: `WELD.weld.json`. `covered` are the stretches that `covered_mm` sums up, none passing the datum."""

    schema: str = "rtscan/weld/1"
    tool: str = ""
    job_sha256: str = ""
    criteria_sha256: str = ""
    weld: WeldFacts = WeldFacts()
    films: tuple[FilmOfWeld, ...] = ()
    indications: tuple[Indication, ...] = ()
    groups: tuple[Group, ...] = ()
    covered_mm: float | None = None
    gaps: tuple[Stretch, ...] = ()
    covered: tuple[Stretch, ...] = ()
    criteria: CriteriaFacts | None = None
    findings: tuple[Finding, ...] = ()
    removal: tuple[int, ...] = ()
    verdict: VerdictWord = "review"
    verdict_scope: Scope = "weld"
    verdict_unverified: bool = False
    verdict_says: str = ""
    reader: Reader | None = None
    history: tuple[str, ...] = field(default=())
