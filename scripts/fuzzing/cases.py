"""One case: a mutated input, its command, the checks; and many of them."""

from __future__ import annotations

import itertools
import logging
import os
import shutil
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from fuzzing.checks import SECONDS, TooSlow, command_faults, loader_faults, output_faults, time_limit
from fuzzing.file_seeds import seeds
from fuzzing.film_mutations import BYTES
from fuzzing.film_seeds import films
from fuzzing.hostile import NAMES, Mutation, pick
from fuzzing.text_mutations import JSON, TEXT, WORKBOOK
from rtscan.job import Job
from rtscan.reading.load import load_films
from rtscan.simulate.files import load_recipe

WITH_JOB = ("--job", "job.toml")
OUT = ("--out", "out")
SHIFT = ("--shift-mm", "20", "--source-to-film-mm", "600", "--marker-side", "film")

@dataclass(frozen=True)
class Kind:
    """A kind of input: the seed it is made from, its mutations, and the command lines that take it in turn."""

    seed: str
    mutations: tuple[Mutation, ...]
    lines: tuple[tuple[str, ...], ...]


KINDS = {
    "job sheet": Kind("job.toml", TEXT, (
        ("judge", "hand.csv", *WITH_JOB, *OUT),
        ("repair", "hand.worksheet.json", *OUT),
        ("read", "film.tif", *WITH_JOB, *OUT),
        ("quality", "film.tif", *WITH_JOB, *OUT),
    )),
    "set table": Kind("set.csv", TEXT, (("score", "set.csv", "--workers", "1", *OUT),)),
    "criteria": Kind("own.toml", TEXT, (
        ("criteria", "check", "own.toml"),
        ("judge", "hand.csv", *WITH_JOB, "--criteria", "own.toml", *OUT),
    )),
    "hand list": Kind("hand.csv", TEXT, (("judge", "hand.csv", *WITH_JOB, *OUT),)),
    "worksheet JSON": Kind("hand.worksheet.json", JSON, (
        ("judge", "hand.worksheet.json", *WITH_JOB, *OUT),
        ("repair", "hand.worksheet.json", *OUT),
        ("compare", "film.worksheet.json", "hand.worksheet.json"),
        ("depth", "film.worksheet.json", "hand.worksheet.json", *SHIFT, *OUT),
    )),
    "film worksheet": Kind("film.worksheet.json", JSON, (("judge", "film.worksheet.json", *OUT), ("repair", "film.worksheet.json", *OUT))),
    "worksheet CSV": Kind("hand.worksheet.csv", TEXT, (("judge", "hand.worksheet.csv", *WITH_JOB, *OUT),)),
    "worksheet XLSX": Kind("hand.worksheet.xlsx", WORKBOOK, (("judge", "hand.worksheet.xlsx", *WITH_JOB, *OUT),)),
    "weld document": Kind("W-1.weld.json", JSON, (
        ("judge", "W-1.weld.json", *OUT),
        ("repair", "W-1.weld.json", *OUT),
        ("compare", "W-1.weld.json", "W-1.weld.json"),
    )),
    "recipe": Kind("recipe.toml", TEXT, (("simulate", "recipe.toml", *OUT),)),
}


def case(kind: str, number: int, valid: dict[str, bytes], root: Path, rng: np.random.Generator) -> tuple[str, list[str], float]:
    """One mutated input through its command: (how it ended, faults, seconds)."""
    folder = root / "a" / "b" / "case"
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    for name, content in valid.items():
        (folder / name).write_bytes(content)
    call = film_case(folder, number, rng) if kind == "film" else file_case(kind, folder, number, valid, rng)
    before = {path for path in root.rglob("*") if path.is_file()}
    start, here = time.process_time(), Path.cwd()
    os.chdir(folder)
    try:
        with time_limit():
            ended, faults = call()
    except TooSlow:
        ended, faults = "TOO SLOW", [f"longer than {SECONDS:.0f} s"]
    finally:
        os.chdir(here)
    seconds = time.process_time() - start
    written = {path for path in root.rglob("*") if path.is_file()} - before
    faults += [f"written outside its folder: {path}" for path in sorted(written) if not path.is_relative_to(folder / "out")]
    faults += [fault for path in sorted(written) for fault in output_faults(path)]
    return ended, faults, seconds


