"""One criterion applied to one list in one printed unit set: which row looks at what, and what it says."""

from __future__ import annotations

from collections.abc import Callable, Container, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

from rtscan.acceptance.combine import counted_as_one
from rtscan.acceptance.criteria import Criteria, Rule
from rtscan.acceptance.items import Item, Reading, group_item, is_finish, item_of
from rtscan.acceptance.limits import MissingError, Scale
from rtscan.acceptance.outcomes import SEVERITY, Ground, Outcome, missing_fact
from rtscan.acceptance.readings import FACT_WORDS, Doubt, Readings, describe, of_weld, passes
from rtscan.acceptance.rules import ONE_KINDS
from rtscan.acceptance.rules_in_line import MANY_KINDS
from rtscan.acceptance.situation import Situation, Units
from rtscan.findings import Finding, Group, Indication, Result, WeldDocument, Worksheet

NO_RULE = "no limit"
_GROUP_KIND = {"clusters": "cluster", "aligned": "aligned"}
_GROUP_TYPES = {"2013": "clusters", "3013": "clusters", "2014": "aligned"}
"""Types that stand for a whole group when a list gives it as one row."""


@dataclass(frozen=True)
class Stamped:
    """An outcome with its row; `who` names what was judged, `together` is True for rows that look at several at once."""

    rule: Rule | None
    outcome: Outcome
    who: str
    order: int
    together: bool
    without_rule: str = NO_RULE

    @property
    def rule_id(self) -> str:
        """Id of the row, or what stands in its place."""
        return self.rule.id if self.rule else self.without_rule

    @cached_property
    def ids(self) -> tuple[int, ...]:
        """Indications judged, in order."""
        items = self.outcome.items
        return items[0].ids if len(items) == 1 else tuple(sorted({n for i in items for n in i.ids}))

    @property
    def key(self) -> tuple[str, tuple[int, ...]]:
        """What makes two outcomes of different benches comparable."""
        return self.rule_id, self.ids

    def finding(self) -> Finding:
        """The finding of the worksheet."""
        o = self.outcome
        return Finding(
            rule=self.rule_id,
            result=o.result,
            says=f"{self.who}: {o.says}",
            clause=(self.rule.clause or self.rule.id) if self.rule else "",
            indications=self.ids,
            groups=tuple(dict.fromkeys(g for i in o.items for g in i.groups)),
            measured=o.measured,
            measured_u=o.measured_u,
            limit=o.limit,
            unit=o.unit,
            unverified=self.rule is not None and (self.rule.unverified or any(i.parallel for i in o.items)),
        )


