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
_BODY_DEPTH = 0.2  # radii down the body where it must be in view
_BODY_SLACK = 0.03  # of the silhouette's width: how far beyond it the body may be
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


def body_in_view(outline: FloatArray, band: FloatArray, inward: FloatArray) -> npt.NDArray[np.bool_]:
    """(M,) bool: where the body shows below a lip seen from the side.

    Its band is the body, which is seen even where the lip has no edge against what lies behind it. The guide
    (M, 2) and the way down the body, (M, 2) a radius, are in photo px.
    """
    return within_outline(outline, band + _BODY_DEPTH * inward, _BODY_SLACK * float(np.ptp(outline[:, 0])))


def within_outline(outline: FloatArray, points: FloatArray, slack_px: float) -> npt.NDArray[np.bool_]:
    """Bool (...) of points (..., 2), photo px: inside an outline (K, 2) widened by ``slack_px``."""
    low = outline.min(axis=0) - slack_px - 2
    scale = min(1.0, _GRID_SIDE_PX / float((outline.max(axis=0) + slack_px + 2 - low).max()))
    shape = np.ceil((outline.max(axis=0) + slack_px + 2 - low) * scale).astype(int) + 1
    area = np.zeros((shape[1], shape[0]), np.uint8)
    cv2.fillPoly(area, [np.round((outline - low) * scale).astype(np.int32)], 1)
    wide = 2 * max(0, round(slack_px * scale)) + 1
    area = cv2.dilate(area, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (wide, wide)))
    at = np.round((points - low) * scale)
    known = ((at >= 0) & (at < shape)).all(axis=-1)
    at = np.clip(np.nan_to_num(at), 0, shape - 1).astype(int)
    return np.asarray(known & (area[at[..., 1], at[..., 0]] > 0))


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
