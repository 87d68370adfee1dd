"""The witness of the trim: its windows, its measures, its weights; the fusion with the regions."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from model import trim, witness
from model.colour import GOLD_LINEAR_RGB, PLATINUM_LINEAR_RGB, srgb_bytes
from model.errors import RecipeError
from model.facts import Light
from model.rim_band import RimStrip, strip_from_rgb
from model.trim_fusion import JudgedRegion, photo_features
from model.trim_print import TrimRegion
from model.witness_features import measure_labelled
from model.witness_input import (
    COLUMNS,
    CONTEXT,
    LIP_AT,
    PLANES,
    ROWS,
    WINDOWS,
    cut_windows,
    describe_context,
    lay_planes,
    place_windows,
)

LIGHT = Light((1.0, 1.0, 1.0), 3.0, ("paper",))
GLAZE = np.array([0.6, 0.6, 0.6])


def striped_strip(metal_rgb: object = GOLD_LINEAR_RGB, width: int = 900) -> RimStrip:
    """White glaze with one metal line of ten rows under the lip, in even white light."""
    linear = np.tile(GLAZE, (120, width, 1))
    linear[20:30] = 0.5 * np.asarray(metal_rgb)
    return strip_from_rgb(srgb_bytes(linear), lip_row=10)


def near_glaze(strip: RimStrip) -> np.ndarray:
    return np.broadcast_to(GLAZE.astype(np.float32), strip.linear_rgb.shape).copy()


def test_windows_lie_spread_round_the_rim_with_the_lip_at_its_row() -> None:
    strip = striped_strip()
    places = place_windows(strip)
    windows = cut_windows(strip, near_glaze(strip), places)
    assert windows.linear_rgb.shape == (WINDOWS, ROWS, COLUMNS, 3)
    assert places.starts[0] == 0 and places.starts[-1] >= 900 - COLUMNS - COLUMNS // 4
    line = (
        windows.linear_rgb[:, LIP_AT + 10 : LIP_AT + 20, :, 2]
        / windows.linear_rgb[:, LIP_AT + 10 : LIP_AT + 20, :, 0]
    )
    assert line.max() < 0.5  # gold: little blue
    assert not windows.seen_mask[:, LIP_AT + 111 :].any()


def test_a_high_strip_is_shrunk_and_a_covered_one_gives_no_window() -> None:
    tall = strip_from_rgb(np.full((400, 1200, 3), 128, np.uint8), lip_row=20)
    assert place_windows(tall).scale == pytest.approx(152 / 380)
    hidden = replace(striped_strip(), seen_mask=np.zeros((120, 900), bool))
    assert place_windows(hidden).starts == ()


def test_glaze_in_its_own_light_is_zero_in_every_colour_plane() -> None:
    strip = strip_from_rgb(srgb_bytes(np.tile(GLAZE, (120, 400, 1))), lip_row=10)
    windows = cut_windows(strip, strip.linear_rgb, place_windows(strip))
    planes = lay_planes(windows, np.zeros(2))
    assert planes.shape[1:] == (len(PLANES), ROWS, COLUMNS)
    assert np.abs(planes[:, :5, : LIP_AT + 96]).max() < 0.02  # the last rows mix with what lies beyond
    yellow = lay_planes(windows, np.array([0.2, -0.4]))
    seen = windows.seen_mask
    assert yellow[:, 2][seen] == pytest.approx(0.4, abs=0.02)  # a white called yellow makes white bluish


def test_measures_of_gold_pixels_are_yellower_than_those_of_platinum() -> None:
    found = {}
    for name, metal in (("gold", GOLD_LINEAR_RGB), ("platinum", PLATINUM_LINEAR_RGB)):
        strip = striped_strip(metal)
        windows = cut_windows(strip, near_glaze(strip), place_windows(strip))
        labels = np.zeros((len(windows.seen_mask), 4, ROWS // 2, COLUMNS // 2), np.float32)
        labels[:, 0] = 1.0
        labels[:, :, 10:13] = np.array([0, 0.5, 0.5, 0], np.float32)[:, None, None]
        found[name] = measure_labelled(windows, labels, np.zeros(3, np.float32), np.zeros(2))
    assert found["gold"]["metal_bg_q50"] < found["platinum"]["metal_bg_q50"] - 0.4
    assert found["gold"]["yellow_turn_q50"] > found["platinum"]["yellow_turn_q50"]
    assert found["gold"]["cell_odds_q50"] == pytest.approx(0.0, abs=1e-5)


def test_the_shipped_witness_measures_and_stays_silent_where_nothing_is_seen() -> None:
    strip = striped_strip()
    heard = witness.consult_witness(strip, near_glaze(strip), LIGHT, None)
    assert {"said_gold", "said_metal", "metal_area"} <= set(heard)
    assert np.isfinite(list(heard.values())).all()
    hidden = replace(strip, seen_mask=np.zeros_like(strip.seen_mask))
    assert witness.consult_witness(hidden, near_glaze(strip), LIGHT, None) == {}
    assert describe_context(strip, LIGHT, None, 1.0).shape == (len(CONTEXT),)


def test_weights_and_recipe_that_do_not_belong_together_are_refused(tmp_path: Path) -> None:
    for name in ("witness.onnx", "witness.json"):
        shutil.copy(witness.WEIGHTS / name, tmp_path / name)
    (tmp_path / "witness.onnx").write_bytes(b"other")
    with pytest.raises(RecipeError, match="other weights"):
        witness.load_witness(tmp_path)
    shutil.copy(witness.WEIGHTS / "witness.onnx", tmp_path / "witness.onnx")
    recipe = json.loads((tmp_path / "witness.json").read_text())
    (tmp_path / "witness.json").write_text(json.dumps(recipe | {"windows": [1, 2, 3]}))
    witness.load_witness.cache_clear()
    with pytest.raises(RecipeError, match="other windows"):
        witness.load_witness(tmp_path)
    empty = tmp_path / "none"
    empty.mkdir()
    assert witness.load_witness(empty) is None


def test_fused_chances_sum_to_one_and_use_regions_and_measures() -> None:
    recipe = trim.load_recipe()
    assert recipe.fusion is not None
    region = TrimRegion("border", np.zeros((1, 1), bool), np.zeros((1, 1), bool), 0, 1)
    judged = [JudgedRegion(region, {"has_paper": 1.0}, 1.5, 0.8), JudgedRegion(region, None, 0.0, 0.0)]
    features = photo_features(judged, {"said_gold": 2.0})
    assert features["region_metal"] == 1.5 and features["border_gold"] == 0.8 and features["said_gold"] == 2.0
    chances = recipe.fusion.chances(features)
    assert sum(chances.values()) == pytest.approx(1.0)
    assert trim.pool_regions(judged, recipe, {"said_gold": 2.0}) == chances
    more = recipe.fusion.chances(features | {"said_gold": 4.0})
    assert more["gold"] / (1 - more["no metal"]) >= chances["gold"] / (1 - chances["no metal"])


def test_a_metal_is_named_only_where_it_is_surely_metal_and_surely_that_one() -> None:
    limits = {"gold": 0.5, "platinum": 0.5, "no_metal": 0.99, "worn": 0.9, "worn_metal": 0.9}
    limits |= {"named_metal": 0.95, "if_metal": 0.9, "region_metal": 1.0, "region_gold": 0.9}
    sure = {"gold": 0.9, "platinum": 0.06, "no metal": 0.04}
    assert trim.choose_verdict(sure, None, limits, (2.0, 1.0))[0] == "gold"
    assert trim.choose_verdict(sure, None, limits, (2.0, -1.0))[1] is None
    assert trim.choose_verdict(sure, None, limits, (0.5, 1.0))[1] is None
    assert trim.choose_verdict({"gold": 0.9, "platinum": 0.06, "no metal": 0.04}, None, limits)[0] == "gold"
    assert trim.choose_verdict({"gold": 0.85, "platinum": 0.05, "no metal": 0.1}, None, limits)[1] is None
    assert trim.choose_verdict({"gold": 0.8, "platinum": 0.16, "no metal": 0.04}, None, limits)[1] is None
