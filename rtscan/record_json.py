"""Findings to JSON and back, keys and order as in the contract. Driven by the types of the records, so a new key needs no code here.

Writing: every key is written, None as null, positions in pixels to 0.01 px, everything else exactly. Reading: unknown keys are
ignored, missing keys and nulls get the default, a value of the wrong type is an error that names its place in the file.
"""

from __future__ import annotations

import json
import math
import re
import types
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import MISSING, dataclass, fields, is_dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any, Literal, TypeVar, Union, cast, get_args, get_origin, get_type_hints

from rtscan.errors import ListError
from rtscan.findings import Check, Finding, Group, Indication, WeldDocument, Worksheet

T = TypeVar("T")
Json = dict[str, Any]

DOCUMENTS: dict[str, type[Worksheet] | type[WeldDocument]] = {"rtscan/worksheet/1": Worksheet, "rtscan/weld/1": WeldDocument}
LARGEST_FILE_BYTES = 512 * 1024 * 1024
_MOST_PROBLEMS = 20

# The contract's order where the record itself has another (fields without a default come first there); the other keys follow.
_KEY_ORDER: dict[type, tuple[str, ...]] = {
    Check: ("name", "clause", "measured", "limit", "unit", "result", "required", "unverified", "source", "says"),
    Finding: ("rule", "clause", "indications", "groups", "measured", "measured_u", "limit", "unit", "result", "unverified", "says"),
    WeldDocument: ("schema", "tool", "job_sha256", "criteria_sha256", "weld", "films", "indications", "covered_mm", "gaps", "groups"),
}


class _WrongError(Exception):
    """Problems found below one place of the document: (place, what is wrong)."""

    def __init__(self, problems: list[tuple[str, str]]) -> None:
        super().__init__(problems)
        self.problems = problems

    def below(self, place: str) -> list[tuple[str, str]]:
        """The problems as seen from one level up."""
        return [(place + (inner if inner.startswith("[") or not inner else "." + inner), text) for inner, text in self.problems]


def to_json(record: object) -> Json:
    """The record as plain dicts, lists, numbers, texts and None. Raises ListError for a number that is not finite."""
    try:
        return cast(Json, _writer(cast(Any, type(record)), False)(record))
    except _WrongError as wrong:
        raise _as_list_error(type(record).__name__, wrong) from None


def from_json(data: object, kind: type[T], file: str = "document") -> T:
    """The record of type `kind` that `data` (parsed JSON) describes. Raises ListError naming `file` and every wrong place."""
    try:
        return cast(T, _parser(cast(Any, kind))(data))
    except _WrongError as wrong:
        raise _as_list_error(file, wrong) from None


def dump(record: object) -> str:
    """The record as JSON text: one line per key, one line per entry of a list of records. Raises ListError as `to_json`."""
    lines = [f"{json.dumps(key)}: {_entry(value)}" for key, value in to_json(record).items()]
    return "{\n " + ",\n ".join(lines) + "\n}\n"


def dump_line(record: object) -> str:
    """The record as JSON text on a single line, for programs. Raises ListError as `to_json`."""
    return _text(to_json(record))


def load_document(path: Path) -> Worksheet | WeldDocument:
    """Reads a worksheet or a weld document, whichever the file says it is.

    Indications that a reader has deleted are also taken out of the groups, findings and removal that named them. Raises ListError.
    """
    data = _parse(path)
    schema = data.get("schema")
    kind = DOCUMENTS.get(schema) if isinstance(schema, str) else None
    if kind is None:
        known = " or ".join(DOCUMENTS)
        raise ListError(str(path), f"schema is {_shown(schema)}, expected {known}; give a worksheet or a weld document of this version")
    document = from_json(data, kind, str(path))
    repeated = _repeated(i.id for i in document.indications)
    if repeated:
        numbers = ", ".join(map(str, repeated[:_MOST_PROBLEMS]))
        raise ListError(str(path), f"more than one indication has the id {numbers}; give each indication its own id")
    return without_dangling(document)


def without_dangling(document: Worksheet | WeldDocument) -> Worksheet | WeldDocument:
    """The document without references to indications that are no longer in it; groups left with fewer than two members go."""
    present = {i.id for i in document.indications}
    groups = tuple(kept for g in document.groups if (kept := _kept_group(g, present)) is not None)
    group_ids = {g.id for g in groups}
    return replace(
        document,
        indications=tuple(_kept_indication(i, present, group_ids) for i in document.indications),
        groups=groups,
        findings=tuple(_kept_finding(f, present, group_ids) for f in document.findings),
        removal=tuple(i for i in document.removal if i in present),
    )


