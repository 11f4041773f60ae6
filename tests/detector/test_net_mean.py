"""The mean of two networks answers the mean of their answers."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from net_mean import save_mean

onnx = pytest.importorskip("onnx", reason="a training dependency")


def write_scaled(path: Path, factor: float) -> None:
    """A network that answers its input times a factor."""
    from onnx import TensorProto, helper, numpy_helper

    shape = [1, 2, "rows", "columns"]
    graph = helper.make_graph([helper.make_node("Mul", ["seen", "factor"], ["answer"])], "scaled",
                              [helper.make_tensor_value_info("seen", TensorProto.FLOAT, shape)],
                              [helper.make_tensor_value_info("answer", TensorProto.FLOAT, shape)],
                              [numpy_helper.from_array(np.array(factor, dtype=np.float32), "factor")])
    path.write_bytes(helper.make_model(graph, opset_imports=[helper.make_opsetid("", 17)], ir_version=8).SerializeToString())


def test_two_networks_answer_their_mean(tmp_path: Path) -> None:
    import onnxruntime

    for name, factor in (("a", 1.0), ("b", 4.0)):
        write_scaled(tmp_path / f"{name}.onnx", factor)
    save_mean(tmp_path / "a.onnx", tmp_path / "b.onnx", tmp_path / "mean.onnx")
    seen = np.arange(12, dtype=np.float32).reshape(1, 2, 2, 3)
    (told,) = onnxruntime.InferenceSession(str(tmp_path / "mean.onnx")).run(None, {"seen": seen})
    np.testing.assert_allclose(told, 2.5 * seen, rtol=1e-6)  # single precision
