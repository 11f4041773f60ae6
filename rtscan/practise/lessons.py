"""The sentences of the grade: where to look, what it looks like, how to tell it from what it was taken for."""

from __future__ import annotations

import tomllib
from functools import cache
from pathlib import Path

from rtscan.findings import Indication
from rtscan.imperfections import by_number, by_term


@cache
def _lessons() -> dict[str, dict[str, str]]:
    return tomllib.loads(Path(__file__).with_name("lessons.toml").read_text(encoding="utf-8"))


def _entry(table: str, iso6520: str) -> str:
    rows = _lessons()[table]
    for length in range(len(iso6520), 0, -1):
        text = rows.get(iso6520[:length].ljust(3, "0"))
        if text:
            return text
    return ""


def sign(iso6520: str) -> str:
    """What the imperfection looks like; empty when unknown."""
    return _entry("sign", iso6520)


def where(indication: Indication) -> str:
    """The place in words: station, offset and side, wall."""
    if indication.along_mm is None:
        return "at an unknown place"
    text = f"at station {indication.along_mm:.0f} mm"
    if indication.across_mm is not None:
        side = "on the centreline" if abs(indication.across_mm) < 0.5 else (
            f"{abs(indication.across_mm):.1f} mm {'right' if indication.across_mm > 0 else 'left'} of the centreline")
        text += f", {side}"
    return text + (f", {indication.wall}-side wall" if indication.wall in ("film", "source") else "")


def missed(truth: Indication) -> str:
    """Place and sign of a missed imperfection, and where its kind is to be looked for."""
    size = "" if truth.length_mm is None else f" ({_size(truth)})"
    place = _entry("place", truth.iso6520)
    tail = f" Its kind sits {place}." if place else ""
    return f"Missed: {truth.type} {truth.iso6520}{size} {where(truth)}: {sign(truth.iso6520) or 'see the crop'}.{tail}"


def misnamed(called: Indication, truth: Indication) -> str:
    """How to tell the true type from the called one."""
    pair = f"{family(called.iso6520, called.type)}|{family(truth.iso6520, truth.type)}"
    apart = _lessons()["apart"].get(pair) or f"its sign is {sign(truth.iso6520) or 'in the crop'}"
    name = called.type or called.iso6520 or "nothing in particular"
    return f"Called {name} {where(truth)}; it is {truth.type} {truth.iso6520}: {apart}."


def false_call(mark: Indication, cap_width_mm: float | None) -> str:
    """A mark with nothing under it: what of the sound weld lies there and is easily taken for something."""
    text = f"False call {where(mark)}: nothing is in the part within reach of this place"
    if cap_width_mm and mark.across_mm is not None:
        from_toe = abs(mark.across_mm) - cap_width_mm / 2
        if abs(from_toe) <= 1.5:
            return f"{text}; the toe of the cap runs here, an edge that goes on along the whole weld."
        if from_toe > 1.5:
            return f"{text}; it is parent metal beside the weld."
        if abs(mark.across_mm) <= 2.0:
            return f"{text}; the root bead runs here, and its edges and ripples go on along the weld."
        return f"{text}; ripples and edges of beads repeat along the weld, an imperfection does not."
    return f"{text}."


def on_object(kind: str) -> str:
    """What the thing under a false call really is; empty when unknown."""
    return _lessons()["object"].get(kind, "")


def family(iso6520: str, type: str) -> str:
    """Family of a type given by number or term; empty when unknown."""
    entry = by_number(iso6520) or by_term(type)
    return entry.family if entry else ""


def _size(truth: Indication) -> str:
    width = truth.local_width_mm if truth.local_width_mm is not None else truth.width_mm
    return f"{truth.length_mm:.1f} mm" if width is None else f"{truth.length_mm:.1f} × {width:.1f} mm"
