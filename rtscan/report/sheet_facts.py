"""The heading of a reader sheet and the lines of its tables, as plain texts for the page and the workbook alike."""

from __future__ import annotations

import re
from collections.abc import Sequence

from rtscan.findings import Check, DetectionLimit, Finding, Group, Quality, Worksheet
from rtscan.report.words import length_text

_WIRE = re.compile(r"\b(?:W|No\. ?)\d+\b")
BLANK = ""
"""A fact nobody has told: a line to write on."""


def heading_facts(worksheet: Worksheet, units: str) -> tuple[tuple[str, str], ...]:
    """Name and text of everything the heading of a reader sheet asks for; blank where it is not known."""
    weld, film, shot = worksheet.weld, worksheet.film, worksheet.exposure
    quality = worksheet.quality
    size = " × ".join(t for t in (_outside(worksheet, units), weld.wall_mm and length_text(weld.wall_mm, units)) if t)
    return (
        ("Line or spool", BLANK), ("Weld", weld.name), ("Segment", worksheet.segment),
        ("Shot", worksheet.shot or ("first shot" if film.file else BLANK)),
        ("Film", file_name(film.file) + (f", page {film.page}" if film.page > 1 else "")), ("Date of film", worksheet.date),
        ("Welders", ", ".join(weld.welders)), ("Repairs so far", _repairs(worksheet)),
        ("Diameter × wall", size), ("Joint", _listed(weld.joint, weld.preparation, weld.layers and f"{weld.layers} layer")),
        ("Process", weld.process), ("Material", weld.material),
        ("Technique", shot.technique or BLANK), ("Source", _source(worksheet, units)),
        ("Density", _measured(quality, "density") or ("not calibrated" if film.file and not film.density_calibrated else BLANK)),
        ("Wire", _measured(quality, "wire", "iqi") or _wires(worksheet)),
        ("Scale", _scale(worksheet)), ("Smallest to be seen", detection_words(quality.detection_limit, units) if film.file else BLANK),
        ("Stations from", _datum(worksheet)), ("Weld length", length_text(weld.length_mm, units) if weld.length_mm else BLANK),
    )


def file_name(path: str) -> str:
    """The last part of a path written in either way."""
    return re.split(r"[/\\\\]", path)[-1]


def check_row(check: Check) -> tuple[str, str, str, str, str, str]:
    """Name, measured, limit, result, clause with source, and remark of one line of the quality table."""
    measured = _value(check.measured, check.unit) if check.measured is not None else ""
    marks = ["required" if check.required else "for information"] + (["limit unverified"] if check.unverified else [])
    source = f"({check.source})" if check.source and check.clause else check.source
    says = check.says.removeprefix("not assessed: ")
    return check.name, measured, _limit(check), check.result, " ".join(t for t in (check.clause, source) if t), _listed(says, *marks)


def _value(value: float, unit: str) -> str:
    if unit == "share":
        return f"{value * 100:.3g} %"
    return f"{value:.4g} {unit.replace('um', 'µm')}".strip()


def finding_numbers(finding: Finding) -> tuple[str, str]:
    """Measured value with its uncertainty when it has one, and limit, both with unit; mm to 0.01, inches to 0.001."""
    digits = {"mm": 2, "in": 3}.get(finding.unit)
    unit = f" {finding.unit}" if finding.unit else ""

    def shown(value: float) -> str:
        return f"{value:.{digits}f}" if digits is not None else f"{value:.3g}"

    doubt = f" ± {shown(finding.measured_u)}" if finding.measured_u else ""
    measured = f"{shown(finding.measured)}{doubt}{unit}" if finding.measured is not None else "–"
    return measured, f"{finding.limit:.4g}{unit}" if finding.limit is not None else "–"


def rule_words(finding: Finding) -> str:
    """Rule and clause, once when they are the same."""
    return _listed(*dict.fromkeys((finding.rule, finding.clause)))


def about(finding: Finding) -> str:
    """Which indications and groups a finding is about, long lists cut."""
    names = [*map(str, finding.indications), *finding.groups]
    return ", ".join(names[:12]) + (f" and {len(names) - 12} more" if len(names) > 12 else "")


