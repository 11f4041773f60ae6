"""Groups of a list: those the worksheet names, and those a hand list names by its `group` column alone."""

from __future__ import annotations

from collections.abc import Sequence

from rtscan.findings import Group, GroupKind, Indication

_KIND_OF_TYPE: dict[str, GroupKind] = {"2013": "cluster", "3013": "cluster", "2014": "aligned"}
_LINEAR = ("3011", "401", "402", "101", "102")


def groups_of(indications: Sequence[Indication], groups: Sequence[Group]) -> tuple[Group, ...]:
    """The groups as given, and one for every further name in the `group` column.

    A named group is a cluster or an aligned row when a member says so by its type (2013, 3013, 2014); pores that only share a
    name are a cluster, line-like types a line. Sizes are left to be worked out from the members.
    """
    known = {g.id for g in groups}
    named: dict[str, list[Indication]] = {}
    for indication in indications:
        if indication.group and indication.group not in known:
            named.setdefault(indication.group, []).append(indication)
    return (*groups, *(_named_group(name, members) for name, members in named.items() if len(members) > 1))


def _named_group(name: str, members: Sequence[Indication]) -> Group:
    ids = tuple(sorted(m.id for m in members))
    for member in members:
        if kind := _KIND_OF_TYPE.get(member.iso6520):
            return Group(name, kind, member.type, member.iso6520, ids)
    first = members[0]
    if all(m.iso6520.startswith("201") for m in members):
        return Group(name, "cluster", "clustered porosity", "2013", ids)
    if all(m.iso6520.startswith("30") and not m.iso6520.startswith(_LINEAR) for m in members):
        return Group(name, "cluster", "clustered slag inclusions", "3013", ids)
    return Group(name, "line", first.type, first.iso6520, ids)
