"""The refitted last layer: whitens what varies within a motif and keeps what tells motifs apart."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import torch

from training.config import TINY
from training.network import EmbeddingNetwork
from training.refit_projection import fit_projection, project, refit


def test_directions_that_vary_within_a_motif_lose_their_say():
    rng = np.random.default_rng(0)
    motifs = np.repeat(np.arange(300), 6)
    centres = 2 * rng.normal(size=(300, 160))
    noise = rng.normal(size=(1800, 160))
    noise[:, :20] *= 30  # light and wear shout in twenty directions
    features = (centres[motifs] + noise).astype(np.float32)
    weight, bias = fit_projection(features, motifs, 0.001)
    assert weight.shape == (128, 160) and bias.shape == (128,)

    def found_share(rows: np.ndarray) -> float:
        rows = rows / np.linalg.norm(rows, axis=1, keepdims=True)
        nearest = (rows[1::6] @ rows[::6].T).argmax(axis=1)
        return float((nearest == np.arange(300)).mean())

    assert found_share(features) < 0.3 < 0.8 < found_share(project(features, weight, bias))


def test_the_refitted_state_loads_and_is_never_worse_on_the_validation_strips(tmp_path: Path):
    torch.manual_seed(0)
    network = EmbeddingNetwork()
    torch.save({"network": network.state_dict(), "history": []}, tmp_path / "checkpoint.pt")
    config = replace(TINY, rendered_share=0.0, validation_motifs=4, siblings=2)
    state, record = refit(tmp_path / "checkpoint.pt", config, families=6)
    EmbeddingNetwork().load_state_dict(state, strict=True)
    tried = record["tried"]
    assert tried[record["chosen"]]["recall_at_1"] >= tried["as trained"]["recall_at_1"]
