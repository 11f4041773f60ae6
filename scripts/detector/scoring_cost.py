"""Processor time and peak memory of one piece of work in this process."""

from __future__ import annotations

import contextlib
import gc
import re
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

T = TypeVar("T")
PROC = Path("/proc/self")


@dataclass(frozen=True)
class Cost:
    """Seconds of processor time of all threads; peak resident memory in MiB of the whole process meanwhile, None where the system cannot
    tell."""

    seconds: float
    peak_mib: float | None


def with_cost(work: Callable[[], T]) -> tuple[T, Cost]:
    """The result of the work and what it cost. The peak is that of the work, not of what the process did before."""
    gc.collect()
    known = _forget_peak()
    start = time.process_time()
    result = work()
    return result, Cost(time.process_time() - start, _peak_mib() if known else None)


def _forget_peak() -> bool:
    """Sets the high-water mark of resident memory back to what is held now (Linux: proc(5), clear_refs)."""
    with contextlib.suppress(OSError):
        (PROC / "clear_refs").write_text("5")
        return True
    return False


def _peak_mib() -> float | None:
    with contextlib.suppress(OSError):
        found = re.search(r"^VmHWM:\s+(\d+) kB", (PROC / "status").read_text(), flags=re.M)
        return int(found.group(1)) / 1024 if found else None
    return None
