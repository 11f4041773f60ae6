"""The answer sheet: written blank (CSV, and XLSX with drop-down lists), read back filled in, every mistake reported together."""

from __future__ import annotations

import csv
import io
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any, Literal

from rtscan.errors import ListError
from rtscan.findings import Indication, VerdictWord
from rtscan.imperfections import by_number
from rtscan.practise.answer import MARKERS, REASONS, SECOND_SHOT, TOO_SMALL, VERDICTS, FilmAnswer
from rtscan.record_lists import COLUMNS, Cell, CellError, completed, number, open_table_file, shortened, text

Terms = Literal["iso", "api", "plain"]
FIRST = ("film", "markers", "film_fit", "why", "wire_seen")
ASKED = ("type", "iso6520", "along_mm", "across_mm", "length_mm", "width_mm", "angle_deg", "surface", "wall", "group", "note")
LAST = ("verdict", "rule", "seconds")
OF_FILM = (*FIRST[1:], *LAST)
ROWS_PER_FILM = 6
_SPECIAL = {TOO_SMALL: TOO_SMALL, "too small": TOO_SMALL, SECOND_SHOT: SECOND_SHOT, "cannot tell": SECOND_SHOT, "second shot": SECOND_SHOT}
_VERDICTS: dict[str, VerdictWord] = {
    "accept": "accept", "reject": "reject", "review": "review", "unreadable": "unreadable", SECOND_SHOT: "review", "cannot tell": "review",
    "second shot": "review"}


@dataclass(frozen=True)
class Term:
    """One choice of the type column."""

    iso6520: str
    api: str
    plain: str

    def shown(self, terms: Terms) -> str:
        """The choice as printed: the number first, then the ISO term, the API letters or the plain word."""
        entry = by_number(self.iso6520)
        iso = entry.term if entry else ""
        return f"{self.iso6520} {({'iso': iso, 'api': self.api or iso, 'plain': self.plain})[terms]}"


@cache
def load_terms() -> tuple[Term, ...]:
    """The choices of the type column, in their order."""
    data = tomllib.loads(Path(__file__).with_name("terms.toml").read_text(encoding="utf-8"))
    return tuple(Term(*row) for row in data["rows"])


def choices(terms: Terms) -> dict[str, tuple[str, ...]]:
    """Column to the answers its drop-down list offers."""
    walls = ("film", "source", "unknown")
    return {
        "markers": MARKERS, "film_fit": ("yes", "no"), "why": REASONS, "verdict": VERDICTS, "wall": walls,
        "type": (*(t.shown(terms) for t in load_terms()), TOO_SMALL, SECOND_SHOT)}


def blank_csv(films: Sequence[str]) -> str:
    """A blank sheet: a few rows per film, the columns of the indications CSV and those of the whole film."""
    file = io.StringIO()
    writer = csv.writer(file, lineterminator="\n")
    columns = (*FIRST, *ASKED, *LAST)
    writer.writerow(columns)
    for film in films:
        writer.writerows([film, *[""] * (len(columns) - 1)] for _ in range(ROWS_PER_FILM))
    return file.getvalue()


