"""Imports what a reading needs only at its end while its arrays are still being worked on: a second core is idle then."""

from __future__ import annotations

import contextlib
import importlib
from threading import Thread

LATE = ("onnxruntime", "xraydb", "jinja2", "openpyxl")


def import_ahead() -> None:
    """Starts importing the heavy libraries of a reading in the background. Whoever needs one waits for it as for any import; one that
    is missing complains where it is needed."""
    Thread(target=_import_all, daemon=True).start()


def _import_all() -> None:
    for name in LATE:
        with contextlib.suppress(ImportError):
            importlib.import_module(name)
