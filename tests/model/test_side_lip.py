"""The lip of a drawn cup seen from the side is found again; a plate seen from above is left alone."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from model.piece_mask import PieceMask
from model.side_lip import find_side_lip


def draw_cup(tilt_minor: int = 14, roll_deg: float = 0.0, handle: bool = True) -> PieceMask:
    """Silhouette and lip line of a cup with its lip round (70, 40), 40 px half wide."""
    body = np.zeros((144, 144), np.uint8)
    line = np.zeros((144, 144), np.uint8)
    cv2.fillPoly(body, [np.array([[30, 40], [110, 40], [92, 110], [48, 110]], np.int32)], 1)
    cv2.ellipse(body, (70, 40), (40, tilt_minor), 0, 0, 360, 1, -1)
    if handle:
        cv2.ellipse(body, (108, 70), (18, 18), 0, 0, 360, 1, 4)
    cv2.ellipse(line, (70, 40), (40, tilt_minor), 0, 0, 360, 1, 3)
    turn = cv2.getRotationMatrix2D((71.5, 71.5), -roll_deg, 1.0)
    seen = cv2.warpAffine(body.astype(np.float32), turn, (144, 144))
    lip = cv2.warpAffine(line.astype(np.float32), turn, (144, 144))
    return PieceMask(seen, seen, lip, 0.25)


@pytest.mark.parametrize("minor", [8, 14, 22])
def test_the_lip_of_a_level_cup_is_found_to_a_pixel_or_two(minor: int) -> None:
    found = find_side_lip(draw_cup(minor))
    assert found is not None
    lip = found.ellipse
    assert lip.cx == pytest.approx(70, abs=2) and lip.cy == pytest.approx(40, abs=2)
    assert lip.semi_major == pytest.approx(40, abs=3) and lip.semi_minor == pytest.approx(minor, abs=3)


@pytest.mark.parametrize("roll_deg", [-12.0, 8.0])
def test_a_tilted_phone_turns_the_lip_the_same_way(roll_deg: float) -> None:
    found = find_side_lip(draw_cup(roll_deg=roll_deg))
    assert found is not None
    assert (found.ellipse.angle_deg + 90) % 180 - 90 == pytest.approx(roll_deg, abs=4)


def test_a_plate_from_above_has_no_side_lip() -> None:
    plate = np.zeros((144, 144), np.float32)
    line = np.zeros((144, 144), np.float32)
    cv2.ellipse(plate, (72, 72), (60, 40), 0, 0, 360, 1.0, -1)
    cv2.ellipse(line, (72, 72), (60, 40), 0, 0, 360, 1.0, 3)
    found = find_side_lip(PieceMask(plate, plate, line, 0.25))
    assert found is None or found.score < 0.6


def test_an_empty_photo_has_no_side_lip() -> None:
    nothing = np.zeros((96, 144), np.float32)
    assert find_side_lip(PieceMask(nothing, nothing, nothing, 0.25)) is None
