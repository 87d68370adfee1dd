"""An arc of an ellipse followed past a line beside it tells the whole ellipse."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from model.arc_tracking import best_path, follow_arc
from model.ellipse import polygon_iou, sample_ellipse
from model.facts import Ellipse
from model.lip_votes import DIRECTIONS, LipVotes, ellipse_reaches, unit_directions

LIP = Ellipse(900.0, 700.0, 620.0, 480.0, 20.0)


def _close_up(lip: Ellipse) -> np.ndarray:
    """The lower right of a plate with an edge line 9 px inside its lip, soft and noisy."""
    canvas = np.full((600, 800, 3), (96, 80, 70), np.uint8)
    for gap, colour in ((0, (225, 220, 205)), (9, (150, 60, 60)), (14, (225, 220, 205))):
        ring = Ellipse(lip.cx - 700, lip.cy - 700, lip.semi_major - gap, lip.semi_minor - gap, lip.angle_deg)
        cv2.fillPoly(
            canvas, [np.round(sample_ellipse(ring, 800) * 16).astype(np.int32)], colour, cv2.LINE_AA, 4
        )
    noise = np.random.default_rng(1).normal(0, 4, canvas.shape)
    return np.clip(cv2.GaussianBlur(canvas, (0, 0), 1.2) + noise, 0, 255).astype(np.uint8)


def _votes(lip: Ellipse, doubt_px: float) -> LipVotes:
    middle = np.array([400.0, 300.0])
    reach = ellipse_reaches(lip, middle, unit_directions())
    return LipVotes(middle, reach, np.full(DIRECTIONS, doubt_px), np.array([0.9, 0.04, 0.03, 0.03]))


def test_a_rough_ellipse_is_brought_onto_the_visible_arc() -> None:
    lip = Ellipse(LIP.cx - 700, LIP.cy - 700, LIP.semi_major, LIP.semi_minor, LIP.angle_deg)
    rough = Ellipse(lip.cx - 18, lip.cy - 12, lip.semi_major * 1.03, lip.semi_minor * 1.03, 22.0)
    wrong = Ellipse(lip.cx - 60, lip.cy - 40, lip.semi_major * 1.15, lip.semi_minor * 1.2, 20.0)
    found = follow_arc(_close_up(LIP), rough, _votes(wrong, 60.0))
    assert found is not None
    before = polygon_iou(sample_ellipse(rough), sample_ellipse(lip))
    assert polygon_iou(sample_ellipse(found), sample_ellipse(lip)) > max(0.95, before)


def test_a_picture_without_edges_leaves_no_arc_to_follow() -> None:
    blank = np.full((600, 800, 3), 128, np.uint8)
    rough = Ellipse(200.0, 0.0, 620.0, 480.0, 20.0)
    assert follow_arc(blank, rough, _votes(rough, 60.0)) is None


def test_the_path_does_not_jump_to_a_brighter_line_beside_a_gap() -> None:
    value = np.zeros((60, 31))
    value[:, 12] = 1.0
    value[25:33, 12] = 0.0
    value[25:33, 24] = 1.2
    assert np.abs(best_path(value) - 12).max() <= 1


@pytest.mark.parametrize("seed", range(3))
def test_no_other_path_is_worth_more(seed: int) -> None:
    rng = np.random.default_rng(seed)
    value = rng.random((5, 4))
    paths = np.stack(np.meshgrid(*[np.arange(4)] * 5, indexing="ij"), axis=-1).reshape(-1, 5)
    worth = value[np.arange(5), paths].sum(axis=1) - 0.08 * (np.diff(paths, axis=1) ** 2).sum(axis=1)
    found = best_path(value)
    own = value[np.arange(5), found].sum() - 0.08 * (np.diff(found) ** 2).sum()
    assert own == pytest.approx(worth.max())


def test_an_arc_thinner_than_a_change_of_colour_is_not_followed() -> None:
    thin = Ellipse(120.0, 90.0, 60.0, 0.8, 0.0)
    picture = np.random.default_rng(2).integers(0, 255, (180, 240, 3), np.uint8)
    assert follow_arc(picture, thin, _votes(thin, 20.0)) is None
