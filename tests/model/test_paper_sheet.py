"""Paper in the frame: found by its straight sides and brightness, wherever it lies."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from model import colour
from model.paper_sheet import find_sheets, measure_sheet
from model.photo import photo_from_rgb
from model.piece import Piece
from model.scene_statistics import STATISTICS, measure_scene
from model.surroundings import Surroundings, look_around

CORNERS = np.array([[60, 50], [250, 80], [220, 260], [40, 230]])


def scene(shape: str, level: float = 0.7, turn: int = 0) -> Surroundings:
    """A dark wooden table with a white sheet or a white disc on it."""
    rng = np.random.default_rng(3)
    picture = np.ones((330, 440, 3)) * [0.22, 0.13, 0.07]
    picture *= np.exp(0.2 * cv2.GaussianBlur(rng.standard_normal((330, 440, 1)), (0, 0), 2)[..., None])
    if shape == "sheet":
        cv2.fillPoly(picture, [CORNERS], [level] * 3)
    if shape == "disc":
        cv2.circle(picture, (160, 160), 100, [level] * 3, -1)
    picture = np.rot90(picture, turn)
    return look_around(
        photo_from_rgb(colour.srgb_bytes(np.clip(picture, 0, 1))), Piece("not found", None, None)
    )


@pytest.mark.parametrize("turn", [0, 1, 2, 3])
def test_a_sheet_is_found_whichever_way_the_photo_is_turned(turn: int) -> None:
    found = measure_sheet(scene("sheet", turn=turn), None)
    assert found is not None
    assert np.abs(found[found[:, 2].argmax(), :2]).max() < 0.03
    assert found[:, 2].sum() == pytest.approx(1)


def test_a_disc_is_no_sheet() -> None:
    assert find_sheets(scene("disc")) == []


def test_a_sheet_clipped_through_keeps_its_chance_but_gives_no_colour() -> None:
    burnt = scene("sheet", level=1.5)
    assert len(find_sheets(burnt)) >= 1
    assert measure_sheet(burnt, None) is None


def test_every_statistic_of_a_grey_scene_points_at_its_cast() -> None:
    rng = np.random.default_rng(5)
    cast = np.array([1.2, 1.0, 0.75])
    grey = 0.25 * np.exp(0.5 * cv2.GaussianBlur(rng.standard_normal((300, 300)), (0, 0), 2))
    picture = colour.srgb_bytes(np.clip(grey[..., None] * cast, 0, 0.8))
    found = measure_scene(look_around(photo_from_rgb(picture), Piece("not found", None, None)))
    assert tuple(found) == STATISTICS
    expected = colour.log_chromaticity(cast)
    for index, name in enumerate(STATISTICS):
        if "near_neutral" in name or "piece" in name:
            continue  # the first lean on white on purpose; there is no piece
        assert found[name] == pytest.approx(expected[index % 2], abs=0.06), name
