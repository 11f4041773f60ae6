"""`rtscan repair`: what must come out of a weld, as a sheet and as strips that lie beside it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from rtscan.cli.terminal import Exit, warn
from rtscan.errors import FilmError

if TYPE_CHECKING:
    from rtscan.film import Film
    from rtscan.findings import FilmFacts, WeldDocument, Worksheet


def register(app: typer.Typer) -> None:
    """Adds the command to `app`."""
    app.command("repair", help="Write the repair sheet and the wrap-around strips of a judged worksheet or weld document.")(repair)


def repair(
    sheet: Annotated[Path, typer.Argument(metavar="SHEET.json", help="A worksheet or a weld document.")],
    circumference_mm: Annotated[float | None, typer.Option(min=1.0, help="Circumference of this pipe, taped beside the weld.")] = None,
    units: Annotated[Literal["mm", "in"], typer.Option(help="Units of the printed lengths.")] = "mm",
    paper: Annotated[Literal["A4", "Letter"] | None, typer.Option(help="Paper; A4, or Letter with inches.")] = None,
    practice: Annotated[Path | None, typer.Option(metavar="FILE.toml", help="Own lengths and notes: a changed practice.toml.")] = None,
    out: Annotated[Path, typer.Option(help="Folder for the sheet and the strips.")] = Path("repairs"),
) -> int:
    """Plans and writes; the exit status is that of the contract."""
    from rtscan.record_json import load_document
    from rtscan.repair.plan import make_plan
    from rtscan.repair.practice import load_practice
    from rtscan.report.repair_files import write_repair_files

    document = load_document(sheet)
    plan = make_plan(document, circumference_mm, units, load_practice(practice), str(sheet))
    films, missing = _films(document, sheet.parent)
    paths = write_repair_files(plan, document, films, missing, out, _stem(sheet), paper or ("Letter" if units == "in" else "A4"))
    for text in (*missing, *plan.warnings):
        warn(text)
    typer.echo(f"{plan.stamp + ' ' if plan.stamp else ''}{len(plan.stretches)} stretches to take out; see {paths[0]}")
    return Exit.DONE


def _stem(sheet: Path) -> str:
    name = sheet.name
    for ending in (".worksheet.json", ".weld.json", ".json"):
        if name.lower().endswith(ending):
            return name[: -len(ending)]
    return name


def _films(document: Worksheet | WeldDocument, folder: Path) -> tuple[dict[str, Film], tuple[str, ...]]:
    """The films of the marks to remove, by file name in the document, and a sentence for each that cannot be shown."""
    from rtscan.report.repair_pictures import film_facts, film_name

    wanted = {film_name(document, i) for i in document.indications if i.id in set(document.removal)}
    films: dict[str, Film] = {}
    missing = []
    for facts in film_facts(document):
        if facts.file not in wanted:
            continue
        found = _load(facts, folder)
        if isinstance(found, str):
            missing.append(found)
        else:
            films[facts.file] = found
    if not any(wanted) and document.removal:
        missing.append("No film is named on the list: no pictures of the marks.")
    return films, tuple(missing)


def _load(facts: FilmFacts, folder: Path) -> Film | str:
    """The film, or why it cannot be shown."""
    from rtscan.job import Job
    from rtscan.reading.load import load_films

    stated = Path(facts.file)
    path = next((p for p in (folder / stated, folder / stated.name, stated) if p.is_file()), None)
    if path is None:
        return f"{stated.name} is not beside the sheet: no pictures of its marks."
    scale = {"pixels_per_mm": facts.pixels_per_mm} if facts.pixels_per_mm else {}
    job = Job.model_validate({"film": {"look": facts.look, "grey_is": facts.grey_is, **scale}})
    try:
        films = [f for f in load_films(path, job) if f.facts.page == facts.page]
    except FilmError as problem:
        return f"{stated.name} cannot be shown: {problem.problems[0]}."
    if not films:
        return f"{stated.name} has no page {facts.page}: no pictures of its marks."
    if facts.sha256 and films[0].facts.sha256 != facts.sha256:
        return f"{stated.name} is not the film that was read (it has changed since): no pictures of its marks."
    return films[0]
