"""Keep an ONNX file's largest weights at eight bits, with a scale for each output channel.

They are widened once, when the file is loaded; the arithmetic stays at single precision. A quarter of their
bytes to ship; the export's parity check covers what the rounding costs.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import onnx
from onnx import TensorProto, helper, numpy_helper

LEAST_NUMBERS = 60_000  # rounding smaller ones costs more masks than it saves bytes (tried from 256 up)
LARGEST = 127


def store_weights_in_bytes(path: Path) -> None:
    """Rewrite a file in place: large float32 weights as int8, each followed by its widening."""
    model = onnx.load(path)
    graph = model.graph
    for tensor in list(graph.initializer):
        if (
            tensor.data_type != TensorProto.FLOAT
            or np.prod(tensor.dims) < LEAST_NUMBERS
            or len(tensor.dims) < 2
        ):
            continue
        values, name = numpy_helper.to_array(tensor), tensor.name
        scale = np.abs(values).reshape(len(values), -1).max(axis=1) / LARGEST
        scale = np.where(scale > 0, scale, 1).astype(np.float32)
        steps = np.round(values / scale.reshape(-1, *[1] * (values.ndim - 1))).astype(np.int8)
        graph.initializer.remove(tensor)
        graph.initializer.append(numpy_helper.from_array(steps, f"{name}.steps"))
        graph.initializer.append(numpy_helper.from_array(scale, f"{name}.scale"))
        widen = helper.make_node("DequantizeLinear", [f"{name}.steps", f"{name}.scale"], [name], axis=0)
        graph.node.insert(0, widen)
    onnx.checker.check_model(model)
    onnx.save(model, path)
