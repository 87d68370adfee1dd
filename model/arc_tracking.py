"""The edge of a lip of which an arc is in the photo, followed as one line from end to end.

A short arc tells its whole ellipse only if it is followed to a fraction of a pixel and without jumps to the
lines beside it. So the edge is not taken point by point but as the best path across all of them.

References
----------
R. Bellman, "Dynamic Programming", 1957: the best path, step by step. A. Amini, T. Weymouth, R. Jain, "Using
dynamic programming for solving variational problems in vision", IEEE PAMI 12(9), 1990: contours by it.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from model.ellipse import ellipse_residuals_px, fit_ellipse_robustly, sample_ellipse
from model.facts import Ellipse
from model.lip_fusion import fit_to_edges
from model.lip_votes import LipVotes
from model.rim_refinement import lab_along, outward_normals, parabola_shift

FloatArray = npt.NDArray[np.float64]
RGB = npt.NDArray[np.uint8]

_POINTS, _LEAST_POINTS = 220, 60  # on the arc; that must show an edge
_FINE = 4000  # points of the whole ellipse from which the arc is taken
_REACHES_PX = (12.0, 8.0, 5.0)  # how far the edge is looked for, round by round
_PRIOR = 0.6  # of the reach, one sigma: how far the edge is likely off
_STEP_PX, _BLUR_PX, _BLUR_POINTS = 0.5, 1.5, 3.0
_LEAST_REACH_PX = 1.0  # a change is taken over two px: an arc thinner than that has none beside it
_STRONG, _MOST = 0.7, 1.2  # quantile of the strengths that counts 1; more than so much counts no more
_JUMPS, _JUMP_COST = 3, 0.08  # steps from one point to the next; cost of the squared step
_CONTRAST = 2.0  # Lab over 2 px: weaker is no edge
_TOLERANCE_PX = 0.7
_ON_ELLIPSE_PX, _ON_ELLIPSE = 1.5, 0.8  # so near must that share of the followed edge lie
_LARGEST = 6.0  # of the photo's longer side
_MOST_CHANGE = 2.0  # of an axis: what changes more was a straight side, not an arc


def follow_arc(rgb: RGB, start: Ellipse, votes: LipVotes) -> Ellipse | None:
    """Fit an ellipse to the edge followed along the visible arc of ``start``, and to the votes.

    Parameters
    ----------
    rgb
        (h, w, 3) picture.
    start, votes
        In px of this picture.

    Returns
    -------
    Ellipse or None
        None where little of the arc shows an edge, or what was followed is no part of an ellipse.
    """
    current = start
    height, width = rgb.shape[:2]
    for reach_px in _REACHES_PX:
        arc = visible_arc(current, width, height)
        if arc is None:
            return None
        reach = min(reach_px, 0.7 * current.semi_minor)
        if reach < _LEAST_REACH_PX:
            return None
        offset, strength = track_edge(rgb, *arc, reach)
        usable = strength > _CONTRAST
        if usable.sum() < _LEAST_POINTS:
            return None
        edge = (arc[0] + arc[1] * offset[:, None])[usable]
        other = fit_ellipse_robustly(edge, current, _TOLERANCE_PX)
        starts = (
            [current]
            if other is None or other.semi_major > _LARGEST * max(width, height)
            else [current, other]
        )
        fitted = fit_to_edges(edge, _TOLERANCE_PX, starts, votes)
        if fitted is None:
            return None
        current = fitted
    off = np.abs(ellipse_residuals_px(current, edge))
    grown = np.array([current.semi_major / start.semi_major, current.semi_minor / start.semi_minor])
    alike = bool(((grown < _MOST_CHANGE) & (grown > 1 / _MOST_CHANGE)).all())
    return current if alike and (off < _ON_ELLIPSE_PX).mean() >= _ON_ELLIPSE else None


def visible_arc(ellipse: Ellipse, width: int, height: int) -> tuple[FloatArray, FloatArray] | None:
    """(_POINTS, 2) points about even along the part inside a picture, and their outward normals."""
    curve = sample_ellipse(ellipse, _FINE)
    normals = outward_normals(curve)
    inside = ((curve >= 2) & (curve <= [width - 3, height - 3])).all(axis=1)
    if inside.sum() < 2 or inside.all():
        kept = np.flatnonzero(inside)
    else:
        first = int(np.argmin(inside))
        kept = (np.flatnonzero(np.roll(inside, -first)) + first) % _FINE
    if len(kept) < 20:
        return None
    steps = np.linalg.norm(np.diff(curve[kept], axis=0), axis=1)
    along = np.concatenate([[0.0], np.cumsum(np.minimum(steps, 3 * float(np.median(steps))))])
    at = np.searchsorted(along, np.linspace(0, along[-1], _POINTS)).clip(max=len(kept) - 1)
    return curve[kept[at]], normals[kept[at]]


def track_edge(
    rgb: RGB, points: FloatArray, normals: FloatArray, reach_px: float
) -> tuple[FloatArray, FloatArray]:
    """(N,) offset outward and (N,) strength of the best path of edges along a line (N, 2) of points."""
    offsets, strength = _edge_strengths(rgb, points, normals, reach_px)
    likely = strength * np.exp(-0.5 * (offsets / (_PRIOR * reach_px)) ** 2)
    likely = np.minimum(likely / max(float(np.quantile(likely.max(axis=1), _STRONG)), 1.0), _MOST)
    path = best_path(likely)
    rows = np.arange(len(points))
    return offsets[path] + parabola_shift(strength, path) * _STEP_PX, strength[rows, path]


def _edge_strengths(
    rgb: RGB, points: FloatArray, normals: FloatArray, reach_px: float
) -> tuple[FloatArray, FloatArray]:
    """Offsets (M,) and the change of Lab over two px at each (N, M), 0 outside the picture."""
    step = round(1 / _STEP_PX)
    offsets = np.arange(-reach_px, reach_px + _STEP_PX / 2, _STEP_PX)
    where = points[:, None] + normals[:, None] * offsets[None, :, None]
    smooth = cv2.GaussianBlur(lab_along(rgb, where), (0, 0), sigmaX=_BLUR_PX / _STEP_PX, sigmaY=_BLUR_POINTS)
    slope = smooth[:, 2 * step :] - smooth[:, : -2 * step]
    strength = np.sqrt((slope.astype(np.float64) ** 2).sum(axis=2))
    height, width = rgb.shape[:2]
    inside = np.all((where >= 0) & (where <= [width - 1, height - 1]), axis=2)[:, step:-step]
    return offsets[step:-step], np.where(inside, strength, 0.0)


def best_path(value: FloatArray) -> npt.NDArray[np.intp]:
    """(N,) column in each row of (N, M) whose sum of values, less what its steps cost, is greatest."""
    rows, columns = value.shape
    jumps = np.arange(-_JUMPS, _JUMPS + 1)
    from_column = np.arange(columns)[:, None] + jumps[None]
    allowed = (from_column >= 0) & (from_column < columns)
    from_column = np.clip(from_column, 0, columns - 1)
    cost = np.where(allowed, _JUMP_COST * jumps**2, np.inf)
    total = value[0].copy()
    back = np.zeros((rows, columns), dtype=np.intp)
    every = np.arange(columns)
    for row in range(1, rows):
        reached = total[from_column] - cost
        best = reached.argmax(axis=1)
        back[row] = from_column[every, best]
        total = reached[every, best] + value[row]
    path = np.empty(rows, dtype=np.intp)
    path[-1] = int(np.argmax(total))
    for row in range(rows - 1, 0, -1):
        path[row - 1] = back[row, path[row]]
    return path
