"""The command line as the contract and the README promise it: commands, options, exit statuses, one line per problem."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest
import typer

from rtscan.cli import main as command_line
from rtscan.errors import FilmError
from rtscan.filmset.one_film import refuse_double_names

# Options by command, as the machine contract of the project lists them.
CONTRACT = {
    "read": "--job --px-per-mm --wall --od --technique --criteria --look --units --judge-anyway --strict --json --out",
    "judge": "--wall --od --weld-length --cap-width --joint --layers --job --criteria --units --explain --json --strict --out",
    "quality": "--job --out",
    "calibrate": "--steps",
    "score": "--job --out --workers --scheduler --max-megapixels --strict --json",
    "repair": "--circumference-mm --units --out",
    "depth": "--shift-mm --source-to-film-mm --marker-side",
    "compare": "",
    "simulate": "--seed --out",
    "practise": "",
    "criteria": "",
}
README = (Path(__file__).parents[2] / "README.md").read_text()


def options_of(command: str, *inner: str) -> set[str]:
    app = typer.main.get_command(command_line.build_app(command))
    for name in (command, *inner):
        app = app.commands[name]
    return {option for parameter in app.params for option in (*parameter.opts, *parameter.secondary_opts) if option.startswith("--")}


@pytest.mark.parametrize("command", CONTRACT)
def test_every_command_of_the_contract_has_its_options(command: str) -> None:
    assert set(CONTRACT[command].split()) <= options_of(command)


def test_no_command_is_left_out() -> None:
    assert set(command_line.COMMANDS) == set(CONTRACT)


@pytest.mark.parametrize("line", re.findall(rf"rtscan ((?:{'|'.join(CONTRACT)}) [^`\n]*)", README))
def test_every_command_of_the_readme_exists(line: str) -> None:
    words = line.split()
    inner = [words[1]] if words[0] in ("practise", "criteria") else []
    assert {word for word in words if word.startswith("--")} <= options_of(words[0], *inner)


def raising(problem: BaseException) -> object:
    def app(*_: object, **__: object) -> None:
        raise problem

    return lambda wanted=None: app


@pytest.mark.parametrize(("problem", "status", "says"), [
    (FilmError("a\nb.tif", "is empty; scan it again"), 2, "error: a b.tif: is empty; scan it again\n"),
    (KeyboardInterrupt(), 130, ""),
    (ZeroDivisionError("division\nby zero"), 3, "error: fault in rtscan itself (ZeroDivisionError: division by zero); "
                                                "please report it, RTSCAN_DEBUG=1 shows where\n"),
])
def test_every_end_has_its_status_and_at_most_one_line(
    problem: BaseException, status: int, says: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.delenv("RTSCAN_DEBUG", raising=False)
    monkeypatch.setattr(command_line, "build_app", raising(problem))
    assert command_line.main(["read", "x"]) == status
    assert capsys.readouterr().err == says


@pytest.mark.parametrize("arguments", [["nonsense"], ["read"], ["read", "--wall", "thick", "x.tif"], ["read", "x.tif", "--colour"]])
def test_a_wrong_command_line_is_one_line_and_status_two(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert command_line.main(arguments) == 2
    error = capsys.readouterr().err
    assert error.startswith("error: ")
    assert error.count("\n") == 1


def test_two_films_with_one_output_name_are_named_both(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "b").mkdir()
    films = [str(tmp_path / "w.tif"), str(tmp_path / "b" / "W.png")]
    assert command_line.main(["read", *films, "--out", str(tmp_path / "out")]) == 2
    error = capsys.readouterr().err
    assert all(film in error for film in films)
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(("names", "clash"), [
    (["w.tif", "w.tif#2"], True), (["w.tif#2", "w.tif"], True), (["w.tif#1", "w.tif#2"], False), (["w.tif#2", "w.png#2"], True),
])
def test_a_page_and_its_whole_film_would_write_over_each_other(names: list[str], clash: bool, tmp_path: Path) -> None:
    films = [tmp_path / name for name in names]
    if clash:
        with pytest.raises(FilmError, match="would write the same w"):
            refuse_double_names(films, ".worksheet.json")
    else:
        refuse_double_names(films, ".worksheet.json")


def test_a_film_that_is_not_there_does_not_stop_the_program_with_a_traceback(tmp_path: Path) -> None:
    run = [sys.executable, "-m", "rtscan", "read", str(tmp_path / "gone.tif"), "--out", str(tmp_path / "out")]
    done = subprocess.run(run, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 2
    assert done.stderr.startswith(f"error: {tmp_path / 'gone.tif'}: ")
    assert "Traceback" not in done.stderr
