"""What a reader answers about one film: the trainee's sheet and a machine worksheet become the same record."""

from __future__ import annotations

from dataclasses import dataclass, replace

from rtscan.findings import Group, Indication, VerdictWord, Worksheet

TOO_SMALL = "too small to call"
SECOND_SHOT = "cannot tell, second shot"
MARKERS = ("complete", "missing", "wrong")
REASONS = (
    "density too low", "density too high", "wire not seen", "weld not all on the film", "marks over the weld", "markers missing or wrong",
    "unsharp")
VERDICTS: tuple[str, ...] = ("accept", "reject", SECOND_SHOT, "unreadable")


@dataclass(frozen=True)
class FilmAnswer:
    """The answer for one film. None or "" where nothing was answered.

    `too_small` and `second_shot` are ids of marks answered with those words instead of a type. `verdict` "review" is the answer
    "cannot tell, second shot" about the whole film. `wire_seen` is the number of the thinnest wire seen.
    """

    film: str
    marks: tuple[Indication, ...] = ()
    groups: tuple[Group, ...] = ()
    too_small: frozenset[int] = frozenset()
    second_shot: frozenset[int] = frozenset()
    markers: str = ""
    film_fit: bool | None = None
    why: str = ""
    wire_seen: int | None = None
    verdict: VerdictWord | None = None
    rule: str = ""
    seconds: float | None = None

    @property
    def blank(self) -> bool:
        """True when nothing at all was answered."""
        return replace(self, film="") == FilmAnswer("")


def from_worksheet(worksheet: Worksheet, film: str) -> FilmAnswer:
    """A machine worksheet, or one changed by a reader, as an answer. The markers are not asked of a worksheet that lists no letters."""
    failed = [c.name for c in worksheet.quality.checks if c.required and c.result == "fail"]
    wires = [c.measured for c in worksheet.quality.checks if "wire" in c.name.lower() and c.measured is not None]
    rules = dict.fromkeys(text for f in worksheet.findings if f.result == "reject" for text in (f.rule, f.clause) if text)
    letters = any(o.kind in ("letter", "marker") for o in worksheet.objects)
    return FilmAnswer(
        film=film, marks=worksheet.indications, groups=worksheet.groups, markers="complete" if letters else "",
        film_fit=worksheet.quality.readable, why="; ".join(failed), wire_seen=round(wires[0]) if wires else None,
        verdict=worksheet.verdict, rule="; ".join(rules))
