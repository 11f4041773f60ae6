"""Finding and reading criteria: the shipped ones by NAME or NAME@edition, a user's own from a TOML file, all mistakes at once."""

from __future__ import annotations

import hashlib
import os
import re
import tomllib
from dataclasses import dataclass
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from rtscan.acceptance.criteria import Boundary, Criteria, Parallel, Rule, When
from rtscan.errors import CriteriaError
from rtscan.knowledge.pipe_sizes import nearest_names

CRITERIA_MAX_BYTES = 1_000_000
_MOST_PROBLEMS = 30
_TOP_KEYS = ("title", "edition", "units", "grade_at_best", "extends", "drop", "cautions", "variant", "rule", "name")


@dataclass(frozen=True)
class Known:
    """One criterion that can be asked for by name."""

    name: str
    edition: str
    title: str
    newest: bool


@dataclass(frozen=True)
class _Source:
    """A criteria file: where it is, its text, its data."""

    file: str
    text: str
    data: dict[str, Any]


def known_criteria() -> tuple[Known, ...]:
    """Every shipped criterion and edition, by name, the newest edition of each first."""
    rows = [
        (variant["name"], str(source.data["edition"]), variant["title"])
        for source in _shipped()
        for variant in _variants(source)
    ]
    newest = {name: max(e for n, e, _ in rows if n == name) for name, _, _ in rows}
    rows.sort(key=lambda row: (row[0], [-ord(c) for c in row[1]]))
    return tuple(Known(name, edition, title, edition == newest[name]) for name, edition, title in rows)


def load_criteria(name_or_file: str) -> Criteria:
    """The criterion of a shipped name (NAME or NAME@edition) or of a user's TOML file. Raises CriteriaError with every mistake."""
    path = Path(name_or_file)
    return check_file(path) if path.suffix.lower() == ".toml" or os.path.isfile(path) else _build(*_find_shipped(name_or_file))


def check_file(path: Path) -> Criteria:
    """A user's own criteria file, validated in full. Raises CriteriaError naming every mistake with its line."""
    source = _read(path)
    problems = [
        f'line {_line(source.text, None, k)}: unknown key "{k}"; {nearest_names(k, _TOP_KEYS)}' for k in source.data if k not in _TOP_KEYS
    ]
    for key, example in (("title", '"My criteria"'), ("edition", '"2026"'), ("units", '["mm"]')):
        if key not in source.data and "extends" not in source.data:
            problems.append(f'line 1: "{key}" is missing; add {key} = {example}')
    variant = {"name": str(source.data.get("name") or path.stem), "title": str(source.data.get("title", ""))}
    try:
        built = _build(source, variant)
    except CriteriaError as problem:
        raise CriteriaError(str(path), tuple([*problems, *problem.problems][:_MOST_PROBLEMS])) from None
    if problems:
        raise CriteriaError(str(path), tuple(problems[:_MOST_PROBLEMS]))
    return built


def _read(path: Path) -> _Source:
    try:
        if path.stat().st_size > CRITERIA_MAX_BYTES:
            raise CriteriaError(str(path), "larger than 1 MB; give a criteria file in TOML")
        text = path.read_text("utf-8-sig")
    except OSError as problem:
        raise CriteriaError(str(path), f"cannot be read ({problem.strerror or problem}); check the name") from None
    except UnicodeDecodeError:
        raise CriteriaError(str(path), "is not UTF-8 text; give a criteria file in TOML") from None
    try:
        return _Source(str(path), text, tomllib.loads(text))
    except (ValueError, RecursionError) as problem:
        raise CriteriaError(str(path), f"is not TOML: {problem}; correct it") from None


@cache
def _file_names() -> tuple[str, ...]:
    folder = resources.files(__package__).joinpath("tables")
    return tuple(sorted(f.name for f in folder.iterdir() if f.name.endswith(".toml")))


@cache
def _file(name: str) -> _Source:
    text = resources.files(__package__).joinpath("tables", name).read_text("utf-8")
    return _Source(name, text, tomllib.loads(text))


def _shipped(name: str = "") -> tuple[_Source, ...]:
    """The shipped files; with the name of a criterion only those that may hold it (their name before the @ begins it)."""
    fitting = tuple(_file(f) for f in _file_names() if name.startswith(f.partition("@")[0]))
    return fitting or tuple(_file(f) for f in _file_names())


def _variants(source: _Source) -> list[dict[str, str]]:
    return [{"key": key, **row} for key, row in source.data["variant"].items()]


