"""Lengths as people read them: millimetres, or inches as decimals and as the fractions of a tape."""

from __future__ import annotations

import math
from typing import Literal

Units = Literal["mm", "in"]
MM_PER_INCH = 25.4


def size_text(length_mm: float, units: str) -> str:
    """A measured size: 0.1 mm, or 0.01 in (0.001 in below a tenth of an inch)."""
    if units == "in":
        inches = length_mm / MM_PER_INCH
        return f"{inches:.2f} in" if abs(inches) >= 0.1 else f"{inches:.3f} in"
    return f"{length_mm:.1f} mm"


def tape_text(length_mm: float, units: str) -> str:
    """A length to be set off with a tape: whole millimetres, or inches to the nearest sixteenth ("4 5/8 in")."""
    if units != "in":
        return f"{math.floor(length_mm + 0.5):d} mm"
    sixteenths = math.floor(length_mm / MM_PER_INCH * 16 + 0.5)
    whole, part = divmod(abs(sixteenths), 16)
    sign = "-" if sixteenths < 0 else ""
    if not part:
        return f"{sign}{whole} in"
    shared = math.gcd(part, 16)
    fraction = f"{part // shared}/{16 // shared}"
    return f"{sign}{whole} {fraction} in" if whole else f"{sign}{fraction} in"
