"""A tiny picture through the whole chain, where a renderer is installed."""

import io
import json

import numpy as np
import pytest
from PIL import Image, ImageOps

from training.render.manifest import motif_of, plan_of
from training.render.picture import RenderSettings, render_picture

TINY = RenderSettings(size_px=(64, 48), samples=2, outline_step_px=4)
TOLD = {
    "shape": "rimmed plate",
    "framing": "whole",
    "trim": "border",
    "metal": "gold",
    "wear": "sound",
    "paper": "A4",
}


@pytest.fixture(scope="module")
def mi():
    pytest.importorskip("mitsuba")
    from training.render.tracing import choose_variant

    return choose_variant("scalar_spectral")


def render(mi, **told):
    plan = plan_of({"seed": 7, "set": "samples", "style": "album", "told": TOLD | told})
    return render_picture(mi, plan, motif_of(plan), TINY)


def test_a_tiny_scene_renders_with_its_whole_truth(mi):
    data, truth = render(mi)
    picture = np.asarray(ImageOps.exif_transpose(Image.open(io.BytesIO(data))))
    assert picture.shape[:2] == (truth["height"], truth["width"])
    json.dumps(truth)
    assert truth["metal"] == "gold" and truth["state"] == "sound" and truth["remaining_share"] == 1.0
    assert truth["rim"]["visible_share"] > 0.9
    assert len(truth["rim"]["curve"]) >= 64 and len(truth["sectors"]) == 36
    assert truth["white_rgb"][1] == 1.0
    inside = np.array(truth["outline"]).mean(0)
    assert np.hypot(*(inside - np.array(truth["rim"]["curve"]).mean(0))) < 8


def test_a_picture_renders_again_the_same(mi):
    one, two = render(mi)[0], render(mi)[0]
    first, second = (np.asarray(Image.open(io.BytesIO(data)), float) for data in (one, two))
    assert np.abs(first - second).mean() < 1.0
