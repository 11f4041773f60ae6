"""A row of a criterion in plain words, with its boundary cases: what `judge --explain` and `criteria show` print."""

from __future__ import annotations

import inspect

from rtscan.acceptance.criteria import COMPARATOR_SIGNS, Band, Boundary, Criteria, Gate, Rule
from rtscan.acceptance.limits import printed
from rtscan.acceptance.outcomes import QUANTITY_WORDS
from rtscan.acceptance.readings import FACT_WORDS
from rtscan.acceptance.rules import ONE_KINDS
from rtscan.acceptance.rules_in_line import MANY_KINDS
from rtscan.errors import CriteriaError
from rtscan.imperfections import by_number
from rtscan.knowledge.pipe_sizes import nearest_names

_GRADES = {
    "g1": "seen on two or more independent public pages",
    "g2": "seen on one public page",
    "g3": "from memory only, unverified",
    "g4": "sources disagree or the edition is in doubt, unverified",
}

_ANY_SIZE = {"not permitted": "any size: reject", "permitted": "any size: accept", "look": "any size: review"}


def explain(criteria: Criteria, rule_id: str) -> str:
    """The row in full. Raises CriteriaError when the criterion has no such row."""
    rule = next((r for r in criteria.rules if r.id == rule_id), None)
    if rule is None:
        hint = nearest_names(rule_id, tuple(r.id for r in criteria.rules))
        raise CriteriaError(f"{criteria.name}@{criteria.edition}", f'has no rule "{rule_id}"; {hint}')
    lines = [
        f"{rule.id}  {rule.what}",
        f"  from      {criteria.title}, {rule.clause or rule.id}",
        f"  types     {types_in_words(rule)}",
        f"  limit     {limit_in_words(rule)}",
    ]
    lines += [f"  applies   {text}" for text in conditions_in_words(rule)]
    lines += [f"  edge      {rule.edge}"] if rule.edge else []
    lines += [f"  note      {rule.note}"] if rule.note else []
    lines.append(f"  grade     {rule.grade}: {_GRADES[rule.grade]}; source {rule.source}")
    lines += [f"  boundary  {text}" for text in boundary_in_words(rule)]
    function = {**ONE_KINDS, **MANY_KINDS}[rule.kind]
    lines += ["", f"How the kind \"{rule.kind}\" judges", *(f"  {line}" for line in inspect.cleandoc(function.__doc__ or "").splitlines())]
    return "\n".join(lines)


def types_in_words(rule: Rule) -> str:
    """The types of the row with their terms."""
    texts = []
    for pattern in rule.types:
        known = by_number(pattern.removesuffix("*"))
        name = f" {known.term}" if known else ""
        texts.append(f"{pattern.removesuffix('*')}{name}{' and its kinds' if pattern.endswith('*') else ''}")
    kept = f", except {', '.join(rule.except_types)}" if rule.except_types else ""
    return ", ".join(texts) + kept + {"clusters": " (whole clusters)", "aligned": " (whole rows)", "indications": ""}[rule.on]


def limit_in_words(rule: Rule) -> str:
    """What is compared with what, as printed."""
    sign = COMPARATOR_SIGNS[rule.comparator]
    what = " or ".join(dict.fromkeys(QUANTITY_WORDS[q] for q in rule.quantity)) or rule.kind
    window = " over the whole weld" if rule.whole_weld or rule.kind == "share of weld" else ""
    window = f" in any {printed(rule.window)}" if rule.window else window
    if rule.kind in ("not permitted", "permitted", "look", "chart"):
        return f"{rule.kind}{': ' + rule.text if rule.text else ''}{window}"
    most = printed(rule.limit) if rule.limit else f"{rule.percent:g} %" if rule.percent is not None else str(rule.most)
    text = f"{rule.kind}: {what + ' ' if what != rule.kind else ''}accepted {sign} {most}{window}"
    if rule.isolated_limit and rule.apart:
        text += f"; standing alone by {printed(rule.apart)}: {sign} {printed(rule.isolated_limit)}"
    return text + (f"; unless gaps exceed {rule.gap_factor:g} times the longest" if rule.gap_factor else "")


def conditions_in_words(rule: Rule) -> list[str]:
    """When the row applies."""
    when, texts = rule.when, list[str]()
    for fact, words in FACT_WORDS.items():
        value = getattr(when, fact)
        if value is not None:
            texts.append(words[value])
    if when.joint:
        texts.append(" or ".join(when.joint) + " weld")
    for name, band in (("wall", when.wall), ("outside diameter", when.od), ("weld length", when.weld_length)):
        texts += [f"{name} {t}" for t in _bounds(band)]
    if rule.relevant is not None:
        texts += [f"{QUANTITY_WORDS[rule.relevant.quantity]} {t}" for t in _bounds(rule.relevant)]
    if rule.only_if_measured:
        texts.append("only when it was measured")
    if rule.parallel is not None:
        apart, wider = printed(rule.parallel.apart), printed(rule.parallel.unless_wider)
        texts.append(f"parallel lines up to {apart} apart are one, unless wider than {wider}")
    if rule.joined:
        texts.append("neighbours closer than the shorter of them count as one")
    if rule.pro_rata:
        texts.append("in proportion for a shorter weld")
    return texts


def boundary_in_words(rule: Rule) -> list[str]:
    """The boundary cases of the row with their outcomes."""
    case = rule.boundary
    if case is None:
        return [_ANY_SIZE.get(rule.kind, "none given")]
    weld = ", ".join(f"{key.removesuffix('_mm').replace('_', ' ')} {value}" for key, value in {**case.at, **case.item}.items())
    texts = [f"{place} {value:g}: {outcome(rule, place)}" for place, value in _places(case)]
    return [f"{'; '.join(texts)}; not measured: never accepted{f' ({weld})' if weld else ''}"]


def outcome(rule: Rule, place: str) -> str:
    """The outcome of a boundary case: "below", "on" or "above" the limit."""
    if rule.kind == "chart":
        return "accept" if place == "on" else "review"
    if rule.comparator == "at least":
        return "reject" if place == "below" else "accept"
    return {"below": "accept", "on": "reject" if rule.comparator == "less than" else "accept", "above": "reject"}[place]


def _places(case: Boundary) -> list[tuple[str, float]]:
    return [(place, value) for place in ("below", "on", "above") if (value := getattr(case, place)) is not None]


def _bounds(band: Band | Gate | None) -> list[str]:
    if band is None:
        return []
    named = (("above", band.above), ("from", band.from_), ("up to", band.up_to), ("below", band.below))
    return [f"{word} {printed(limit)}" for word, limit in named if limit is not None]
