"""Whether the film could have shown the smallest size the criterion rejects (verdict rule 5 of the contract)."""

from __future__ import annotations

from collections.abc import Sequence

from rtscan.acceptance.bench import Bench, Stamped
from rtscan.acceptance.criteria import Quantity, Rule
from rtscan.acceptance.limits import MissingError
from rtscan.acceptance.outcomes import Outcome
from rtscan.findings import DetectionLimit, Quality, WeldDocument, Worksheet

DETECTION = "detection limit"
_PORE, _LINES = ("2011",), ("3011", "3012", "2016", "4011")


def hidden_sizes(document: Worksheet | WeldDocument, benches: Sequence[Bench]) -> list[Stamped]:
    """One review for pores and one for lines, where the film's detection limit is larger than the smallest size rejected.

    Types that are rejected whatever their size (cracks, lack of fusion) are left out: no film shows every crack.
    """
    limits = [q.detection_limit for q in _qualities(document) if q.detection_limit is not None]
    found = []
    for bench in benches[:1]:
        for name, shown, least in (
            ("pores", _worst(limits, "pore_mm"), _smallest(bench, _PORE, ("length_mm", "diameter_mm"))),
            ("lines", _worst(limits, "line_width_mm"), _smallest(bench, _LINES, ("local_width_mm",))),
        ):
            if shown is not None and least is not None and shown > least[0] + 1e-6:
                factor, show = bench.ground.scale.factor, bench.ground.scale.show
                says = f"the film shows {name} from {show(shown * factor)} on, rule {least[1]} rejects from {show(least[0] * factor)} on"
                outcome = Outcome("review", says, (), shown * factor, None, least[0] * factor, bench.ground.scale.units)
                found.append(Stamped(None, outcome, f"smallest {name} that can be seen", len(bench.rules) + 1, True, DETECTION))
    return found


def _smallest(bench: Bench, types: Sequence[str], quantities: Sequence[Quantity]) -> tuple[float, str] | None:
    """The least size limit, millimetres, and its row, among the rows for these types that look at one indication alone."""
    alone = [r for r in bench.rules if r.on == "indications" and not (r.when.in_cluster or r.when.clustered)]
    sizes = [
        (size, rule.id) for rule in alone
        if rule.kind in ("size", "isolated or random size")
        and set(rule.quantity) <= set(quantities) and any(map(rule.takes, types)) and (size := _limit_mm(bench, rule)) is not None
    ]
    return min(sizes, default=None)


def _limit_mm(bench: Bench, rule: Rule) -> float | None:
    try:
        return bench.ground.to_mm(rule.limit.value(bench.ground.scale)) if rule.limit else None
    except MissingError:
        return None


def _worst(limits: Sequence[DetectionLimit], name: str) -> float | None:
    return max((v for d in limits if (v := getattr(d, name)) is not None), default=None)


def _qualities(document: Worksheet | WeldDocument) -> tuple[Quality, ...]:
    return (document.quality,) if isinstance(document, Worksheet) else tuple(f.quality for f in document.films)