def group_row(group: Group, units: str) -> tuple[str, str, str, str, str, str]:
    """Name, kind, type, members, sizes of one group."""
    members = ", ".join(map(str, group.members[:30])) + (" …" if len(group.members) > 30 else "")
    sizes = _lengths(units, ("sum of lengths", group.sum_length_mm), ("end to end", group.end_to_end_mm), ("diameter", group.diameter_mm))
    return group.id, group.kind, group.type, group.iso6520, members, sizes or "–"


def graded(findings: Sequence[Finding]) -> list[tuple[int, Finding]]:
    """The findings with their place from 1, gravest first."""
    order = {"reject": 0, "review": 1, "cannot judge": 2, "accept": 3}
    return sorted(enumerate(findings, 1), key=lambda numbered: (order[numbered[1].result], numbered[0]))


def detection_words(limit: DetectionLimit | None, units: str) -> str:
    """Smallest pore and line found with 90 % probability."""
    if limit is None:
        return "not assessed"
    return _lengths(units, ("pore", limit.pore_mm), ("line", limit.line_width_mm)) or "not assessed"


def _lengths(units: str, *named: tuple[str, float | None]) -> str:
    return ", ".join(f"{name} {length_text(value, units)}" for name, value in named if value is not None)


def _listed(*parts: str | None) -> str:
    return ", ".join(part for part in parts if part)


def _outside(worksheet: Worksheet, units: str) -> str:
    return length_text(worksheet.weld.od_mm, units) if worksheet.weld.od_mm else "plate" if worksheet.weld.joint == "plate" else BLANK


def _repairs(worksheet: Worksheet) -> str:
    done, limit = worksheet.weld.repairs_so_far, worksheet.weld.repair_limit
    return BLANK if done is None else f"{done}" + (f" of {limit} allowed" if limit is not None else "")


def _source(worksheet: Worksheet, units: str) -> str:
    shot = worksheet.exposure
    sizes = (("focal spot", shot.focal_mm), ("to film", shot.source_to_film_mm), ("object to film", shot.object_to_film_mm))
    return _listed(shot.source, f"{shot.kv:g} kV" if shot.kv else "", _lengths(units, *sizes))


def _measured(quality: Quality, *words: str) -> str:
    """What the first check with one of the words in its name measured, and its result."""
    for check in quality.checks:
        if any(word in check.name.lower() for word in words):
            wire = _WIRE.search(check.says)
            value = _value(check.measured, check.unit) if check.measured is not None else ""
            return _listed(f"{wire[0]} ({value})" if wire and value else value, check.result)
    return BLANK


def wire_name(says: str) -> str:
    """The wire's name within the words about it, such as "W13"; empty when there is none."""
    wire = _WIRE.search(says)
    return wire[0] if wire else ""


def _wires(worksheet: Worksheet) -> str:
    names = dict.fromkeys(wire_name(o.says) for o in worksheet.objects if o.kind == "wire")
    return ", ".join(name for name in names if name) or ("not seen" if worksheet.film.file else BLANK)


def _scale(worksheet: Worksheet) -> str:
    film = worksheet.film
    if film.pixels_per_mm is None:
        return "unknown" if film.file else BLANK
    doubt = f" ± {film.scale_uncertainty:.1%}" if film.scale_uncertainty else ""
    return f"{film.pixels_per_mm:.4g} px/mm{doubt}" + (f" ({film.scale_from})" if film.scale_from else "")


def _datum(worksheet: Worksheet) -> str:
    where = worksheet.weld.location
    clock = where.datum_clock and f"at {where.datum_clock}"
    return _listed(where.datum, clock, where.direction, where.looking and f"looking {where.looking}")


def _limit(check: Check) -> str:
    low, high = check.limit.min, check.limit.max
    if low is not None and high is not None:
        return f"{low:.4g} to {_value(high, check.unit)}" if check.unit != "share" else f"{_value(low, 'share')} to {_value(high, 'share')}"
    if low is not None:
        return f"≥ {_value(low, check.unit)}"
    return f"≤ {_value(high, check.unit)}" if high is not None else "–"


