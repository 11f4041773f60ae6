"""What every case must hold to: how a command or a loader ends, how long it takes, what the files it wrote hold."""

from __future__ import annotations

import contextlib
import csv
import io
import json
import re
import signal
import warnings
import zipfile
from collections.abc import Callable, Iterator
from html.parser import HTMLParser
from pathlib import Path

import cv2
import numpy as np

from rtscan.cli.main import main as rtscan
from rtscan.errors import RtscanError

SECONDS, GROWTH_MB = 10.0, 1500.0


class TooSlow(BaseException):
    """Beyond the time limit; no Exception, so that nothing on the way catches it."""


class Page(HTMLParser):
    """Looks for markup from names and for anything loaded from elsewhere."""

    def __init__(self) -> None:
        super().__init__()
        self.faults: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if "rtx771" in tag or any("rtx771" in name for name, _ in attrs):
            self.faults.append(f"markup from a name: <{tag}>")
        for name, value in attrs:
            text = (value or "").strip().lower()
            if name in ("src", "srcset", "href", "xlink:href", "data", "action", "poster") and re.match(
                    r"(\w+:)?//|javascript:|file:", text):
                self.faults.append(f"loads or leads elsewhere: {name}={text[:60]}")
            if name == "style" and re.search(r"url\((?!['\"]?(data:|#))", text):
                self.faults.append("style with a url")

    def handle_data(self, data: str) -> None:
        if self.cdata_elem == "style" and re.search(r"@import|url\((?!['\"]?(data:|#))", data):
            self.faults.append("style that loads")


@contextlib.contextmanager
def quiet() -> Iterator[tuple[io.StringIO, io.StringIO]]:
    """Takes standard output and error; makes warnings of libraries errors."""
    with contextlib.redirect_stdout(io.StringIO()) as out, contextlib.redirect_stderr(io.StringIO()) as err, warnings.catch_warnings():
        warnings.simplefilter("error")
        yield out, err


@contextlib.contextmanager
def time_limit() -> Iterator[None]:
    """Raises TooSlow after 10 s of processor time, or 60 s on the clock (other jobs may hold the machine)."""

    def ring(*_: object) -> None:
        raise TooSlow

    before = [signal.signal(number, ring) for number in (signal.SIGPROF, signal.SIGALRM)]
    signal.setitimer(signal.ITIMER_PROF, SECONDS)
    signal.setitimer(signal.ITIMER_REAL, 6 * SECONDS)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.setitimer(signal.ITIMER_REAL, 0)
        for number, old in zip((signal.SIGPROF, signal.SIGALRM), before, strict=True):
            signal.signal(number, old)


def command_faults(line: tuple[str, ...]) -> tuple[str, list[str]]:
    """Runs one command line; its status in words, and what is wrong with how it ended."""
    with quiet() as (_, err):
        status = rtscan(list(line))
    text = err.getvalue()
    faults = [] if status in (0, 1, 2) else [f"status {status}: {text[-300:]}"]
    if "Traceback" in text:
        faults.append("traceback")
    faults += [f"unclear line {row[:200]!r}" for row in text.splitlines() if row and not row.startswith(("error: ", "warning: "))]
    if status == 2 and "error: " not in text and not (line[0] == "score" and "the set goes on without it" in text):
        faults.append(f"status 2 without an error line: {text[:200]!r}")
    return {0: "done", 1: "not accepted", 2: "refused"}.get(status, "FAULT"), faults


def loader_faults(call: Callable[[], object]) -> tuple[str, list[str]]:
    """The same for one reader of files."""
    try:
        with quiet():
            made = call()
    except RtscanError as refused:
        return "refused", [f"unclear line {line[:200]!r}" for line in refused.lines() if "; " not in line or "\n" in line]
    except Exception as fault:
        return "FAULT", [f"{type(fault).__name__}: {fault}"]
    holes = isinstance(made, tuple) and any(not np.isfinite(film.density).all() for film in made)
    return "done", ["picture with holes"] if holes else []


def output_faults(path: Path) -> list[str]:
    """What is wrong with one written file: half-written, markup from names, network, formulas."""
    ending, data = path.suffix.lower(), path.read_bytes()
    if re.match(r"\.[0-9a-f]{8}\.", path.name):
        return [f"left over: {path.name}"]
    try:
        if ending == ".json":
            json.loads(data)
        elif ending in (".html", ".svg"):
            page = Page()
            page.feed(data.decode())
            return page.faults if data.rstrip().endswith((b"</html>", b"</svg>")) else [f"{path.name} not whole"]
        elif ending in (".png", ".tif"):
            return [] if cv2.imread(str(path), cv2.IMREAD_UNCHANGED) is not None else [f"{path.name} not whole"]
        elif ending == ".csv":
            rows = list(csv.reader(io.StringIO(data.decode("utf-8-sig"))))
            cells = [c for row in rows for c in row if c[:1] in tuple("=+-@\t\r") and c[:1] and not re.fullmatch(r"[+-]?[\d.e+-]+", c)]
            return [f"formula in {path.name}: {c[:60]!r}" for c in cells]
        elif ending == ".xlsx":
            with zipfile.ZipFile(path) as archive:
                parts = {n: archive.read(n) for n in archive.namelist()}
            return [f"formula in {path.name}" for n, part in parts.items() if "worksheets" in n and b"<f>" in part]
    except Exception as fault:
        return [f"{path.name}: {type(fault).__name__}: {fault}"]
    return []
