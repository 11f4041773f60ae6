"""Hostile input: 200 damaged and malicious files of every kind through the real commands; 5 000 with `scripts/fuzz_inputs`.

What each must hold to is written there. The memory bound is for the whole run, above what the process held before.
"""

from __future__ import annotations

import re
import resource
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from pydantic import BaseModel

sys.path.insert(0, str(Path(__file__).parents[1] / "scripts"))

from fuzzing.cases import fuzz
from fuzzing.checks import GROWTH_MB, command_faults, output_faults, time_limit
from fuzzing.file_seeds import JOB
from fuzzing.film_seeds import films

from rtscan.job import Job


@pytest.mark.slow
def test_two_hundred_mutated_inputs_end_in_a_result_or_clear_lines() -> None:
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    outcomes, faults, _ = fuzz(range(200), seed=20)
    assert not faults, "\n".join(faults)
    assert sum(counts.total() for counts in outcomes.values()) == 200
    assert all(counts["done"] for kind, counts in outcomes.items() if kind in ("film", "hand list", "worksheet JSON", "weld document"))
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024 - before < GROWTH_MB


def numbers_at_their_limits() -> Iterator[tuple[str, str, float]]:
    """(section, key, value) for both limits of every number of a job sheet."""
    for name, field in Job.model_fields.items():
        model = field.annotation
        assert isinstance(model, type)
        assert issubclass(model, BaseModel)
        for key, told in model.model_json_schema()["properties"].items():
            for part in (told, *told.get("anyOf", ())):
                if part.get("type") in ("number", "integer"):
                    yield from ((name, key, part[limit]) for limit in ("minimum", "maximum") if limit in part)


@pytest.mark.slow
def test_the_limits_of_every_number_of_a_job_sheet_are_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "film.tif").write_bytes(films()["tif"])
    for section, key, value in numbers_at_their_limits():
        text, known = re.subn(rf"^{key} = .*$", f"{key} = {value!r}", JOB, flags=re.M)
        (tmp_path / "job.toml").write_text(text if known else text.replace(f"[{section}]\n", f"[{section}]\n{key} = {value!r}\n"))
        with time_limit():
            ended, faults = command_faults(("quality", "film.tif", "--job", "job.toml", "--out", "out"))
        assert not faults, (section, key, value, faults)
        assert ended in ("done", "refused"), (section, key, value)


def test_the_checker_sees_markup_network_formulas_and_half_written_files(tmp_path: Path) -> None:
    for name, text in {
        "a.html": "<html><rtx771></html>", "b.html": "<html><img src='https://example.org/a.png'></html>", "c.html": "<html><p>cut",
        "d.html": "<html><style>@import 'x'</style></html>", "e.svg": "<svg><a rtx771='1'></a></svg>", "f.json": "{", "g.csv": "a\n=1+1\n",
        "h.png": "no picture", ".01234567.i.json": "{}",
    }.items():
        path = tmp_path / name
        path.write_text(text)
        assert output_faults(path), name
    good = tmp_path / "good.html"
    good.write_text("<!doctype html><html><p>&lt;rtx771&gt;</p><img src='data:image/png;base64,AA=='></html>")
    assert not output_faults(good)
