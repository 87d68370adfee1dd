"""Composed scenes agree with their own truth; the segmenter keeps its shapes; packing paints the truth."""

from __future__ import annotations

import io
import json
from pathlib import Path

import cv2
import numpy as np
import pytest
import torch
from PIL import Image

from training.pack_rims import pack_pictures
from training.piece_rendered import draw_rendered, load_rendered, paint_truth
from training.piece_scenes import Scenes, compose_scenes
from training.segmenter import (
    CELL_PX,
    DIRECTIONS,
    Segmenter,
    cell_places,
    directions,
    pool_votes,
    reaches_of,
    segmentation_loss,
    voting_loss,
)
from training.train_segmenter import vary


def _overlap_of_lips(scenes: Scenes) -> list[float]:
    """Overlap of each projected lip with the marked area, where there is enough of it."""
    height, width = scenes.targets.shape[2:]
    found = []
    for lip, target, present in zip(scenes.lips, scenes.targets, scenes.present, strict=True):
        drawn = np.zeros((height, width), np.uint8)
        px = lip.numpy() * (max(height, width) / 2) + [width / 2 - 0.5, height / 2 - 0.5]
        cv2.fillPoly(drawn, [np.round(np.clip(px, -2000, 2000) * 16).astype(np.int32)], 1, shift=4)
        marked = target[1].numpy() > 0.5
        if present and marked.sum() > 100:
            found.append(float((marked & (drawn > 0)).sum() / (marked | (drawn > 0)).sum()))
    return found


def test_the_projected_lip_encloses_the_marked_area() -> None:
    found = _overlap_of_lips(compose_scenes(8, 96, 128, 11, "cpu"))
    assert len(found) >= 4
    assert min(found) > 0.85  # a thin lip of a few px among them
    assert np.median(found) > 0.95


def test_the_lip_goes_along_when_a_batch_is_mirrored_and_turned() -> None:
    scenes = compose_scenes(8, 64, 96, 12, "cpu")
    for seed in range(5):
        found = _overlap_of_lips(vary(scenes, np.random.default_rng(seed)))
        assert len(found) >= 4
        assert min(found) > 0.85


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
    logits, votes = network(scenes.pictures)
    assert logits.shape == (2, 3, height // 2, width // 2)
    assert votes.shape == (2, 2 * DIRECTIONS + 4, height // CELL_PX, width // CELL_PX)
    optimizer = torch.optim.Adam(network.parameters(), 3e-3)
    losses = []
    for _ in range(6):
        logits, votes = network(scenes.pictures)
        loss = segmentation_loss(logits, scenes.targets)
        loss = loss + voting_loss(votes, scenes.targets, scenes.lips, scenes.kind, scenes.present)
        optimizer.zero_grad()
        loss.backward()
        optimizer.step()
        losses.append(loss.item())
    assert losses[-1] < losses[0]


def test_cells_that_tell_the_truth_give_the_lips_reaches() -> None:
    lips = torch.rand(2, 50, 2) * 3 - 1
    places = cell_places(4, 6, "cpu")
    at = torch.einsum("rcd,kd->krc", places, directions("cpu"))
    reach = reaches_of(lips)[:, :, None, None] - at
    votes = torch.cat([reach, torch.zeros_like(reach), torch.zeros(2, 4, 4, 6)], dim=1)
    told, _ = pool_votes(torch.zeros(2, 3, 16, 24), votes)
    assert torch.allclose(told, reaches_of(lips), atol=1e-5)


def test_rendered_pictures_are_packed_and_seen_anew_with_their_lips(tmp_path: Path) -> None:
    angle = np.radians(np.arange(0, 360, 3))
    lip = np.stack([300 + 160 * np.cos(angle), 200 + 110 * np.sin(angle)], axis=1)
    visible = lip[lip[:, 0] > 200]
    picture = np.full((400, 600, 3), 60, np.uint8)
    cv2.fillPoly(picture, [visible.astype(np.int32)], (240, 240, 230))
    for name, seed in (("a", 1), ("b", 6)):
        Image.fromarray(picture).save(tmp_path / f"{name}.jpg")
        truth = {
            "rim": {"curve": lip.tolist()},
            "outline": visible.tolist(),
            "piece": "creamer",
            "plan": {"seed": seed},
        }
        (tmp_path / f"{name}.json").write_text(json.dumps(truth))
    packed = list(pack_pictures([tmp_path]))
    assert [truth["held_out"] for _, truth in packed] == [False, True]
    data = b"".join(part for part, _ in packed)
    np.savez(
        tmp_path / "rims.npz",
        data=np.frombuffer(data, np.uint8),
        starts=np.cumsum([0] + [len(part) for part, _ in packed]),
        truth=np.frombuffer(json.dumps([truth for _, truth in packed]).encode(), np.uint8),
    )
    rendered = load_rendered([tmp_path / "rims.npz"], "cpu", held_out=False)
    assert len(rendered.lips) == 1
    scenes = draw_rendered(rendered, 4, 96, 128, np.random.default_rng(1))
    assert scenes.kind.tolist() == [3] * 4
    found = _overlap_of_lips(scenes)
    assert len(found) >= 3
    assert min(found) > 0.9


def test_truth_is_painted_with_its_covered_parts() -> None:
    angle = np.radians(np.arange(0, 360, 3))
    lip = np.stack([100 + 60 * np.cos(angle), 80 + 50 * np.sin(angle)], axis=1)
    visible = lip[lip[:, 0] > 80]  # a cover hides the left
    truth = {"lip": lip.tolist(), "outline": visible.tolist(), "width": 224, "height": 160}
    marks = paint_truth(truth, side=224)[32:192]  # the picture lies in the middle of the canvas
    assert marks[80, 50, 1] == 255
    assert marks[80, 50, 0] == 0
    assert marks[80, 140, 0] == 255
    assert marks[80, 160, 2] > 0
    assert marks[80, 40, 2] == 0


def test_a_close_up_of_the_rim_is_packed_once_a_scene_with_the_lip_moved_along(tmp_path: Path) -> None:
    angle = np.radians(np.arange(0, 360, 3))
    lip = np.stack([600 + 460 * np.cos(angle), 450 + 320 * np.sin(angle)], axis=1)
    picture = np.full((900, 1200, 3), 60, np.uint8)
    cv2.fillPoly(picture, [lip.astype(np.int32)], (240, 240, 230))
    truth = {"rim": {"curve": lip.tolist()}, "outline": lip.tolist(), "piece": "coupe plate"}
    for name in ("gold", "paint"):
        Image.fromarray(picture).save(tmp_path / f"{name}.png")
        (tmp_path / f"{name}.json").write_text(json.dumps(truth | {"plan": {"seed": 7, "framing": "whole"}}))
    packed = list(pack_pictures([tmp_path], closer=True))
    assert [truth["name"] for _, truth in packed] == ["gold", "gold-close", "paint"]
    data, close = packed[1]
    shown = np.asarray(Image.open(io.BytesIO(data)).convert("L")) > 150
    drawn = np.zeros(shown.shape, np.uint8)
    cv2.fillPoly(drawn, [np.round(np.array(close["lip"])).astype(np.int32)], 1)
    assert 0.05 < shown.mean() < 0.95
    assert (shown == (drawn > 0)).mean() > 0.98