def blank_xlsx(films: Sequence[str], terms: Terms) -> bytes:
    """The same sheet as a workbook with drop-down lists."""
    from openpyxl import Workbook
    from openpyxl.styles import Font, PatternFill
    from openpyxl.utils import get_column_letter
    from openpyxl.worksheet.datavalidation import DataValidation

    book = Workbook()
    sheet, lists = book.active, book.create_sheet("choices")
    sheet.title = "answers"
    columns = (*FIRST, *ASKED, *LAST)
    sheet.append(columns)
    for place, film in enumerate(film for film in films for _ in range(ROWS_PER_FILM)):
        sheet.append([film])
        if (place // ROWS_PER_FILM) % 2:
            for cell in sheet[place + 2][:len(columns)] or ():
                cell.fill = PatternFill("solid", fgColor="EEF2F6")
    for place, (name, words) in enumerate(choices(terms).items(), 1):
        letter, column = get_column_letter(place), get_column_letter(columns.index(name) + 1)
        for row, word in enumerate((name, *words), 1):
            lists.cell(row, place, word)
        rule = DataValidation("list", f"=choices!${letter}$2:${letter}${len(words) + 1}", allow_blank=True, showErrorMessage=False)
        rule.add(f"{column}2:{column}{ROWS_PER_FILM * len(films) + 200}")
        sheet.add_data_validation(rule)
    for place, name in enumerate(columns, 1):
        sheet.cell(1, place).font = Font(bold=True)
        sheet.column_dimensions[get_column_letter(place)].width = 30 if name == "type" else 22 if name in ("why", "verdict") else 12
    sheet.freeze_panes = "B2"
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def read_answers(path: Path, films: Sequence[str]) -> tuple[FilmAnswer, ...]:
    """The answers on a filled-in sheet (CSV or XLSX), one per film of `films`, blank where nothing was answered.

    Facts of the whole film may stand in any of its rows. Raises ListError with every problem.
    """
    known = (*FIRST, *COLUMNS, *LAST)
    table = open_table_file(path, known).table(known)
    if table is None or "film" not in table.columns:
        raise ListError(str(path), "has no column film; start from the blank answer sheet")
    rows: dict[str, list[tuple[int, Mapping[str, Cell]]]] = {film: [] for film in films}
    problems: list[str] = []
    last = ""
    for line, cells in table.rows:
        last = _stem(text(cells.get("film"))) or last
        if last in rows:
            rows[last].append((line, cells))
        elif any(text(cells.get(c)) for c in table.columns if c != "film"):
            problems.append(f"line {line}: film \"{last}\" is not in this session; use the names of the blank sheet")
    answers = tuple(_answer(film, of_film, table.comma_is_decimal, problems) for film, of_film in rows.items())
    if problems:
        raise ListError(str(path), shortened(problems))
    return answers


def _stem(name: str) -> str:
    return re.sub(r"\.(tif|tiff|png)$", "", name, flags=re.IGNORECASE)


def _answer(film: str, rows: list[tuple[int, Mapping[str, Cell]]], comma: bool, problems: list[str]) -> FilmAnswer:
    answer = FilmAnswer(film)
    for line, cells in rows:
        try:
            facts = {name: _film_fact(name, cells.get(name), comma) for name in OF_FILM}
            given: dict[str, Any] = {name: value for name, value in facts.items() if value is not None}
            for name, value in given.items():
                if getattr(answer, name) not in (None, "", (), value):
                    raise CellError(f"{name} is answered twice for {film} and differs; keep one")
            answer = replace(answer, **given)
            answer = _with_mark(answer, cells, comma)
        except CellError as problem:
            problems.append(f"line {line}: {problem}")
    return answer


def _film_fact(name: str, cell: Cell, comma: bool) -> object:
    """The value under the name of the FilmAnswer field; None when blank. Raises CellError."""
    word = text(cell).lower()
    if not word:
        return None
    if name == "film_fit":
        return _chosen(name, word, {"yes": True, "no": False, "y": True, "n": False, "true": True, "false": False, "1": True, "0": False})
    if name == "markers":
        return _chosen(name, word, {m: m for m in MARKERS})
    if name == "verdict":
        return _chosen(name, word, _VERDICTS)
    if name == "seconds":
        seconds = number(cell, comma)
        if seconds is not None and not 0 <= seconds <= 86400:
            raise CellError("seconds must lie between 0 and 86400; correct it")
        return seconds
    if name == "wire_seen":
        found = re.fullmatch(r"w?\s*(\d{1,2})(?:\.0)?", word)
        if not found or not 1 <= int(found[1]) <= 21:
            raise CellError(f"wire_seen \"{word}\" is not a wire number; write it like 13 or W13")
        return int(found[1])
    return text(cell)


def _chosen(name: str, word: str, words: Mapping[str, object]) -> object:
    if word not in words:
        raise CellError(f"{name} \"{word}\" is not one of {', '.join(words)}; choose one or leave it blank")
    return words[word]


def _with_mark(answer: FilmAnswer, cells: Mapping[str, Cell], comma: bool) -> FilmAnswer:
    fields: dict[str, Any] = {}
    for name in COLUMNS:
        try:
            fields[name] = COLUMNS[name](cells.get(name), comma)
        except CellError as problem:
            raise CellError(f"column {name}: {problem}") from None
    if not any(v not in (None, "") for k, v in fields.items() if k not in ("id", "note", "result")):
        return answer
    number_of = len(answer.marks) + 1
    mark = Indication(**(fields | {"id": number_of}))
    special = _SPECIAL.get(mark.type.lower())
    if special is None:
        return replace(answer, marks=(*answer.marks, _typed(mark)))
    which = "too_small" if special == TOO_SMALL else "second_shot"
    return replace(answer, marks=(*answer.marks, replace(mark, type="")), **{which: getattr(answer, which) | {number_of}})


def _typed(mark: Indication) -> Indication:
    """Type and number from the printed choice ("4011 IFD"), from API letters alone, or from a term; as `completed`."""
    found = re.search(r"\b(\d{3,4})\b", mark.type)
    if found:
        return completed(replace(mark, type="", iso6520=mark.iso6520 or found[1]))
    by_word = {word.lower(): t.iso6520 for t in reversed(load_terms()) for word in (t.api, t.plain) if word}
    iso6520 = by_word.get(mark.type.lower())
    return completed(replace(mark, type="", iso6520=mark.iso6520 or iso6520) if iso6520 else mark)
