"""What a reader answers about one film: the trainee's sheet and a machine worksheet become the same record."""

from __future__ import annotations

from dataclasses import dataclass, replace

from rtscan.findings import Group, Indication, VerdictWord, Worksheet
from rtscan.knowledge.iqi import iso_wire

TOO_SMALL = "too small to call"
SECOND_SHOT = "cannot tell, second shot"
MARKERS = ("complete", "missing", "wrong")
REASONS = (
    "density too low", "density too high", "wire not seen", "weld not all on the film", "marks over the weld", "markers missing or wrong",
    "unsharp")
REASON_OF_CHECK = {"least density": REASONS[0], "greatest density": REASONS[1], "wire seen": REASONS[2], "total unsharpness": REASONS[6],
                   "weld on the film": REASONS[3]}
"""Names of quality checks to the words of the answer sheet."""
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
    failed = [REASON_OF_CHECK.get(c.name, c.name) for c in worksheet.quality.checks if c.required and c.result == "fail"]
    rules = dict.fromkeys(text for f in worksheet.findings if f.result == "reject" for text in (f.rule, f.clause) if text)
    letters = any(o.kind in ("letter", "marker") for o in worksheet.objects)
    return FilmAnswer(
        film=film, marks=worksheet.indications, groups=worksheet.groups, markers="complete" if letters else "",
        film_fit=worksheet.quality.readable and worksheet.verdict != "unreadable", why="; ".join(dict.fromkeys(failed)),
        wire_seen=_wire_number(worksheet), verdict=worksheet.verdict, rule="; ".join(rules))


def _wire_number(worksheet: Worksheet) -> int | None:
    """Number of the thinnest wire seen: the check states its diameter in mm."""
    seen = [c.measured for c in worksheet.quality.checks if c.name == "wire seen" and c.measured is not None]
    known = [n for n in range(1, 20) if seen and abs(iso_wire(n).diameter_mm - seen[0]) < 1e-6]
    return known[0] if known else None
