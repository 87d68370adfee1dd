"""The visible silhouette of the piece, clipped to the photo."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from model.piece_mask import PieceMask, to_photo

FloatArray = npt.NDArray[np.float64]

_GRID_SIDE_PX = 576  # the silhouette is drawn on a grid this long
_INSIDE_PX = 1.5  # mask px from the lip towards the well
_LINE_SHOWS = 0.2  # probability of the lip line that shows a lip without an edge
_LINE_REACH_PX = 3
_COVERED = 0.3  # silhouette probability under which the area inside the lip counts as covered


def find_outline(
    mask: PieceMask | None, lip: FloatArray | None, width: int, height: int
) -> FloatArray | None:
    """Closed polygon (K, 2) of what is seen of the piece, photo px, within the photo.

    The area inside a lip belongs to it, except where the segmenter saw a cover; the
    segmenter's silhouette adds body and handle. None where nothing is seen.
    """
    scale = _GRID_SIDE_PX / max(width, height)
    shape = (max(2, round(height * scale)), max(2, round(width * scale)))
    area = np.zeros(shape, dtype=np.uint8)
    if lip is not None:
        cv2.fillPoly(area, [np.round(((lip + 0.5) * scale - 0.5) * 16).astype(np.int32)], 1, shift=4)
    if mask is not None:
        seen = cv2.resize(mask.silhouette, shape[::-1], interpolation=cv2.INTER_LINEAR)
        area = (seen > 0.5).astype(np.uint8) if lip is None else _join(area, seen)
    contours, _ = cv2.findContours(area, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours:
        return None
    largest = max(contours, key=cv2.contourArea)
    if len(largest) < 8:
        return None
    outline = to_photo(cv2.approxPolyDP(largest, 0.7, True)[:, 0].astype(np.float64), scale)
    return np.clip(outline, 0, [width - 1, height - 1])


def lip_in_view(mask: PieceMask, lip: FloatArray, edge_seen: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """(N,) bool: where the silhouette reaches the lip and an edge or the segmenter's lip line shows it.

    The piece is looked for slightly inside its lip (N, 2), photo px, clockwise. Edges alone would miss a
    white lip on a white table; the silhouette alone takes what lies on the rim for a part of the piece.
    """
    along = np.roll(lip, -1, axis=0) - np.roll(lip, 1, axis=0)
    inner = np.stack([-along[:, 1], along[:, 0]], axis=1)
    inner /= np.maximum(np.linalg.norm(inner, axis=1, keepdims=True), 1e-9)
    value = _value_at(mask.silhouette, (lip + inner * (_INSIDE_PX / mask.scale) + 0.5) * mask.scale - 0.5)
    wide = cv2.dilate(mask.lip_line, np.ones((_LINE_REACH_PX, _LINE_REACH_PX), np.uint8))
    line = _value_at(wide, (lip + 0.5) * mask.scale - 0.5)
    shown = (value > 0.5) & (edge_seen | (line > _LINE_SHOWS))
    return np.asarray(shown | (edge_seen & (value > _COVERED)), dtype=bool)


def _value_at(layer: npt.NDArray[np.float32], points: FloatArray) -> npt.NDArray[np.float32]:
    """(N,) nearest values of a mask at (N, 2) mask px."""
    rows, columns = layer.shape
    at = np.round(points).astype(int)
    return np.asarray(layer[np.clip(at[:, 1], 0, rows - 1), np.clip(at[:, 0], 0, columns - 1)])


def _join(inside_lip: npt.NDArray[np.uint8], seen: npt.NDArray[np.float32]) -> npt.NDArray[np.uint8]:
    """Lip area less its covers, with the body; beside the lip the exact lip rules, not the mask."""
    covered = cv2.morphologyEx(inside_lip & (seen < _COVERED), cv2.MORPH_OPEN, np.ones((7, 7), np.uint8))
    body = (seen > 0.5).astype(np.uint8)
    near = cv2.dilate(inside_lip, np.ones((9, 9), np.uint8))
    beyond = cv2.morphologyEx(body & (1 - near), cv2.MORPH_OPEN, np.ones((5, 5), np.uint8))
    outside = cv2.dilate(beyond, np.ones((11, 11), np.uint8)) & body
    return np.asarray((inside_lip | outside) & (1 - covered), dtype=np.uint8)
