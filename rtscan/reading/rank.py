"""Rank: how probable it is that a candidate is an indication and not clutter.

Until a trained model is shipped, a plain logistic curve of the signal-to-noise stands in; `model_name` says which one ranked.
"""

from __future__ import annotations

import numpy as np

from rtscan.film import F64


def rank(features: list[dict[str, float]]) -> F64:
    """Probability of being an indication for each candidate, shape (n,), in [0, 1]."""
    snr = np.array([f["snr"] for f in features], dtype=float)
    on_lines = np.array([f["on_lines"] for f in features], dtype=float)
    return np.asarray(np.where(on_lines > 0.4, 0.0, 1.0 / (1.0 + np.exp(-(snr - 9.0) / 2.0))))


def model_name() -> str:
    """Name and hash of the ranking in use, for the worksheet."""
    return "plain signal-to-noise"


def model_bar() -> float:
    """The least probability at which a candidate is reported."""
    return 0.5
