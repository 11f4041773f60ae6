"""A small network that looks at the strip as a whole: how much each place looks like an indication, dark or bright, and of which kind.

It sees six pictures on the detection grid (`channels`) and answers with one probability per place and output (`OUTPUTS`). It was
trained on
simulated films only (scripts/train_detector; models/detector.json names recipe, data version and hash) and is run by onnxruntime on
the CPU. Without the model file every answer is zero and the matched filters work alone.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from rtscan.film import F32
from rtscan.reading.features import Surroundings
from rtscan.reading.filters import Grid

MODEL = Path(__file__).with_name("models") / "net.onnx"
TONES = ("dark", "bright")
KINDS = (
    "pore",
    "cavity",
    "slag",
    "lack of fusion",
    "lack of penetration",
    "crack",
    "undercut",
    "concavity",
    "metal",
    "excess metal",
    "spatter",
)
INPUTS = 6
OUTPUTS = (*TONES, *KINDS)
STRIDE = 2
MULTIPLE = 32


def channels(grid: Grid, around: Surroundings) -> F32:
    """What the network sees: float32, shape (6, across, along).

    Residual over local noise (asinh), flaw-free density over the contrast of the weld, place across (−1 and 1 at the weld edges),
    lines (1) and unusable places (−1), local noise over film noise (logarithm), finest detail (asinh).
    """
    rows = np.arange(grid.residual.shape[0], dtype=np.float32)[:, None]
    middle, half = (around.left + around.right) / 2, np.maximum((around.right - around.left) / 2, 1.0)
    level = (around.flawfree - np.median(around.flawfree, axis=0, keepdims=True)) / around.contrast_of_weld
    seen = [
        np.arcsinh(np.clip(grid.residual / grid.noise, -60, 60)),
        np.clip(level, -3, 3),
        np.clip((rows - middle[None]) / half[None], -2, 2),
        np.where(grid.usable, grid.lines.astype(np.float32), np.float32(-1)),
        np.clip(np.log(grid.noise / around.film_sigma), -2, 4),
        np.arcsinh(np.clip(grid.fine, -60, 60)),
    ]
    return np.stack(seen).astype(np.float32)


def look(grid: Grid, around: Surroundings) -> F32:
    """Probabilities on the grid: float32, shape (len(OUTPUTS), across, along); zeros without a model."""
    rows, columns = grid.residual.shape
    session = _session()
    if session is None:
        return np.zeros((len(OUTPUTS), rows, columns), dtype=np.float32)
    seen = channels(grid, around)
    padded = np.pad(seen, ((0, 0), (0, -rows % MULTIPLE), (0, -columns % MULTIPLE)), mode="edge")
    answer = session.run(None, {session.get_inputs()[0].name: padded[None]})[0][0]
    size = (padded.shape[2], padded.shape[1])
    full = np.empty((len(answer), rows, columns), dtype=np.float32)
    for own, output in zip(full, answer, strict=True):
        own[:] = cv2.resize(output, size, interpolation=cv2.INTER_LINEAR)[:rows, :columns]
        own[~grid.usable] = 0.0
    return full


@cache
def _session() -> Any:
    if not MODEL.exists():
        return None
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 2
    options.add_session_config_entry("session.intra_op.allow_spinning", "0")  # a thread that waits burns no processor time
    options.enable_cpu_mem_arena = False  # it would hold 120 MiB to the end of the read and is no faster in one run
    options.log_severity_level = 3
    return onnxruntime.InferenceSession(str(MODEL), options, providers=["CPUExecutionProvider"])
