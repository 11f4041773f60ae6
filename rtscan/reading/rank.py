"""Rank: how probable it is that a candidate is an indication and not clutter.

Boosted trees for dark and for bright over the measured features of a candidate (`features`), fitted on simulated films only by
scripts/train_detector, with a straight line on their log-odds that makes the probabilities honest on films they have not seen. A bar
is the one that kept the false calls of the calibration films, clean ones apart, below target. models/detector.json names
recipe, data version and hashes.
"""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from rtscan.film import F64
from rtscan.reading.net import KINDS

LEAST_SNR = 3.5
"""Matched-filter height below which nothing is called, however much the place looks like a flaw: pieces of one large mark."""
MODELS = Path(__file__).with_name("models")


def rank(features: list[dict[str, float]]) -> F64:
    """Probability of being an indication for each candidate, shape (n,), in [0, 1]."""
    if not features:
        return np.zeros(0)
    facts = _facts()
    matrix = np.array([[f[name] for name in facts["features"]] for f in features], dtype=np.float32)
    dark = np.array([f["dark"] > 0.5 for f in features])
    rising = np.zeros(len(features))
    for tone, mine in (("dark", dark), ("bright", ~dark)):
        if mine.any():
            odds = np.asarray(_session(tone).run(None, {"features": matrix[mine]})[0], dtype=float)[:, 0]
            slope, offset = facts["calibration"][tone]
            rising[mine] = slope * odds + offset
    snr = np.array([f["snr"] for f in features])
    return np.asarray(np.where(snr >= LEAST_SNR, 1.0 / (1.0 + np.exp(-rising)), 0.0))


def model_name() -> str:
    """Name and hash of the detector in use, for the worksheet."""
    facts = _facts()
    parts = (("weld", "weld"), ("network", "net"), ("dark", "rank_dark"), ("bright", "rank_bright"))
    return ", ".join([facts["name"], *(f"{word} {facts['sha256'][f'{file}.onnx'][:12]}" for word, file in parts)])


def bar_name(features: dict[str, float]) -> str:
    """Which bar a candidate has to pass: "dark"; "metal", bright and by the network rather a body of metal than a soft rise of the bead;
    or "bright"."""
    if features["dark"] > 0.5:
        return "dark"
    soft, *bodies = (features[f"net_kind_{KINDS.index(kind)}"] for kind in ("excess metal", "metal", "spatter"))
    return "metal" if sum(bodies) >= soft else "bright"


def model_bar(name: str) -> float:
    """The least probability at which a candidate is reported, by the name of its bar."""
    return float(_facts()["bar"][name])


@cache
def _facts() -> dict[str, Any]:
    return dict(json.loads((MODELS / "detector.json").read_text(encoding="utf-8")))


@cache
def _session(tone: str) -> Any:
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    options.log_severity_level = 3
    return onnxruntime.InferenceSession(str(MODELS / f"rank_{tone}.onnx"), options, providers=["CPUExecutionProvider"])
