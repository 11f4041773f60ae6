"""The ways an indication may be read: every type in doubt, every fact a row asks for and nobody knows; and which rows then apply."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import Any

from rtscan.acceptance.criteria import Band, Criteria, Gate, Rule, When
from rtscan.acceptance.items import FACTS, Item, Reading, is_finish, is_open, shape_of
from rtscan.acceptance.limits import EQUAL_WITHIN, Limit, MissingError
from rtscan.acceptance.outcomes import Ground
from rtscan.findings import Alternative, Indication
from rtscan.imperfections import by_number

FACT_WORDS: Mapping[str, Mapping[object, str]] = {
    "surface_open": {True: "open to the surface", False: "not open to the surface"},
    "finish_run": {True: "in the finish pass", False: "not in the finish pass"},
    "mismatch": {True: "due to high-low", False: "without high-low"},
    "darker_than_parent": {True: "darker than the parent metal", False: "not darker than the parent metal"},
    "shape": {"rounded": "rounded", "elongated": "elongated"},
    "in_cluster": {True: "in a cluster below the finish pass", False: "scattered, or clustered in the finish pass"},
    "clustered": {True: "in a cluster", False: "outside clusters"},
    "drawn_out": {True: "elongated slag", False: "isolated slag"},
    "welded_from": {"one side": "welded from one side", "both sides": "welded from both sides"},
    "layers": {"single": "welded in a single layer", "multi": "welded in several layers"},
    "penetration": {"full": "full penetration", "partial": "partial penetration"},
}
_VALUES: Mapping[str, tuple[object, ...]] = {fact: tuple(words) for fact, words in FACT_WORDS.items()}

_OPEN_BY_NATURE: Mapping[str, bool] = {"4012": False, "4013": True}
"""Between runs lack of fusion is closed in, at the root it is open (project cross-walk of API 1104 to ISO 6520-1)."""
_SOMETIMES_DARKER = ("510", "515")


@dataclass(frozen=True)
class Doubt:
    """From which confidence on another type counts: in general, and for cracks, lack of fusion and lack of penetration.

    Where the named type and the others that count do not reach `least_known` together, the type is a guess: every
    alternative counts.
    """

    type: float = 0.10
    planar: float = 0.05
    least_known: float = 0.5


class Readings:
    """Finds and remembers the readings of indications and the rows that take each, for one criterion and one weld."""

    def __init__(self, criteria: Criteria, ground: Ground, doubt: Doubt) -> None:
        self._rules = tuple(r for r in criteria.rules if r.on == "indications" and of_weld(r.when, ground) is not False)
        self._ground = ground
        self._doubt = doubt
        self._facts_of: dict[str, tuple[str, ...]] = {}
        self._found: dict[tuple[object, ...], tuple[Reading, ...]] = {}
        self._taking: dict[Reading, tuple[Rule, ...]] = {}

    def of(self, indication: Indication, item: Item, in_cluster: bool) -> tuple[Reading, ...]:
        """Every reading, the named type first."""
        named = indication.iso6520
        found = self._with_facts(named, indication, item, in_cluster)
        for other in self._others(indication):
            found += self._with_facts(other.iso6520, indication, item, in_cluster)
        return found

    def _others(self, indication: Indication) -> tuple[Alternative, ...]:
        """The alternatives that count."""
        others = tuple(a for a in indication.alternatives if a.iso6520 != indication.iso6520)
        counting = tuple(a for a in others if self._counts(a.iso6520, a.confidence))
        known = (1.0 if indication.confidence is None else indication.confidence) + sum(a.confidence for a in counting)
        return counting if known >= self._doubt.least_known else others

    def rules(self, reading: Reading) -> tuple[Rule, ...]:
        """The rows that take an indication so read, sizes apart."""
        known = self._taking.get(reading)
        if known is None:
            known = tuple(r for r in self._rules if r.takes(reading.iso6520) and _fits(r.when, reading))
            self._taking[reading] = known
        return known

    def _counts(self, iso6520: str, confidence: float) -> bool:
        kind = by_number(iso6520)
        return confidence >= (self._doubt.planar if kind is not None and kind.planar else self._doubt.type)

    def _with_facts(self, iso6520: str, indication: Indication, item: Item, in_cluster: bool) -> tuple[Reading, ...]:
        asked = self._facts_of.get(iso6520)
        if asked is None:
            whens = [r.when for r in self._rules if r.takes(iso6520)]
            asked = self._facts_of[iso6520] = tuple(f for f in FACTS if any(getattr(w, f) is not None for w in whens))
        stated = self._stated(indication, item, iso6520, in_cluster) if asked else {}
        key = (iso6520, *(stated[f] for f in asked))
        known = self._found.get(key)
        if known is None:
            values = [(stated[f],) if stated[f] is not None else _VALUES[f] for f in asked]
            readings = (_with(Reading(iso6520), dict(zip(asked, chosen, strict=True))) for chosen in product(*values))
            known = self._found[key] = self._different(readings)
        return known

    def _different(self, readings: Iterable[Reading]) -> tuple[Reading, ...]:
        """Readings that the same rows take are one."""
        by_rules: dict[tuple[str, ...], Reading] = {}
        for reading in readings:
            by_rules.setdefault(tuple(r.id for r in self.rules(reading)), reading)
        return tuple(by_rules.values())

    def _stated(self, indication: Indication, item: Item, iso6520: str, in_cluster: bool) -> Mapping[str, object]:
        """What is known of the facts: stated in the list, else in the nature of the type, else None."""
        finish, surface, welded_from = is_finish(indication.run), is_open(indication.surface), self._ground.situation.welded_from
        penetration = iso6520.startswith("402")
        return {
            "surface_open": surface if surface is not None else _OPEN_BY_NATURE.get(iso6520),
            "finish_run": finish,
            "mismatch": indication.mismatch if penetration else False,
            "darker_than_parent": indication.darker_than_parent if iso6520 in _SOMETIMES_DARKER else True,
            "shape": shape_of(item, iso6520),
            "in_cluster": None if in_cluster and finish is None else in_cluster and not finish,
            "clustered": in_cluster,
            "drawn_out": {"3011": True, "3012": False, "3013": False}.get(iso6520),
            "welded_from": "one side" if iso6520 == "4021" else welded_from,
        }


def _with(reading: Reading, facts: Mapping[str, Any]) -> Reading:
    """The reading with these facts; high-low has no part in the penetration of a joint welded from both sides."""
    from_both = facts.get("welded_from") == "both sides" and facts.get("mismatch") is not None
    return replace(reading, **{**facts, "mismatch": False} if from_both else facts)


def describe(readings: Sequence[Reading], indication: Indication) -> tuple[str, ...]:
    """What sets each reading apart from the others: its type with its confidence, then the facts in which they differ."""
    types = {r.iso6520 for r in readings}
    names = {a.iso6520: f"{a.type or a.iso6520} ({a.confidence:.2f})" for a in indication.alternatives}
    names[indication.iso6520] = indication.type or indication.iso6520
    texts = []
    for reading in readings:
        words = [names[reading.iso6520]] if len(types) > 1 else []
        same = [r for r in readings if r.iso6520 == reading.iso6520]
        for fact in FACTS:
            value = getattr(reading, fact)
            if value is not None and len({getattr(r, fact) for r in same}) > 1:
                words.append(FACT_WORDS[fact][value])
        texts.append(", ".join(words) or names[reading.iso6520])
    return tuple(texts)


def of_weld(when: When, ground: Ground) -> bool | None:
    """Whether a row applies to this weld; None when a fact or size of the weld it asks for is not known."""
    weld, verdicts = ground.situation, []
    if when.layers is not None:
        verdicts.append(None if weld.layers is None else weld.layers == when.layers)
    if when.penetration is not None:
        verdicts.append(None if weld.penetration is None else weld.penetration == when.penetration)
    if when.joint:
        verdicts.append(None if weld.joint is None else weld.joint in when.joint)
    for band, name in ((when.wall, "wall"), (when.od, "od"), (when.weld_length, "weld_length")):
        if band is not None:
            verdicts.append(_in_band(band, name, ground))
    return False if False in verdicts else None if None in verdicts else True


def passes(gate: Gate | None, item: Item, ground: Ground) -> bool | None:
    """Whether the item's size lies in the class a row looks at; None when the measurement leaves it open or is missing."""
    if gate is None:
        return True
    size = item.size(gate.quantity)
    if size is None:
        return None
    factor = ground.scale.factor
    low, high = (size.value - size.u) * factor, (size.value + size.u) * factor
    first = _within(gate, low, ground)
    return first if high == low or first == _within(gate, high, ground) else None


def _within(gate: Gate | Band, value: float, ground: Ground) -> bool:
    def beyond(limit: Limit | None) -> int | None:
        """-1 below, 0 on, 1 above the bound; None without one."""
        if limit is None:
            return None
        bound = ground.worked_out(limit)[0]
        return 0 if abs(value - bound) <= EQUAL_WITHIN * max(1.0, abs(bound)) else 1 if value > bound else -1

    return (
        beyond(gate.above) in (None, 1)
        and beyond(gate.from_) in (None, 0, 1)
        and beyond(gate.up_to) in (None, -1, 0)
        and beyond(gate.below) in (None, -1)
    )


def _in_band(band: Band, name: str, ground: Ground) -> bool | None:
    try:
        return _within(band, ground.scale.size(name), ground)
    except MissingError:
        return None


def _fits(when: When, reading: Reading) -> bool:
    return all(getattr(when, fact) is None or getattr(when, fact) == getattr(reading, fact) for fact in FACTS)
