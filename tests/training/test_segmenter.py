"""Composed scenes agree with their own truth; the segmenter keeps its shapes; packing paints the truth."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import torch

from training.pack_rims import paint_truth
from training.piece_scenes import compose_scenes
from training.segmenter import Segmenter, segmentation_loss
from training.train_segmenter import move_about, vary


def test_the_projected_lip_encloses_the_marked_area() -> None:
    scenes = compose_scenes(6, 96, 128, 11, "cpu")
    checked = 0
    for lip, target, present in zip(scenes.lips, scenes.targets, scenes.present, strict=True):
        drawn = np.zeros((96, 128), np.uint8)
        cv2.fillPoly(drawn, [np.round(lip.numpy() * 16).astype(np.int32)], 1, shift=4)
        marked = target[1].numpy() > 0.5
        if present and marked.sum() > 100:
            overlap = (marked & (drawn > 0)).sum() / (marked | (drawn > 0)).sum()
            assert overlap > 0.93
            checked += 1
    assert checked >= 3


def test_the_same_seed_gives_the_same_scenes() -> None:
    first, second = (compose_scenes(2, 64, 96, 5, "cpu") for _ in range(2))
    assert torch.equal(first.pictures, second.pictures)
    assert not torch.equal(first.pictures, compose_scenes(2, 64, 96, 6, "cpu").pictures)
    assert 0 <= float(first.pictures.min()) <= float(first.pictures.max()) <= 1


@pytest.mark.parametrize(("height", "width"), [(64, 96), (96, 64)])
def test_the_segmenter_answers_at_half_size_and_learns(height: int, width: int) -> None:
    torch.manual_seed(0)
    network = Segmenter()
    scenes = compose_scenes(2, height, width, 3, "cpu")
    logits = network(scenes.pictures)
    assert logits.shape == (2, 3, height // 2, width // 2)
    optimizer = torch.optim.Adam(network.parameters(), 3e-3)
    losses = []
    for _ in range(6):
        loss = segmentation_loss(network(scenes.pictures), scenes.targets)
        optimizer.zero_grad()
        loss.backward()
        optimizer.step()
        losses.append(loss.item())
    assert losses[-1] < losses[0]


def test_varied_pictures_keep_shape_and_range() -> None:
    scenes = compose_scenes(3, 64, 96, 9, "cpu")
    rng = np.random.default_rng(0)
    pictures, targets = vary(*move_about(scenes.pictures, scenes.targets, rng), rng)
    assert pictures.shape == scenes.pictures.shape
    assert 0 <= float(pictures.min()) <= float(pictures.max()) <= 1
    assert 0 <= float(targets.min()) <= float(targets.max()) <= 1


def test_truth_is_painted_with_its_covered_parts() -> None:
    angle = np.radians(np.arange(0, 360, 3))
    lip = np.stack([100 + 60 * np.cos(angle), 80 + 50 * np.sin(angle)], axis=1)
    visible = lip[lip[:, 0] > 80]  # a cover hides the left
    marks = paint_truth({"rim": {"curve": lip.tolist()}, "outline": visible.tolist()}, 1.0, 160, 224)
    assert marks is not None
    assert marks[80, 50, 1] == 255
    assert marks[80, 50, 0] == 0
    assert marks[80, 140, 0] == 255
    assert marks[80, 160, 2] > 0
    assert marks[80, 40, 2] == 0
    assert paint_truth({"rim": None}, 1.0, 160, 224) is None
