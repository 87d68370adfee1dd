"""Finding a piece in drawn scenes with known lips; turning, input, outline, hints."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from model.ellipse import polygon_iou, sample_ellipse
from model.facts import Ellipse
from model.photo import photo_from_rgb
from model.piece import Piece, find_piece
from model.rim_band import unroll_rim


def _table(height: int = 600, width: int = 800, seed: int = 3) -> np.ndarray:
    rng = np.random.default_rng(seed)
    coarse = rng.normal(0, 12, (height // 16, width // 16, 3)).astype(np.float32)
    cloth = cv2.resize(coarse, (width, height), interpolation=cv2.INTER_CUBIC)
    return np.clip(np.array([120, 84, 60], np.float32) + cloth + rng.normal(0, 3, cloth.shape), 0, 255)


def _draw(points: np.ndarray, onto: np.ndarray, colour: tuple[int, int, int]) -> None:
    cv2.fillPoly(onto, [np.round(points * 16).astype(np.int32)], colour, cv2.LINE_AA, 4)


def _plate(lip: Ellipse, canvas: np.ndarray) -> np.ndarray:
    """A cream plate with an edge line and a darker well, softened as a lens does."""
    for share, colour in ((1.0, (226, 218, 200)), (0.985, (150, 30, 40)), (0.965, (226, 218, 200))):
        ring = Ellipse(lip.cx, lip.cy, lip.semi_major * share, lip.semi_minor * share, lip.angle_deg)
        _draw(sample_ellipse(ring), canvas, colour)
    well = Ellipse(lip.cx, lip.cy, lip.semi_major * 0.7, lip.semi_minor * 0.7, lip.angle_deg)
    _draw(sample_ellipse(well), canvas, (205, 196, 178))
    return np.asarray(cv2.GaussianBlur(canvas, (0, 0), 0.8)).astype(np.uint8)


def _found_iou(piece: Piece, lip: Ellipse) -> float:
    assert piece.rim is not None
    assert piece.rim.curve is not None
    return polygon_iou(piece.rim.curve, sample_ellipse(lip))


@pytest.mark.parametrize(
    "lip",
    [Ellipse(400, 300, 240, 238, 0), Ellipse(430, 310, 280, 190, 4), Ellipse(360, 330, 250, 140, 175)],
    ids=["square-on", "tilted", "low"],
)
def test_a_plate_is_found_within_a_pixel(lip: Ellipse) -> None:
    piece = find_piece(photo_from_rgb(_plate(lip, _table())))
    assert piece.status == "found"
    assert _found_iou(piece, lip) > 0.985
    assert piece.rim is not None
    assert piece.rim.ellipse is not None
    assert abs(piece.rim.ellipse.semi_major - lip.semi_major) < 1.5
    assert piece.rim.visible_share > 0.95
    assert len(piece.facts().rim.curve) >= 64  # type: ignore[union-attr, arg-type]


def test_the_input_stays_unchanged_and_the_answer_repeats() -> None:
    photo = photo_from_rgb(_plate(Ellipse(400, 300, 240, 200, 10), _table()))
    before = photo.pixels.copy()
    first, second = find_piece(photo), find_piece(photo)
    assert np.array_equal(photo.pixels, before)
    assert first.rim is not None
    assert second.rim is not None
    assert np.array_equal(first.rim.band, second.rim.band)


def test_the_four_quarter_turns_agree_within_a_pixel() -> None:
    upright = photo_from_rgb(_plate(Ellipse(410, 290, 250, 215, 20), _table()))
    reference = find_piece(upright).rim
    assert reference is not None
    assert reference.ellipse is not None
    for turns in (1, 2, 3):
        turned = find_piece(photo_from_rgb(np.rot90(upright.pixels, turns))).rim
        assert turned is not None
        assert turned.ellipse is not None
        assert turned.ellipse.semi_major == pytest.approx(reference.ellipse.semi_major, abs=1)
        assert turned.ellipse.semi_minor == pytest.approx(reference.ellipse.semi_minor, abs=1)
        x, y = turned.ellipse.cx, turned.ellipse.cy
        if turns == 1:
            x, y = upright.width - 1 - y, x
        elif turns == 2:
            x, y = upright.width - 1 - x, upright.height - 1 - y
        else:
            x, y = y, upright.height - 1 - x
        assert (x, y) == pytest.approx((reference.ellipse.cx, reference.ellipse.cy), abs=1)


def test_a_plate_cut_by_the_frame_is_partial_and_completed() -> None:
    lip = Ellipse(560, 330, 300, 280, 0)
    piece = find_piece(photo_from_rgb(_plate(lip, _table())))
    assert piece.status == "partial"
    assert _found_iou(piece, lip) > 0.95
    assert piece.rim is not None
    assert 0.6 < piece.rim.visible_share < 0.97
    assert piece.outline is not None
    assert (piece.outline >= 0).all()
    assert (piece.outline <= [799, 599]).all()
    assert piece.reason is not None


def test_covers_over_the_rim_do_not_move_it() -> None:
    lip = Ellipse(400, 300, 250, 225, 0)
    picture = _plate(lip, _table())
    cv2.line(picture, (180, 420), (420, 300), (190, 190, 195), 26, cv2.LINE_AA)
    cv2.circle(picture, (600, 200), 70, (60, 90, 40), -1, cv2.LINE_AA)
    piece = find_piece(photo_from_rgb(picture))
    assert _found_iou(piece, lip) > 0.97
    assert piece.rim is not None
    assert piece.rim.visible_share < 0.97


def test_nothing_round_is_no_piece_with_a_reason() -> None:
    piece = find_piece(photo_from_rgb(_table().astype(np.uint8)))
    assert piece.status == "not found"
    assert piece.rim is None
    assert piece.reason is not None
    assert unroll_rim(photo_from_rgb(_table().astype(np.uint8)), piece) is None
