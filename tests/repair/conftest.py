"""An invented weld of the fictional Brannefoss district-heating spools, as a judged weld document and as a worksheet."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from rtscan.findings import (
    Alternative,
    CriteriaFacts,
    ExposureFacts,
    FilmFacts,
    FilmOfWeld,
    Finding,
    Indication,
    LocationFacts,
    Quality,
    Reader,
    WeldArc,
    WeldDocument,
    WeldFacts,
    Worksheet,
)

OD_MM = 168.3
LENGTH_MM = math.pi * OD_MM


def mark(
    number: int, type_: str, iso6520: str, along: float | None, length: float, width: float, across: float = 0.0, **more: object
) -> Indication:
    """A dark mark along the weld; side as seen from outside, clockwise looking downstream (right of the growing station is upstream)."""
    side = None if abs(across) < 0.5 else "upstream" if across > 0 else "downstream"
    plain = Indication(
        id=number, tone="dark", type=type_, iso6520=iso6520, confidence=0.9, along_mm=along, across_mm=across, side=side, angle_deg=0.0,
        length_mm=length, width_mm=width, local_width_mm=width, length_u_mm=0.4, width_u_mm=0.2, result="reject",
    )
    return replace(plain, **more)


MARKS = (
    mark(1, "linear slag inclusion", "3011", 100.0, 30.0, 1.2, 2.5),
    mark(2, "gas pore", "2011", 118.0, 2.4, 2.4, -2.0),
    mark(3, "incomplete root penetration", "4021", 264.0, 22.0, 1.0),
    mark(4, "continuous undercut", "5011", 400.0, 60.0, 1.0, -6.2),
    mark(5, "gas pore", "2011", 330.0, 1.0, 1.0, 1.0, result="review", alternatives=(Alternative("tungsten inclusion", "3041", 0.1),)),
    mark(6, "longitudinal crack in the weld metal", "1011", 525.0, 14.0, 0.4, 0.8),
)

WELD = WeldFacts(
    name="W-017", length_mm=LENGTH_MM, cap_width_mm=12.0, wall_mm=7.11, od_mm=OD_MM, joint="girth", preparation="V 60", layers="multi",
    material="carbon steel", process="141/111", welders=("A1",), repairs_so_far=0, repair_limit=2,
    location=LocationFacts(datum="punch mark at top", datum_clock="12:00", looking="downstream", direction="clockwise", downstream_is="up"),
)

EXPOSURE = ExposureFacts(technique="DWSI", source="Se-75", source_to_film_mm=600.0, object_to_film_mm=2.0)

FINDINGS = (
    Finding("esi", "reject", "slag line No. 1: 30.0 mm long, more than 13 mm", "9.3.8.2", (1,), measured=30.0, limit=13.0),
    Finding("pore", "review", "pore No. 5: 1.0 mm, the limit 1.0 mm lies inside the uncertainty", "9.3.9.2", (5,), measured=1.0, limit=1.0),
)


def _film(name: str, start: float, end: float) -> FilmOfWeld:
    facts = FilmFacts(file=f"{name}.tif", width_px=4000, height_px=900, pixels_per_mm=20.0)
    return FilmOfWeld(facts, Quality(), start, end, exposure=EXPOSURE)


@pytest.fixture
def weld_document() -> WeldDocument:
    """The whole weld, confirmed by a reader, five marks to remove and one review open."""
    films = tuple(_film(f"W-017-{n}", n * LENGTH_MM / 3 - 10, (n + 1) * LENGTH_MM / 3 + 10) for n in range(3))
    return WeldDocument(
        weld=WELD, films=films, indications=MARKS, covered_mm=LENGTH_MM, criteria=CriteriaFacts("api-1104", "API 1104", "2013", "mm"),
        findings=FINDINGS, removal=(1, 2, 3, 4, 6), verdict="reject", verdict_says="reject: 5 marks",
        reader=Reader("R. Example", "II", "2026-05-04"),
    )


@pytest.fixture
def worksheet() -> Worksheet:
    """One film of the weld from 60 to 260 mm, not confirmed."""
    arc = WeldArc(None, ((0.0, 400.0), (4000.0, 400.0)), ((0.0, 280.0), (4000.0, 280.0)), ((0.0, 520.0), (4000.0, 520.0)), 60.0, 260.0)
    return Worksheet(
        film=FilmFacts(file="W-017-1.tif", width_px=4000, height_px=900, pixels_per_mm=20.0), weld=replace(WELD, arcs=(arc,)),
        indications=MARKS[:2], findings=FINDINGS[:1], removal=(1,), verdict="reject", exposure=EXPOSURE,
    )
