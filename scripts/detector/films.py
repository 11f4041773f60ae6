"""Simulated films read up to the candidates, with the truth laid over the detection grid."""

from __future__ import annotations

import copy
import json
import os
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from draw import draw_recipe, evenly_flawed

from rtscan.film import Arc, Background, Film, Marks, Weld
from rtscan.findings import Indication
from rtscan.job import Job, load_job
from rtscan.reading.background import estimate_background
from rtscan.reading.load import load_films
from rtscan.reading.marks import find_marks
from rtscan.reading.straighten import straighten
from rtscan.reading.weld_band import find_weld

KIND_OF = (
    ("2015", "cavity"),
    ("2016", "cavity"),
    ("2024", "cavity"),
    ("2025", "cavity"),
    ("20", "pore"),
    ("516", "pore"),
    ("304", "metal"),
    ("30", "slag"),
    ("401", "lack of fusion"),
    ("402", "lack of penetration"),
    ("517", "lack of fusion"),
    ("10", "crack"),
    ("501", "undercut"),
    ("511", "undercut"),
    ("515", "concavity"),
    ("510", "concavity"),
    ("504", "excess metal"),
    ("502", "excess metal"),
    ("602", "spatter"),
    ("601", "spatter"),
)


def kind_of(iso6520: str) -> str:
    """The network's kind of a reference number."""
    return next((kind for head, kind in KIND_OF if iso6520.startswith(head)), "slag")


@dataclass(frozen=True)
class Truth:
    """One true indication of a film."""

    indication: Indication
    detectability: float
    outline_px: np.ndarray


@dataclass(frozen=True)
class ReadFilm:
    """A simulated film read up to the background. `weld` None: not found."""

    number: int
    clean: bool
    technique: str
    film: Film
    job: Job
    weld: Weld | None
    backgrounds: tuple[Background, ...]
    truths: tuple[Truth, ...]
    objects: tuple[dict[str, Any], ...]
    groups: tuple[dict[str, Any], ...]


@dataclass(frozen=True)
class SimulatedFiles:
    """A film of a draw on the disk with the job sheet it is read with (three in ten say no more than scale and look). `rng` goes on
    where the film's draw ended. `sound`: the same film, grain for grain, without its imperfections, where it was asked for."""

    number: int
    clean: bool
    technique: str
    film: Path
    job: Job
    key: dict[str, Any]
    rng: np.random.Generator
    sound: Path | None = None


def simulate_files(seed: int, number: int, clean_share: float, folder: Path, even: bool = False, twin: bool = False) -> SimulatedFiles:
    """Film `number` of the draw with `seed`, written into `folder`; `even`: with `evenly_flawed`; `twin`: the sound film too."""
    from rtscan.simulate.files import write_film
    from rtscan.simulate.render import render

    rng = np.random.default_rng([seed, number])
    clean = bool(rng.random() < clean_share)
    recipe = draw_recipe(rng, clean, f"film-{number:04d}")
    if even:
        recipe = evenly_flawed(recipe, rng)
    started = copy.deepcopy(rng)
    files = write_film(render(recipe, rng), folder)
    sound = write_film(render(recipe.model_copy(update={"imperfections": ()}), started), folder / "sound").film if twin else None
    job = load_job(files.job)
    if rng.random() < 0.3:
        job = Job.model_validate({"film": {"pixels_per_mm": job.film.pixels_per_mm, "look": job.film.look}})
    key = json.loads(files.key.read_text(encoding="utf-8"))
    return SimulatedFiles(number, clean, recipe.exposure.technique, files.film, job, key, rng, sound)


def film_folder() -> tempfile.TemporaryDirectory[str]:
    """A folder for one film, in memory where the system has one there."""
    return tempfile.TemporaryDirectory(dir="/dev/shm" if os.path.isdir("/dev/shm") else None)


def simulate_and_read(seed: int, number: int, clean_share: float, true_band: bool = False, even: bool = False) -> ReadFilm:
    """Film `number` of the draw with `seed`: simulated, written, loaded and read up to the background.

    true_band: take the weld band from the answer key, moved and stretched a little, so that training does not learn from lost bands.
    even: every kind of flaw as frequent as the others.
    """
    with film_folder() as place:
        made = simulate_files(seed, number, clean_share, Path(place), even)
        film = load_films(made.film, made.job)[0]
    marks = find_marks(film, made.job)
    weld = _true_weld(made.key, film, made.rng) if true_band else find_weld(film, made.job, marks)
    return _read(made, film, marks, weld)


@dataclass(frozen=True)
class Twins:
    """A film as drawn and, strip for strip, the backgrounds of the same film without its imperfections; blur of its set-up, mm."""

    flawed: ReadFilm
    sound: tuple[Background, ...]
    unsharpness_mm: float


