"""Two networks as one: the ONNX file whose answer is the mean of theirs. What one alone takes for a flaw is doubted."""

from __future__ import annotations

from pathlib import Path

import numpy as np


def save_mean(first: Path, second: Path, out: Path) -> None:
    """Writes the mean of two networks of `net_training.save_onnx` (input `seen`, output `answer`, same channels)."""
    import onnx
    from onnx import compose, helper, numpy_helper

    parts = [compose.add_prefix(onnx.load(path), mark) for path, mark in ((first, "a_"), (second, "b_"))]
    for part in parts:
        for node in part.graph.node:
            for k, name in enumerate(node.input):
                if name == part.graph.input[0].name:
                    node.input[k] = "seen"
    seen, answer = parts[0].graph.input[0], parts[0].graph.output[0]
    names = ["a_answer", "b_answer"]
    seen.name, answer.name = "seen", "answer"
    nodes = [*(node for part in parts for node in part.graph.node), helper.make_node("Add", names, ["sum"]),
             helper.make_node("Mul", ["sum", "half"], ["answer"])]
    constants = [*(c for part in parts for c in part.graph.initializer), numpy_helper.from_array(np.array(0.5, dtype=np.float32), "half")]
    graph = helper.make_graph(nodes, "mean", [seen], [answer], constants)
    model = helper.make_model(graph, opset_imports=parts[0].opset_import, ir_version=parts[0].ir_version)
    onnx.checker.check_model(model)
    out.write_bytes(model.SerializeToString())