class Bench:
    """Everything a criterion looks at for one list, in one unit set and for one assumption about the weld."""

    def __init__(self, document: Worksheet | WeldDocument, criteria: Criteria, situation: Situation, units: Units, doubt: Doubt) -> None:
        self.ground = Ground(situation, Scale.of(situation, units))
        self.rules = tuple(r for r in criteria.rules if of_weld(r.when, self.ground) is not False)
        self._readings = Readings(criteria, self.ground, doubt)
        self._indications = {i.id: i for i in document.indications}
        self._items = {i.id: item_of(i) for i in document.indications}
        clustered = {m for g in document.groups if g.kind == "cluster" for m in g.members}
        self._read: dict[int, tuple[Reading, ...]] = {
            i.id: self._readings.of(i, self._items[i.id], i.id in clustered) for i in document.indications
        }
        self._groups = {
            kind: [self._group(g, [self._items[m] for m in g.members if m in self._items]) for g in document.groups if g.kind == word]
            for kind, word in _GROUP_KIND.items()
        }
        for i in document.indications:
            if (kind := _GROUP_TYPES.get(i.iso6520)) and not i.group:
                self._groups[kind].append(self._items[i.id])
        self._order = {r.id: n for n, r in enumerate(self.rules)}
        self._members = self._all_members()
        self._told = frozenset(self._order)
        self._trouble: set[str] = set()

    def members(self, rule: Rule) -> tuple[Item, ...]:
        """What the row looks at, in order of station; `sure` is False for what may not belong to it."""
        return self._members[rule.id]

    def stamped(self, dual_only: bool = False) -> list[Stamped]:
        """Every outcome, in the order of the rows; with `dual_only` of the rows alone whose metric and inch sets may differ."""
        if dual_only:
            self._told = frozenset(r.id for r in self.rules if r.prints_lengths)
        found = [*self._one_by_one(), *self._together(), *(() if dual_only else self._without_rule())]
        return sorted(found, key=lambda s: (s.order, s.ids))

    def troubled(self, rule: Rule) -> bool:
        """Whether the row, asked with every doubt counted, does not accept everything. Ask after `stamped`."""
        return rule.id in self._trouble

    def together(self, rule: Rule, items: Sequence[Item]) -> tuple[Outcome, ...]:
        """The outcomes of a row that looks at several, for these items; a size of the weld that is missing gives "cannot judge"."""
        counted = counted_as_one(rule, items, self.ground)
        try:
            return MANY_KINDS[rule.kind](rule, counted, self.ground) if counted else ()
        except MissingError as missing:
            return (missing_fact(missing.what, counted),)

    def without(self, rule: Rule, gone: Container[int]) -> tuple[Item, ...]:
        """The row's members at every station they may have, without the indications `gone`; groups lose these members."""
        if rule.on == "indications":
            return tuple(i for i in self.with_both_walls(rule) if i.ids[0] not in gone)
        left = []
        for item in self.members(rule):
            kept = [self._items[n] for n in item.ids if n not in gone]
            if len(kept) == len(item.ids):
                left.append(item)
            elif len(kept) > 1:
                group = Group(item.groups[0] if item.groups else "", "cluster", "", item.iso6520, tuple(i.ids[0] for i in kept))
                left.append(self._group(group, kept))
        return tuple(left)

    def with_both_walls(self, rule: Rule) -> tuple[Item, ...]:
        """The row's members with those of unknown wall at both of their stations."""
        members = self.members(rule)
        if rule.whole_weld or rule.kind == "share of weld":
            return members
        moved = [_at_other_station(i) for i in members if i.other_along is not None]
        return tuple(sorted((*members, *moved), key=lambda i: (i.start is None, i.start or 0.0, i.ids)))

    def safely(self, rule: Rule, items: Sequence[Item]) -> list[Outcome]:
        """What the row does not accept with every doubt counted; what it cannot judge is left out, no removal mends that."""
        if rule.kind in MANY_KINDS:
            outcomes = self.together(rule, items)
        else:
            outcomes = tuple(self._one(rule, i) for i in counted_as_one(rule, items, self.ground) if len(i.ids) > 1)
        return [o for o in outcomes if o.result in ("reject", "review") and o.items]

    def _all_members(self) -> dict[str, tuple[Item, ...]]:
        found: dict[str, list[Item]] = {r.id: [] for r in self.rules}
        for number, item in self._items.items():
            readings = self._read[number]
            takers: dict[str, tuple[Rule, int]] = {}
            for reading in readings:
                for rule in self._readings.rules(reading):
                    takers[rule.id] = rule, takers.get(rule.id, (rule, 0))[1] + 1
            for name, (rule, times) in takers.items():
                gate = self._passes(rule, item)
                if gate is not False:
                    found[name].append(item if times == len(readings) and gate else replace(item, sure=False))
        for rule in self.rules:
            if rule.on != "indications":
                found[rule.id] = [i for i in map(self._in_its_run(rule), self._groups[rule.on]) if i is not None and rule.takes(i.iso6520)]
        return {name: tuple(sorted(items, key=lambda i: (i.start is None, i.start or 0.0, i.ids))) for name, items in found.items()}

    def _group(self, group: Group, members: Sequence[Item]) -> Item:
        return group_item(group, members, self.ground.ring_mm)

    def _passes(self, rule: Rule, item: Item) -> bool | None:
        """Whether the row looks at a thing of this size; None when that is open."""
        needed = (*rule.quantity, rule.relevant.quantity) if rule.relevant else rule.quantity
        if rule.only_if_measured and any(item.size(q) is None for q in needed):
            return False
        return passes(rule.relevant, item, self.ground)

    def _in_its_run(self, rule: Rule) -> Callable[[Item], Item | None]:
        """Groups are taken by rows about their run; one whose run is not stated may or may not belong to the row."""
        def taken(group: Item) -> Item | None:
            if rule.when.finish_run is None:
                return group
            runs = {is_finish(self._indications[n].run) for n in group.ids}
            if runs == {None}:
                return replace(group, sure=False)
            return group if (True in runs) == rule.when.finish_run else None

        return taken

    def _one_by_one(self) -> Iterator[Stamped]:
        for number, item in self._items.items():
            yield from self._of_indication(self._indications[number], item)
        for order, rule in enumerate(self.rules):
            if rule.kind not in ONE_KINDS or rule.id not in self._told:
                continue
            if rule.on != "indications":
                for item in counted_as_one(rule, self.members(rule), self.ground):
                    outcome = self._one(rule, item)
                    if not item.sure and outcome.result == "reject":
                        words = FACT_WORDS["finish_run"][rule.when.finish_run]
                        outcome = replace(outcome, result="review", says=f"{outcome.says}; its run is not stated: rejected if {words}")
                    if item.sure or outcome.result != "accept" or rule.kind != "permitted":
                        yield Stamped(rule, outcome, self._who(item), order, False)
            elif rule.joined or rule.parallel:
                yield from self._joined(rule, order)

    def _joined(self, rule: Rule, order: int) -> Iterator[Stamped]:
        for item in counted_as_one(rule, self.members(rule), self.ground):
            if len(item.ids) > 1:
                outcome = self._one(rule, item)
                if outcome.result != "accept":
                    self._trouble.add(rule.id)
                if not item.sure and outcome.result == "reject":
                    outcome = replace(outcome, result="review", says=f"{outcome.says}; only if all of them belong to this row")
                yield Stamped(rule, outcome, self._who(item), order, False)

    def _one(self, rule: Rule, item: Item) -> Outcome:
        try:
            return ONE_KINDS[rule.kind](rule, item, self.members(rule), self.ground)
        except MissingError as missing:
            return missing_fact(missing.what, (item,))

    def _of_indication(self, indication: Indication, item: Item) -> Iterator[Stamped]:
        """The rows that look at one indication alone, under every reading of it."""
        readings = self._read[indication.id]
        outcomes: dict[str, tuple[Rule, Outcome]] = {}
        results: list[Result] = []
        applied: list[set[str]] = []
        for reading in readings:
            names = set()
            for rule in self._readings.rules(reading):
                alone = len(readings) == 1 and rule.id not in self._told
                if alone or rule.kind not in ONE_KINDS or (gate := self._passes(rule, item)) is False:
                    continue
                if rule.id not in outcomes:
                    outcomes[rule.id] = rule, _if_relevant(rule, self._one(rule, item), gate)
                names.add(rule.id)
            applied.append(names)
            results.append(max((outcomes[n][1].result for n in names), key=SEVERITY.__getitem__, default="accept"))
        who = self._who(item)
        for name, (rule, outcome) in outcomes.items():
            if name not in self._told:
                continue
            taken = [n for n, names in enumerate(applied) if name in names]
            told = _in_doubt(outcome, taken, results, readings, indication) if len(readings) > 1 else outcome
            if told is not None:
                yield Stamped(rule, told, who, self._order[name], False)

    def _together(self) -> Iterator[Stamped]:
        for order, rule in enumerate(self.rules):
            if rule.kind in MANY_KINDS and rule.id in self._told:
                for outcome in self._weighed(rule):
                    if not self._waits_for_the_whole_weld(rule, outcome):
                        yield Stamped(rule, outcome, rule.what, order, True)

    def _waits_for_the_whole_weld(self, rule: Rule, outcome: Outcome) -> bool:
        whole = rule.whole_weld or rule.kind == "share of weld"
        return whole and self.ground.situation.scope == "film" and outcome.result == "accept"

    def _weighed(self, rule: Rule) -> tuple[Outcome, ...]:
        """The outcomes of a row whose members may not all belong to it, or lie at one of two stations."""
        members = self.members(rule)
        if not members:
            return ()
        possible = self._either_wall(rule, members)
        sure = tuple(i for i in members if i.sure)
        if len(sure) == len(members):
            return possible
        least = self.together(rule, sure)
        if _severity(least) == _severity(possible):
            named = any(self._named_for(rule, i) for i in members)
            return (least or possible) if _severity(possible) == SEVERITY["reject"] else possible if named else ()
        doubtful = ", ".join(str(n) for i in members if not i.sure for n in i.ids)
        than = least[0].result if least else "accept"
        text = f"; whether {doubtful} counts here is in doubt: {{}} if so, else {than}"
        return tuple(o if o.result == "accept" else replace(_for_review(o), says=o.says + text.format(o.result)) for o in possible)

    def _either_wall(self, rule: Rule, members: Sequence[Item]) -> tuple[Outcome, ...]:
        """Indications of a double-wall image whose wall is unknown are tried at their other station as well."""
        stated = self.together(rule, members)
        everywhere = self.with_both_walls(rule)
        both = self.together(rule, everywhere) if len(everywhere) > len(members) else stated
        if _severity(both):
            self._trouble.add(rule.id)
        if _severity(both) == _severity(stated):
            return stated
        text = "; which wall it lies in decides: rejected there, accepted at its first station"
        return tuple(o if o.result == "accept" else replace(o, result="review", says=o.says + text) for o in both)

    def _named_for(self, rule: Rule, item: Item) -> bool:
        return rule.on != "indications" or any(
            rule.takes(r.iso6520) for n in item.ids for r in self._read[n] if r.iso6520 == self._indications[n].iso6520
        )

    def _without_rule(self) -> Iterator[Stamped]:
        """Types the document says nothing about: never silently accepted."""
        for number, item in self._items.items():
            if any(self._readings.rules(r) for r in self._read[number]) or any(item.iso6520 == i.iso6520 for g in self._groups.values()
                                                                               for i in g if number in i.ids):
                continue
            says = "the document sets no limit for this type; a reader decides"
            yield Stamped(None, Outcome("cannot judge", says, (item,), unit=""), self._who(item), len(self.rules), False)

    def _who(self, item: Item) -> str:
        names = list(dict.fromkeys(self._indications[n].type or self._indications[n].iso6520 for n in item.ids))
        if item.groups:
            return f"group {'+'.join(item.groups)}"
        return f"{' and '.join(names)} {'+'.join(map(str, item.ids))}"


