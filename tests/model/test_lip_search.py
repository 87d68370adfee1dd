"""Lips found again in turned, brighter and darker photos; lips seen from the side, cut and covered ones."""

from __future__ import annotations

import json
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
import pytest

from model.ellipse import fit_ellipse, polygon_iou, sample_ellipse
from model.facts import Ellipse
from model.lip_from_votes import trust_in
from model.lip_search import find_lip
from model.lip_shape import Lip
from model.lip_votes import DIRECTIONS, LipVotes, reaches_of
from model.photo import Photo, decode_photo, photo_from_rgb
from model.piece import Piece, find_piece, lay_rim
from model.piece_mask import PieceMask, brighten, exposure_gain
from model.quarter_turns import turn_points
from model.rim_band import unroll_rim

SAMPLES = Path(__file__).parents[2] / "sample_images"
CHOSEN = ("02-", "04-", "05-", "07-")  # a cup, a square plate, a round plate, a sugar bowl


def _sample(start: str) -> Path:
    return next(path for path in sorted(SAMPLES.glob("*.jpg")) if path.name.startswith(start))


@lru_cache(maxsize=8)
def _read(start: str) -> tuple[Photo, Piece]:
    photo = decode_photo(_sample(start).read_bytes())
    return photo, find_piece(photo)


def _curve(piece: Piece) -> np.ndarray:
    assert piece.rim is not None
    assert piece.rim.curve is not None
    return piece.rim.curve


def _farthest_px(first: np.ndarray, second: np.ndarray) -> float:
    """Greatest distance of the points of one closed curve from the other curve."""
    closed = np.vstack([second, second[:1]])
    step = np.diff(closed, axis=0)
    length = np.maximum((step**2).sum(axis=1), 1e-12)
    away = first[:, None] - closed[None, :-1]
    share = np.clip((away * step).sum(axis=2) / length, 0, 1)
    return float(np.linalg.norm(away - share[..., None] * step, axis=2).min(axis=1).max())


@pytest.mark.parametrize("start", CHOSEN)
def test_sample_photos_are_found(start: str) -> None:
    _, piece = _read(start)
    truth = json.loads(_sample(start).with_suffix(".json").read_text(encoding="utf-8"))
    assert polygon_iou(_curve(piece), np.array(truth["rim"]["curve"])) > 0.8


@pytest.mark.parametrize("start", CHOSEN)
@pytest.mark.parametrize("quarters", [1, 2, 3])
def test_a_photo_turned_by_quarters_gives_the_same_lip_within_a_pixel(start: str, quarters: int) -> None:
    photo, piece = _read(start)
    turned = find_piece(photo_from_rgb(np.ascontiguousarray(np.rot90(photo.pixels, quarters))))
    expected = turn_points(_curve(piece), quarters, photo.width, photo.height)
    assert _farthest_px(expected, _curve(turned)) < 1.0
    assert _farthest_px(_curve(turned), expected) < 1.0


@pytest.mark.parametrize("start", CHOSEN)
@pytest.mark.parametrize("gain", [0.5, 2.0])
def test_a_stop_brighter_or_darker_gives_nearly_the_same_lip(start: str, gain: float) -> None:
    photo, piece = _read(start)
    other = find_piece(photo_from_rgb(brighten(photo.pixels, gain)))
    assert polygon_iou(_curve(piece), _curve(other)) > 0.98


def test_the_gain_undoes_an_exposure_that_clips_nothing() -> None:
    picture = np.random.default_rng(1).integers(60, 120, (60, 80, 3), dtype=np.uint8)
    brighter = brighten(picture, 1.6)
    assert exposure_gain(brighter) * 1.6 == pytest.approx(exposure_gain(picture), rel=0.05)