def _find_shipped(name_and_edition: str) -> tuple[_Source, dict[str, str]]:
    name, _, edition = name_and_edition.strip().partition("@")
    known = {(v["name"], str(s.data["edition"])): (s, v) for s in _shipped(name) for v in _variants(s)}
    editions = sorted((e for n, e in known if n == name), reverse=True)
    if not editions:
        hint = nearest_names(name, tuple(dict.fromkeys(k.name for k in known_criteria())))
        raise CriteriaError(name_and_edition, f"no criterion of this name; {hint} (or give a .toml file)")
    if edition and edition not in editions:
        raise CriteriaError(name_and_edition, f"no edition {edition} of {name}; known: {', '.join(editions)}")
    return known[name, edition or editions[0]]


@dataclass(frozen=True)
class _Collected:
    """Rows of a file and of what it extends, not yet checked. `place` tells in which row of this file an id stands."""

    rows: dict[str, dict[str, Any]]
    place: dict[str, int]
    problems: list[str]
    title: str
    edition: str
    units: tuple[str, ...]
    cautions: tuple[str, ...]
    sha256: str


def _build(source: _Source, variant: dict[str, str]) -> Criteria:
    """The criterion of one variant of a file, checked."""
    found = _collect(source, variant)
    problems = list(found.problems)
    rules = [r for name, row in found.rows.items() if (r := _rule(source, found, name, row, problems)) is not None]
    if wrong := [u for u in found.units if u not in ("mm", "in")]:
        problems.append(f'line {_line(source.text, None, "units")}: units has "{wrong[0]}"; write ["mm"], ["in"] or ["mm", "in"]')
    if problems:
        raise CriteriaError(source.file, tuple(problems))
    return Criteria.model_validate({
        "name": variant["name"], "title": variant["title"] or found.title, "edition": found.edition, "units": found.units,
        "rules": tuple(rules), "sha256": found.sha256, "cautions": found.cautions,
    })


def _collect(source: _Source, variant: dict[str, str]) -> _Collected:
    """The rows of one variant; `extends` brings the rows of another criterion, which single rows of this file then change."""
    problems, place = list[str](), dict[str, int]()
    data = _with_proper_lists(source, problems)
    base = _base(source, variant, problems)
    rows = {name: dict(row) for name, row in base.rows.items()} if base else {}
    for number, row in enumerate(_rule_rows(source, problems)):
        name = str(row.get("id", ""))
        if not name:
            problems.append(f'line {_line(source.text, number, None)}: a rule without "id"; give it one')
            continue
        chosen = _of_variant(row, variant.get("key", ""))
        if name in place:
            problems.append(f'line {_line(source.text, number, "id")}: the id "{name}" is used twice; give each row its own')
            name = f"{name} (second)"
        place[name] = number
        if chosen is not None:
            rows[name] = {**rows.get(name, {}), **chosen}
    for name in map(str, data.get("drop", [])):
        if rows.pop(name, None) is None:
            hint = nearest_names(name, tuple(rows))
            where = f"line {_line(source.text, None, 'drop')}"
            problems.append(f'{where}: drop names "{name}", which is no row of the extended criterion; {hint}')
    if (best := data.get("grade_at_best")) is not None:
        rows = {name: {**row, "grade": max(str(row.get("grade", "g4")), str(best))} for name, row in rows.items()}
    return _Collected(
        rows, place, problems,
        title=str(data.get("title") or (base.title if base else "")),
        edition=str(data.get("edition") or (base.edition if base else "")),
        units=tuple(data.get("units") or (base.units if base else ())),
        cautions=tuple(data.get("cautions") or (base.cautions if base else ())),
        sha256=hashlib.sha256((source.text + (base.sha256 if base else "")).encode()).hexdigest(),
    )


def _with_proper_lists(source: _Source, problems: list[str]) -> dict[str, Any]:
    """The data without top-level keys that should be lists of texts and are not."""
    wrong = [key for key in ("units", "drop", "cautions") if key in source.data
             and not (isinstance(source.data[key], list) and all(isinstance(v, str) for v in source.data[key]))]
    problems += [f'line {_line(source.text, None, key)}: {key} is not a list of texts; write {key} = ["…"]' for key in wrong]
    return {key: value for key, value in source.data.items() if key not in wrong}


