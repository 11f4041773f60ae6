"""The `rtscan` command: picks the command file, turns every error into one line and an exit status."""

from __future__ import annotations

import ctypes
import importlib
import os
import sys
from collections.abc import Sequence
from contextlib import suppress

import typer

from rtscan import __version__
from rtscan.cli.terminal import Exit, complain
from rtscan.errors import RtscanError

COMMANDS: dict[str, str] = {
    "calibrate": "rtscan.cli.calibrate",
    "compare": "rtscan.cli.compare",
    "criteria": "rtscan.cli.criteria",
    "depth": "rtscan.cli.depth",
    "judge": "rtscan.cli.judge",
    "practise": "rtscan.cli.practise",
    "quality": "rtscan.cli.quality",
    "read": "rtscan.cli.read",
    "repair": "rtscan.cli.repair",
    "score": "rtscan.cli.score",
    "simulate": "rtscan.cli.simulate",
}
"""Command name to module; each module has `register(app)`. Only the module asked for is imported, so `rtscan` starts fast."""

_ONE_POOL = -8
"""M_ARENA_MAX of glibc's malloc.h."""


def build_app(wanted: str | None = None) -> typer.Typer:
    """The command-line application with the one command `wanted`, or with all of them when it is None or unknown."""
    app = typer.Typer(
        name="rtscan",
        help="Reads weld radiographs, judges them and plans the repair. The tool assists; it never replaces a certified interpreter.",
        no_args_is_help=True,
        add_completion=False,
        pretty_exceptions_enable=False,
    )

    @app.callback(invoke_without_command=True)
    def top(
        context: typer.Context,
        version: bool = typer.Option(False, "--version", help="Print the version and stop."),
    ) -> None:
        if version:
            typer.echo(f"rtscan {__version__}")
            raise typer.Exit

    for name, module in COMMANDS.items():
        if wanted not in COMMANDS or name == wanted:
            importlib.import_module(module).register(app)
    return app


def main(arguments: Sequence[str]) -> int:
    """Runs one command line; returns the exit status (0 done, 1 not accepted, 2 not carried out, 3 our fault, 130 interrupted)."""
    # Our matrices are small: a second thread of the linear algebra library only waits, and burns a tenth of a read's processor time at it.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    _share_freed_memory()
    wanted = next((a for a in arguments if not a.startswith("-")), None)
    try:
        status = build_app(wanted)(list(arguments), prog_name="rtscan", standalone_mode=False)
    except RtscanError as problem:
        complain(problem)
        return Exit.NOT_DONE
    except typer.Abort:
        return Exit.INTERRUPTED
    except KeyboardInterrupt:
        return Exit.INTERRUPTED
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return Exit.DONE
    except Exception as fault:
        return _last_resort(fault)
    return int(status or 0)


def _share_freed_memory() -> None:
    """Lets all threads take memory from one pool where the C library is glibc: what one has freed serves the others. With a pool for each,
    a read keeps some 70 MiB more."""
    if sys.platform == "linux":
        with suppress(OSError, AttributeError):
            ctypes.CDLL(None).mallopt(_ONE_POOL, 1)


def _last_resort(fault: Exception) -> int:
    if hasattr(fault, "format_message") and hasattr(fault, "exit_code"):
        if text := " ".join(fault.format_message().split()):
            print(f"error: {text}; see rtscan --help", file=sys.stderr)
        return Exit.NOT_DONE
    if os.environ.get("RTSCAN_DEBUG"):
        raise fault
    text = " ".join(f"{type(fault).__name__}: {fault}".split())
    print(f"error: fault in rtscan itself ({text}); please report it, RTSCAN_DEBUG=1 shows where", file=sys.stderr)
    return Exit.OUR_FAULT


def run() -> None:
    """Entry point of the installed command."""
    sys.exit(main(sys.argv[1:]))
