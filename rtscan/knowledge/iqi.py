"""Image quality indicators: wire, duplex and hole sizes, and the wire a testing standard asks for (`iqi.toml`, with sources)."""

from __future__ import annotations

import tomllib
from bisect import bisect_left
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from math import pi, sqrt
from typing import Any, Literal

MM_PER_INCH = 25.4
HALF_OF_LAST_DIGIT_MM = 0.05 + 1e-9
"""The tables print 6.4 mm for 0.25 in: a wall of 6.4 mm belongs to that row."""
Arrangement = Literal["single-source", "double-source", "double-film"]
Side = Literal["source", "film"]


@dataclass(frozen=True)
class Wire:
    """One wire of an indicator. `number` is its ISO W number or ASTM identity number."""

    number: int
    diameter_mm: float


@dataclass(frozen=True)
class RequiredWire:
    """The wire that must be seen: the thickest diameter that counts, where the standard says so, and whether that is from memory."""

    number: int
    diameter_mm: float
    clause: str
    source: str
    unverified: bool


@cache
def _data() -> dict[str, Any]:
    return tomllib.loads(files(__package__).joinpath("iqi.toml").read_text("utf-8"))


def iso_wire(number: int) -> Wire:
    """Wire W`number` of ISO 19232-1, 1 to 19. KeyError outside."""
    return _wire(number, _data()["iso_wire"]["diameter_mm"], 1.0)


def astm_wire(number: int) -> Wire:
    """Wire of ASTM E747 by identity number, 1 to 21. KeyError outside."""
    return _wire(number, _data()["astm_wire"]["diameter_in"], MM_PER_INCH)


def _wire(number: int, diameters: list[float], unit_mm: float) -> Wire:
    if not 1 <= number <= len(diameters):
        raise KeyError(number)
    return Wire(number, round(diameters[number - 1] * unit_mm, 4))


def wire_set(kind: str, name: str) -> tuple[Wire, ...]:
    """The wires of a set, thickest first: kind "ISO-wire" with "W10" (also "10 FE EN", "W10 FE"), "ASTM-wire" with "A" to "D".

    Empty when no set has this name.
    """
    table = _data()["iso_wire" if kind == "ISO-wire" else "astm_wire"]
    words = name.upper().split() or [""]
    for word in (words[0], f"W{words[0]}", words[0].lstrip("0123456789")):
        if numbers := table["sets"].get(word):
            return tuple(sorted((iso_wire(n) if kind == "ISO-wire" else astm_wire(n) for n in numbers), key=lambda w: -w.diameter_mm))
    return ()


def set_names(kind: str) -> tuple[str, ...]:
    """The sets of a kind of wire indicator."""
    return tuple(_data()["iso_wire" if kind == "ISO-wire" else "astm_wire"]["sets"])


def visible_length_mm(kind: str) -> float:
    """Length over which a wire must be seen without a break to count."""
    return float(_data()["iso_wire" if kind == "ISO-wire" else "astm_wire"]["visible_length_mm"])


def iso_required_wire(arrangement: Arrangement, testing_class: str, thickness_mm: float, source: str = "") -> RequiredWire:
    """The ISO 17636 wire for nominal (single wall) or penetrated (double wall) thickness; with Ir-192 the wires fewer are taken off."""
    table = _data()["iso_required"]
    row = table[arrangement][testing_class]
    limits = [limit or float("inf") for limit in row["up_to_mm"]]
    number = row["wires"][bisect_left(limits, thickness_mm - 1e-9)]
    fewer = 0
    if source.strip().lower() == "ir-192":
        fewer = next((int(n) for low, high, n in table["iridium"][testing_class] if low < thickness_mm <= high), 0)
    wire = iso_wire(max(1, number - fewer))
    clause = f"{table['standard']} {row['clause']}" + (f", {fewer} fewer with Ir-192" if fewer else "")
    return RequiredWire(wire.number, wire.diameter_mm, clause, table["source"], table["confidence"] != "published")


def asme_required_wire(side: Side, thickness_mm: float) -> RequiredWire | None:
    """The ASME V T-276 wire for the single-wall thickness with its reinforcement; None above 20 in."""
    return _by_inches(_data()["asme_required"], f"{side}_side_wire", thickness_mm)


def asme_required_plaque(side: Side, thickness_mm: float) -> int | None:
    """The ASME V T-276 plaque designation (its 2T hole is essential); None above 20 in."""
    table = _data()["asme_required"]
    place = _inch_row(table, thickness_mm)
    return None if place is None else int(table[f"{side}_side_plaque"][place])


