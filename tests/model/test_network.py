"""The embedder: unit vectors, and a refusal wherever weights, recipe and code do not belong together."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from model.errors import RecipeError
from model.lookup import load_calibration
from model.motif import CHANNELS, WINDOW_HEIGHT, WINDOW_WIDTH, Window
from model.network import RECIPE_NAME, WEIGHTS_FOLDER, WEIGHTS_NAME, Embedder, find_recipe_id, read_recipe


def windows(count: int, seed: int = 0) -> list[Window]:
    rng = np.random.default_rng(seed)
    coarse = (rng.random((count, CHANNELS, WINDOW_HEIGHT // 8, WINDOW_WIDTH // 8)) > 0.6).astype(np.float32)
    pixels = coarse.repeat(8, axis=2).repeat(8, axis=3)
    return [Window(p, (0, 0, 1, 1), 0.0, False, 1.0) for p in pixels]


@pytest.fixture(scope="module")
def embedder() -> Embedder:
    return Embedder.load(threads=1)


@pytest.fixture
def copied(tmp_path: Path) -> Path:
    for name in (WEIGHTS_NAME, RECIPE_NAME):
        shutil.copy(WEIGHTS_FOLDER / name, tmp_path / name)
    return tmp_path


def test_vectors_are_unit_rows_in_the_order_of_the_windows(embedder: Embedder):
    many = windows(14)
    vectors = embedder.embed(many)
    assert vectors.shape == (14, embedder.dimension) and vectors.dtype == np.float32
    np.testing.assert_allclose(np.linalg.norm(vectors, axis=1), 1, atol=1e-4)
    np.testing.assert_allclose(embedder.embed(many[13:]), vectors[13:], atol=1e-4)


def test_no_window_gives_no_vector(embedder: Embedder):
    assert embedder.embed([]).shape == (0, embedder.dimension)


def test_the_weights_are_small_and_the_look_up_numbers_are_of_the_same_recipe(embedder: Embedder):
    assert (WEIGHTS_FOLDER / WEIGHTS_NAME).stat().st_size <= 14_000_000
    assert load_calibration().recipe_id == embedder.recipe_id


def test_other_weights_than_the_recipe_names_are_refused(copied: Path):
    weights = copied / WEIGHTS_NAME
    weights.write_bytes(weights.read_bytes()[:-1] + b"\x00")
    with pytest.raises(RecipeError, match="do not belong to this recipe"):
        Embedder.load(copied)


def test_a_recipe_changed_by_hand_is_refused(copied: Path):
    recipe = json.loads((copied / RECIPE_NAME).read_text(encoding="utf-8"))
    recipe["normalisation"] = "none"
    (copied / RECIPE_NAME).write_text(json.dumps(recipe), encoding="utf-8")
    with pytest.raises(RecipeError, match="does not cover its content"):
        Embedder.load(copied)


def test_weights_trained_for_another_windowing_are_refused(copied: Path):
    recipe = json.loads((copied / RECIPE_NAME).read_text(encoding="utf-8"))
    recipe["versions"]["windowing"] += 1
    recipe["id"] = find_recipe_id(
        recipe["weights_sha256"], recipe["versions"], recipe["normalisation"], recipe["input_shape"]
    )
    (copied / RECIPE_NAME).write_text(json.dumps(recipe), encoding="utf-8")
    with pytest.raises(RecipeError, match="this code has"):
        Embedder.load(copied)


def test_missing_files_are_named(tmp_path: Path, copied: Path):
    with pytest.raises(RecipeError, match="recipe"):
        read_recipe(tmp_path / "nothing" / RECIPE_NAME)
    (copied / WEIGHTS_NAME).unlink()
    with pytest.raises(RecipeError, match="no weights"):
        Embedder.load(copied)


def test_a_change_of_any_step_changes_the_recipe_id():
    base = ("a" * 64, {"strip": 1, "windowing": 1}, "n", (3, 96, 320))
    ids = {
        find_recipe_id(*base),
        find_recipe_id("b" * 64, *base[1:]),
        find_recipe_id(base[0], {"strip": 2, "windowing": 1}, *base[2:]),
        find_recipe_id(base[0], {"strip": 1, "windowing": 2}, *base[2:]),
        find_recipe_id(*base[:2], "other", base[3]),
        find_recipe_id(*base[:3], (3, 96, 321)),
    }
    assert len(ids) == 6


def test_importing_the_embedder_loads_neither_torch_nor_onnxruntime():
    code = "import sys, model.network; sys.exit(any(n in sys.modules for n in ('torch', 'onnxruntime')))"
    assert subprocess.run([sys.executable, "-c", code], cwd=WEIGHTS_FOLDER.parents[1]).returncode == 0