def _kept_group(group: Group, present: set[int]) -> Group | None:
    if present.issuperset(group.members):
        return group
    members = tuple(m for m in group.members if m in present)
    return replace(group, members=members, sum_length_mm=None, end_to_end_mm=None, diameter_mm=None) if len(members) > 1 else None


def _kept_indication(indication: Indication, present: set[int], groups: set[str]) -> Indication:
    nearest = indication.nearest if indication.nearest and indication.nearest.id in present else None
    group = indication.group if indication.group in groups else None
    same = nearest is indication.nearest and group == indication.group
    return indication if same else replace(indication, nearest=nearest, group=group)


def _kept_finding(finding: Finding, present: set[int], groups: set[str]) -> Finding:
    if present.issuperset(finding.indications) and groups.issuperset(finding.groups):
        return finding
    return replace(
        finding,
        indications=tuple(i for i in finding.indications if i in present),
        groups=tuple(g for g in finding.groups if g in groups),
    )


def _repeated(ids: Iterable[int]) -> list[int]:
    return sorted(i for i, times in Counter(ids).items() if times > 1)


def _parse(path: Path) -> Json:
    file = str(path)
    try:
        if path.stat().st_size > LARGEST_FILE_BYTES:
            raise ListError(file, f"larger than {LARGEST_FILE_BYTES // 2**20} MiB; give a worksheet or a weld document")
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as problem:
        raise ListError(file, f"cannot be read ({problem.strerror or problem}); check the name") from None
    except ValueError:
        raise ListError(file, "is not UTF-8 text; give a worksheet or a weld document") from None
    try:
        data = json.loads(text, parse_constant=_refuse_constant)
    except json.JSONDecodeError as problem:
        raise ListError(file, f"is not JSON (line {problem.lineno}: {problem.msg}); give a worksheet or a weld document") from None
    except (ValueError, RecursionError) as problem:
        reason = "nested too deeply" if isinstance(problem, RecursionError) else str(problem)
        raise ListError(file, f"is not usable JSON ({reason}); give a worksheet or a weld document") from None
    if not isinstance(data, dict):
        raise ListError(file, f"holds {_kind_of(data)}, expected a worksheet or a weld document; check the name")
    return data


def _refuse_constant(name: str) -> None:
    raise ValueError(f"{name} is not a number; write null for an unknown quantity")


def _as_list_error(file: str, wrong: _WrongError) -> ListError:
    problems = [f"{place or 'the document'} {text}" for place, text in wrong.problems[:_MOST_PROBLEMS]]
    more = len(wrong.problems) - len(problems)
    return ListError(file, [*problems, f"and {more} more problems of this kind; correct them"] if more > 0 else problems)


def _entry(value: object) -> str:
    if isinstance(value, list) and value and isinstance(value[0], dict):
        return "[\n  " + ",\n  ".join(map(_text, value)) + "\n ]"
    return _text(value)


def _text(value: object) -> str:
    text = json.dumps(value, ensure_ascii=False, allow_nan=False)
    return re.sub("[\ud800-\udfff]", lambda half: f"\\u{ord(half[0]):04x}", text)


# --- one parser and one writer per type, built once ------------------------------------------------------------------------

Convert = Callable[[Any], Any]


@dataclass(frozen=True)
class _Key:
    name: str
    kind: Any
    default: object


@cache
def _keys(record: type) -> tuple[_Key, ...]:
    hints = get_type_hints(record)
    by_name = {
        f.name: _Key(f.name, hints[f.name], f.default if f.default_factory is MISSING else f.default_factory())
        for f in fields(record)
    }
    return tuple(by_name[name] for name in dict.fromkeys([*_KEY_ORDER.get(record, ()), *by_name]))


@cache
def _parser(kind: Any) -> Convert:
    if is_dataclass(kind):
        return _record_parser(cast(type, kind))
    origin, inner = get_origin(kind), get_args(kind)
    if origin is Literal:
        return _choice_parser(inner)
    if origin in (Union, types.UnionType):
        some = _parser(next(k for k in inner if k is not type(None)))
        return lambda value: None if value is None else some(value)
    if origin is tuple:
        return _list_parser(_parser(inner[0])) if inner[1:] == (...,) else _fixed_parser(tuple(map(_parser, inner)))
    return {str: _parse_text, bool: _parse_bool, int: _parse_whole, float: _parse_number}[kind]


def _record_parser(record: type) -> Convert:
    keys = [(key.name, _parser(key.kind), key.default) for key in _keys(record)]

    def parse(value: Any) -> Any:
        if not isinstance(value, dict):
            raise _WrongError([("", f"is {_kind_of(value)}, expected an object with named values")])
        found: dict[str, Any] = {}
        problems: list[tuple[str, str]] = []
        for name, convert, default in keys:
            given = value.get(name)
            if given is None and default is not MISSING:
                continue
            if name not in value:
                problems.append((name, "is missing; add it"))
                continue
            try:
                found[name] = convert(given)
            except _WrongError as wrong:
                problems += wrong.below(name)
        if problems:
            raise _WrongError(problems)
        return record(**found)

    return parse


