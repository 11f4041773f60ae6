"""`rtscan depth`: depth of indications from two exposures with the source moved along the weld."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from rtscan.cli.terminal import Exit, warn
from rtscan.errors import ListError

if TYPE_CHECKING:
    from rtscan.findings import Worksheet
    from rtscan.repair_records import Depth


def register(app: typer.Typer) -> None:
    """Adds the command to `app`."""
    app.command("depth", help="Depth of indications from two exposures between which the source moved along the weld.")(depth)


def depth(
    first: Annotated[Path, typer.Argument(metavar="A.worksheet.json", help="The first exposure.")],
    second: Annotated[Path, typer.Argument(metavar="B.worksheet.json", help="The second exposure.")],
    shift_mm: Annotated[float, typer.Option(help="How far the source moved from A to B, positive with the growing stations.")],
    source_to_film_mm: Annotated[float, typer.Option(min=1.0, help="Distance from source to film.")],
    marker_side: Annotated[Literal["film", "source"], typer.Option(help="Side of the wall with the marker from which stations count.")],
    outside_is: Annotated[Literal["film", "source"] | None, typer.Option(help="Side that is the outside; else from the technique.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="One line of JSON per indication on standard output.")] = False,
    out: Annotated[Path | None, typer.Option(help="Folder for a copy of the first worksheet with the depths filled in.")] = None,
) -> int:
    """Measures and prints; the exit status is that of the contract."""
    from rtscan.record_json import dump, dump_line
    from rtscan.repair.depth import measure_depths, with_depths
    from rtscan.writing import write_text

    sheets = [_worksheet(path) for path in (first, second)]
    if out is not None and (out / first.name).resolve() == first.resolve():
        raise ListError(str(first), "would be replaced by its copy with depths; choose another folder with --out")
    found = measure_depths(sheets[0], sheets[1], shift_mm, source_to_film_mm, marker_side, outside_is, file=str(second))
    for one in found.depths:
        typer.echo(dump_line(one) if as_json else _line(one))
    for text in found.not_found:
        warn(text)
    if not found.depths:
        warn("no depth found; check which film is the first, the sign of the shift and the side of the marker")
    if out is not None:
        write_text(out / first.name, dump(with_depths(sheets[0], found)))
    return Exit.DONE


def _worksheet(path: Path) -> Worksheet:
    from rtscan.findings import Worksheet as Sheet
    from rtscan.record_json import load_document

    document = load_document(path)
    if not isinstance(document, Sheet):
        raise ListError(str(path), "is a weld document; give the worksheets of the two films")
    return document


def _line(depth: Depth) -> str:
    places = [f"{depth.from_film_side_mm:.1f} mm from the film side"]
    if depth.from_source_side_mm is not None:
        places.append(f"{depth.from_source_side_mm:.1f} mm from the source side")
    known = depth.depth_mm is not None
    outside = f"{depth.depth_mm:.1f} mm below the outside" if known else "outside not known, say which side it is with --outside-is"
    head = f"No. {depth.indication} (No. {depth.partner} on the second film)"
    return f"{head}: {', '.join(places)}, ± {depth.depth_u_mm:.1f} mm; {outside}; {depth.says}"
