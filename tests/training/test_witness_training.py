"""Training the witness in the small: packing, planes, labels, a few steps, the export; naming thresholds."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import torch

from model import witness_input
from model.strip_labels import MATERIALS, ROLES
from model.witness import load_witness
from model.witness_input import COLUMNS, CONTEXT, MOST_WINDOWS, ROWS, WitnessWindows
from training.export_witness import export_run
from training.label_truth import cells_of
from training.pack_witness import _bytes_of, _encode_png, _stack, encode_windows, name_cells, write_pack
from training.render.plan import draw_plan
from training.render.stage import build_stage
from training.render.truth import describe_scene, project_lip
from training.train_witness import main as train
from training.train_witness import split_folds
from training.witness_data import IGNORED, label_cells, lay_planes, linear_of, load_photos, vary_photos
from training.witness_labels import COVERS, map_cover, stage_again

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
    cover = np.zeros((2, ROWS, COLUMNS, len(COVERS)), np.uint8)
    cover[..., COVERS.index("known")] = 255
    for name in ("metal" if metal != "none" else "paint", "edge line"):
        cover[:, ROWS_OF_LINE, :, COVERS.index(name)] = 255
    cover[:, 50:80, :, COVERS.index("band")] = 255
    facts = {"name": f"photo-{number}", "group": f"scene {number // 2}", "metal": metal, "reach": 152.0}
    facts |= {"remaining_share": 0.9 if metal != "none" else None, "state": "sound"}
    facts |= {"light read": [1.0, 1.0, 1.0], "white": [1.02, 1.0, 0.97]}
    return {
        "facts": facts,
        "context": np.zeros(len(CONTEXT), np.float32),
        "pixels": encode_windows(windows),
        "glaze": _encode_png(_stack(_bytes_of(glaze))),
        "masks": zlib.compress(np.packbits(np.stack([seen, ~seen])).tobytes()),
        "cover": zlib.compress((cover[..., 0] // 85).tobytes()),
        "labels": zlib.compress(name_cells(cover).tobytes()),
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
    labels = label_cells(load_photos([pack], "cpu")).each(
        lambda part: part.reshape(6, MOST_WINDOWS, ROWS // 2, COLUMNS // 2)
    )
    for number, material in enumerate((1, 2, 3)):
        assert set(labels.material[number, 0, 11:14].unique().tolist()) == {material}
    assert (labels.role[:, :2, 11:14] == ROLES.index("edge line")).all()
    assert (labels.material[:, :2, 20:] == 0).all() and (labels.role[:, :2, 20:] == 0).all()
    assert (labels.band[:, :2, 25:40] == 1).all() and (labels.band[:, :2, :20] == 0).all()
    for part in (labels.material, labels.role, labels.band):  # windows that the photo does not have
        assert (part[:, 2:] == IGNORED).all()
    half = np.zeros((1, ROWS, COLUMNS, len(COVERS)), np.uint8)
    half[..., :3] = 64  # a quarter: neither print nor bare
    assert set((name_cells(half) & 31).ravel().tolist()) == {3 | 4 << 2}


def test_a_batch_seen_otherwise_keeps_labels_and_pixels_together(pack: Path) -> None:
    photos = load_photos([pack], "cpu").take([0, 2])
    rng = torch.Generator().manual_seed(4)
    for _ in range(12):
        planes, _, labels = vary_photos(photos.draw_windows(2, rng), rng)
        line, glaze = labels.role == ROLES.index("edge line"), labels.role == 0
        level = torch.nn.functional.avg_pool2d(planes[:, :1], 2)[:, 0]
        if line.any():
            assert level[line].median() < level[glaze].median() - 0.2


def test_a_photo_shows_its_own_windows_first(pack: Path) -> None:
    photos = load_photos([pack], "cpu")
    drawn = photos.draw_windows(2, torch.Generator().manual_seed(1))
    assert drawn.masks.shape[1] == 2 and drawn.masks[:, :, 0].all()
    assert not photos.draw_windows(3, torch.Generator().manual_seed(1)).masks[:, 2, 0].any()


def test_a_tiny_run_trains_answers_for_unseen_photos_and_is_exported(
    pack: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told = [str(pack), "--out", str(tmp_path / "run"), "--device", "cpu", "--steps", "2", "--batch", "3"]
    for more in ([], ["--hold", "0", "--folds", "2"]):
        monkeypatch.setattr("sys.argv", ["train_witness", *told, *more])
        train()
    with np.load(tmp_path / "run" / "held_out_fold_0.npz") as answers:
        count = len(answers["names"])
        assert (
            0 < count < 6 and answers["verdict"].shape == (count, 3) and answers["whole"].shape == (count, 2)
        )
        assert answers["cells"].shape == (count, MOST_WINDOWS, 9, ROWS // 2, COLUMNS // 2)
    export_run(tmp_path / "run", tmp_path / "weights", rounded=5.0)
    network = load_witness(tmp_path / "weights")
    assert network is not None
    for count in (1, 5):  # as many windows as there are
        planes = np.zeros((count, len(witness_input.PLANES), ROWS, COLUMNS), np.float32)
        answer = network.look(planes, np.zeros(len(CONTEXT), np.float32))
        assert answer.verdict.shape == (3,) and answer.cells.shape == (count, 9, ROWS // 2, COLUMNS // 2)
        assert answer.cells[:, :4].sum(axis=1) == pytest.approx(1.0, abs=1e-4)
        assert answer.cells[:, 4:8].sum(axis=1) == pytest.approx(1.0, abs=1e-4)


def test_true_cells_share_out_each_cell() -> None:
    cover = np.zeros((1, ROWS, COLUMNS, len(COVERS)), np.uint8)
    cover[:, 10:11, :, COVERS.index("metal")] = 255  # half of a cell
    cover[:, 10:11, :, COVERS.index("border")] = 255
    cells = cells_of(cover, "platinum")
    assert cells[0, MATERIALS.index("platinum"), 5, 0] == pytest.approx(0.5)
    assert cells[0, len(MATERIALS) + ROLES.index("border"), 5, 0] == pytest.approx(0.5)
    assert cells[:, :4].sum(axis=1) == pytest.approx(1.0) and cells[:, 4:8].sum(axis=1) == pytest.approx(1.0)


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
    near = [cover[y - 3 : y + 4, x - 3 : x + 4, COVERS.index("edge line")].max() for x, y in inside[ok]]
    assert np.mean(np.array(near) > 0.3) > 0.6  # the far wall of a rolled lip may hide its line
    assert cover[0, 0].max() == 0
    assert cover[..., COVERS.index("band")].max() == 0  # lines only


def test_photos_of_a_group_share_a_fold() -> None:
    groups = [f"g{number // 3}" for number in range(30)]
    fold = split_folds(groups, 4)
    assert all(len(set(fold[k : k + 3].tolist())) == 1 for k in range(0, 30, 3))
    assert set(fold.tolist()) == {0, 1, 2, 3}
