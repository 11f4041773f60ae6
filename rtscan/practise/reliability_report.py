"""A detection curve as files: page, JSON and CSV for any hit/miss table."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

from rtscan.practise.charts import curve_chart
from rtscan.practise.pages import page
from rtscan.practise.reliability import Curve, HitMiss, fit_curve
from rtscan.writing import write_text

SCHEMA = "rtscan/reliability/1"


def fit_both(table: HitMiss) -> tuple[Curve, Curve]:
    """The curve on the linear and on the logarithmic scale."""
    return fit_curve(table, "linear"), fit_curve(table, "log")


def curve_json(curve: Curve) -> dict[str, Any]:
    """The curve as plain values; unknown sizes are null."""
    return asdict(curve) | {"says": list(curve.says)}


def write_reliability(table: HitMiss, name: str, column: str, out: Path, stem: str) -> tuple[Curve, Curve]:
    """Writes STEM.reliability.html, .json and .csv into `out`. Raises OutputError."""
    curves = fit_both(table)
    charts = [(curve, curve_chart(curve, table, column)) for curve in curves]
    write_text(out / f"{stem}.reliability.html", page("reliability.html", name=name, column=column, curves=curves, charts=charts))
    data = {"schema": SCHEMA, "file": name, "column": column, "curves": [curve_json(c) for c in curves]}
    write_text(out / f"{stem}.reliability.json", json.dumps(data, indent=1, allow_nan=False) + "\n")
    write_text(out / f"{stem}.reliability.csv", curves_csv(curves))
    return curves


def curves_csv(curves: tuple[Curve, ...]) -> str:
    """One row per curve."""
    names = ("scale", "kind", "targets", "hits", "intercept", "slope", "deviance", "a50", "a90", "a90_95_wald", "a90_95_lr")
    file = io.StringIO()
    writer = csv.writer(file, lineterminator="\n")
    writer.writerow((*names, "a50_low", "a50_high", "a90_low", "a90_high"))
    for c in curves:
        writer.writerow((*(getattr(c, n) for n in names), c.a50_interval.low, c.a50_interval.high, c.a90_interval.low, c.a90_interval.high))
    return file.getvalue()