def _list_parser(convert: Convert) -> Convert:
    def parse(value: Any) -> Any:
        if type(value) is not list:
            raise _WrongError([("", f"is {_kind_of(value)}, expected a list")])
        try:
            return tuple(map(convert, value))
        except _WrongError:
            raise _WrongError(_problems_in_list(convert, value)) from None

    return parse


def _problems_in_list(convert: Convert, values: list[Any]) -> list[tuple[str, str]]:
    problems: list[tuple[str, str]] = []
    for place, value in enumerate(values):
        try:
            convert(value)
        except _WrongError as wrong:
            problems += wrong.below(f"[{place}]")
    return problems


def _fixed_parser(converts: tuple[Convert, ...]) -> Convert:
    size = len(converts)
    numbers = all(convert is _parse_number for convert in converts)

    def parse(value: Any) -> Any:
        if type(value) is not list or len(value) != size:
            raise _WrongError([("", f"is {_shown(value)}, expected a list of {size} numbers")])
        if numbers and all(type(v) is float and -math.inf < v < math.inf for v in value):
            return tuple(value)
        problems = [
            (f"[{place}]", text) for place, (convert, v) in enumerate(zip(converts, value, strict=True)) for text in _complaints(convert, v)
        ]
        if problems:
            raise _WrongError(problems)
        return tuple(convert(v) for convert, v in zip(converts, value, strict=True))

    return parse


def _complaints(convert: Convert, value: Any) -> list[str]:
    try:
        convert(value)
    except _WrongError as wrong:
        return [text for _, text in wrong.problems]
    return []


def _choice_parser(words: tuple[str, ...]) -> Convert:
    allowed = frozenset(words)

    def parse(value: Any) -> Any:
        if not isinstance(value, str) or value not in allowed:
            raise _WrongError([("", f"is {_shown(value)}, expected one of {', '.join(words)}")])
        return value

    return parse


def _parse_text(value: Any) -> str:
    if not isinstance(value, str):
        raise _WrongError([("", f"is {_kind_of(value)}, expected a text")])
    return value


def _parse_bool(value: Any) -> bool:
    if not isinstance(value, bool):
        raise _WrongError([("", f"is {_kind_of(value)}, expected true or false")])
    return value


def _parse_number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise _WrongError([("", f"is {_kind_of(value)}, expected a number")])
    if not abs(value) <= 1e300:
        raise _WrongError([("", "is too large for a number; write null for an unknown quantity")])
    return float(value)


def _parse_whole(value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int | float) or value != value // 1:
        raise _WrongError([("", f"is {_shown(value)}, expected a whole number")])
    if abs(value) >= 2**53:
        raise _WrongError([("", "is too large for a whole number; correct it")])
    return int(value)


@cache
def _writer(kind: Any, pixels: bool) -> Convert:
    if is_dataclass(kind):
        return _record_writer(cast(type, kind))
    origin, inner = get_origin(kind), get_args(kind)
    if origin in (Union, types.UnionType):
        some = _writer(next(k for k in inner if k is not type(None)), pixels)
        return lambda value: None if value is None else some(value)
    if origin is tuple:
        return _list_writer(_writer(inner[0], pixels))
    if kind is float:
        return _write_pixel if pixels else _write_number
    return {str: str, bool: bool, int: int}.get(kind, str)


def _record_writer(record: type) -> Convert:
    keys = [(key.name, _writer(key.kind, key.name.endswith("_px"))) for key in _keys(record)]

    def write(value: Any) -> Json:
        written: Json = {}
        for name, convert in keys:
            try:
                written[name] = convert(getattr(value, name))
            except _WrongError as wrong:
                raise _WrongError(wrong.below(name)) from None
        return written

    return write


def _list_writer(convert: Convert) -> Convert:
    def write(values: Any) -> list[Any]:
        try:
            return [convert(value) for value in values]
        except _WrongError:
            raise _WrongError(_problems_in_list(convert, list(values))) from None

    return write


def _write_number(value: Any) -> float:
    if not math.isfinite(value):
        raise _WrongError([("", f"is {value}, which is not a number; use None for an unknown quantity")])
    return float(value)


def _write_pixel(value: Any) -> float:
    return round(_write_number(value), 2)


def _kind_of(value: object) -> str:
    names = {dict: "an object", list: "a list", str: "a text", bool: "true or false", type(None): "null"}
    return names.get(type(value), "a number")


def _shown(value: object) -> str:
    text = json.dumps(value, ensure_ascii=True, default=str)
    return text if len(text) <= 60 else text[:57] + "..."