def plaque_source() -> tuple[str, str, bool]:
    """Clause and source of the required plaque, and whether they are from memory."""
    table = _data()["asme_required"]
    return f"{table['standard']} {table['clause']}", table["source"], table["confidence"] != "published"


def api_required_wire(thickness_mm: float) -> RequiredWire | None:
    """The API 1104 wire (ASTM identity number) for the weld thickness; None above 2 in."""
    return _by_inches(_data()["api_required"], "wire", thickness_mm)


def _inch_row(table: dict[str, Any], thickness_mm: float) -> int | None:
    printed_mm = [limit * MM_PER_INCH + HALF_OF_LAST_DIGIT_MM for limit in table["up_to_in"]]
    place = bisect_left(printed_mm, thickness_mm)
    return place if place < len(table["up_to_in"]) else None


def _by_inches(table: dict[str, Any], column: str, thickness_mm: float) -> RequiredWire | None:
    place = _inch_row(table, thickness_mm)
    if place is None:
        return None
    wire = astm_wire(table[column][place])
    return RequiredWire(wire.number, wire.diameter_mm, f"{table['standard']} {table['clause']}", table["source"],
                        table["confidence"] != "published")


def duplex_wires() -> tuple[tuple[int, float, float], ...]:
    """(number, wire and gap mm, unsharpness mm) of the duplex indicator, D1 to D13."""
    table = _data()["duplex"]
    return tuple((n, w, u) for n, (w, u) in enumerate(zip(table["wire_mm"], table["unsharpness_mm"], strict=True), start=1))


def duplex_dip_min() -> float:
    """The dip between the wires of a pair below which the pair counts as merged, as a share of the wire contrast."""
    return float(_data()["duplex"]["dip_min"])


def step_hole_mm(number: int) -> float:
    """Diameter of hole H`number` of ISO 19232-2."""
    return float(_data()["step_hole"]["diameter_mm"][number - 1])


def plaque_mm(designation: int) -> tuple[float, dict[str, float]]:
    """Thickness and hole diameters (1T, 2T, 4T) of a hole-type plaque, mm: No. 10 is 0.010 in, holes never below the least sizes."""
    table = _data()["plaque"]
    thickness_in = table["fractional_in"].get(str(designation), designation / 1000)
    holes = {name: max(int(name[0]) * thickness_in, least) * MM_PER_INCH for name, least in table["least_hole_in"].items()}
    return thickness_in * MM_PER_INCH, holes


@dataclass(frozen=True)
class Plaque:
    """A rectangular hole-type indicator, mm. `holes`: (name, diameter, place from the middle of the plate towards the end without the
    lead number, on the centreline), in the order they lie from the number on. The drawing is from memory: places may be off by a mm."""

    number: int
    thickness_mm: float
    length_mm: float
    width_mm: float
    holes: tuple[tuple[str, float, float], ...]


def plaque(name: str) -> Plaque | None:
    """The plaque of a job sheet's `set`: "12", "No. 12", "ASTM 12". None when no rectangular plaque has this number."""
    digits = "".join(name.upper().removeprefix("ASTM").removeprefix("NO.").removeprefix("NO").split())
    if not digits.isascii() or not digits.isdigit() or not 5 <= int(digits) <= _data()["plaque"]["plate"][-1]["up_to"]:
        return None
    number = int(digits)
    thickness_mm, diameters = plaque_mm(number)
    plate = next(row for row in _data()["plaque"]["plate"] if number <= row["up_to"])
    length_mm = plate["length_in"] * MM_PER_INCH
    holes = tuple((hole, diameters[hole], 0.5 * length_mm - place * MM_PER_INCH) for hole, place in plate["hole_from_end_in"].items())
    return Plaque(number, thickness_mm, length_mm, plate["width_in"] * MM_PER_INCH, holes)


def equivalent_sensitivity(thickness_mm: float, plaque_thickness_mm: float, hole_mm: float) -> float:
    """Equivalent penetrameter sensitivity, percent: (100/X) sqrt(T h / 2)."""
    return 100 / thickness_mm * sqrt(plaque_thickness_mm * hole_mm / 2)


def wire_equivalent_to_hole_mm(plaque_thickness_mm: float, hole_mm: float) -> float:
    """Wire diameter as visible as a hole, ASTM E747: F^3 d^3 l = T^2 H^2 pi/4 with F = 0.79 and l = 7.6 mm (0.3 in)."""
    return float((plaque_thickness_mm**2 * hole_mm**2 * pi / 4 / (0.79**3 * 0.3 * MM_PER_INCH)) ** (1 / 3))
