"""Sentences that every report shares: the caution, who read the film, sizes and places in words."""

from __future__ import annotations

from rtscan.findings import CriteriaFacts, Indication, Worksheet
from rtscan.lengths import MM_PER_INCH

CAUTION = (
    "This reading assists a certified interpreter. It replaces neither the interpreter nor the contract code, local regulation or "
    "licensed practice. Judge on the film itself, on a viewer."
)
NOT_CONFIRMED = "Machine reading, not confirmed by a reader."
NOT_SIGNED = "A list judged by the machine, not signed by a reader."
UNVERIFIED = "A limit used here is unverified (not checked against the printed standard): look it up before relying on the verdict."


def length_text(length_mm: float | None, units: str, uncertainty_mm: float | None = None, unit: bool = True) -> str:
    """A measured length to 0.1 mm (0.01 mm below 1 mm) or 0.001 in, with its expanded uncertainty when known; a dash when unknown."""
    if length_mm is None:
        return "–"
    factor, digits, name = (1 / MM_PER_INCH, 3, "in") if units == "in" else (1.0, 1 if abs(length_mm) >= 0.995 else 2, "mm")
    doubt = f" ± {uncertainty_mm * factor:.{digits}f}" if uncertainty_mm is not None else ""
    return f"{length_mm * factor:.{digits}f}{doubt}{' ' + name if unit else ''}".replace("-", "−")


def size_words(indication: Indication, units: str) -> str:
    """Length × width, in pixels when there is no scale."""
    if indication.length_mm is not None:
        width = f" × {length_text(indication.width_mm, units, unit=False)}" if indication.width_mm is not None else ""
        return f"{length_text(indication.length_mm, units, unit=False)}{width} {units}"
    if indication.length_px is not None:
        return f"{indication.length_px:.0f} × {indication.width_px or 0:.0f} px (no scale)"
    return "size unknown"


def place_parts(indication: Indication, units: str) -> list[str]:
    """Station (with the clock), the other possible station, and offset, as far as known; else the place in film pixels."""
    if indication.along_mm is None and indication.centre_px is not None:
        return [f"at pixel {indication.centre_px[0]:.0f}, {indication.centre_px[1]:.0f}"]
    clock = f" ({indication.clock})" if indication.clock else ""
    parts = [f"at {length_text(indication.along_mm, units)}{clock}"] if indication.along_mm is not None else []
    if indication.other_along_mm is not None:
        parts.append(f"or {length_text(indication.other_along_mm, units)}")
    if indication.across_mm is not None:
        sign = "+" if indication.across_mm >= 0 else "−"
        parts.append(f"across {sign}{length_text(abs(indication.across_mm), units, unit=False)}")
    return parts


def reader_words(worksheet: Worksheet) -> str:
    """Who has confirmed or changed the reading."""
    reader = worksheet.reader
    if reader is None:
        return _unconfirmed(worksheet)
    who = reader.name or "a reader who gave no name"
    level = f", level {reader.level}" if reader.level else ""
    day = f", {reader.date}" if reader.date else ""
    return f"Read by {who}{level}{day}" + (f"; {len(reader.changed)} changes to the machine reading." if reader.changed else ".")


def _unconfirmed(worksheet: Worksheet) -> str:
    return NOT_CONFIRMED if worksheet.film.file else NOT_SIGNED


def criteria_words(criteria: CriteriaFacts | None) -> str:
    """Which criteria were applied."""
    if criteria is None:
        return "no acceptance criteria given"
    title = criteria.title or criteria.name
    edition = f", edition {criteria.edition}" if criteria.edition and criteria.edition not in title else ""
    return f"{title}{edition}, {criteria.units} limits"


def cautions(worksheet: Worksheet) -> tuple[str, ...]:
    """What must be said beside the verdict, gravest first."""
    found = [_unconfirmed(worksheet)] if worksheet.reader is None else []
    if worksheet.verdict_unverified:
        found.append(UNVERIFIED)
    return (*found, CAUTION)
