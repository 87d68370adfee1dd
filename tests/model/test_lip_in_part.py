"""Lips of which a part is hidden: squares cut by the frame, round pieces under a cloth."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from model.ellipse import polygon_iou, sample_ellipse
from model.facts import Ellipse
from model.lip_covered import ellipse_under_cover
from model.lip_in_part import lip_in_part
from model.lip_search import find_lip
from model.lip_square import Lens, SquareLip, fit_square
from model.lip_votes import DIRECTIONS, KINDS, LipVotes, reaches_of
from model.photo import photo_from_rgb
from model.piece_mask import PieceMask

LENS = Lens(230.0, 159.5, 119.5)


def _mask(area: np.ndarray, lip: np.ndarray, kind: str, error: float = 0.0) -> PieceMask:
    """What a segmenter says that sees ``area`` and votes for the lip, its lower half off by ``error``."""
    middle = np.array([area.shape[1] / 2 - 0.5, area.shape[0] / 2 - 0.5])
    reach = reaches_of(lip, middle)
    reach[1 : DIRECTIONS // 2] *= 1 + error
    sure = np.array([0.94 if name == kind else 0.02 for name in KINDS])
    line = np.zeros_like(area)
    cv2.polylines(line, [np.round(lip * 16).astype(np.int32)], True, 1.0, 1, cv2.LINE_AA, 4)
    votes = LipVotes(middle, reach, np.full(DIRECTIONS, 0.06 * float(np.ptp(lip))), sure)
    return PieceMask(area, area, line * (area > 0.5), 0.4, votes)


def _fill(lip: np.ndarray) -> np.ndarray:
    area = np.zeros((240, 320), np.float32)
    cv2.fillPoly(area, [np.round(lip * 16).astype(np.int32)], 1.0, cv2.LINE_AA, 4)
    return area


def _picture(area: np.ndarray) -> np.ndarray:
    """A pale piece on a dark table, 800 x 600."""
    large = cv2.resize(area, (800, 600), interpolation=cv2.INTER_LINEAR)[..., None]
    rgb = large * [224, 216, 202] + (1 - large) * [92, 80, 68]
    return np.clip(rgb + np.random.default_rng(4).normal(0, 2, rgb.shape), 0, 255).astype(np.uint8)


def test_a_square_is_sampled_where_its_distances_are_nothing() -> None:
    square = SquareLip(np.array([150.0, 120.0, np.log(60.0), 0.7, 0.1, 0.4, np.log(5.0)]), LENS)
    assert np.abs(square.distances_px(square.sample())).max() < 1e-6
    inner = (square.sample() - [150, 120]) * 0.9 + [150, 120]
    assert (square.distances_px(inner) < -2).all()


@pytest.mark.parametrize("roll_deg", [0.0, 90.0])
def test_a_square_of_which_two_sides_are_seen_is_told_whole(roll_deg: float) -> None:
    true = SquareLip(np.array([150.0, 40.0, np.log(70.0), 0.6, np.radians(roll_deg), 0.3, np.log(5.0)]), LENS)
    lip = true.sample(400)
    seen = lip[(lip[:, 1] > 30)]
    votes = _mask(_fill(lip), lip, "square", 0.1).votes
    assert votes is not None
    noisy = seen + np.random.default_rng(1).normal(0, 0.4, seen.shape)
    wrong = np.random.default_rng(2).uniform(60, 120, (30, 2))  # something that lies on it
    found = fit_square(np.concatenate([noisy, wrong]), 1.0, votes, LENS)
    assert found is not None
    assert polygon_iou(found.sample(), lip) > 0.95


def test_a_square_plate_cut_by_the_frame_is_completed_as_a_square() -> None:
    true = SquareLip(np.array([170.0, 30.0, np.log(85.0), 0.6, 0.0, 0.5, np.log(5.0)]), LENS)
    lip = true.sample(400)
    area = _fill(lip)
    found = find_lip(photo_from_rgb(_picture(area)), _mask(area, lip, "square", -0.1), None)
    assert found is not None
    assert polygon_iou((found.lip.curve + 0.5) * 0.4 - 0.5, lip) > 0.93


def _covered() -> tuple[np.ndarray, np.ndarray]:
    """A round lip and what a cloth, straight across, leaves of its area."""
    lip = sample_ellipse(Ellipse(160, 120, 90, 70, 0), 400)
    area = _fill(lip)
    rows, columns = np.mgrid[:240, :320]
    return lip, area * (rows < 140 + 0.2 * (columns - 160))


def test_a_round_lip_under_a_cloth_is_told_whole_and_its_hidden_part_is_not_seen() -> None:
    lip, area = _covered()
    mask = _mask(area, lip, "ellipse", -0.15)
    found = find_lip(photo_from_rgb(_picture(area)), mask, None)
    assert found is not None
    assert polygon_iou((found.lip.curve + 0.5) * 0.4 - 0.5, lip) > 0.95
    assert found.lip.seen[found.lip.curve[:, 1] < 300].mean() > 0.9
    assert found.lip.seen[found.lip.curve[:, 1] > 420].mean() < 0.2


def test_nothing_is_taken_for_covered_where_the_whole_contour_is_the_lip() -> None:
    plain = Ellipse(160, 120, 90, 70, 0)
    lip = sample_ellipse(plain, 400)
    mask = _mask(_fill(lip), lip, "ellipse")
    assert ellipse_under_cover(mask, plain) is None
    assert lip_in_part(photo_from_rgb(_picture(mask.lip_area)), mask, plain) is None


def test_a_shape_without_an_ellipse_in_its_contour_is_not_completed() -> None:
    lip = np.array([[90.0, 60], [230, 70], [250, 170], [80, 180]])
    mask = _mask(_fill(lip), lip, "ellipse")
    assert ellipse_under_cover(mask, Ellipse(160, 120, 90, 60, 0)) is None
