"""A reader changes the CSV beside a worksheet's JSON, as a person would: cells edited, rows deleted and added."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from rtscan.errors import ListError
from rtscan.findings import Alternative, Closed, Finding, Group, Indication, Nearest, Reader, Worksheet
from rtscan.reader_changes import open_for_judging
from rtscan.record_json import dump
from rtscan.record_lists import write_csv

Rows = list[dict[str, str]]


def worksheet() -> Worksheet:
    """Three pores and a slag line; finding 0 asks for a look at indication 1, finding 1 rejects indication 4, finding 2 is about two."""
    pore = Indication(1, "dark", "gas pore", "2011", 0.7, (Alternative("crack", "100", 0.2),), "round", along_mm=10.00004, across_mm=0.0,
                      length_mm=2.0, width_mm=2.0, local_width_mm=2.0, area_mm2=3.14, length_u_mm=0.2, width_u_mm=0.2, group="G1",
                      nearest=Nearest(2, 3.0), result="review", note="two lines\nof note", clock="3:25")
    return Worksheet(
        indications=(
            pore,
            replace(pore, id=2, along_mm=15.0, nearest=Nearest(1, 3.0), result="review"),
            replace(pore, id=3, along_mm=20.0, nearest=Nearest(2, 3.0), result="accept"),
            Indication(4, "dark", "linear slag inclusion", "3011", 0.9, along_mm=80.0, across_mm=2.0, length_mm=30.0, width_mm=1.0,
                       result="reject"),
        ),
        groups=(Group("G1", "aligned", "linear porosity", "2014", (1, 2, 3), 6.0, 12.0, None),),
        findings=(
            Finding("look", "review", "which?", indications=(1,)),
            Finding("long", "reject", "30 > 25", indications=(4,)),
            Finding("both", "cannot judge", "chart", indications=(1, 2)),
        ),
        removal=(4,),
    )


def edited(folder: Path, edit: Callable[[Rows], Rows | None], base: Worksheet | None = None, separator: str = ",") -> Worksheet:
    """The worksheet after `edit` has changed the rows of its CSV in place, or given others."""
    base = base or worksheet()
    (folder / "f.worksheet.json").write_text(dump(base), encoding="utf-8")
    rows = list(csv.DictReader(io.StringIO(write_csv(base.indications, base.reader))))
    changed = edit(rows)
    file = io.StringIO()
    writer = csv.DictWriter(file, list(rows[0]), delimiter=separator)
    writer.writeheader()
    writer.writerows(rows if changed is None else changed)
    (folder / "f.worksheet.csv").write_text(file.getvalue(), encoding="utf-8")
    read = open_for_judging(folder / "f.worksheet.csv")
    assert isinstance(read, Worksheet)
    return read


def problems_of(folder: Path, edit: Callable[[Rows], Rows | None]) -> tuple[str, ...]:
    with pytest.raises(ListError) as caught:
        edited(folder, edit)
    return caught.value.problems


def setting(row: int, **cells: str) -> Callable[[Rows], None]:
    return lambda rows: rows[row].update(cells)


def test_nothing_changed_changes_nothing(tmp_path: Path) -> None:
    assert edited(tmp_path, lambda rows: None) == worksheet()
    assert edited(tmp_path, lambda rows: None, separator=";") == worksheet()


def test_a_signature_alone_confirms(tmp_path: Path) -> None:
    read = edited(tmp_path, setting(0, reader="A. Reader", reader_level="II", reader_date="2026-05-04"))
    assert read == replace(worksheet(), reader=Reader("A. Reader", "II", "2026-05-04"))


@pytest.mark.parametrize("cells", [{"type": "slag inclusion"}, {"iso6520": "301"}, {"type": "Slag inclusion", "iso6520": "301"},
                                   {"type": "", "iso6520": "301"}])
def test_renaming_by_term_or_number(tmp_path: Path, cells: dict[str, str]) -> None:
    """The other of the two columns still holds the old type: the one that was changed counts."""
    read = edited(tmp_path, setting(1, **cells))
    renamed = read.indications[1]
    assert (renamed.type, renamed.iso6520, renamed.alternatives, renamed.confidence) == ("slag inclusion", "301", (), None)
    assert read.reader is not None
    assert read.reader.changed == ("indication 2 renamed from gas pore to slag inclusion (301)",)


def test_measured_anew(tmp_path: Path) -> None:
    """The machine's uncertainty, area and greatest inscribed width belonged to the old size; the group is to be measured again."""
    read = edited(tmp_path, setting(2, length_mm="4", width_mm="3,5", along_mm="21"))
    third = read.indications[2]
    assert (third.length_mm, third.width_mm, third.along_mm) == (4.0, 3.5, 21.0)
    assert (third.length_u_mm, third.area_mm2, third.local_width_mm, third.nearest, third.clock) == (None,) * 5
    assert read.indications[1].nearest is not None  # it points at 1, which stayed
    assert read.reader is not None
    assert read.reader.changed[0] == "indication 3: along from 20 mm to 21 mm"
    assert read.groups == (replace(worksheet().groups[0], sum_length_mm=None, end_to_end_mm=None),)


