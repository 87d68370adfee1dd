"""Export a trim witness with its recipe: ``python -m training.export_witness RUN --out model/weights``.

Weights are stored at half precision; the exported file must answer as the network does.
"""

from __future__ import annotations

import argparse
import json
import warnings
from hashlib import sha256
from pathlib import Path

import numpy as np
import torch

from model.strip_labels import MATERIALS, ROLES
from model.witness_input import COLUMNS, CONTEXT, MOST_WINDOWS, PLANES, ROWS
from training.half_storage import halve_stored_weights
from training.witness_network import VERDICTS, WHOLE, Witness

PARITY = 2e-3  # largest difference of a logit before the weights are stored at half precision
ROUNDED = 0.1  # and after


def write_onnx(network: Witness, path: Path, rounded: float = ROUNDED) -> tuple[float, float]:
    """Write the ONNX file; the largest differences of its logits before and after half storage.

    Raises
    ------
    ValueError
        The exported file answers otherwise.
    """
    with warnings.catch_warnings():
        # The exporter that writes plain graphs says at every call that another has become the usual one.
        warnings.simplefilter("ignore")
        torch.onnx.export(
            network.eval(),
            (torch.rand(3, len(PLANES), ROWS, COLUMNS), torch.rand(1, len(CONTEXT))),
            str(path),
            input_names=["planes", "context"],
            output_names=["verdict", "whole", "cells"],
            dynamic_axes={"planes": {0: "windows"}, "cells": {0: "windows"}},
            opset_version=17,
            dynamo=False,
        )
    before = compare(network, path)
    halve_stored_weights(path)
    after = compare(network, path)
    if before > PARITY or after > rounded:
        raise ValueError(f"the exported witness differs: by {before:g}, by {after:g} at half storage")
    return before, after


def compare(network: Witness, path: Path) -> float:
    """Largest difference of any logit between the network and the file, on random windows."""
    import onnxruntime

    session = onnxruntime.InferenceSession(str(path), providers=["CPUExecutionProvider"])
    rng = torch.Generator().manual_seed(3)
    worst = 0.0
    for count in (1, 5, MOST_WINDOWS):
        planes = torch.randn(count, len(PLANES), ROWS, COLUMNS, generator=rng) * 0.5
        context = torch.randn(1, len(CONTEXT), generator=rng) * 0.3
        with torch.no_grad():
            wanted = [answer.numpy() for answer in network(planes, context)]
        given = session.run(None, {"planes": planes.numpy(), "context": context.numpy()})
        worst = max(worst, *(float(np.abs(g - w).max()) for g, w in zip(given, wanted, strict=True)))
    return worst


def export_run(run: Path, out: Path, rounded: float = ROUNDED) -> None:
    """Write ``witness.onnx`` and ``witness.json`` of a run."""
    network = Witness()
    network.load_state_dict(torch.load(run / "witness.pt", map_location="cpu", weights_only=True))
    out.mkdir(parents=True, exist_ok=True)
    before, after = write_onnx(network, out / "witness.onnx", rounded)
    record = json.loads((run / "witness_run.json").read_text(encoding="utf-8"))
    record.pop("log")
    recipe = {
        "weights_sha256": sha256((out / "witness.onnx").read_bytes()).hexdigest(),
        "windows": [MOST_WINDOWS, ROWS, COLUMNS],
        "planes": list(PLANES),
        "context": list(CONTEXT),
        "materials": list(MATERIALS),
        "roles": list(ROLES),
        "whole": list(WHOLE),
        "verdicts": list(VERDICTS),
        "parity": {"largest difference": before, "at half storage": after},
        "run": record,
    }
    (out / "witness.json").write_text(json.dumps(recipe, indent=1) + "\n", encoding="utf-8")


def main() -> None:
    """Export a run."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("run", type=Path, help="folder with witness.pt and witness_run.json")
    parser.add_argument("--out", type=Path, required=True)
    told = parser.parse_args()
    export_run(told.run, told.out)


if __name__ == "__main__":
    main()
