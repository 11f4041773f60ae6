"""The groups of a list after a person has changed it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from rtscan.findings import Group, Indication


def regrouped(groups: Sequence[Group], before: Sequence[Indication], after: Sequence[Indication]) -> tuple[Group, ...]:
    """The groups after a reader's changes: members moved in or out by the `group` column, or removed.

    A group whose members changed in any way loses its sizes (whoever judges works them out from the members); one with fewer
    than two members is dropped. Names that are new in the column make no group here: they are judged as groups by their name.
    """
    old = {i.id: i for i in before}
    new = {i.id: i for i in after}
    moved = {i for i in new if i not in old or old[i].group != new[i].group}
    result: list[Group] = []
    for group in groups:
        stayed = [i for i in group.members if i in new and (i not in moved or new[i].group == group.id)]
        joined = [i for i in new if i in moved and new[i].group == group.id and i not in group.members]
        members = tuple(stayed + joined)
        if members == group.members and all(old.get(i) == new[i] for i in members):
            result.append(group)
        elif len(members) > 1:
            result.append(replace(group, members=members, sum_length_mm=None, end_to_end_mm=None, diameter_mm=None))
    return tuple(result)
