"""The least safe removal: which indications must go so that what is left is accepted even with its uncertainty added.

Every indication that is rejected by itself goes. Then, for the rules that look at several, whole indications that give the least
ground length. Up to 30 candidates the search is exact (to 0.01 mm); beyond that a greedy answer that says so.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from rtscan.acceptance.bad_stretches import SUM_KINDS, SumRow, culprits, sum_rows, thinned
from rtscan.acceptance.bench import Bench
from rtscan.acceptance.combine import counted_as_one
from rtscan.acceptance.criteria import Rule
from rtscan.acceptance.items import Item
from rtscan.acceptance.limits import MissingError
from rtscan.acceptance.rules import ONE_KINDS
from rtscan.acceptance.rules_in_line import MANY_KINDS
from rtscan.acceptance.rules_together import Sum, prepared_sum
from rtscan.findings import Finding, Indication

EXACT_UP_TO = 30
_MOST_NODES = 10_000
_MOST_STATES = 60_000
_STRETCHES_SOLVED = 4
_STEP_MM = 0.01
_BY_EYE = ("chart",)
Ids = frozenset[int]


def least_removal(
    benches: Sequence[Bench], indications: Sequence[Indication], findings: Sequence[Finding]
) -> tuple[tuple[int, ...], str]:
    """Ids of the indications to remove, and a remark when they are not proved least. Empty when nothing is rejected.

    `benches` are those the findings come from. A cluster or row that is rejected as a whole goes as a whole.
    """
    if not any(f.result == "reject" for f in findings):
        return (), ""
    kinds = {r.id: r.kind for bench in benches for r in bench.rules}
    alone = {n for f in findings if f.result == "reject" and _by_itself(f, kinds) for n in f.indications}
    checks = [
        _Check(bench, rule, alone)
        for bench in benches
        for rule in bench.rules
        if bench.troubled(rule) and ((rule.kind in MANY_KINDS and rule.kind not in _BY_EYE) or rule.joined)
    ]
    broken = [c for c in checks if c.witnesses(frozenset())]
    chosen, remark = _Search(broken, {i.id: round(i.length_mm or 0.0, 2) for i in indications}).best()
    return tuple(sorted(alone | chosen)), remark


def _by_itself(finding: Finding, kinds: Mapping[str, str]) -> bool:
    kind = kinds.get(finding.rule)
    return kind is None or kind in _BY_EYE or (kind in ONE_KINDS and (len(finding.indications) == 1 or bool(finding.groups)))


class _Check:
    """One row that looks at several, asked again and again with indications taken out.

    `sum` is the row as a plain sum; `at_least` a plain sum that it is never less than (neighbours not joined); None when it is none.
    """

    def __init__(self, bench: Bench, rule: Rule, alone: set[int]) -> None:
        self._bench = bench
        self._rule = rule
        self._members = bench.without(rule, alone)
        self._counted = counted_as_one(rule, self._members, bench.ground)
        self.units = self._prepared(self._counted)
        self.sum = self.units if all(len(i.ids) == 1 for i in self._counted) else None
        self.at_least = self.sum or (self._prepared(self._members) if rule.joined and _one_after_another(self._members) else None)

    def witnesses(self, gone: Ids) -> list[Ids]:
        """For every stretch that is not accepted without `gone`: the indications of which at least one more must go."""
        members = [i for i in self._members if gone.isdisjoint(i.ids)]
        return [frozenset(n for i in o.items for n in i.ids) for o in self._bench.safely(self._rule, members)]

    def culprits(self) -> Ids:
        """Every indication whose removal may be of use."""
        if self.units is None:
            return frozenset(n for i in self._members for n in i.ids)
        return frozenset(n for place in culprits(self.units) for n in self._counted[place].ids)

    def _prepared(self, items: Sequence[Item]) -> Sum | None:
        if self._rule.kind not in SUM_KINDS or not items:
            return None
        try:
            prepared = prepared_sum(self._rule, items, self._bench.ground)
        except MissingError:
            return None
        return prepared if isinstance(prepared, Sum) and prepared.placed else None


def _one_after_another(items: Sequence[Item]) -> bool:
    """Whether no two overlap along the weld: joined with their gaps they then count with no less than their lengths."""
    return all((a.end or 0.0) <= (b.start or 0.0) + 1e-6 for a, b in pairwise(items))


def least_of_stretch(row: SumRow, cost: Mapping[int, float]) -> set[int] | None:
    """The least removal for one stretch alone, by going through what may be kept: for every kept ground length the sums that no
    other choice of that length beats in amount, common and own uncertainty. None when the choices grow too many."""
    best: dict[int, list[tuple[float, float, float, int]]] = {0: [(0.0, 0.0, 0.0, 0)]}
    numbers = sorted(row.shares)
    for place, number in enumerate(numbers):
        amount, common, own2 = row.shares[number]
        ground = round(cost[number] / _STEP_MM)
        for kept, states in sorted(best.items(), reverse=True):
            for a, c, v, mask in list(states):
                more = (a + amount, c + common, v + own2, mask | 1 << place)
                if not row.exceeds(*more[:3]):
                    _keep(best.setdefault(kept + ground, []), more)
        if sum(map(len, best.values())) > _MOST_STATES:
            return None
    mask = min(best[max(best)])[3]
    return {number for place, number in enumerate(numbers) if not mask >> place & 1}


def _keep(states: list[tuple[float, float, float, int]], new: tuple[float, float, float, int]) -> None:
    """Adds a state unless one there is no worse in everything; drops those it beats."""
    slack = 1e-9
    if any(s[0] <= new[0] + slack and s[1] <= new[1] + slack and s[2] <= new[2] + slack for s in states):
        return
    states[:] = [s for s in states if not (new[0] <= s[0] and new[1] <= s[1] and new[2] <= s[2])]
    states.append(new)


@dataclass
class _Search:
    """Branch and bound over which indications to remove.

    Whatever stretch is still rejected, one of its members must go: the search branches on which, a member once kept staying
    kept. Bound: for a stretch that adds up, the cheapest way (fractions allowed) to bring down its sum plus common uncertainty
    to the limit; for any other rule the cheapest member; the greatest of these over all stretches. A branch is given up when
    its ground length plus the bound, rounded up to 0.01 mm, is no less than the best known. The hardest stretches are first
    solved exactly one by one: their least length bounds every removal, and ends the search when it is reached.
    """

    broken: Sequence[_Check]
    cost: dict[int, float]

    def best(self) -> tuple[set[int], str]:
        """The removal and a remark when it is not proved least."""
        if not self.broken:
            return set(), ""
        candidates = frozenset[int]().union(*(c.culprits() for c in self.broken))
        found = self._greedy()
        if len(candidates) > EXACT_UP_TO:
            return found, f"removal from {len(candidates)} candidates by a greedy search, not proved least"
        self._rows = [row for c in self.broken if c.at_least is not None for row in sum_rows(c.at_least)]
        self._others = [c for c in self.broken if c.sum is None]
        self._least, self._found, self._nodes = self._length(found), found, 0
        self._floor = self._exact_for_one_stretch()
        self._ratio = [sorted(row.shares, key=lambda n: (-self._gain(row, n) / max(self.cost[n], 1e-9), n)) for row in self._rows]
        self._branch(frozenset(), frozenset(), 0.0)
        if self._nodes > _MOST_NODES:
            return self._found, f"removal search stopped after {_MOST_NODES} steps, not proved least"
        return self._found, ""

    def _branch(self, gone: Ids, kept: Ids, length: float) -> None:
        self._nodes += 1
        if self._nodes > _MOST_NODES or self._least <= self._floor + _STEP_MM / 2:
            return
        bound, witness = self._still_broken(gone, kept)
        if witness is None:
            if length < self._least - _STEP_MM / 2:
                self._least, self._found = length, set(gone)
            return
        if math.isinf(bound) or math.ceil((length + bound) / _STEP_MM - 1e-6) * _STEP_MM >= self._least - _STEP_MM / 2:
            return
        for number in witness:
            self._branch(gone | {number}, kept, length + self.cost[number])
            kept |= {number}

    def _exact_for_one_stretch(self) -> float:
        """The least ground length of the hardest stretches taken one by one: no removal is shorter. One that mends all is kept."""
        floor = 0.0
        hardest = sorted(self._rows, key=lambda row: -self._cheapest(row, sorted(row.shares), frozenset()))
        for row in hardest[:_STRETCHES_SOLVED]:
            chosen = least_of_stretch(row, self.cost)
            if chosen is None:
                continue
            floor = max(floor, self._length(chosen))
            mends = not any(r.bad(chosen) for r in self._rows) and not any(c.witnesses(frozenset(chosen)) for c in self._others)
            if mends and self._length(chosen) < self._least:
                self._least, self._found = self._length(chosen), set(chosen)
        return floor

    def _still_broken(self, gone: Ids, kept: Ids) -> tuple[float, list[int] | None]:
        """The bound and the members to branch on, fewest first; (0, None) when everything is accepted."""
        bound, chosen = 0.0, None
        for row, order in zip(self._rows, self._ratio, strict=True):
            if row.bad(gone):
                free = [n for n in order if n not in gone and n not in kept]
                bound = max(bound, self._cheapest(row, free, gone))
                if chosen is None or len(free) < len(chosen):
                    chosen = free
        if chosen is not None:
            return bound, chosen
        for check in self._others:
            for witness in check.witnesses(gone):
                free = sorted((n for n in witness if n not in kept), key=lambda n: (self.cost[n], n))
                return (self.cost[free[0]] if free else math.inf), free
        return 0.0, None

    def _cheapest(self, row: SumRow, free: Sequence[int], gone: Ids) -> float:
        """Least length to remove from a stretch, fractions allowed; infinite when removing all of `free` is not enough."""
        excess = sum(self._gain(row, n) for n in row.shares if n not in gone) - row.prepared.limit
        length = 0.0
        for n in free:
            if excess <= 1e-9:
                return length
            gain = self._gain(row, n)
            length += self.cost[n] * min(1.0, excess / gain) if gain > 0 else 0.0
            excess -= gain
        return length if excess <= 1e-6 * max(1.0, row.prepared.limit) else math.inf

    @staticmethod
    def _gain(row: SumRow, number: int) -> float:
        amount, common, _ = row.shares[number]
        return amount + common

    def _length(self, numbers: Iterable[int]) -> float:
        return sum(self.cost[n] for n in numbers)

    def _greedy(self) -> set[int]:
        """What goes when every bad stretch loses its longest members; a short answer then gives back what need not go."""
        gone: set[int] = set()
        for check in self.broken:
            if check.units is not None:
                gone |= thinned(check.units, gone)
        for check in self.broken:
            while check.units is None and (stretches := check.witnesses(frozenset(gone))):
                gone |= frozenset[int]().union(*stretches)
        if len(gone) <= EXACT_UP_TO:
            for number in sorted(gone, key=lambda n: (-self.cost[n], n)):
                if not any(c.witnesses(frozenset(gone - {number})) for c in self.broken):
                    gone.discard(number)
        return gone
