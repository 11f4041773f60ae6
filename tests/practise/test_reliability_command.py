"""`rtscan practise reliability`: tables as people have them in, page, JSON and CSV out."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest

from rtscan.cli.main import main
from rtscan.errors import ListError
from rtscan.practise.hits_file import read_hits

TABLE = "size_mm,hit\n" + "".join(f"{0.2 + 0.1 * k:.1f},{int(k > 9 or k in (5, 7))}\n" for k in range(20))


def test_page_json_and_csv_agree(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "hits.csv"
    path.write_text(TABLE + "1.0,0\n", encoding="utf-8")
    assert main(["practise", "reliability", str(path), "--out", str(tmp_path / "out")]) == 0
    assert "a90/95 likelihood ratio" in capsys.readouterr().out
    data = json.loads((tmp_path / "out" / "hits.reliability.json").read_text(encoding="utf-8"))
    with (tmp_path / "out" / "hits.reliability.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [float(r["a90"]) for r in rows] == [c["a90"] for c in data["curves"]]
    html = (tmp_path / "out" / "hits.reliability.html").read_text(encoding="utf-8")
    assert f"{data['curves'][0]['a90']:.3f}" in html
    assert "http" not in html.replace("http-equiv", "")  # self-contained
    assert main(["practise", "reliability", str(path), "--json", "--out", str(tmp_path / "out")]) == 0
    assert json.loads(capsys.readouterr().out)[0]["targets"] == 21


def test_grouped_tables_semicolons_and_words(tmp_path: Path) -> None:
    path = tmp_path / "g.csv"
    path.write_text("a;hits;n\n1,6907;6;59\n1,8839;60;60\n", encoding="utf-8")
    table, column = read_hits(path)
    assert (column, table.targets, table.hits.tolist(), table.size.tolist()) == ("a", 119, [6.0, 60.0], [1.6907, 1.8839])
    path.write_text("detectability,size_mm,found\n9,1.5,yes\n4,,no\n2,0.5,missed\n", encoding="utf-8")
    assert read_hits(path)[0].hits.tolist() == [1.0, 0.0]  # the row without a size is left out
    assert read_hits(path, "detectability")[0].size.tolist() == [9.0, 4.0, 2.0]


@pytest.mark.parametrize(("text", "says"), [
    ("size_mm\n1\n", "column hit"), ("size_mm,hit\n", "no row with a size"), ("size_mm,hit\n1,2\n", "between 0 and the trials"),
    ("size_mm,hit\n-1,1\n", "above zero"), ("size_mm,hit\nbig,1\n", "not a number"), ("size_mm,hit,n\n1,1,0\n", "whole number"),
    ("size_mm,hit\n1,\n", "blank"), ("", "empty"),
])
def test_mistakes_are_one_line_each(text: str, says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "bad.csv"
    path.write_text(text, encoding="utf-8")
    assert main(["practise", "reliability", str(path), "--out", str(tmp_path)]) == 2
    error = capsys.readouterr().err
    assert says in error
    assert error.count("\n") == 1
    assert not list(tmp_path.glob("*.reliability.*"))
    with pytest.raises(ListError):
        read_hits(path)


def test_separated_and_all_hit_tables_still_give_a_page(tmp_path: Path) -> None:
    for name, text in (("sep", "size,hit\n1,0\n2,0\n3,1\n4,1\n"), ("all", "size,hit\n1,1\n2,1\n"), ("one", "size,hit\n1,1\n")):
        path = tmp_path / f"{name}.csv"
        path.write_text(text, encoding="utf-8")
        assert main(["practise", "reliability", str(path), "--out", str(tmp_path)]) == 0
        json.loads((tmp_path / f"{name}.reliability.json").read_text(encoding="utf-8"))
