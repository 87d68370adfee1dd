"""A run of seconds on the CPU: it trains, keeps its checkpoint, exports, and what it exports loads."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import torch

from model.network import Embedder
from training.augment import augment_windows
from training.config import TINY, TrainingConfig, find_backbone
from training.dataset import Block, draw_block, draw_windows, encode_windows
from training.network import EmbeddingNetwork, MovingAverage
from training.pool import SharedRing, WindowPool
from training.sources import LARGEST_FAMILY, LibrarySource, make_training_source, make_validation_source
from training.train import train

QUICK = replace(TINY, rendered_share=0.0)


@pytest.fixture(scope="module")
def source() -> LibrarySource:
    return LibrarySource("train", 24, 2, 0.0)


def test_a_tiny_run_trains_continues_and_exports_a_model_that_loads(tmp_path: Path):
    config = replace(QUICK, seconds=3.0, validate_every_s=1e9, validation_motifs=4)
    sources = make_training_source(config), make_validation_source(config)
    record = train(config, tmp_path, *sources)
    assert record["history"][-1]["step"] >= 1
    again = train(replace(config, seconds=1.0), tmp_path, *sources)
    assert len(again["history"]) == 2
    assert json.loads((tmp_path / "train.json").read_text(encoding="utf-8")) == again
    embedder = Embedder.load(tmp_path / "export", threads=1)
    vectors = embedder.embed(draw_windows(sources[0](), 0, np.random.default_rng(1), 3))
    np.testing.assert_allclose(np.linalg.norm(vectors, axis=1), 1, atol=1e-4)
    assert embedder.recipe.facts["training"]["settings"]["seed"] == config.seed


def test_the_same_seed_draws_the_same_block(source: LibrarySource):
    family = source.family(3)
    one = draw_block(source, family, QUICK, np.random.default_rng(5))
    two = draw_block(LibrarySource("train", 24, 2, 0.0), family, QUICK, np.random.default_rng(5))
    np.testing.assert_array_equal(one.windows, two.windows)
    np.testing.assert_array_equal(one.motifs, two.motifs)


def test_a_block_holds_only_its_family_and_each_strip_one_motif(source: LibrarySource):
    config = replace(QUICK, siblings=3, strips_a_motif=3, windows_a_strip=2)
    block = draw_block(source, source.family(7), config, np.random.default_rng(0))
    assert {int(number) // LARGEST_FAMILY for number in block.motifs} == {7}
    for strip in np.unique(block.strips):
        assert len(np.unique(block.motifs[block.strips == strip])) == 1


def test_training_and_validation_motifs_share_no_drawing():
    train_motifs, held_out = LibrarySource("train", 200, 0, 0.0), LibrarySource("validation", 100, 0, 0.0)

    def drawings(some: LibrarySource) -> set[str]:
        return {some.motif(k * LARGEST_FAMILY).recipe.main.kind for k in range(len(some))}

    assert not drawings(train_motifs) & drawings(held_out)


def test_worker_processes_give_blocks_and_stop():
    config = replace(QUICK, workers=1, pool_reserve=1)
    pool = WindowPool(make_training_source(config), config)
    try:
        pool.wait()
        windows, motifs, strips = pool.draw(1)
        workers = pool._workers
    finally:
        pool.close()
    assert windows.shape == (1, 3, 96, 320) and windows.dtype == torch.uint8
    assert len(motifs) == len(strips) == 1
    assert not any(worker.is_alive() for worker in workers)


def test_the_ring_keeps_the_newest_blocks_and_refuses_half_written_ones(tmp_path: Path):
    config = TrainingConfig(pool_blocks=3, siblings=1, strips_a_motif=1, windows_a_strip=2, seed=1)
    ring = SharedRing(tmp_path, config, "w+")
    assert ring.read(0) is None
    for number in range(5):
        windows = np.full((2, 3, 96, 320), number, np.uint8)
        ring.write(number % 3, Block(windows, np.full(2, number), np.full(2, 10 + number)))
    blocks = [ring.read(slot) for slot in range(3)]
    assert [int(block.motifs[0]) for block in blocks if block] == [3, 4, 2]
    assert all((block.windows == block.motifs[0]).all() for block in blocks if block)
    ring.state[1] += 1
    assert ring.read(1) is None


def test_a_draw_always_has_the_same_number_of_windows_or_says_why_not():
    config = replace(QUICK, pool_reserve=6, pool_blocks=8)
    pool = WindowPool(make_training_source(config), config)
    try:
        pool.wait()
        assert {len(pool.draw(7)[0]) for _ in range(4)} == {7}
        with pytest.raises(ValueError, match="fewer than 500"):
            pool.draw(500)
    finally:
        pool.close()


def test_varied_windows_stay_in_range_and_keep_what_is_unseen_dark(source: LibrarySource):
    torch.manual_seed(0)
    windows = torch.from_numpy(encode_windows(draw_windows(source, 0, np.random.default_rng(2), 6)))
    varied = augment_windows(windows)
    assert varied.shape == windows.shape and varied.min() >= 0 and varied.max() <= 1
    assert (varied[:, 0][varied[:, 1] == 0] == 0).all()


def test_the_imagenet_start_sees_a_grey_picture_as_imagenet_did():
    network = EmbeddingNetwork()
    network.start_from_imagenet(find_backbone())
    weights = torch.load(find_backbone(), weights_only=True)
    stem = network.backbone._conv_stem.weight
    torch.testing.assert_close(stem[:, 0], weights["_conv_stem.weight"].sum(dim=1))
    assert (stem[:, 1:] == 0).all()


def test_the_moving_average_comes_to_rest_at_steady_weights():
    network = torch.nn.Linear(2, 2)
    average = MovingAverage(network, 0.9)
    with torch.no_grad():
        network.weight.add_(1)
    for _ in range(200):
        average.update(network)
    torch.testing.assert_close(average.state["weight"], network.weight.data)
