"""Training the witness in the small: packing, planes, labels, a few steps, the export; naming thresholds."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import torch

from model import witness_input
from model.witness import load_witness
from model.witness_input import COLUMNS, CONTEXT, ROWS, WitnessWindows
from training.export_witness import export_run
from training.fit_fusion import NEVER, bound_wrong, choose_named
from training.pack_witness import _bytes_of, _encode_png, _stack, encode_windows, join_cover, write_pack
from training.render.plan import draw_plan
from training.render.stage import build_stage
from training.render.truth import describe_scene, project_lip
from training.train_witness import area_under_curve, split_folds
from training.train_witness import main as train
from training.witness_data import IGNORED, label_cells, lay_planes, linear_of, load_photos
from training.witness_labels import map_cover, stage_again

ROWS_OF_LINE = slice(20, 30)


def packed_photo(number: int) -> dict[str, Any]:
    """Two windows of white glaze with a gold, platinum or painted line."""
    import zlib

    rng = np.random.default_rng(number)
    metal = ("gold", "platinum", "none")[number % 3]
    line = {"gold": (0.5, 0.39, 0.17), "platinum": (0.34, 0.32, 0.3), "none": (0.3, 0.1, 0.1)}[metal]
    linear = np.full((2, ROWS, COLUMNS, 3), 0.6, np.float32)
    linear[:, ROWS_OF_LINE] = line
    linear *= rng.uniform(0.9, 1.1, (2, ROWS, COLUMNS, 1)).astype(np.float32)
    seen = np.ones((2, ROWS, COLUMNS), bool)
    glaze = np.full((2, ROWS // 8, COLUMNS // 8, 3), 0.6, np.float32)
    windows = WitnessWindows(linear, glaze, seen, ~seen, 1.0, 152.0)
    cover = np.zeros((2, ROWS, COLUMNS, 3), np.uint8)
    cover[..., 2] = 255
    cover[:, ROWS_OF_LINE, :, 0 if metal != "none" else 1] = 255
    facts = {"name": f"photo-{number}", "group": f"scene {number // 2}", "metal": metal, "reach": 152.0}
    facts |= {"light read": [1.0, 1.0, 1.0], "white": [1.02, 1.0, 0.97]}
    return {
        "facts": facts,
        "row": {"file": f"photo-{number}.jpg", "truth": {}},
        "context": np.zeros(len(CONTEXT), np.float32),
        "pixels": encode_windows(windows),
        "glaze": _encode_png(_stack(_bytes_of(glaze))),
        "masks": zlib.compress(np.packbits(np.stack([seen, ~seen])).tobytes()),
        "cover": zlib.compress(join_cover(cover).tobytes()),
        "count": 2,
    }


@pytest.fixture(scope="module")
def pack(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("pack") / "photos.npz"
    write_pack([packed_photo(number) for number in range(6)], path)
    return path


def test_planes_of_the_training_are_those_of_the_model(pack: Path) -> None:
    photos = load_photos([pack], "cpu")
    rgb, glaze = (linear_of(part[0]).permute(0, 2, 3, 1).numpy() for part in (photos.pixels, photos.glaze))
    seen, clipped = photos.masks[0, :, 0].numpy(), photos.masks[0, :, 1].numpy()
    windows = WitnessWindows(rgb, glaze, seen, clipped, 1.0, float(photos.reach[0]))
    white = np.array([0.1, -0.2])
    wanted = witness_input.lay_planes(windows, white)
    given = lay_planes(photos.take([0]), torch.tensor(white[None], dtype=torch.float32)).numpy()
    assert np.abs(wanted - given).max() < 1e-4


def test_cells_are_labelled_by_their_cover_and_left_out_where_it_is_mixed(pack: Path) -> None:
    labels = label_cells(load_photos([pack], "cpu")).reshape(6, 4, ROWS // 2, COLUMNS // 2)
    assert set(labels[0, 0, 11:14].unique().tolist()) == {1}
    assert set(labels[1, 0, 11:14].unique().tolist()) == {2}
    assert set(labels[2, 0, 11:14].unique().tolist()) == {3}
    assert (labels[:, :2, 20:] == 0).all()
    assert (labels[:, 2:] == IGNORED).all()  # windows that the photo does not have


def test_a_tiny_run_trains_answers_for_unseen_photos_and_is_exported(
    pack: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told = [str(pack), "--out", str(tmp_path / "run"), "--device", "cpu", "--steps", "2", "--batch", "3"]
    monkeypatch.setattr("sys.argv", ["train_witness", *told, "--folds", "2"])
    train()
    with np.load(tmp_path / "run" / "held_out.npz") as answers:
        assert answers["logits"].shape == (6, 3) and sorted(set(answers["fold"].tolist())) == [0, 1]
    export_run(tmp_path / "run", tmp_path / "weights", rounded=5.0)
    network = load_witness(tmp_path / "weights")
    assert network is not None
    planes = np.zeros((2, len(witness_input.PLANES), ROWS, COLUMNS), np.float32)
    verdict, labels = network.look(planes, np.zeros(len(CONTEXT), np.float32))
    assert verdict.shape == (3,) and labels.shape == (2, 4, ROWS // 2, COLUMNS // 2)
    assert labels.sum(axis=1) == pytest.approx(1.0, abs=1e-4)


def test_a_staged_scene_covers_the_pixels_beside_its_lip() -> None:
    plan = draw_plan(31, (), shape="rimmed plate", trim="lines", metal="gold", framing="whole")
    stage = build_stage(plan, {}, (400, 300))
    lip, _ = project_lip(stage)
    assert lip is not None
    size = {"width": stage.camera.width_px, "height": stage.camera.height_px}
    truth = describe_scene(stage) | size | {"rim": {"curve": lip.tolist()}}
    again = stage_again(truth)
    assert again is not None
    cover = map_cover(again)
    inside = lip.round().astype(int)[::7]
    ok = (inside >= 3).all(1) & (inside[:, 0] < size["width"] - 3) & (inside[:, 1] < size["height"] - 3)
    near = [cover[y - 3 : y + 4, x - 3 : x + 4, 0].max() for x, y in inside[ok]]
    assert np.mean(np.array(near) > 0.3) > 0.6  # the far wall of a rolled lip may hide its line
    assert cover[0, 0].max() == 0


def test_photos_of_a_group_share_a_fold() -> None:
    groups = [f"g{number // 3}" for number in range(30)]
    fold = split_folds(groups, 4)
    assert all(len(set(fold[k : k + 3].tolist())) == 1 for k in range(0, 30, 3))
    assert set(fold.tolist()) == {0, 1, 2, 3}
    assert area_under_curve(np.array([0.1, 0.4, 0.35, 0.8]), np.array([False, False, True, True])) == 0.75


def test_a_metal_is_named_as_often_as_few_enough_names_are_wrong() -> None:
    """Exact one-sided binomial bound: none wrong of 298 is under 1 %, 95 % certain (1 - .05^(1/298))."""
    assert bound_wrong(0, 298) == pytest.approx(1 - 0.05 ** (1 / 298))
    rng = np.random.default_rng(0)
    gold = rng.uniform(0, 1, 800)
    truth = np.where(rng.random(800) < gold, "gold", "platinum")
    truth[(gold > 0.9) | (gold < 0.1)] = np.where(gold > 0.5, "gold", "platinum")[(gold > 0.9) | (gold < 0.1)]
    odds = np.column_stack([np.full(800, 2.0), np.log(gold / (1 - gold))])
    chosen = choose_named(np.full(800, 0.99), gold, odds, truth)
    assert 0.8 <= chosen["if_metal"] <= 0.94
    never = choose_named(np.full(800, 0.99), gold, odds, np.full(800, "none"))
    assert never["named_metal"] == NEVER
