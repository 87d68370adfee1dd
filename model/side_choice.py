"""The lip of a piece seen from the side among ellipses through edges: free above, body below."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from model.edges import EdgeField
from model.ellipse import sample_ellipse, scale_ellipse
from model.facts import Ellipse
from model.piece_mask import PieceMask
from model.rim_candidates import edge_support, propose_ellipses
from model.rim_choice import line_along
from model.side_lip import find_side_lip

FloatArray = npt.NDArray[np.float64]

_RATIOS = (0.04, 0.75)  # axis ratio: nearly level, to looked into rather than at
_TILT_DEG = 30.0  # of the long axis: pieces stand on tables, phones are held nearly level
_SAMPLES = 96
_SIDE_PX = 3.0  # mask px beside the lip's ends: nothing of the piece, but for a handle
_SIDE_SCORE = 0.72  # of a lip seen from the side; flat pieces mostly score below .68 (rendered fit set)
_SIDE_EDGE_SCORE = 0.6  # of a side lip through edges, without the mask's own shape speaking for it
_LIP_WIDTH = 0.7  # of the silhouette's width below the lip, handles included
_NEAR_PX, _FAR_PX = 2.0, 6.0  # mask px beside the lip: free above it, body below it


def find_side_ellipse(field: EdgeField, scale: float, mask: PieceMask) -> Ellipse | None:
    """The lip of a piece seen from the side, px of the searched picture: through edges where they show it."""
    rough = find_side_lip(mask)
    others = [] if rough is None else [scale_ellipse(rough.ellipse, scale / mask.scale)]
    best = choose_side_lip(field, scale, mask, others)
    if best is not None and (best[1] >= _SIDE_EDGE_SCORE or (rough and rough.score >= _SIDE_SCORE)):
        return best[0]
    return others[0] if rough is not None and rough.score >= _SIDE_SCORE else None


def choose_side_lip(
    field: EdgeField, scale: float, mask: PieceMask, others: list[Ellipse]
) -> tuple[Ellipse, float] | None:
    """The ellipse most like a lip seen from the side, px of the searched picture, and its score 0..1.

    Parameters
    ----------
    field, scale
        Edges of the searched picture and its scale to the photo.
    mask
        The segmenter's answer.
    others
        Further ellipses to judge, px of the searched picture.
    """

    def favour(ellipse: Ellipse) -> float:
        return _judge_sides(mask, scale_ellipse(ellipse, mask.scale / scale))

    ellipses = [ellipse for ellipse, _ in propose_ellipses(field, favour)] + others
    ellipses = [ellipse for ellipse in ellipses if _is_standing(ellipse)]
    if not ellipses:
        return None
    edges = edge_support(field, ellipses)
    lines = line_along(mask, [scale_ellipse(e, mask.scale / scale) for e in ellipses])
    scores = [0.5 * favour(e) + 0.25 * a + 0.25 * b for e, a, b in zip(ellipses, edges, lines, strict=True)]
    best = int(np.argmax(scores))
    return ellipses[best], float(scores[best])


def _is_standing(ellipse: Ellipse) -> bool:
    low, high = _RATIOS
    tilt = abs((ellipse.angle_deg + 90) % 180 - 90)
    return low < ellipse.semi_minor / ellipse.semi_major < high and tilt < _TILT_DEG


def _judge_sides(mask: PieceMask, ellipse: Ellipse) -> float:
    """0..1: the piece ends at the far half and both ends, and goes on below the near half; mask px."""
    points = sample_ellipse(ellipse, _SAMPLES)
    away = points - [ellipse.cx, ellipse.cy]
    turn = np.radians((ellipse.angle_deg + 90) % 180 - 90)
    up = np.array([np.sin(turn), -np.cos(turn)])
    far = away @ up > 0
    above, below = _seen(mask, points + _NEAR_PX * up), _seen(mask, points - _NEAR_PX * up)
    body = _seen(mask, points - _FAR_PX * up)
    ends = float(np.mean(~above[far] & below[far]))
    goes_on = float(np.mean(below[~far] & body[~far]))
    right = np.array([np.cos(turn), np.sin(turn)])
    across = away @ right
    sides = [
        float(np.mean(~_seen(mask, points[tip] + sign * _SIDE_PX * right)))
        for sign, tip in ((1, across > 0.9 * ellipse.semi_major), (-1, across < -0.9 * ellipse.semi_major))
    ]
    below_lip = np.array([ellipse.cx, ellipse.cy]) - (ellipse.semi_minor + _NEAR_PX) * up
    width = sum(_run_px(mask, below_lip, sign * right) for sign in (1, -1))
    whole = min(1.0, 2 * ellipse.semi_major / max(_LIP_WIDTH * width, 1.0))
    return ends * goes_on * (0.1 + 0.9 * sides[0]) * (0.1 + 0.9 * sides[1]) * whole**2


def _run_px(mask: PieceMask, start: FloatArray, direction: FloatArray) -> int:
    """How far the silhouette goes on from a point, in mask px."""
    steps = np.arange(max(mask.silhouette.shape))
    seen = _seen(mask, start + steps[:, None] * direction)
    return int(np.argmin(seen)) if not seen.all() else len(steps)


def _seen(mask: PieceMask, points: FloatArray) -> npt.NDArray[np.bool_]:
    rows, columns = mask.silhouette.shape
    x, y = np.round(points).astype(int).T
    inside = (x >= 0) & (x < columns) & (y >= 0) & (y < rows)
    value = mask.silhouette[np.clip(y, 0, rows - 1), np.clip(x, 0, columns - 1)] > 0.5
    return np.asarray(inside & value, dtype=bool)
