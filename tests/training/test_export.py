"""Export: parity is proved every time, and the recipe covers what it says."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import torch

from model.network import RECIPE_NAME, WEIGHTS_NAME, read_recipe
from training.export import MOST_BYTES, ParityError, check_parity, export_embedder, write_onnx
from training.network import EmbeddingNetwork


def seeded(seed: int) -> EmbeddingNetwork:
    torch.manual_seed(seed)
    return EmbeddingNetwork().eval()


def test_the_export_is_small_agrees_with_torch_and_has_a_checked_recipe(tmp_path: Path):
    recipe = export_embedder(seeded(1).state_dict(), tmp_path, {"commit": "abc", "settings": {"seed": 1}})
    assert (tmp_path / WEIGHTS_NAME).stat().st_size < MOST_BYTES
    assert recipe["parity_least_cosine"] >= 0.9999
    assert read_recipe(tmp_path / RECIPE_NAME).id == recipe["id"]
    card = (tmp_path / "MODEL_CARD.md").read_text(encoding="utf-8")
    assert recipe["id"] in card and "seed 1" in card
    assert json.loads((tmp_path / RECIPE_NAME).read_text(encoding="utf-8"))["weights_bytes"] > 1_000_000


def test_weights_of_another_network_fail_the_parity_check(tmp_path: Path):
    write_onnx(seeded(1), tmp_path / WEIGHTS_NAME)
    with pytest.raises(ParityError, match="least cosine"):
        check_parity(seeded(2), tmp_path / WEIGHTS_NAME)


def test_a_state_with_a_missing_tensor_is_refused(tmp_path: Path):
    state = dict(seeded(1).state_dict())
    state.pop("project.bias")
    with pytest.raises(RuntimeError, match=r"project\.bias"):
        export_embedder(state, tmp_path, {})
