"""What a rule says: the outcome of one comparison, before the engine stamps rule, clause and grade on it."""

from __future__ import annotations

from dataclasses import dataclass, field

from rtscan.acceptance.criteria import Rule
from rtscan.acceptance.items import Item, Sized
from rtscan.acceptance.limits import EQUAL_WITHIN, NOTHING, Limit, Own, Scale, uses
from rtscan.acceptance.situation import Situation
from rtscan.findings import Result

SEVERITY: dict[Result, int] = {"accept": 0, "review": 1, "cannot judge": 2, "reject": 3}
QUANTITY_WORDS = {
    "length_mm": "length", "width_mm": "width", "local_width_mm": "width", "height_mm": "height or depth", "diameter_mm": "diameter",
    "end_to_end_mm": "length end to end", "sum_length_mm": "sum of lengths",
}


@dataclass(frozen=True, slots=True)
class Outcome:
    """One comparison. `measured`, `measured_u` and `limit` carry `unit`; `says` is one plain sentence."""

    result: Result
    says: str
    items: tuple[Item, ...] = ()
    measured: float | None = None
    measured_u: float | None = None
    limit: float | None = None
    unit: str = "mm"


@dataclass(frozen=True)
class Ground:
    """What every rule stands on: the weld in one printed unit set. `ring_mm` is the circumference of a full girth weld, else None."""

    situation: Situation
    scale: Scale
    _worked_out: dict[int, tuple[float, str]] = field(default_factory=dict, repr=False, compare=False)

    def worked_out(self, limit: Limit, own: Own = NOTHING) -> tuple[float, str]:
        """A limit's value in the units of the scale and its arithmetic; remembered when it does not rest on the item's own sizes."""
        known = self._worked_out.get(id(limit))
        if known is None:
            known = limit.value(self.scale, own), limit.says(self.scale, own)
            if not any(uses(limit, base) for base in ("width", "length")):
                self._worked_out[id(limit)] = known
        return known

    @property
    def ring_mm(self) -> float | None:
        """Length of the ring of stations; None when they do not close."""
        return self.situation.weld_length_mm if self.situation.full_girth else None

    def to_mm(self, value: float) -> float:
        """A length of this unit set in millimetres, to place a window among stations."""
        return value / self.scale.factor


def compare(rule: Rule, measured: float, u: float, limit: float) -> Result:
    """Accept or reject when the whole of `measured` ± `u` lies on one side of `limit`, else review. Equality as printed.

    "exceeds" and "not more than" accept the limit itself, "less than" rejects it, "at least" accepts it from above.
    """
    slack = EQUAL_WITHIN * max(1.0, abs(limit))
    if rule.comparator == "at least":
        meets, fails = measured - u >= limit - slack, measured + u < limit - slack
    elif rule.comparator == "less than":
        meets, fails = measured + u < limit - slack, measured - u >= limit - slack
    else:
        meets, fails = measured + u <= limit + slack, measured - u > limit + slack
    return "accept" if meets else "reject" if fails else "review"


def greatest_size(rule: Rule, item: Item) -> Sized | None:
    """The greatest of the sizes the row names that is known; None when none is."""
    known = [size for key in rule.quantity if (size := item.size(key)) is not None]
    return max(known, key=lambda s: s.value) if known else None


def missing_size(rule: Rule, items: tuple[Item, ...]) -> Outcome:
    """The outcome when the size a row needs was not measured; one film shows no depth, so that asks for a look instead."""
    words = " or ".join(dict.fromkeys(QUANTITY_WORDS[key] for key in rule.quantity))
    if rule.quantity == ("height_mm",):
        return Outcome("review", f"depth needed: one film does not show the {words} of {rule.what}", items, unit="")
    return Outcome("cannot judge", f"{words} not known", items, unit="")


def missing_fact(what: str, items: tuple[Item, ...]) -> Outcome:
    """The outcome when a size of the weld is not known."""
    return Outcome("cannot judge", f"{what} not known", items, unit="")


def worst(outcomes: list[Outcome]) -> Outcome | None:
    """The most severe outcome, the first of equals; None of none."""
    return max(outcomes, key=lambda o: SEVERITY[o.result], default=None)
