"""The witness: its windows, its planes, its weights."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from model import witness
from model.colour import GOLD_LINEAR_RGB, srgb_bytes
from model.errors import RecipeError
from model.facts import Light
from model.rim_band import RimStrip, strip_from_rgb
from model.strip_labels import join_windows
from model.witness_input import (
    COLUMNS,
    CONTEXT,
    LIP_AT,
    MOST_WINDOWS,
    PLANES,
    ROWS,
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


def test_windows_cover_the_strip_with_the_lip_at_its_row() -> None:
    strip = striped_strip()
    places = place_windows(strip)
    windows = cut_windows(strip, near_glaze(strip), places)
    assert windows.linear_rgb.shape == (5, ROWS, COLUMNS, 3)
    assert places.starts[0] == 0 and places.starts[-1] == 900 - COLUMNS
    assert max(np.diff(places.starts)) <= COLUMNS
    line = windows.linear_rgb[:, LIP_AT + 10 : LIP_AT + 20]
    assert (line[..., 2] / line[..., 0]).max() < 0.5  # gold: little blue
    assert not windows.seen_mask[:, LIP_AT + 111 :].any()
    assert len(place_windows(striped_strip(width=9000)).starts) == MOST_WINDOWS


def test_cells_of_overlapping_windows_are_laid_on_one_grid() -> None:
    strip = striped_strip(width=300)
    places = place_windows(strip)
    windows = cut_windows(strip, near_glaze(strip), places)
    cells = np.zeros((2, 9, ROWS // 2, COLUMNS // 2), np.float32)
    cells[0], cells[1] = 0.2, 0.6
    labels = join_windows(places, windows, cells, np.zeros(3, np.float32), (0.5, 0.5))
    assert labels.materials.shape == (4, ROWS // 2, 150) and labels.step_px == 2.0
    overlap = slice(places.starts[1] // 2, COLUMNS // 2)
    assert labels.band[:, overlap] == pytest.approx(0.4) and labels.band[:, 0] == pytest.approx(0.2)
    assert labels.band[:, -1] == pytest.approx(0.6)
    assert labels.rows_px(LIP_AT / 2) == strip.lip_row  # the lip is where the strip has it
    assert labels.seen[LIP_AT // 2 : LIP_AT // 2 + 50].min() == 1 and labels.seen[70:].max() == 0


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


def test_the_shipped_witness_labels_a_line_and_stays_silent_where_nothing_is_seen() -> None:
    strip = striped_strip()
    heard = witness.hear_witness(strip, near_glaze(strip), LIGHT, None)
    assert heard is not None
    assert heard.labels.materials.sum(axis=0)[heard.labels.seen > 0] == pytest.approx(1.0, abs=1e-3)
    assert {"said_gold", "said_metal"} <= set(heard.measures())
    printed = 1 - heard.labels.materials[0]
    rows = np.abs(heard.labels.rows_px(np.arange(printed.shape[0]) + 0.5) - 25) < 4
    assert printed[rows].mean() > printed[40:55].mean() + 0.3
    hidden = replace(strip, seen_mask=np.zeros_like(strip.seen_mask))
    assert witness.hear_witness(hidden, near_glaze(strip), LIGHT, None) is None
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