def sound(valid: dict[str, bytes], root: Path) -> list[str]:
    """Commands that do not take the unharmed seeds (the set holds an empty film): with such seeds the mutations would show nothing."""
    faults, here = [], Path.cwd()
    for name_of_kind, kind in KINDS.items():
        for line in kind.lines:
            folder = root / "sound" / "in"
            shutil.rmtree(folder, ignore_errors=True)
            folder.mkdir(parents=True)
            for name, content in valid.items():
                (folder / name).write_bytes(content)
            os.chdir(folder)
            ended, found = command_faults(line)
            os.chdir(here)
            found += [fault for path in (folder / "out").rglob("*") if path.is_file() for fault in output_faults(path)]
            if found or ended != ("refused" if line[0] == "score" else "done"):
                faults.append(f"unharmed {name_of_kind}, {line[0]}: {ended} {found}")
    shutil.rmtree(root / "sound")
    return faults


def film_case(folder: Path, number: int, rng: np.random.Generator) -> Callable[[], tuple[str, list[str]]]:
    """A mutated film; one in ten is read in full, half of those under a hostile name and unharmed."""
    ending, data = list(films().items())[number % 10]
    whole = number // 10 % 10 == 0
    named = whole and bool(rng.random() < 0.5)
    path = folder / (f"{pick(rng, NAMES)}.{ending}" if named else f"x.{ending}")
    mutation = pick(rng, BYTES)
    path.write_bytes(data if named else mutation(data, rng))
    if whole:
        return lambda: command_faults(("read", *WITH_JOB, *OUT, "--", path.name))
    return lambda: loader_faults(lambda: load_films(path, Job(), max_megapixels=16))


def file_case(kind: str, folder: Path, number: int, valid: dict[str, bytes],
              rng: np.random.Generator) -> Callable[[], tuple[str, list[str]]]:
    """A mutated file of another kind, and its command."""
    made = KINDS[kind]
    data = pick(rng, made.mutations)(valid[made.seed], rng)
    (folder / made.seed).write_bytes(data.replace(b"@ROOT@", str(folder.parents[2]).encode()))
    if kind == "recipe" and number % 10:
        return lambda: loader_faults(lambda: load_recipe(folder / made.seed) and None)
    return lambda: command_faults(made.lines[number % len(made.lines)])


def fuzz(numbers: Iterable[int], seed: int, only: str = "") -> tuple[dict[str, Counter[str]], list[str], dict[str, tuple[float, int]]]:
    """The cases of these numbers, in turn over the kinds (half of them films): outcomes per kind, faults, slowest case per kind."""
    logging.disable(logging.CRITICAL)
    kinds = [only] if only else [k for pair in zip(itertools.repeat("film"), KINDS) for k in pair]
    outcomes: dict[str, Counter[str]] = {kind: Counter() for kind in kinds}
    slowest = dict.fromkeys(kinds, (0.0, -1))
    with tempfile.TemporaryDirectory() as scratch:
        root = Path(scratch).resolve()
        (root / "seeds").mkdir()
        valid = seeds(root / "seeds")
        faults = sound(valid, root)
        for number in numbers:
            kind, turn = kinds[number % len(kinds)], number // len(kinds)
            turn = turn * len(KINDS) + number % len(kinds) // 2 if kind == "film" and not only else turn
            ended, found, seconds = case(kind, turn, valid, root, np.random.default_rng([seed, number]))
            outcomes[kind][ended] += 1
            faults += [f"case {number}, {kind}: {fault}" for fault in found]
            slowest[kind] = max(slowest[kind], (seconds, number))
    logging.disable(logging.NOTSET)
    return outcomes, faults, slowest