def _base(source: _Source, variant: dict[str, str], problems: list[str]) -> _Collected | None:
    name = variant.get("extends") or source.data.get("extends")
    if name is None:
        return None
    try:
        found = _collect(*_find_shipped(str(name)))
    except CriteriaError as problem:
        problems.append(f'line {_line(source.text, None, "extends")}: extends "{name}": {problem.problems[0]}')
        return None
    return found


def _rule_rows(source: _Source, problems: list[str]) -> list[dict[str, Any]]:
    rows = source.data.get("rule", [])
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        problems.append(f'line {_line(source.text, None, "rule")}: rules are written as [[rule]] tables; write one [[rule]] per row')
        return []
    if not rows and "extends" not in source.data and "variant" not in source.data:
        problems.append('line 1: no [[rule]] in the file; add rows or "extends"')
    return rows


def _of_variant(row: dict[str, Any], key: str) -> dict[str, Any] | None:
    """The row as one variant has it: `per.KEY` replaces keys, and a row with `per` is only for the variants it names."""
    plain = {k: v for k, v in row.items() if k != "per"}
    per = row.get("per")
    if per is None:
        return plain
    return {**plain, **per[key]} if key in per else None


def _rule(source: _Source, found: _Collected, name: str, row: dict[str, Any], problems: list[str]) -> Rule | None:
    """One row checked; its mistakes go to `problems`."""
    number = found.place.get(name)
    for key in _one_sided(row) if set(found.units) == {"mm", "in"} else ():
        problems.append(f'line {_line(source.text, number, key)}: rule {name}: "{key}" has a figure for one of mm and in only; '
                        "print both, they are separate sets")
    try:
        return Rule.model_validate(row)
    except ValidationError as error:
        problems += [_mistake(source, number, name, mistake) for mistake in error.errors(include_url=False)]
        return None


def _mistake(source: _Source, number: int | None, name: str, mistake: Any) -> str:
    place = [str(part) for part in mistake["loc"]]
    key = next((p for p in place if not p.isdigit()), None)
    where = f"line {_line(source.text, number, place[-1] if place else None, key)}: rule {name}: "
    kind, text = mistake["type"], str(mistake["msg"])
    if kind == "extra_forbidden":
        known = tuple(Rule.model_fields) if len(place) == 1 else _KEYS_OF.get(place[-2], tuple(Rule.model_fields))
        return f'{where}unknown key "{place[-1]}"; {nearest_names(place[-1], known)}'
    if kind == "missing":
        return f'{where}"{place[-1]}" is missing; add it'
    if kind == "literal_error":
        return f'{where}"{key}" is {mistake["input"]!r}; {_nearest_of(mistake)}'
    named = f'"{key}" ' if key else ""
    return f"{where}{named}{text.removeprefix('Value error, ')}"


def _nearest_of(mistake: Any) -> str:
    choices = tuple(re.findall(r"'([^']*)'", str(mistake["ctx"]["expected"])))
    return nearest_names(str(mistake["input"]), choices)


_BAND = ("above", "from", "up_to", "below")
_KEYS_OF: dict[str, tuple[str, ...]] = {
    "when": tuple(When.model_fields), "wall": _BAND, "od": _BAND, "weld_length": _BAND, "relevant": ("quantity", *_BAND),
    "parallel": tuple(Parallel.model_fields), "boundary": tuple(Boundary.model_fields),
}


def _one_sided(row: dict[str, Any]) -> list[str]:
    """Keys of a row with a printed length in one unit set only."""
    def one_sided(value: object) -> bool:
        if isinstance(value, dict):
            return ("mm" in value) != ("in" in value) or any(one_sided(v) for v in value.values())
        return isinstance(value, list) and any(one_sided(v) for v in value)

    return [key for key, value in row.items() if key != "boundary" and one_sided(value)]


def _line(text: str, rule_number: int | None, key: str | None, outer: str | None = None) -> int:
    """The line where a key stands: in the [[rule]] of that number, or at the top; the start of the row when not found."""
    lines = text.splitlines()
    starts = [n for n, line in enumerate(lines) if re.match(r"\s*\[\[\s*rule\s*\]\]", line)]
    if rule_number is None or rule_number >= len(starts):
        first, last = 0, starts[0] if starts else len(lines)
    else:
        first, last = starts[rule_number], starts[rule_number + 1] if rule_number + 1 < len(starts) else len(lines)
    for wanted in (key, outer):
        if wanted:
            for n in range(first, last):
                if re.search(rf'(^|[\s{{,.\[])"?{re.escape(wanted)}"?\s*([=.]|\])', lines[n]):
                    return n + 1
    return first + 1