def _for_review(outcome: Outcome) -> Outcome:
    return replace(outcome, result="review") if outcome.result == "reject" else outcome


def _severity(outcomes: Sequence[Outcome]) -> int:
    return max((SEVERITY[o.result] for o in outcomes), default=0)


def _at_other_station(item: Item) -> Item:
    if item.along is None or item.other_along is None or item.start is None or item.end is None:
        return item
    by = item.other_along - item.along
    return replace(item, start=item.start + by, end=item.end + by, other_along=None)


def _if_relevant(rule: Rule, outcome: Outcome, gate: bool | None) -> Outcome:
    if gate is None and outcome.result == "reject":
        return replace(outcome, result="review", says=f"{outcome.says}; whether its size makes it count here is in doubt")
    return outcome


def _in_doubt(
    outcome: Outcome, taken: Sequence[int], results: Sequence[Result], readings: Sequence[Reading], indication: Indication
) -> Outcome | None:
    """An outcome of a row that takes only some readings, weighed against the others; None when it need not be told."""
    others_accept = any(r != "reject" for r in results)
    if outcome.result == "accept":
        return outcome if 0 in taken or readings[taken[0]].iso6520 == readings[0].iso6520 else None
    if outcome.result != "reject" or not others_accept or len(taken) == len(readings):
        return outcome
    verdicts = "; ".join(f"if {w}: {v}" for w, v in zip(describe(readings, indication), results, strict=True))
    return replace(outcome, result="review", says=f"{outcome.says}; in doubt: {verdicts}")
