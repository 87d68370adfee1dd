"""Refit the last layer in closed form: ``python -m training.refit_projection CHECKPOINT OUT``.

A short training run leaves the pooled features better than the layer that projects them. Over the features of
many rendered strips, what light, wear, blur and the cutting change within a motif is whitened away, gently,
and the 128 directions in which motifs differ most are kept; it needs no gradient and no GPU.

References
----------
A. O. Hatch, S. Kajarekar, A. Stolcke, "Within-class covariance normalization for SVM-based speaker
recognition", Interspeech 2006. Changed: strong shrinkage towards a multiple of the identity.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import torch
from torch import Tensor, nn

from training.config import DIMENSION, TrainingConfig
from training.dataset import Windows, draw_block
from training.network import EmbeddingNetwork
from training.sources import make_training_source, make_validation_source
from training.validate import draw_validation_set, find_recall

FloatArray = npt.NDArray[np.float32]
FeaturesOf = Callable[[Windows], FloatArray]
BATCH = 16
# Multiples of the mean within-motif variance added to every direction before whitening.
RIDGES = (0.3, 1.0, 2.0)
DRAW_SEED = 5
# Directions that never vary (dead channels) stay finite.
LEAST_VARIANCE = 1e-12


class PooledFeatures(nn.Module):  # type: ignore[misc]
    """The network up to its last layer."""

    def __init__(self, network: EmbeddingNetwork) -> None:
        super().__init__()
        self.network = network

    def forward(self, windows: Tensor) -> Tensor:
        return self.network.pool_both_ways(windows)


def open_features(network: EmbeddingNetwork, threads: int = 2) -> FeaturesOf:
    """The pooled features through onnxruntime, several times faster than torch on a CPU."""
    import onnxruntime

    from training.export import write_onnx

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = threads
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "features.onnx"
        write_onnx(PooledFeatures(network.eval()), path)
        session = onnxruntime.InferenceSession(path.read_bytes(), options, providers=["CPUExecutionProvider"])

    def features_of(windows: Windows) -> FloatArray:
        parts = [
            session.run(None, {"windows": windows[first : first + BATCH].astype(np.float32) / 255})[0]
            for first in range(0, len(windows), BATCH)
        ]
        return np.concatenate(parts)

    return features_of


def draw_features(
    config: TrainingConfig, families: int, features_of: FeaturesOf
) -> tuple[FloatArray, npt.NDArray[np.int64]]:
    """Features (n, f) of training families drawn anew, with their motif numbers (n,)."""
    source = make_training_source(config)()
    rng = np.random.default_rng(DRAW_SEED)
    blocks = [
        draw_block(source, source.family(int(index)), config, rng)
        for index in rng.permutation(len(source))[:families]
    ]
    features = np.concatenate([features_of(block.windows) for block in blocks if len(block.motifs)])
    return features, np.concatenate([block.motifs for block in blocks])


def fit_projection(
    features: FloatArray, motifs: npt.NDArray[np.int64], ridge: float
) -> tuple[FloatArray, FloatArray]:
    """Weight (128, f) and bias (128,): whitened within motifs, then the main directions between them."""
    rows = features.astype(np.float64)
    names, number = np.unique(motifs, return_inverse=True)
    means = np.zeros((len(names), rows.shape[1]))
    np.add.at(means, number, rows)
    means /= np.bincount(number)[:, None]
    inner = rows - means[number]
    within = inner.T @ inner / max(1, len(rows) - len(names))
    between = np.cov(rows.T) - within
    within += ridge * np.trace(within) / len(within) * np.eye(len(within))
    values, vectors = np.linalg.eigh(within)
    whiten = vectors @ np.diag(np.maximum(values, LEAST_VARIANCE) ** -0.5) @ vectors.T
    _, directions = np.linalg.eigh(whiten @ between @ whiten)
    weight = directions[:, ::-1][:, :DIMENSION].T @ whiten
    return weight.astype(np.float32), (-weight @ rows.mean(axis=0)).astype(np.float32)


def project(features: FloatArray, weight: FloatArray, bias: FloatArray) -> FloatArray:
    """Unit rows (n, 128) as the network's last layer makes them."""
    rows = features @ weight.T + bias
    return np.asarray(rows / np.maximum(np.linalg.norm(rows, axis=1, keepdims=True), 1e-12), np.float32)


def refit(
    checkpoint: Path, config: TrainingConfig, families: int
) -> tuple[dict[str, Tensor], dict[str, Any]]:
    """The checkpoint's state with the best of the refitted layers, and what was tried.

    The layer as trained stays where no refitted one finds more of the validation motifs.
    """
    state: dict[str, Tensor] = torch.load(checkpoint, map_location="cpu", weights_only=True)["network"]
    network = EmbeddingNetwork()
    network.load_state_dict(state, strict=True)
    features_of = open_features(network)
    validation = draw_validation_set(make_validation_source(config), config)
    held_out = features_of(validation.windows)
    features, motifs = draw_features(config, families, features_of)
    layers = {"as trained": (state["project.weight"].numpy(), state["project.bias"].numpy())}
    for ridge in RIDGES:
        layers[f"ridge {ridge}"] = fit_projection(features, motifs, ridge)
    scores = {name: find_recall(project(held_out, *layer), validation) for name, layer in layers.items()}
    best = max(scores, key=lambda name: scores[name]["recall_at_1"])
    state["project.weight"], state["project.bias"] = (torch.from_numpy(part) for part in layers[best])
    record = {"chosen": best, "tried": scores, "families": families, "windows": len(motifs)}
    return state, record


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("checkpoint", type=Path)
    parser.add_argument("out", type=Path, help="checkpoint to write")
    parser.add_argument("--families", type=int, default=500)
    parser.add_argument("--seed", type=int, default=TrainingConfig.seed)
    told = parser.parse_args()
    config = replace(TrainingConfig(), device="cpu", workers=0, seed=told.seed)
    state, record = refit(told.checkpoint, config, told.families)
    history = torch.load(told.checkpoint, map_location="cpu", weights_only=True)["history"]
    torch.save({"network": state, "history": [*history, {"refitted": record}]}, told.out)
    print(json.dumps(record, indent=1))


if __name__ == "__main__":
    main()
