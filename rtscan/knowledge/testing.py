"""Limits of the testing standards: density, unsharpness, distance, signal-to-noise, resolution (`testing.toml`, with sources)."""

from __future__ import annotations

import tomllib
from bisect import bisect_left
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from math import hypot, log, pi, sqrt
from typing import Any

GAMMA_SOURCES = ("Ir-192", "Se-75", "Co-60", "Yb-169", "Tm-170", "Cs-137")
SNR_SQUARE_MM = 0.0886
"""Side of the square with the area of a circle of 100 micrometre, to which signal-to-noise is normalised."""


@dataclass(frozen=True)
class Limit:
    """One limit of a standard. Either end may be open; `unverified` when it rests on memory."""

    clause: str
    source: str
    unverified: bool
    min: float | None = None
    max: float | None = None


@cache
def data() -> dict[str, Any]:
    """The tables as in the file."""
    return tomllib.loads(files(__package__).joinpath("testing.toml").read_text("utf-8"))


def _limit(row: dict[str, Any], least: float | None = None, greatest: float | None = None) -> Limit:
    return Limit(row["clause"], row["source"], row["confidence"] != "published", least, greatest)


def source_name(source: str) -> str:
    """The source as the tables spell it: "Ir-192", …, or "x-ray"; "" when unknown."""
    text = source.strip().lower().replace(" ", "-")
    known = {name.lower(): name for name in GAMMA_SOURCES}
    known.update({"ir192": "Ir-192", "se75": "Se-75", "co60": "Co-60", "yb169": "Yb-169", "x-ray": "x-ray", "xray": "x-ray", "x": "x-ray"})
    return known.get(text, "")


def density_limits(standard: str, testing_class: str | None, source: str) -> Limit | None:
    """Least and greatest density in the area of interest; None for digital detectors and unknown standards.

    Without a known source the gamma minimum is taken, which is the stricter one; without a class, class B.
    """
    if standard not in data()["density"]:
        return None
    row = data()["density"][standard]
    if standard == "iso-17636-1":
        row = row[testing_class or "B"]
    least = row["min_x_ray" if source_name(source) == "x-ray" else "min_gamma"]
    return _limit(row, least, row.get("max", data()["density"]["iso_max"]["max"]))


def fog_limit() -> Limit:
    """Greatest density of base and fog."""
    return _limit(data()["fog"], greatest=data()["fog"]["max"])


def density_variation(density_at_iqi: float) -> Limit:
    """ASME V T-282.2: the density range that an indicator at `density_at_iqi` speaks for (-15 % / +30 %)."""
    row = data()["density_variation"]
    return _limit(row, density_at_iqi * (1 - row["below"]), density_at_iqi * (1 + row["above"]))


def wire_place(standard: str | None, visible_mm: float) -> tuple[Limit, bool]:
    """Length of a wire that must be seen inside the length that is judged, and whether the wires must lie on the weld itself."""
    name = standard or ""
    row = data()["wire_place"]["iso" if name.startswith("iso") else name if name in data()["wire_place"] else "other"]
    return _limit(row, least=visible_mm), bool(row["over_weld"])


def geometric_unsharpness_mm(focal_mm: float, object_to_film_mm: float, source_to_object_mm: float) -> float:
    """Ug = F b / a: source size, source side of the object to the film, source to source side of the object."""
    return focal_mm * object_to_film_mm / source_to_object_mm


def asme_ug_limit(thickness_mm: float) -> Limit:
    """ASME V T-274.2: greatest geometric unsharpness by material thickness (under 50 mm, 50 to 75, over 75 to 100, over 100)."""
    row = data()["geometry"]["asme-v"]
    first, *rest = row["under_mm"]
    place = 0 if thickness_mm < first else 1 + bisect_left(rest, thickness_mm)
    return _limit(row, greatest=row["ug_max_mm"][place])


def iso_least_distance(focal_mm: float, object_to_film_mm: float, testing_class: str) -> Limit:
    """ISO 17636: least distance from source to object, f/d >= 7.5 b^(2/3) class A, 15 b^(2/3) class B, mm."""
    row = data()["geometry"]["iso"]
    return _limit(row, focal_mm * row["factor"][testing_class] * object_to_film_mm ** (2 / 3))


