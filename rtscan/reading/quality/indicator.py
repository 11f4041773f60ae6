"""The indicator on the film and what it says: which wires or holes are seen, contrast per mm, blur. One look, shared by all checks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rtscan.film import Film, Marks, Strip, Weld
from rtscan.job import Job
from rtscan.knowledge.iqi import (
    Arrangement,
    RequiredWire,
    Side,
    Wire,
    api_required_wire,
    asme_required_plaque,
    asme_required_wire,
    astm_wire,
    iso_required_wire,
    iso_wire,
    set_names,
    wire_set,
)
from rtscan.reading.quality.contrast import Contrast, contrast_from_source, contrast_from_wires
from rtscan.reading.quality.duplex import Duplex, read_duplex
from rtscan.reading.quality.plaque import SeenPlaque, contrast_from_plaque, read_plaque
from rtscan.reading.quality.wires import WireSet, read_wires
from rtscan.reading.wires import ASSUMED_SET

CONTRAST_MOST = 2.5
"""Wires of simulated films show 0.6 to 1.1 times what the declared source gives (13 films), a plate edge taken for a wire 8 times. Common
practice, no published source."""
SHORT_ROW = 2
"""Wires that make no row by themselves: the search asks for more evidence than two lines can give."""
NO_WIRES = "no wires are seen on the film"


@dataclass(frozen=True)
class Indicator:
    """`found` is None when no wire set is seen or none was looked for (`why_not` says which); `contrast` may come from the source.
    `plaque` and `required_plaque` (its number, 2T essential) are for hole-type indicators."""

    found: WireSet | None
    required: RequiredWire | None
    contrast: Contrast | None
    why_not: str = ""
    duplex: Duplex | None = None
    plaque: SeenPlaque | None = None
    required_plaque: int | None = None


def read_indicator(film: Film, job: Job, weld: Weld | None, marks: Marks, strips: Sequence[Strip]) -> Indicator:
    """Looks for the wires that the job sheet names (kind and set) and calibrates contrast with them, else with the declared source."""
    found, why_not = _find(film, job, marks)
    contrast = contrast_from_wires(film, found, found.turned, strips) if found and numbers_are_sure(job) else None
    expected = contrast_from_source(film, job, strips)
    if contrast and expected and contrast.per_mm > CONTRAST_MOST * expected.per_mm:
        why_not = (f"a row of lines shows {contrast.per_mm / expected.per_mm:.1f} times the contrast of wires with the declared source; "
                   "either it is no wire set or the source is another")
        found, contrast = None, None
    duplex = read_duplex(film) if job.iqi.kind == "duplex" else None
    plaque = read_plaque(marks)
    if plaque is not None:
        contrast = contrast_from_plaque(film, plaque, strips)
    return Indicator(found, required_wire(job), contrast or expected, why_not, duplex, plaque, required_plaque(job))


def numbers_are_sure(job: Job) -> bool:
    """Whether the job sheet names the wire set, so that diameters are known."""
    return bool(_wires(job))


def few_are_enough(job: Job, needed: RequiredWire) -> bool:
    """Whether the wire that must be seen is the first or second of the set named: a film that shows no more is fit, and holds no row."""
    return any(wire.diameter_mm <= needed.diameter_mm + 1e-6 for wire in _wires(job)[:SHORT_ROW])


def _find(film: Film, job: Job, marks: Marks) -> tuple[WireSet | None, str]:
    if job.iqi.kind in ("hole", "duplex"):
        return None, f"the indicator is a {job.iqi.kind} indicator; wires were not looked for"
    if film.pixels_per_mm is None:
        return None, "no scale: give pixels_per_mm"
    kind = job.iqi.kind or "ISO-wire"
    wires = _wires(job)
    if job.iqi.set and not wires:
        return None, f"the set {job.iqi.set!r} is not known; known: {', '.join(set_names(kind))}"
    found = read_wires(film, film.valid & ~marks.hidden, marks.marks, wires or wire_set("ISO-wire", ASSUMED_SET), kind)
    return found, "" if found else NO_WIRES


def _wires(job: Job) -> tuple[Wire, ...]:
    return wire_set(job.iqi.kind or "ISO-wire", job.iqi.set) if job.iqi.set else ()


def required_wire(job: Job) -> RequiredWire | None:
    """The wire that must be seen: as the job sheet says, else from the testing standard; None when neither tells."""
    if job.iqi.required_wire is not None:
        try:
            wire = astm_wire(job.iqi.required_wire) if job.iqi.kind == "ASTM-wire" else iso_wire(job.iqi.required_wire)
        except KeyError:
            return None
        return RequiredWire(wire.number, wire.diameter_mm, "job sheet, iqi.required_wire", "job sheet", False)
    wall_mm, standard = job.weld.wall_mm, job.testing.standard
    if wall_mm is None or standard is None:
        return None
    double = (job.exposure.technique or "").startswith("DW")
    if standard == "asme-v":
        return asme_required_wire(_side(job, double), wall_mm)
    if standard == "api-1104":
        return api_required_wire(wall_mm)
    testing_class = job.testing.class_ or "B"
    if not double:
        return iso_required_wire("single-source", testing_class, wall_mm, job.exposure.source)
    arrangement: Arrangement = "double-film" if _side(job, double) == "film" else "double-source"
    return iso_required_wire(arrangement, testing_class, 2 * wall_mm, job.exposure.source)


def required_plaque(job: Job) -> int | None:
    """Number of the plaque whose 2T hole must be seen; None when the standard asks for none or the wall is not known."""
    if job.weld.wall_mm is None or job.testing.standard != "asme-v":
        return None
    return asme_required_plaque(_side(job, (job.exposure.technique or "").startswith("DW")), job.weld.wall_mm)


def _side(job: Job, double: bool) -> Side:
    """Where the indicator lies: as said, else at the film for a double-wall single image, at the source otherwise."""
    return job.iqi.side or ("film" if double and job.exposure.technique == "DWSI" else "source")
