"""Weights kept at half precision: half the bytes, nearly the same answers."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import onnx
import onnxruntime
import pytest
from onnx import TensorProto, helper, numpy_helper

from training.half_storage import halve_stored_weights


def write_product(path: Path, weights: np.ndarray) -> None:
    """A network of one matrix product."""
    rows, columns = weights.shape
    graph = helper.make_graph(
        [helper.make_node("MatMul", ["x", "w"], ["y"])],
        "product",
        [helper.make_tensor_value_info("x", TensorProto.FLOAT, ["n", rows])],
        [helper.make_tensor_value_info("y", TensorProto.FLOAT, ["n", columns])],
        [numpy_helper.from_array(weights, "w")],
    )
    onnx.save(helper.make_model(graph, opset_imports=[helper.make_opsetid("", 17)], ir_version=8), path)


def answer(path: Path, x: np.ndarray) -> np.ndarray:
    session = onnxruntime.InferenceSession(path.read_bytes(), providers=["CPUExecutionProvider"])
    return session.run(None, {"x": x})[0]


def test_half_the_bytes_and_answers_within_the_rounding_of_eleven_bits(tmp_path: Path) -> None:
    rng = np.random.default_rng(0)
    path = tmp_path / "net.onnx"
    write_product(path, rng.normal(size=(64, 128)).astype(np.float32))
    x = rng.normal(size=(5, 64)).astype(np.float32)
    before, size = answer(path, x), path.stat().st_size
    halve_stored_weights(path)
    assert path.stat().st_size < 0.55 * size
    after = answer(path, x)
    # IEEE 754 binary16: relative rounding 2**-11; errors of 64 terms add up at most linearly.
    bound = 2**-11 * 64 * np.abs(x).max() * 5
    assert (np.abs(after - before) < bound).all()
    assert not np.array_equal(after, before)


def test_a_weight_beyond_half_precision_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "net.onnx"
    write_product(path, np.full((16, 32), 1e6, np.float32))
    with pytest.raises(ValueError, match="too large"):
        halve_stored_weights(path)