def _mask_of(lip: np.ndarray, body: np.ndarray, shape: tuple[int, int], scale: float) -> PieceMask:
    """A segmenter's true answer, with votes sure to a mask px."""
    layers = []
    for polygon in (body, lip):
        area = np.zeros(shape, np.float32)
        points = np.round(((polygon + 0.5) * scale - 0.5) * 16).astype(np.int32)
        cv2.fillPoly(area, [points], 1.0, cv2.LINE_AA, 4)
        layers.append(area)
    line = np.zeros(shape, np.float32)
    cv2.polylines(line, [np.round(((lip + 0.5) * scale - 0.5) * 16).astype(np.int32)], True, 1.0, 2, 16, 4)
    middle = np.array([(shape[1] - 1) / 2, (shape[0] - 1) / 2])
    reach = reaches_of((lip + 0.5) * scale - 0.5, middle)
    votes = LipVotes(middle, reach, np.ones(DIRECTIONS), np.array([0.9, 0.04, 0.03, 0.03]))
    return PieceMask(np.maximum(layers[0], layers[1]), layers[1], line, scale, votes)


def _cup() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """A cup from the side: picture, lip, body."""
    lip = Ellipse(400, 220, 190, 34, 0)
    curve = sample_ellipse(lip, 400)
    body = np.concatenate([curve[curve[:, 1] <= 220], [[590, 220], [540, 470], [260, 470], [210, 220]]])
    body = cv2.convexHull(body.astype(np.float32))[:, 0].astype(float)
    picture = np.full((600, 800, 3), (70, 60, 52), np.uint8)
    cv2.fillPoly(picture, [np.round(body * 16).astype(np.int32)], (214, 206, 190), cv2.LINE_AA, 4)
    cv2.fillPoly(picture, [np.round(curve * 16).astype(np.int32)], (168, 160, 148), cv2.LINE_AA, 4)
    noise = np.random.default_rng(2).integers(0, 6, picture.shape, dtype=np.uint8)
    return cv2.GaussianBlur(picture + noise, (0, 0), 0.9), curve, body


def test_a_lip_seen_from_the_side_is_taken_from_votes_and_edges() -> None:
    picture, lip, body = _cup()
    mask = _mask_of(lip, body, (150, 200), 0.25)
    found = find_lip(photo_from_rgb(picture), mask, None)
    assert found is not None
    assert polygon_iou(found.lip.curve, lip) > 0.93


def test_the_band_of_a_cup_is_seen_where_its_body_is_though_its_lip_has_no_edge() -> None:
    picture, curve, body = _cup()
    photo = photo_from_rgb(picture)
    lip = Lip(curve, fit_ellipse(curve), np.zeros(len(curve), dtype=bool))
    rim = lay_rim(photo, lip, body)
    assert rim.view == "from the side"
    assert rim.visible_share == 0
    assert rim.seen.mean() > 0.9
    covered = body.copy()
    covered[:, 0] = np.minimum(covered[:, 0], 430)  # something stands before the right part
    rim = lay_rim(photo, lip, covered)
    assert rim.view == "from the side"
    assert rim.seen[rim.band[:, 0] < 420].mean() > 0.9
    assert not rim.seen[rim.band[:, 0] > 450].any()
    strip = unroll_rim(photo, Piece("found", covered, rim))
    assert strip is not None
    row = strip.seen_mask[strip.lip_row + 40]
    assert 0.35 < row.mean() < 0.75
    assert not row[-20:].any()


def test_a_lip_half_out_of_the_frame_is_completed_by_the_votes() -> None:
    picture, lip, body = _cup()
    cut, shift = picture[:, 400:], np.array([400.0, 0.0])
    whole = _mask_of(lip, body, (150, 200), 0.25)
    votes = _mask_of(lip - shift, body - shift, (150, 100), 0.25).votes
    mask = PieceMask(whole.silhouette[:, 100:], whole.lip_area[:, 100:], whole.lip_line[:, 100:], 0.25, votes)
    found = find_lip(photo_from_rgb(np.ascontiguousarray(cut)), mask, None)
    assert found is not None
    assert polygon_iou(found.lip.curve, lip - shift) > 0.8


def test_trust_falls_with_the_distance_from_what_the_segmenter_says() -> None:
    _, lip, body = _cup()
    mask = _mask_of(lip, body, (150, 200), 0.25)
    moved = [trust_in(mask, lip + np.array([0.0, shift])) for shift in (0, 12, 40)]
    assert moved[0] > 0.9
    assert moved[0] > moved[1] > moved[2]
