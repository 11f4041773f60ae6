"""Charts of the practice pages, as SVG in a data address. Shape, line style and words carry the meaning, colour only helps."""

from __future__ import annotations

import base64
import io
from collections.abc import Sequence
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np

from rtscan.practise.agreement import SizeAgreement
from rtscan.practise.reliability import Curve, HitMiss

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

BLUE, ORANGE, GREEN, PURPLE, INK = "#0072b2", "#d55e00", "#009e73", "#aa4499", "#1b1b1b"
"""Blue, vermilion and green of the Okabe-Ito set, told apart with any colour vision."""
STYLES: tuple[tuple[str, Any, str], ...] = (
    (BLUE, "-", "o"), (ORANGE, "--", "s"), (GREEN, "-.", "^"), (PURPLE, ":", "D"), (INK, (0, (5, 1)), "v"), ("#56b4e9", (0, (1, 1)), "P"))


def curve_chart(curve: Curve, table: HitMiss, label: str) -> str:
    """Hits and misses, the fitted curve with its lower bound, and where a50, a90 and a90/95 lie."""
    figure, axes = _axes(6.6, 3.6)
    _draw_targets(axes, table)
    reach = max(curve.largest, min(curve.a90_95_lr or 0.0, 2.5 * curve.largest)) * 1.05
    grid = np.linspace(curve.smallest * 0.5 if curve.scale == "log" else 0.0, reach, 300)
    if curve.scale == "log":
        grid = np.geomspace(curve.smallest * 0.8, reach, 300)
    if curve.kind != "none":
        axes.plot(grid, curve.pod(grid), color=BLUE, lw=2, label="fitted curve" if curve.kind == "likelihood" else "penalised curve")
        lower = curve.wald_lower(grid)
        if lower is not None:
            axes.plot(grid, lower, color=BLUE, lw=1.2, ls="--", label="lower 95 % bound (Wald)")
    marks = ((curve.a50, "a50", 0.5, "v"), (curve.a90, "a90", 0.9, "^"), (curve.a90_95_lr, "a90/95", 0.9, "s"))
    for size, name, level, marker in marks:
        if size is not None and size <= reach:
            axes.plot([size], [level], marker=marker, color=ORANGE, ms=8, ls="none", label=f"{name} = {size:.3g}")
    axes.set(xlabel=label, ylabel="probability of detection", ylim=(-0.08, 1.08))
    if curve.scale == "log":
        axes.set_xscale("log")
        _plain_ticks(axes)
    axes.axhline(0.9, color=INK, lw=0.6, ls=":")
    axes.legend(fontsize=8, loc="center left", bbox_to_anchor=(1.01, 0.5), frameon=False)
    return _svg(figure)


def size_chart(read_mm: Sequence[float], true_mm: Sequence[float], agreement: SizeAgreement) -> str:
    """Bland-Altman: read minus true against their mean, with bias and limits of agreement."""
    figure, axes = _axes(6.6, 3.2)
    read, true = np.asarray(read_mm, dtype=np.float64), np.asarray(true_mm, dtype=np.float64)
    axes.plot((read + true) / 2, read - true, "o", color=BLUE, mfc="none", ms=6)
    lines = ((agreement.bias_mm, "-", "bias"), (agreement.low_mm, "--", "lower limit"), (agreement.high_mm, "--", "upper limit"))
    for value, style, name in lines:
        if value is not None:
            axes.axhline(value, color=ORANGE, ls=style, lw=1.5, label=f"{name} {value:+.2f} mm")
    axes.axhline(0, color=INK, lw=0.6, ls=":")
    axes.set(xlabel="mean of read and true length, mm", ylabel="read minus true, mm")
    axes.legend(fontsize=8, loc="center left", bbox_to_anchor=(1.01, 0.5), frameon=False)
    return _svg(figure)


def progress_chart(dates: Sequence[str], series: Sequence[tuple[str, Sequence[float | None]]], what: str) -> str:
    """Shares over the sessions, one line each, told apart by marker, line style and a name at the end."""
    figure, axes = _axes(7.2, 3.4)
    places = range(1, len(dates) + 1)
    for (name, shares), (colour, style, marker) in zip(series, STYLES, strict=False):
        known = [(k, s) for k, s in zip(places, shares, strict=True) if s is not None]
        if known:
            axes.plot([k for k, _ in known], [100 * s for _, s in known], color=colour, ls=style, marker=marker, ms=6, label=name)
    axes.set(ylabel=f"{what}, %", ylim=(-4, 104), xlabel="session")
    axes.set_xticks(list(places), [_short(d) for d in dates], rotation=0 if len(dates) < 9 else 90, fontsize=8)
    axes.legend(fontsize=8, loc="center left", bbox_to_anchor=(1.01, 0.5), frameon=False)
    return _svg(figure)


def _short(day: str) -> str:
    try:
        return f"{date.fromisoformat(day[:10]):%d %b}"
    except ValueError:
        return day


def _draw_targets(axes: Axes, table: HitMiss) -> None:
    """Single targets as rings at the top (hit) and crosses at the bottom (missed); grouped sizes as their share of hits."""
    if (table.trials == 1).all():
        hit = table.hits > 0
        axes.plot(table.size[hit], np.full(int(hit.sum()), 1.03), "o", color=INK, mfc="none", ms=5, label="hit")
        axes.plot(table.size[~hit], np.full(int((~hit).sum()), -0.03), "x", color=INK, ms=5, label="missed")
    else:
        axes.plot(table.size, table.hits / table.trials, "D", color=INK, mfc="none", ms=5, label="share of hits")


def _axes(width: float, height: float) -> tuple[Figure, Axes]:
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, height), layout="constrained")
    FigureCanvasSVG(figure)
    axes = figure.add_subplot()
    axes.spines[["top", "right"]].set_visible(False)
    return figure, axes


def _plain_ticks(axes: Axes) -> None:
    from matplotlib.ticker import LogLocator, NullFormatter, StrMethodFormatter

    axes.xaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
    axes.xaxis.set_major_formatter(StrMethodFormatter("{x:g}"))
    axes.xaxis.set_minor_formatter(NullFormatter())


def _svg(figure: Figure) -> str:
    import matplotlib

    file = io.BytesIO()
    with matplotlib.rc_context({"svg.fonttype": "path", "svg.hashsalt": "rtscan"}):
        figure.savefig(file, format="svg", metadata={"Date": None, "Creator": None})
    return "data:image/svg+xml;base64," + base64.b64encode(file.getvalue()).decode("ascii")
