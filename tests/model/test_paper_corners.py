"""Corners of a sheet of paper of which a part is hidden or outside the picture."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from model.ellipse import sample_ellipse
from model.facts import Ellipse
from model.paper import draw_lip_heights_mm, likely_height_mm, measure_size
from model.paper_corners import find_paper
from model.perspective import focal_length_px
from model.photo import Photo, photo_from_rgb

FOCAL_35MM = 26.0
A4 = (210.0, 297.0)  # ISO 216


def _sheet(
    shift_mm: tuple[float, float], over: np.ndarray | None = None, size: tuple[float, float] = A4
) -> tuple[Photo, np.ndarray]:
    """A sheet on a table 600 mm away, tilted by 25 degrees; ``over`` is a polygon, px, that lies on it."""
    width, height = 1200, 900
    focal, tilt = focal_length_px(width, height, FOCAL_35MM), np.radians(25.0)
    lean = np.array([[1, 0, 0], [0, np.cos(tilt), np.sin(tilt)], [0, -np.sin(tilt), np.cos(tilt)]])
    w, h = size
    flat = np.array([[0, 0, 0], [w, 0, 0], [w, h, 0], [0, h, 0]]) - np.array([w / 2, h / 2, 0])
    flat[:, :2] = flat[:, :2] @ np.array([[0.97, 0.24], [-0.24, 0.97]]) / np.hypot(0.97, 0.24) + shift_mm
    seen = flat @ lean.T + [0, 0, 600]
    corners = seen[:, :2] / seen[:, 2:] * focal + [(width - 1) / 2, (height - 1) / 2]
    picture = np.full((height, width, 3), (92, 70, 54), np.uint8)
    picture += np.random.default_rng(0).integers(0, 9, (height, width, 1), np.uint8)
    cv2.fillPoly(picture, [np.round(corners * 16).astype(np.int32)], (246, 246, 244), cv2.LINE_AA, 4)
    if over is not None:
        cv2.fillPoly(picture, [over.astype(np.int32)], (70, 96, 150), cv2.LINE_AA)
    return photo_from_rgb(np.asarray(cv2.GaussianBlur(picture, (0, 0), 0.8)), FOCAL_35MM), corners


def _furthest(found: np.ndarray | None, corners: np.ndarray) -> float:
    assert found is not None
    return float(np.linalg.norm(found[:, None] - corners[None], axis=2).min(axis=1).max())


def test_a_corner_under_something_is_where_its_sides_would_meet() -> None:
    _, corners = _sheet((0, 0))
    turn = np.radians(np.arange(0, 360, 5))
    disc = corners[1] + 110 * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    photo, corners = _sheet((0, 0), disc)
    assert _furthest(find_paper(photo, None), corners) < 3


def test_a_box_across_a_corner_does_not_become_a_side() -> None:
    _, corners = _sheet((0, 0))
    a, b, c = corners[1], corners[0], corners[2]
    inward = (b - a) / np.linalg.norm(b - a), (c - a) / np.linalg.norm(c - a)
    box = np.array([a - 40 * inward[0] - 40 * inward[1], a + 140 * inward[0], a + 120 * inward[1]])
    photo, corners = _sheet((0, 0), cv2.convexHull(box.astype(np.float32))[:, 0])
    assert _furthest(find_paper(photo, None), corners) < 4


def test_a_corner_outside_the_picture_is_found() -> None:
    photo, corners = _sheet((-330, -60))
    outside = ((corners < 0) | (corners > [1199, 899])).any(axis=1)
    assert outside.sum() == 1
    assert _furthest(find_paper(photo, None), corners) < 6


@pytest.mark.parametrize("shift", [(-450, 0), (0, -330), (460, -200), (0, 200)])
def test_half_a_sheet_is_no_sheet(shift: tuple[float, float]) -> None:
    photo, corners = _sheet(shift)
    assert ((corners < 0) | (corners > [1199, 899])).any(axis=1).sum() >= 2
    assert find_paper(photo, None) is None


@pytest.mark.parametrize("size", [(200.0, 200.0), (100.0, 290.0)])
def test_a_white_thing_of_another_shape_is_no_sheet(size: tuple[float, float]) -> None:
    photo, _ = _sheet((0, 0), size=size)
    assert find_paper(photo, None) is None


def test_steep_rims_may_be_bowls_and_level_ones_seldom_stand_high() -> None:
    rng = np.random.default_rng(1)
    level, steep, side = (
        draw_lip_heights_mm(view, slope, 4000, rng)
        for view, slope in (("from above", 20.0), ("from above", 60.0), ("from the side", 0.0))
    )
    assert (level >= 0).all()
    assert np.median(level) == pytest.approx(likely_height_mm("from above", 20.0), abs=1.5)
    assert (level > 35).mean() < 0.06
    assert (steep > 35).mean() == pytest.approx(0.56, abs=0.06)
    assert likely_height_mm("from above", 60.0) > 50
    assert np.median(side) == pytest.approx(likely_height_mm("from the side", 0.0), abs=1.5)


def test_the_bar_widens_with_what_is_hidden_of_the_lip_until_nothing_is_told() -> None:
    photo, corners = _sheet((0, 0))
    lip = sample_ellipse(Ellipse(300, 600, 200, 180, 0))
    whole, part = (measure_size(photo, corners, lip, "from above", 15.0, seen) for seen in (1.0, 0.6))
    assert whole is not None
    assert part is not None
    assert part.diameter_mm == whole.diameter_mm
    assert part.high_mm - part.low_mm > 1.3 * (whole.high_mm - whole.low_mm)
    assert measure_size(photo, corners, lip, "from above", 15.0, 0.4) is None
    assert measure_size(photo, corners, lip, "from the side", 0.0, 0.4) is not None
