"""Deals a practice session into a folder: films, screen pictures, job sheets, blank answer sheets, the sealed key."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

from rtscan.acceptance.library import load_criteria
from rtscan.errors import OutputError
from rtscan.job import Technique
from rtscan.practise.answer_sheet import Terms, blank_csv, blank_xlsx
from rtscan.practise.draw import DealtFilm, Focus, density_of, draw_films, plan_session
from rtscan.practise.levels import DEFAULT_FILE, find_level, load_levels
from rtscan.practise.pages import text_page
from rtscan.practise.sealed import NAME, seal
from rtscan.practise.windows import window_picture, windows_of
from rtscan.simulate.files import key_text, write_film
from rtscan.simulate.render import SimulatedFilm
from rtscan.writing import write_bytes, write_text


@dataclass(frozen=True)
class Wanted:
    """What to deal. `techniques` are dealt in turn; `focus` weighs what the trainee misses."""

    films: int
    level: int
    techniques: tuple[Technique, ...]
    criteria: str
    seed: int
    terms: Terms = "iso"
    focus: Focus | None = None
    levels_file: Path = DEFAULT_FILE


def deal(wanted: Wanted, out: Path) -> Iterator[str]:
    """Writes the session into `out`, yielding the name of each film as it is done; the answer sheets and the key come last.

    Raises OutputError when the folder holds a session already, ListError and CriteriaError for what was asked.
    """
    if (out / NAME).exists():
        raise OutputError(str(out), "holds a practice session already; choose a new folder with --out")
    level, criteria = find_level(wanted.level, wanted.levels_file), load_criteria(wanted.criteria)
    name = _own_criteria(wanted.criteria, out)
    rng = np.random.default_rng(wanted.seed)
    plans = plan_session(level, wanted.films, rng)
    sealed: list[dict[str, Any]] = []
    focus = wanted.focus or Focus({})
    for dealt in draw_films(plans, level, load_levels(wanted.levels_file), wanted.techniques, name, focus, rng):
        sealed.append(_write_film(dealt, out))
        yield dealt.plan.name
    names = [plan.name for plan in plans]
    write_text(out / "answers.csv", blank_csv(names))
    write_bytes(out / "answers.xlsx", blank_xlsx(names, wanted.terms))
    write_text(out / "films.csv", "file,job\n" + "".join(f"{n}.tif,{n}.job.toml\n" for n in names))
    write_text(out / "START_HERE.txt", text_page("start_here.j2", level=level, criteria=criteria, terms=wanted.terms,
                                                 pairs=[p.name for p in plans if p.pair], first=names[0] if names else ""))
    now = datetime.now(UTC)
    seal({"id": f"{now:%Y%m%dT%H%M%S}-{wanted.level}-{wanted.seed}", "level": wanted.level, "technique": " ".join(wanted.techniques),
          "criteria": name, "terms": wanted.terms, "films": sealed}, out)


def _own_criteria(name: str, out: Path) -> str:
    """The name of shipped criteria as it is; a file of one's own is copied into the session and named from there."""
    path = Path(name)
    if not path.is_file():
        return name
    write_bytes(out / path.name, path.read_bytes())
    return path.name


def _write_film(dealt: DealtFilm, out: Path) -> dict[str, Any]:
    """Writes one film without its key, and gives what goes into the sealed key."""
    _write_without_key(dealt.film, out, True)
    _write_pictures(dealt.film, dealt, out, dealt.plan.name)
    if dealt.second is not None:
        _write_without_key(dealt.second, out, False)
        _write_pictures(dealt.second, dealt, out, f"{dealt.plan.name}b")
    key = json.loads(key_text(dealt.key, dealt.film.recipe))
    return {"name": dealt.plan.name, "key": key, "unfit": list(dealt.unfit), "markers": dealt.plan.markers,
            "wire_seen": dealt.fitness.wire_seen}


def _write_without_key(film: SimulatedFilm, out: Path, with_job: bool) -> None:
    """The film file, and its job sheet, moved over from a folder of their own, so that the open key never lies beside them."""
    with TemporaryDirectory(prefix="rtscan-") as folder:
        written = write_film(film, Path(folder))
        for path in (written.film, written.job) if with_job else (written.film,):
            write_bytes(out / path.name, path.read_bytes())


def _write_pictures(film: SimulatedFilm, dealt: DealtFilm, out: Path, stem: str) -> None:
    density = density_of(film)
    for window in windows_of(density, dealt.key.density_weld, dealt.key.density_parent):
        write_bytes(out / f"{stem}.{window.name}.png", window_picture(density, window, film.recipe.scan.pixels_per_mm))
