"""How many exposures a girth weld needs, and how much of it one film covers (`testing.toml`, with sources)."""

from __future__ import annotations

from dataclasses import dataclass
from math import acos, asin, ceil, degrees, radians, sin
from typing import Any

from rtscan.knowledge.testing import data


@dataclass(frozen=True)
class ExposureRule:
    """Least number of exposures, where it is said, and whether that is from memory. `doubt` names a condition that is not met."""

    count: int
    clause: str
    source: str
    unverified: bool
    doubt: str = ""


@dataclass(frozen=True)
class Coverage:
    """Half angles of one exposure, degrees: `theta` where the beam crosses the wall at the allowed ratio, `alpha` covered on the pipe."""

    theta_deg: float
    alpha_deg: float
    exposures: int


def ellipse_exposures(standard: str, od_mm: float, wall_mm: float, cap_width_mm: float | None = None) -> ExposureRule:
    """Double-wall double-image, both walls apart: by diameter (ASME, API) or by t/De with ISO's own conditions."""
    row = _row(standard)
    doubts: list[str] = []
    if "ellipse_od_max_mm" not in row:
        if od_mm > row["double_image_od_max_mm"]:
            doubts.append(f"both walls may be judged up to {row['double_image_od_max_mm']:g} mm diameter")
        return _rule(row, row["ellipse"], doubts)
    if od_mm > row["ellipse_od_max_mm"] or wall_mm > row["ellipse_wall_max_mm"]:
        doubts.append(f"an ellipse is meant for diameters to {row['ellipse_od_max_mm']:g} mm "
                      f"and walls to {row['ellipse_wall_max_mm']:g} mm")
    if cap_width_mm is not None and cap_width_mm > od_mm * row["ellipse_width_max_share"]:
        doubts.append("the weld is wider than a quarter of the diameter")
    return _rule(row, row["ellipse"] if wall_mm / od_mm < row["two_images_below"] else row["ellipse_thick"], doubts)


def superimposed_exposures(standard: str, od_mm: float) -> ExposureRule:
    """Double-wall double-image, both walls over one another: three at 60 or 120 degrees."""
    row = _row(standard)
    greatest: float = row["double_image_od_max_mm" if "double_image_od_max_mm" in row else "ellipse_od_max_mm"]
    return _rule(row, row["superimposed"], [f"both walls may be judged up to {greatest:g} mm diameter"] if od_mm > greatest else [])


def single_image_exposures(standard: str, source_to_pipe_mm: float = 0.0) -> ExposureRule | None:
    """Double-wall single-image: fixed counts of ASME and API; None for ISO, where `coverage` decides."""
    row = _row(standard)
    if "single_image" not in row:
        return None
    far = "near_source_mm" in row and source_to_pipe_mm > row["near_source_mm"]
    return _rule(row, row["single_image_far" if far else "single_image"], [])


def coverage(technique: str, od_mm: float, wall_mm: float, source_to_film_mm: float, ratio: float) -> Coverage:
    """What one exposure covers where no path is longer than `ratio` times the wall.

    theta = acos(((K^2 - 1) t + De) / (K De)). Double wall, single image: eta = asin(De sin theta / (2F - De)), alpha = theta + eta,
    F source to film. Source outside, single wall: eta = asin(De sin theta / (De + 2 L)), alpha = theta - eta, L = F - t to the pipe.
    Panoramic: all of it. ValueError when the geometry is impossible.
    """
    if technique == "panoramic":
        return Coverage(90.0, 180.0, 1)
    theta = degrees(acos(((ratio**2 - 1) * wall_mm + od_mm) / (ratio * od_mm)))
    reach = od_mm * sin(radians(theta))
    if technique == "DWSI":
        alpha = theta + degrees(asin(reach / (2 * source_to_film_mm - od_mm)))
    else:
        alpha = theta - degrees(asin(reach / (od_mm + 2 * (source_to_film_mm - wall_mm))))
    return Coverage(theta, alpha, ceil(180 / alpha - 1e-9))


def _row(standard: str) -> dict[str, Any]:
    row: dict[str, Any] = data()["exposures"]["iso" if standard.startswith("iso") else standard]
    return row


def _rule(row: dict[str, Any], count: int, doubts: list[str]) -> ExposureRule:
    return ExposureRule(count, row["clause"], row["source"], row["confidence"] != "published", "; ".join(doubts))