def inherent_unsharpness_mm(source: str, kv: float | None = None) -> float | None:
    """Film unsharpness by radiation: 0.0013 kV^0.8 for x-rays, tabulated for gamma sources; None when unknown."""
    name = source_name(source)
    if name == "x-ray" or (not name and kv):
        return None if kv is None else float(0.0013 * kv**0.8)
    value = data()["inherent_mm"].get(name)
    return None if value is None else float(value)


def total_unsharpness_mm(geometric_mm: float, inherent_mm: float) -> float:
    """Quadrature, as current ISO practice."""
    return hypot(geometric_mm, inherent_mm)


def snr_n_limit(testing_class: str, source: str, kv: float | None, thickness_mm: float) -> Limit | None:
    """ISO 17636-2: least normalised signal-to-noise ratio; None for a source the table lacks."""
    rows = data()["snr_n"]
    name = source_name(source)
    row = rows.get("x_ray" if name == "x-ray" else name)
    if row is None or (name == "x-ray" and kv is None):
        return None
    value = row["thick" if thickness_mm > row["thick_above_mm"] else "thin"][testing_class]
    if name == "x-ray":
        place = bisect_left(row["up_to_kv"], kv)
        value = value[min(place, len(value) - 1)]
    return _limit(rows, float(value))


def resolution_limit(testing_class: str, penetrated_mm: float) -> Limit:
    """ISO 17636-2: greatest basic spatial resolution SRb, mm, by penetrated thickness."""
    row = data()["resolution"][testing_class]
    limits = [limit or float("inf") for limit in row["up_to_mm"]]
    return _limit(data()["resolution"], greatest=row["basic_mm"][bisect_left(limits, penetrated_mm - 1e-9)])


def thickness_ratio_limit(testing_class: str) -> Limit:
    """ISO 17636-1 Annex A: greatest ratio of the thickness penetrated at the end of the diagnostic length to the wall."""
    row = data()["thickness_ratio"]
    return _limit(row, greatest=row[testing_class])


def overlap_limit() -> Limit:
    """Least overlap of the diagnostic lengths of adjoining films, mm."""
    row = data()["overlap"]
    return _limit(row, least=row["least_mm"])


def snr_n_of_film_class(film_class: str) -> float | None:
    """Normalised signal-to-noise of a film system class: (G / sigma_D) / ln 10 for a linear film; None when unknown."""
    value = data()["film_class"]["gradient_over_granularity"].get(film_class)
    return None if value is None else value / log(10)


def granularity(sigma_at_circle: float, pixel_mm: float) -> float:
    """Standard deviation of density in a square pixel, from that in a 100 micrometre circle, for uncorrelated grain."""
    return sigma_at_circle * sqrt(pi) / 2 * 0.1 / pixel_mm


def viewer_luminance_cd_m2(density: float) -> float:
    """Screen luminance a density needs: 30 cd/m2 behind the film up to 2.5, 10 above (ISO 5580, from memory)."""
    return float((30.0 if density <= 2.5 else 10.0) * 10**density)


def pitch_limits_um(source: str, kv: float | None = None) -> Limit | None:
    """ISO 14096-2: greatest pixel pitch of a digitised film in the widest class, DA (`max`), and in the archiving class, DS (`min`)."""
    row = data()["digitisation"]
    name = source_name(source)
    if name == "x-ray":
        if kv is None:
            return None
        key = "to_100_kv" if kv <= 100 else "to_200_kv" if kv <= 200 else "to_450_kv" if kv <= 450 else "above_1_mev"
    elif name:
        key = "above_1_mev" if name == "Co-60" else "gamma"
    else:
        return None
    finest, _, coarsest = row["pitch_um"][key]
    return _limit(row, float(finest), float(coarsest))


def nyquist_pixel_mm(line_pairs_per_mm: float) -> float:
    """Pixel pitch that still carries a frequency: half its period."""
    return 0.5 / line_pairs_per_mm