def test_a_given_uncertainty_is_kept(tmp_path: Path) -> None:
    assert edited(tmp_path, setting(2, length_mm="4", length_u_mm="0.5")).indications[2].length_u_mm == 0.5


def test_removed_and_added(tmp_path: Path) -> None:
    def edit(rows: Rows) -> Rows:
        return [*rows[1:3], {"iso6520": "3041", "along_mm": "44", "length_mm": "1", "note": "by eye"}]

    read = edited(tmp_path, edit)
    assert [i.id for i in read.indications] == [2, 3, 5]
    assert read.reader is not None
    assert "indication 1 removed (gas pore at 10.0 mm)" in read.reader.changed
    assert read.groups[0].members == (2, 3)
    assert read.indications[0].nearest is None
    assert read.findings[0].indications == ()


def test_an_added_row_never_takes_the_number_of_a_removed_one(tmp_path: Path) -> None:
    read = edited(tmp_path, lambda rows: [*rows[:3], {"iso6520": "3041", "along_mm": "44", "length_mm": "1"}])
    assert read.indications[3].id == 5
    assert read.indications[3].tone == "bright"
    assert read.removal == ()
    assert read.reader is not None
    assert read.reader.changed == ("indication 5 added (tungsten inclusion at 44.0 mm)",
                                   "indication 4 removed (linear slag inclusion at 80.0 mm)")


def test_review_closed_in_the_result_column(tmp_path: Path) -> None:
    read = edited(tmp_path, setting(0, result="accept", note="chart 3"))
    assert read.reader is not None
    assert read.reader.closed == (Closed(0, "accept", "chart 3"),)
    assert read.reader.changed[-1] == "review of rule look on indication 1 closed: accept; chart 3"


def test_review_about_two_needs_both(tmp_path: Path) -> None:
    def both(rows: Rows) -> None:
        rows[0]["result"] = rows[1]["result"] = "reject"

    read = edited(tmp_path, both)
    assert read.reader is not None
    assert [(c.finding, c.result) for c in read.reader.closed] == [(0, "reject"), (2, "reject")]
    assert "no open review is about indication 2 alone" in problems_of(tmp_path, setting(1, result="reject"))[0]


@pytest.mark.parametrize(("row", "result"), [(3, "accept"), (2, "reject"), (3, "review")])
def test_a_computed_result_cannot_be_overwritten(tmp_path: Path, row: int, result: str) -> None:
    assert "only an open review can be closed" in problems_of(tmp_path, setting(row, result=result))[0]


def test_every_problem_is_told(tmp_path: Path) -> None:
    def edit(rows: Rows) -> None:
        rows[0].update(type="gas poor")
        rows[3].update(result="accept")

    assert [p.split(":")[0].split(",")[0] for p in problems_of(tmp_path, edit)] == ["line 2", "line 8"]  # the notes take two lines each


def test_a_second_round_keeps_the_first(tmp_path: Path) -> None:
    first = edited(tmp_path, setting(0, result="accept", reader="A. Reader"))
    again = edited(tmp_path, setting(1, type="crack"), base=first)
    assert again.reader is not None
    assert again.reader.name == "A. Reader"
    assert again.reader.closed == (Closed(0, "accept", "two lines\nof note"),)
    assert len(again.reader.changed) == 2


def test_hand_list_alone(tmp_path: Path) -> None:
    (tmp_path / "list.csv").write_text("type,along_mm,length_mm,group\ngas pore,0,1,A\ngas pore,10,1,A\n", encoding="utf-8")
    read = open_for_judging(tmp_path / "list.csv")
    assert [i.group for i in read.indications] == ["A", "A"]
    assert read.reader is None


def test_group_column_moves_members(tmp_path: Path) -> None:
    assert edited(tmp_path, setting(2, group="")).groups[0].members == (1, 2)
    assert edited(tmp_path, setting(3, group="G1")).groups[0].members == (1, 2, 3, 4)
    assert edited(tmp_path, lambda rows: [{**row, "group": ""} for row in rows]).groups == ()


def test_json_with_a_contradiction_is_refused(tmp_path: Path) -> None:
    changed = replace(worksheet(), indications=(replace(worksheet().indications[0], type="crack"),))
    (tmp_path / "f.worksheet.json").write_text(dump(changed), encoding="utf-8")
    with pytest.raises(ListError, match="indication 1: type"):
        open_for_judging(tmp_path / "f.worksheet.json")
