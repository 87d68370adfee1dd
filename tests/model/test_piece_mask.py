"""The segmenter's answer put to use: loading, shapes, bands of close-ups, outlines, what is in view."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from model.closeup import band_from_mask, band_from_trace
from model.ellipse import polygon_iou, sample_ellipse
from model.errors import RecipeError
from model.facts import Ellipse
from model.mask_shape import find_shape
from model.outline import find_outline, lip_in_view
from model.photo import photo_from_rgb
from model.piece_mask import WEIGHTS, PieceMask, load_segmenter, to_photo
from model.superellipse import Superellipse


def _mask(
    lip: np.ndarray, silhouette: np.ndarray | None = None, shape: tuple[int, int] = (108, 144)
) -> PieceMask:
    """A mask drawn from polygons in mask px; one mask px is four photo px."""
    layers = []
    for polygon in (lip if silhouette is None else silhouette, lip):
        area = np.zeros(shape, np.float32)
        cv2.fillPoly(area, [np.round(polygon * 16).astype(np.int32)], 1.0, cv2.LINE_AA, 4)
        layers.append(area)
    line = np.zeros(shape, np.float32)
    cv2.polylines(line, [np.round(lip * 16).astype(np.int32)], True, 1.0, 2, cv2.LINE_AA, 4)
    return PieceMask(layers[0], layers[1], line, 0.25)


def test_without_weights_there_is_no_segmenter_and_wrong_ones_are_refused(tmp_path: Path) -> None:
    assert load_segmenter(tmp_path) is None
    (tmp_path / "b").mkdir()
    (tmp_path / "b" / "segmenter.onnx").write_bytes(b"not the weights")
    (tmp_path / "b" / "segmenter.json").write_text(json.dumps({"weights_sha256": "0" * 64}), encoding="utf-8")
    with pytest.raises(RecipeError, match="recipe"):
        load_segmenter(tmp_path / "b")


def test_the_shipped_segmenter_marks_a_drawn_plate() -> None:
    segmenter = load_segmenter(WEIGHTS)
    assert segmenter is not None
    picture = np.full((480, 640, 3), (104, 76, 56), np.uint8)
    picture = picture + np.random.default_rng(0).integers(0, 12, picture.shape, dtype=np.uint8)
    lip = Ellipse(320, 240, 190, 160, 0)
    for share, colour in ((1.0, (228, 224, 214)), (0.7, (214, 208, 198))):
        ring = Ellipse(lip.cx, lip.cy, lip.semi_major * share, lip.semi_minor * share, 0)
        cv2.fillPoly(picture, [np.round(sample_ellipse(ring) * 16).astype(np.int32)], colour, cv2.LINE_AA, 4)
    mask = segmenter.mark_piece(photo_from_rgb(picture))
    found = (mask.lip_area > 0.5).astype(np.uint8)
    contours, _ = cv2.findContours(found, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    contour = to_photo(max(contours, key=cv2.contourArea)[:, 0].astype(float), mask.scale)
    assert polygon_iou(contour, sample_ellipse(lip)) > 0.85


def test_a_square_cut_by_the_frame_is_completed() -> None:
    truth = Superellipse(110, 54, 46, 44, 0.2, 5.0).sample(200)
    shape = find_shape(_mask(truth))
    assert shape is not None
    assert shape.power > 3
    assert polygon_iou(shape.polygon, truth) > 0.93
    assert shape.is_better_than(0.9)
    assert not shape.is_better_than(shape.fit)


@pytest.mark.parametrize("corner", [(0, 0), (144, 0), (144, 108), (0, 108)])
def test_a_close_up_gives_a_band_that_looks_to_the_piece(corner: tuple[float, float]) -> None:
    lip = sample_ellipse(Ellipse(corner[0], corner[1], 90, 90, 0), 400)
    band = band_from_mask(_mask(lip), 576, 432)
    assert band is not None
    middle = to_photo(np.array([corner], float), 0.25)[0]
    towards = middle - band.line
    towards /= np.linalg.norm(towards, axis=1, keepdims=True)
    assert ((towards * band.inward).sum(axis=1) > 0.97).all()
    assert band.told
    assert band.radius_px == pytest.approx(360, rel=0.06)


def test_a_whole_piece_is_no_close_up() -> None:
    assert band_from_mask(_mask(sample_ellipse(Ellipse(72, 54, 40, 36, 0))), 576, 432) is None


def test_a_drawn_line_becomes_a_band_on_its_bent_side() -> None:
    angle = np.radians(np.linspace(200, 340, 30))
    trace = np.stack([300 + 180 * np.cos(angle), 300 + 180 * np.sin(angle)], axis=1)
    for drawn in (trace, trace[::-1]):
        band = band_from_trace(drawn, None, 600, 600)
        assert band is not None
        towards = np.array([300, 300]) - band.line
        assert ((towards * band.inward).sum(axis=1) > 0).all()
        assert band.line[0, 0] < band.line[-1, 0]  # clockwise over the top: left to right
        assert band.radius_px == pytest.approx(1.12 * 180, rel=0.05)  # drawn inside the lip
    assert band_from_trace(trace[:2], None, 6000, 6000) is None


def test_the_outline_takes_the_body_in_and_leaves_covers_out() -> None:
    lip = sample_ellipse(Ellipse(72, 40, 40, 22, 0))
    body = np.array([[32, 40], [112, 40], [96, 90], [48, 90]], float)
    seen = np.vstack([lip[lip[:, 1] < 40], body])
    mask = _mask(lip, cv2.convexHull(seen.astype(np.float32))[:, 0].astype(float))
    outline = find_outline(mask, to_photo(lip, 0.25), 576, 432)
    assert outline is not None
    assert outline[:, 1].max() == pytest.approx(360, abs=10)
    covered = PieceMask(mask.silhouette.copy(), mask.lip_area, mask.lip_line, 0.25)
    covered.silhouette[:, 90:] = 0
    outline = find_outline(covered, to_photo(lip, 0.25), 576, 432)
    assert outline is not None
    assert outline[:, 0].max() < 372
    view = lip_in_view(covered, to_photo(lip, 0.25), np.zeros(len(lip), bool))
    assert not view[lip[:, 0] > 94].any()
    assert view[(lip[:, 0] < 84) & (lip[:, 1] > 30)].mean() > 0.9
