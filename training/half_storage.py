"""Keep an ONNX file's weights at half precision; they are widened once, when the file is loaded.

The arithmetic stays at single precision, so only the rounding of the weights (11 significant bits) is lost:
half the bytes to ship, and the export's parity check covers what it costs.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import onnx
from onnx import TensorProto, helper, numpy_helper

LEAST_NUMBERS = 256  # smaller tensors (scales, biases) are not worth a node of their own
LARGEST_HALF = 6.0e4  # beyond this half precision overflows


def halve_stored_weights(path: Path) -> None:
    """Rewrite a file in place: large float32 weights as float16, each followed by a cast to float32.

    Raises
    ------
    ValueError
        A weight is too large for half precision.
    """
    model = onnx.load(path)
    graph = model.graph
    casts = []
    for tensor in graph.initializer:
        if tensor.data_type != TensorProto.FLOAT or np.prod(tensor.dims) < LEAST_NUMBERS:
            continue
        values = numpy_helper.to_array(tensor)
        if np.abs(values).max() > LARGEST_HALF:
            raise ValueError(f"{tensor.name}: {np.abs(values).max():g} is too large for half precision")
        wide, half = tensor.name, f"{tensor.name}.half"
        tensor.CopyFrom(numpy_helper.from_array(values.astype(np.float16), half))
        casts.append(helper.make_node("Cast", [half], [wide], to=TensorProto.FLOAT))
    for cast in reversed(casts):
        graph.node.insert(0, cast)
    onnx.checker.check_model(model)
    onnx.save(model, path)
