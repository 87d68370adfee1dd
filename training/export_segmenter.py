"""Export a segmenter with its recipe: ``python -m training.export_segmenter RUN --out model/weights``.

Weights are stored at half precision, the largest at eight bits; the file must answer as the network does.
"""

from __future__ import annotations

import argparse
import json
from hashlib import sha256
from pathlib import Path

import numpy as np
import torch

from training.byte_storage import store_weights_in_bytes
from training.half_storage import halve_stored_weights
from training.piece_scenes import compose_scenes
from training.segmenter import DIRECTIONS, STRIDE, TARGETS, Segmenter

SIZES = ((224, 288), (288, 224), (256, 320))
_PARITY = 1e-3  # largest difference before the weights are rounded
_LEAST_AGREEMENT = 0.998  # share of mask pixels that stay after it


def write_onnx(network: Segmenter, path: Path) -> tuple[float, float]:
    """Write the ONNX file; largest difference before, and agreement of the masks after rounding.

    Raises
    ------
    ValueError
        The exported file answers otherwise.
    """
    axes = {
        "pictures": {2: "height", 3: "width"},
        "logits": {2: "half_height", 3: "half_width"},
        "votes": {2: "rows", 3: "columns"},
    }
    torch.onnx.export(
        network,
        (torch.rand(1, 3, 7 * STRIDE, 9 * STRIDE),),
        str(path),
        input_names=["pictures"],
        output_names=["logits", "votes"],
        opset_version=17,
        dynamic_axes=axes,
        dynamo=False,
    )
    worst, _ = _compare(network, path)
    store_weights_in_bytes(path)
    halve_stored_weights(path)
    _, agreement = _compare(network, path)
    if worst > _PARITY or agreement < _LEAST_AGREEMENT:
        raise ValueError(f"the exported segmenter differs: by {worst:g}, masks agree in {agreement:.5f}")
    return worst, agreement


def _compare(network: Segmenter, path: Path) -> tuple[float, float]:
    import onnxruntime

    session = onnxruntime.InferenceSession(str(path), providers=["CPUExecutionProvider"])
    worst, agreement = 0.0, 1.0
    for seed, (height, width) in enumerate(SIZES):
        pictures = compose_scenes(2, height, width, seed, "cpu").pictures
        for picture in pictures.split(1):
            with torch.no_grad():
                wanted = [answer.numpy() for answer in network(picture)]
            given = session.run(None, {"pictures": picture.numpy()})
            worst = max(worst, *(float(np.abs(g - w).max()) for g, w in zip(given, wanted, strict=True)))
            agreement = min(agreement, float(((given[0] > 0) == (wanted[0] > 0)).mean()))
    return worst, agreement


def main() -> None:
    """Export a run's weights and write their recipe."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("run", type=Path, help="folder with segmenter.pt and segmenter_run.json")
    parser.add_argument("--out", type=Path, required=True)
    told = parser.parse_args()
    network = Segmenter()
    network.load_state_dict(
        torch.load(told.run / "segmenter.pt", map_location="cpu", weights_only=True), strict=True
    )
    told.out.mkdir(parents=True, exist_ok=True)
    worst, agreement = write_onnx(network.eval(), told.out / "segmenter.onnx")
    run = json.loads((told.run / "segmenter_run.json").read_text(encoding="utf-8"))
    scores = run.pop("scores")
    run.pop("log")
    recipe = {
        "weights_sha256": sha256((told.out / "segmenter.onnx").read_bytes()).hexdigest(),
        "input": f"encoded RGB 0..1, (1, 3, h, w), h and w multiples of {STRIDE}",
        "output": f"logits (1, 3, h/2, w/2) of {', '.join(TARGETS)}; votes (1, c, h/8, w/8): "
        f"reaches of the lip in {DIRECTIONS} directions, logarithms of their scales, kinds",
        "run": run,
        "parity": {"largest difference": worst, "masks agree after rounding": agreement},
        "scores": scores,
    }
    (told.out / "segmenter.json").write_text(json.dumps(recipe, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
