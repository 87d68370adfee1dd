"""The sample photos and the demo gallery: complete, true to their truth, and possible to render again."""

import io
import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageOps

from training.json_lines import read_rows
from training.render.manifest import motif_of, plan_of
from training.render.publish import SAMPLE_SIDE_PX, label_photo, shrink_photo, shrink_truth
from training.render.stage import build_stage
from training.render.truth import project_lip

ROOT = Path(__file__).resolve().parents[2]
SAMPLES = ROOT / "sample_images"
DEMO = ROOT / "service" / "demo"
PHOTOS = sorted(path.name for path in SAMPLES.glob("*.jpg"))
INVENTED_LINES = {"Osmer", "Brindlow", "Corrick", "Wexcombe Fell"}


def truth_of(name):
    return json.loads((SAMPLES / name).with_suffix(".json").read_text(encoding="utf-8"))


@pytest.mark.parametrize("name", PHOTOS)
def test_a_sample_is_an_upright_phone_photo_with_its_truth(name):
    photo = Image.open(SAMPLES / name)
    truth = truth_of(name)
    assert photo.format == "JPEG" and 1200 <= max(photo.size) <= 1600
    assert photo.getexif().get_ifd(0x8769)[0x9003].startswith("2025:")
    assert ImageOps.exif_transpose(photo).size == (truth["width"], truth["height"])
    assert truth["photo"] == name and len(truth["rim"]["curve"]) >= 64 and len(truth["sectors"]) == 36
    outline = np.array(truth["outline"])
    assert (outline >= -1).all() and (outline <= (truth["width"] + 1, truth["height"] + 1)).all()


@pytest.mark.parametrize("row", read_rows(SAMPLES / "manifest.jsonl")[::4], ids=lambda row: row["photo"])
def test_a_sample_s_scene_is_built_again_from_its_row(row):
    truth = truth_of(row["photo"])
    plan = plan_of(row)
    stage = build_stage(plan, motif_of(plan), (SAMPLE_SIDE_PX, SAMPLE_SIDE_PX * 3 // 4))
    curve, _ = project_lip(stage)
    np.testing.assert_allclose(curve, truth["rim"]["curve"], atol=0.6)
    assert (stage.border.motif.name, stage.border.repeats) == (truth["motif"], truth["border"]["repeats"])
    assert plan.glaze == truth["glaze"] and plan.metal == truth["metal"]


def test_there_are_samples_of_every_kind():
    truths = [truth_of(name) for name in PHOTOS]
    assert len(truths) >= 24
    assert len({truth["motif"] for truth in truths}) >= 8
    kinds = {(truth["metal"], truth["state"]) for truth in truths}
    assert {
        ("gold", "sound"),
        ("platinum", "sound"),
        ("gold", "worn"),
        ("platinum", "worn"),
        ("none", None),
    } <= kinds


def test_the_gallery_shows_every_motif_at_least_twice_and_never_a_sample():
    items = json.loads((DEMO / "gallery.json").read_text(encoding="utf-8"))["items"]
    motifs = [item["motif"] for item in items]
    assert {truth_of(name)["motif"] for name in PHOTOS} <= set(motifs)
    assert min(motifs.count(motif) for motif in set(motifs)) >= 2
    assert {item["photo"] for item in items} == {
        f"photos/{path.name}" for path in (DEMO / "photos").iterdir()
    }
    seeds = [row["seed"] for folder in (SAMPLES, DEMO) for row in read_rows(folder / "manifest.jsonl")]
    assert len(seeds) == len(set(seeds))


def test_the_demo_names_only_the_invented_maker():
    items = json.loads((DEMO / "gallery.json").read_text(encoding="utf-8"))["items"]
    assert {item["maker"] for item in items} == {"Velderby Works"}
    assert {item["line"] for item in items} <= INVENTED_LINES


def test_pictures_in_the_repository_stay_small():
    pictures = [*SAMPLES.glob("*.jpg"), *(DEMO / "photos").glob("*.jpg")]
    assert sum(path.stat().st_size for path in pictures) <= 6_500_000


def test_a_smaller_photo_keeps_its_metadata_and_its_truth_follows():
    data = (SAMPLES / PHOTOS[0]).read_bytes()
    small, scale = shrink_photo(data, 600, 80)
    before, after = Image.open(io.BytesIO(data)), Image.open(io.BytesIO(small))
    assert max(after.size) == 600 and after.getexif() == before.getexif()
    truth = truth_of(PHOTOS[0])
    less = shrink_truth(truth, scale)
    np.testing.assert_allclose(less["rim"]["curve"], np.array(truth["rim"]["curve"]) * scale, atol=0.01)
    assert less["white_rgb"] == truth["white_rgb"]


def test_pieces_without_metal_are_labelled_so():
    truth = truth_of(PHOTOS[0]) | {"metal": "none", "state": None}
    labels = label_photo(truth, [truth["motif"]])
    assert "metal" not in labels and "state" not in labels and labels["motif"] == truth["motif"]
