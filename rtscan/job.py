"""The job sheet: TOML to `Job`. Every key is optional; an unknown key is an error that names the nearest known one."""

from __future__ import annotations

from datetime import date as Date
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

Look = Literal["auto", "dense-bright", "dense-dark"]
GreyIs = Literal["density", "light", "dose", "unknown"]
Joint = Literal["girth", "longitudinal", "plate"]
Layers = Literal["single", "multi"]
Technique = Literal["SWSI", "panoramic", "DWSI", "DWDI-ellipse", "DWDI-superimposed"]
TestingStandard = Literal["iso-17636-1", "iso-17636-2", "asme-v", "api-1104"]


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class FilmSection(_Section):
    """How the film was digitised and which part of the weld it shows."""

    pixels_per_mm: float | None = Field(default=None, gt=0)
    scale: Literal["file"] | None = None
    scale_uncertainty: float | None = Field(default=None, ge=0, lt=0.5)
    look: Look = "auto"
    grey_is: GreyIs = "unknown"
    grey_to_density: tuple[tuple[float, float], ...] = ()
    segment: str = ""
    shot: str = ""
    class_: str = Field(default="", alias="class")
    date: Date | None = None
    quality_vouched_by: str = ""


class WeldSection(_Section):
    """The joint. `od_mm` and `wall_mm` may come from `nps` with `schedule`; leave the diameter out for plate."""

    name: str = ""
    od_mm: float | None = Field(default=None, gt=0)
    nps: str | None = None
    schedule: str | None = None
    wall_mm: float | None = Field(default=None, gt=0)
    joint: Joint | None = None
    preparation: str = ""
    process: str = ""
    layers: Layers | None = None
    penetration: Literal["full", "partial"] = "full"
    cap_width_mm: float | None = Field(default=None, gt=0)
    length_mm: float | None = Field(default=None, gt=0)
    centreline_px: tuple[tuple[float, float], ...] = ()
    material: str = ""
    welders: tuple[str, ...] = ()
    repairs_so_far: int = Field(default=0, ge=0)
    repair_limit: int = Field(default=2, ge=0)


class ExposureSection(_Section):
    """How the film was shot."""

    technique: Technique | None = None
    source: str = ""
    kv: float | None = Field(default=None, gt=0)
    focal_mm: float | None = Field(default=None, gt=0)
    source_to_film_mm: float | None = Field(default=None, gt=0)
    object_to_film_mm: float | None = Field(default=None, ge=0)


class LocationSection(_Section):
    """Where on the weld the film lies and which way stations grow."""

    datum: str = ""
    datum_clock: str | None = None
    looking: Literal["downstream", "upstream"] | None = None
    direction: Literal["clockwise", "anticlockwise"] | None = None
    downstream_is: Literal["up", "down", "left", "right"] | None = None
    seen_from: Literal["outside", "inside"] = "outside"
    station_at_left_mm: float | None = None
    station_at_middle_mm: float | None = None
    marker_px: tuple[float, float] | None = None
    marker_station_mm: float | None = None


class TestingSection(_Section):
    """The testing standard and class the film is checked against."""

    __test__ = False
    standard: TestingStandard | None = None
    class_: Literal["A", "B"] | None = Field(default=None, alias="class")


class IqiSection(_Section):
    """The image quality indicator on the film."""

    kind: Literal["ISO-wire", "ASTM-wire", "hole", "duplex"] | None = None
    set: str = ""
    side: Literal["film", "source"] | None = None
    required_wire: int | None = Field(default=None, ge=1, le=21)


class AcceptanceSection(_Section):
    """Which acceptance criteria: a shipped name, NAME@edition, or a file."""

    criteria: str | None = None


class Job(_Section):
    """The job sheet in full."""

    film: FilmSection = FilmSection()
    weld: WeldSection = WeldSection()
    exposure: ExposureSection = ExposureSection()
    location: LocationSection = LocationSection()
    testing: TestingSection = TestingSection()
    iqi: IqiSection = IqiSection()
    acceptance: AcceptanceSection = AcceptanceSection()
