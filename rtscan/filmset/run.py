"""Runs a film set: every film once, in parallel, resumable at any moment; then the welds."""

from __future__ import annotations

import multiprocessing
import os
from collections import deque
from collections.abc import Callable, Generator, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from rtscan.errors import ListError
from rtscan.filmset.manifest import SetRow
from rtscan.filmset.one_film import FilmOutcome, FilmTask, do_task
from rtscan.filmset.state import FilmState, SetState
from rtscan.pipeline import ReadSettings

FILMS_PER_PROCESS = 100
"""A worker is replaced after this many films, so that memory cannot creep up over a long set."""
CRASHED = "the reading process died on this film (out of memory, or a broken file); read it alone to see why"
Work = Callable[[FilmTask], FilmOutcome]


@dataclass(frozen=True)
class RunSettings:
    """How a set is read. `overrides` are the job sheet values of the command line; `scheduler` an existing Dask cluster."""

    out: Path
    job: Path | None = None
    overrides: Mapping[str, Any] | None = None
    read: ReadSettings = field(default_factory=ReadSettings)
    workers: int = 0
    max_megapixels: float | None = None
    scheduler: str = ""


def tasks_of(rows: Sequence[SetRow], settings: RunSettings, known: Mapping[str, FilmState]) -> tuple[FilmTask, ...]:
    """One task per row. What the row says counts before the job sheet, the command line before both."""
    more = {} if settings.max_megapixels is None else {"max_megapixels": settings.max_megapixels}
    return tuple(
        FilmTask(row.file, row.path.absolute(), _absolute(row.job or settings.job), settings.out.absolute(),
                 {**_row_overrides(row), **(settings.overrides or {})}, settings.read, known=known.get(row.file), **more)
        for row in rows
    )


def _absolute(path: Path | None) -> Path | None:
    return path.absolute() if path else None


def _row_overrides(row: SetRow) -> dict[str, Any]:
    welders = tuple(dict.fromkeys(w for w in (row.welder_root, row.welder_fill) if w))
    stated = {
        "weld.name": row.weld, "film.segment": row.film, "film.shot": row.shot, "film.date": row.date, "weld.welders": welders,
        "location.station_at_left_mm": row.station_at_left_mm,
    }
    return {key: value for key, value in stated.items() if value not in ("", None, ())}


def run_films(tasks: Sequence[FilmTask], settings: RunSettings, state: SetState) -> Iterator[FilmOutcome]:
    """Yields the outcome of every film as it is done, each recorded in `state` before it is yielded."""
    for outcome in _outcomes(tasks, settings):
        if outcome.status in ("read", "failed") and outcome.fingerprint:
            state.record(outcome.name, FilmState(outcome.fingerprint, "read" if outcome.status == "read" else "failed",
                                                 outcome.message, outcome.outputs, outcome.seconds))
        yield outcome


def _outcomes(tasks: Sequence[FilmTask], settings: RunSettings) -> Iterator[FilmOutcome]:
    if settings.scheduler:
        yield from _on_cluster(tasks, settings.scheduler)
    elif (workers := settings.workers or os.cpu_count() or 1) == 1:
        yield from map(do_task, tasks)
    else:
        yield from _in_processes(tasks, workers, do_task)


@contextmanager
def _one_thread_each() -> Iterator[None]:
    """Several readers share the machine: processes started inside keep their numeric libraries to one thread."""
    names = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
    before = {name: os.environ.get(name) for name in names}
    os.environ.update(dict.fromkeys(names, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


def _start_worker() -> None:
    import cv2

    cv2.setNumThreads(1)


def _in_processes(tasks: Sequence[FilmTask], workers: int, work: Work) -> Iterator[FilmOutcome]:
    """Outcomes in order of completion. When a process dies, the films under way are suspects: each is tried again alone."""
    waiting, suspects = deque(tasks), list[FilmTask]()
    with _one_thread_each():
        while waiting:
            suspects += yield from _one_pool(waiting, workers, work)
        for task in suspects:
            if (yield from _one_pool(deque([task]), 1, work)):
                yield FilmOutcome(task.name, "failed", (), CRASHED)


def _one_pool(waiting: deque[FilmTask], workers: int, work: Work) -> Generator[FilmOutcome, None, tuple[FilmTask, ...]]:
    """Takes films from `waiting` until none is left or a process of the pool died; returns the films then under way."""
    context = multiprocessing.get_context("spawn")
    under_way: dict[Future[FilmOutcome], FilmTask] = {}
    pool = ProcessPoolExecutor(workers, mp_context=context, initializer=_start_worker, max_tasks_per_child=FILMS_PER_PROCESS)
    try:
        while waiting or under_way:
            while waiting and len(under_way) < 2 * workers:
                under_way[pool.submit(work, waiting[0])] = waiting[0]
                waiting.popleft()
            for future in wait(under_way, return_when=FIRST_COMPLETED).done:
                outcome = future.result()
                del under_way[future]
                yield outcome
    except BrokenProcessPool:
        return tuple(under_way.values())
    finally:
        pool.shutdown(wait=False, cancel_futures=True)
    return ()


def _on_cluster(tasks: Sequence[FilmTask], address: str) -> Iterator[FilmOutcome]:
    """The same work on an existing Dask cluster that sees the same folders."""
    try:
        from distributed import Client, as_completed
    except ImportError as problem:
        raise ListError(address, "needs the cluster extra; pip install rtscan[cluster]") from problem
    try:
        client = Client(address, timeout=10, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as problem:
        raise ListError(address, f"is not a scheduler that answers ({problem}); start it, or leave out --scheduler") from problem
    with client:
        futures = client.map(do_task, tasks, pure=False, retries=1)
        names = {future.key: task.name for future, task in zip(futures, tasks, strict=True)}
        for future in as_completed(futures, loop=client.loop):
            yield future.result() if future.status == "finished" else FilmOutcome(names[future.key], "failed", (), CRASHED)