def simulate_twins(seed: int, number: int, clean_share: float, even: bool) -> Twins:
    """Film `number` of the draw with and without its imperfections, both read along the true weld band (moved and stretched a little)
    and with the marks found on the first."""
    with film_folder() as place:
        made = simulate_files(seed, number, clean_share, Path(place), even, twin=True)
        film, sound = (load_films(path, made.job)[0] for path in (made.film, made.sound or made.film))
    marks = find_marks(film, made.job)
    weld = _true_weld(made.key, film, made.rng)
    backgrounds = tuple(estimate_background(s) for s in straighten(sound, weld, marks)) if weld else ()
    return Twins(_read(made, film, marks, weld), backgrounds, float(made.key["unsharpness_mm"]))


def _true_weld(key: dict[str, Any], film: Film, rng: np.random.Generator) -> Weld | None:
    arcs = []
    pitch = film.pixels_per_mm or 20.0
    for row in key["weld"]["arcs"]:
        left, right = (_resampled(np.array(row[name], dtype=float)) for name in ("left_edge_px", "right_edge_px"))
        across = (right - left) / np.maximum(np.hypot(*(right - left).T), 1e-9)[:, None]
        shift = across * rng.normal(0, 0.4) * pitch
        wider = [across * rng.normal(0.15, 0.5) * pitch for _ in range(2)]
        arcs.append(Arc(row["wall"], (left + right) / 2 + shift, left + shift - wider[0], right + shift + wider[1], None))
    return Weld(tuple(arcs), "image") if arcs else None


def _resampled(line: np.ndarray, count: int = 160) -> np.ndarray:
    length = np.r_[0, np.cumsum(np.hypot(*np.diff(line, axis=0).T))]
    return np.stack([np.interp(np.linspace(0, length[-1], count), length, line[:, k]) for k in (0, 1)], axis=1)


def _read(made: SimulatedFiles, film: Film, marks: Marks, weld: Weld | None) -> ReadFilm:
    backgrounds = tuple(estimate_background(s) for s in straighten(film, weld, marks)) if weld else ()
    truths, objects, groups = true_indications(made.key), tuple(made.key["objects"]), tuple(made.key["groups"])
    return ReadFilm(made.number, made.clean, made.technique, film, made.job, weld, backgrounds, truths, objects, groups)


def true_indications(key: dict[str, Any]) -> tuple[Truth, ...]:
    """The indications of an answer key."""
    names = Indication.__dataclass_fields__
    return tuple(
        Truth(
            Indication(**{k: v for k, v in row.items() if k in names and k not in ("alternatives", "nearest")}),
            row["detectability"],
            np.array(row["true_outline_px"], dtype=float),
        )
        for row in key["indications"]
    )


def truth_on_grid(read: ReadFilm, background: Background, shape: tuple[int, int], grow_mm: float = 0.0) -> list[np.ndarray]:
    """For each truth of the film its mask on a detection grid of `shape`, grown by `grow_mm`; empty where it lies elsewhere."""
    xy = background.strip.film_xy
    rows = np.linspace(0, xy.shape[0] - 1, shape[0])
    columns = np.linspace(0, xy.shape[1] - 1, shape[1])
    coarse = cv2.remap(xy, *np.meshgrid(columns.astype(np.float32), rows.astype(np.float32)), cv2.INTER_LINEAR)
    masks = []
    pitch = read.film.pixels_per_mm or 20.0
    margin = grow_mm * pitch + 2
    for truth in read.truths:
        line = truth.outline_px
        low, high = line.min(axis=0) - margin, line.max(axis=0) + margin
        size = np.ceil(high - low).astype(int) + 1
        picture = np.zeros((size[1], size[0]), dtype=np.uint8)
        cv2.fillPoly(picture, [np.round((line - low) * 16).astype(np.int32)], 255, shift=4)
        cv2.polylines(picture, [np.round((line - low) * 16).astype(np.int32)], True, 255, 1, shift=4)
        if grow_mm:
            reach = 2 * round(grow_mm * pitch) + 1
            picture = cv2.dilate(picture, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach)))
        inside = (coarse[..., 0] > low[0]) & (coarse[..., 0] < high[0]) & (coarse[..., 1] > low[1]) & (coarse[..., 1] < high[1])
        mask = np.zeros(shape, dtype=bool)
        if inside.any():
            r0, r1 = np.flatnonzero(inside.any(axis=1))[[0, -1]]
            c0, c1 = np.flatnonzero(inside.any(axis=0))[[0, -1]]
            part = coarse[r0 : r1 + 1, c0 : c1 + 1] - low.astype(np.float32)
            value = cv2.remap(
                picture, np.ascontiguousarray(part[..., 0]), np.ascontiguousarray(part[..., 1]), cv2.INTER_LINEAR, borderValue=0
            )
            mask[r0 : r1 + 1, c0 : c1 + 1] = value > 100
        masks.append(mask)
    return masks
