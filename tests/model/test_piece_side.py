"""Lips of pieces seen from the side: found through edges, unrolled the right way round."""

from __future__ import annotations

import cv2
import numpy as np

from model.edges import find_edges
from model.ellipse import polygon_iou, sample_ellipse
from model.facts import Ellipse
from model.piece_mask import PieceMask
from model.side_choice import choose_side_lip

LIP = Ellipse(256, 120, 120, 36, 0)


def _cup() -> tuple[np.ndarray, PieceMask]:
    """A cup on a dark table, and the mask of a segmenter that marks its body as inside the lip, too."""
    picture = np.full((384, 512, 3), (70, 60, 56), np.uint8)
    body = np.array([[136, 120], [376, 120], [340, 270], [300, 290], [212, 290], [172, 270]], float)
    lip = sample_ellipse(LIP)
    silhouette = cv2.convexHull(np.vstack([body, lip]).astype(np.float32))[:, 0].astype(float)
    for polygon, colour in ((silhouette, (206, 200, 190)), (lip, (150, 144, 136))):
        cv2.fillPoly(picture, [np.round(polygon * 16).astype(np.int32)], colour, cv2.LINE_AA, 4)
    layers = []
    for polygon in (silhouette, lip):
        area = np.zeros((108, 144), np.float32)
        at = (polygon + 0.5) * (144 / 512) - 0.5
        cv2.fillPoly(area, [np.round(at * 16).astype(np.int32)], 1.0, cv2.LINE_AA, 4)
        layers.append(area)
    line = cv2.morphologyEx(layers[1], cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8))
    return cv2.GaussianBlur(picture, (0, 0), 0.8), PieceMask(layers[0], 0.6 * layers[0], line, 144 / 512)


def test_the_lip_is_the_ellipse_with_the_body_below_it() -> None:
    picture, mask = _cup()
    sliver = Ellipse(256, 90, 60, 8, 0)  # along the far edge only
    found = choose_side_lip(find_edges(picture), 1.0, mask, [sliver])
    assert found is not None
    assert polygon_iou(sample_ellipse(found[0]), sample_ellipse(LIP)) > 0.9
    assert found[1] > 0.7


def test_an_empty_picture_has_no_side_lip() -> None:
    empty = np.zeros((108, 144), np.float32)
    mask = PieceMask(empty, empty, empty, 144 / 512)
    assert choose_side_lip(find_edges(np.full((384, 512, 3), 90, np.uint8)), 1.0, mask, []) is None
