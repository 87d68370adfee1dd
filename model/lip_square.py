"""A square lip with rounded corners in perspective, from its visible part and the segmenter's votes.

An ellipse through a square's visible corner says nothing of the rest; a square does: its sides are equal, and
the camera's focal length tells how they converge.

References
----------
Family: G. Lamé's curves. K. Levenberg, Quart. Appl. Math. 2, 1944; D. Marquardt, J. SIAM 11, 1963: damped
least squares. S. Geman, D. McClure, Bull. ISI 52, 1987: weights that fade.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from model.lip_votes import KINDS, LipVotes, reaches_of
from model.piece_mask import PieceMask
from model.rim_choice import contour_of_area

FloatArray = npt.NDArray[np.float64]

_TURNS = np.radians([0.0, 22.5, 45.0, 67.5])  # starts: a square looks the same after a quarter turn
_ROLLS = np.radians([0.0, 90.0, 180.0, 270.0])  # phones are held in any quarter turn
_TOLERANCES = (5.0, 2.0, 1.0)  # times the asked one: from a start far off to the exact curve
_FIRST_ROUNDS, _ROUNDS, _KEPT = 5, 12, 3  # of all starts, and of the best
_SAMPLES = 96
_VOTE_DOUBT = 4.0  # of the votes' scale: what is seen must rule
_POINT_WEIGHT = 96.0  # of all points together, as that of the same number of votes
# Likely values and their spread: squareness of plates with rounded corners (from memory), a phone held level,
# plates looked at from 0 to 60 degrees.
_POWER, _POWER_SPREAD = np.log(5.0), 0.35
_ROLL_SPREAD = np.radians(15.0)
_TILT, _TILT_SPREAD = np.radians(35.0), np.radians(25.0)
SQUARE, SQUARE_KIND = KINDS.index("square"), 0.4  # probability from which a square is tried
_LEAST_POINTS, _MOST_POINTS = 40, 140  # of the contour
_OFF_FRAME = 0.5  # of the contour not beside the photo's border: a corner alone tells no square
_ON, _LEAST_ON, _LEAST_OUT = (
    0.012,
    0.5,
    0.96,
)  # of the area's width; of the contour, on and not beyond the lip
_STEPS = np.array([0.05, 0.05, 1e-3, 1e-3, 1e-3, 1e-3, 1e-3])


class Lens(NamedTuple):
    """Focal length and principal point (x, y), px of one picture."""

    focal_px: float
    x: float
    y: float


@dataclass(frozen=True, eq=False)
class SquareLip:
    """``values``: centre x, y and logarithm of the half side, px; tilt, roll, turn, radians; log of power.

    ``cost`` is what the fit left: of two fits to the same points the smaller is the better one.
    """

    values: FloatArray
    lens: Lens
    cost: float = np.inf

    def sample(self, count: int = _SAMPLES) -> FloatArray:
        """(count, 2) px, clockwise as seen."""
        turn = np.linspace(0, 2 * np.pi, count, endpoint=False)
        around = np.stack([np.cos(turn), np.sin(turn)], axis=1)
        power = np.exp(self.values[6])
        around /= ((np.abs(around) ** power).sum(axis=1) ** (1 / power))[:, None]
        centre, size, first, second, _ = self._plane()
        cos, sin = np.cos(self.values[5]), np.sin(self.values[5])
        flat = around @ np.array([[cos, sin], [-sin, cos]]) * size
        space = centre + flat[:, :1] * first + flat[:, 1:] * second
        depth = np.maximum(space[:, 2:], 0.05)
        return np.asarray(space[:, :2] / depth * self.lens.focal_px + [self.lens.x, self.lens.y])

    def distances_px(self, points: FloatArray) -> FloatArray:
        """(N,) px along the rays from the centre of points (N, 2), positive outside."""
        centre, size, first, second, normal = self._plane()
        rays = np.concatenate(
            [(points - [self.lens.x, self.lens.y]) / self.lens.focal_px, np.ones((len(points), 1))], axis=1
        )
        facing = rays @ normal
        facing = np.where(np.abs(facing) < 1e-6, -1e-6, facing)
        away = rays * (centre @ normal / facing)[:, None] - centre
        flat = np.stack([away @ first, away @ second], axis=1) / size
        cos, sin = np.cos(self.values[5]), np.sin(self.values[5])
        u, v = np.abs(flat @ np.array([[cos, -sin], [sin, cos]])).T
        power = np.exp(self.values[6])
        reach = (u**power + v**power + 1e-12) ** (1 / power)
        far = np.linalg.norm(points - self.values[:2], axis=1)
        return np.asarray(far * (1 - 1 / np.maximum(reach, 1e-3)))

    def _plane(self) -> tuple[FloatArray, float, FloatArray, FloatArray, FloatArray]:
        """Centre at depth 1, half side there, two axes and the normal of the lip's plane."""
        x, y, log_size, tilt, roll = self.values[:5]
        centre = np.array(
            [(x - self.lens.x) / self.lens.focal_px, (y - self.lens.y) / self.lens.focal_px, 1.0]
        )
        first = np.array([np.cos(roll), np.sin(roll), 0.0])
        second = np.array([-np.sin(roll) * np.cos(tilt), np.cos(roll) * np.cos(tilt), -np.sin(tilt)])
        return centre, float(np.exp(log_size)) / self.lens.focal_px, first, second, np.cross(second, first)


def fit_square(points: FloatArray, tolerance_px: float, votes: LipVotes, lens: Lens) -> SquareLip | None:
    """Fit a square to points (N, 2) of a part of its lip and to the votes, all in px of one picture.

    Parameters
    ----------
    points
        In no order; some may be wrong.
    tolerance_px
        How exact the points are.
    votes, lens
        In the same px.

    Returns
    -------
    SquareLip or None
        None where nothing fits.
    """
    best: SquareLip | None = None
    doubtful = replace(votes, scale_px=_VOTE_DOUBT * votes.scale_px)
    wide = _TOLERANCES[0] * tolerance_px
    tried = [_descend(start, points, wide, doubtful, _FIRST_ROUNDS) for start in _starts(votes, lens)]
    for start in sorted(tried, key=lambda square: square.cost)[:_KEPT]:
        current = start
        for times in _TOLERANCES:
            current = _descend(current, points, times * tolerance_px, doubtful, _ROUNDS)
        if np.isfinite(current.cost) and (best is None or current.cost < best.cost):
            best = current
    return best


def _starts(votes: LipVotes, lens: Lens) -> list[SquareLip]:
    """Squares about as large as voted."""
    half = len(votes.reach_px) // 2
    turn = np.arange(half) * (np.pi / half)
    directions = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    shift = np.linalg.lstsq(directions, (votes.reach_px[:half] - votes.reach_px[half:]) / 2, rcond=None)[0]
    x, y = votes.middle + shift
    size = np.log(max(float((votes.reach_px[:half] + votes.reach_px[half:]).max()) / 2 / 1.15, 1.0))
    return [
        SquareLip(np.array([x, y, size, _TILT, roll, turned, _POWER]), lens)
        for roll in _ROLLS
        for turned in _TURNS
    ]


def _descend(
    start: SquareLip, points: FloatArray, tolerance_px: float, votes: LipVotes, rounds: int
) -> SquareLip:
    """Damped least squares."""
    values = start.values
    weights, errors, cost = _weigh(start, points, tolerance_px, votes)
    damping = 1e-3
    for _ in range(rounds):
        moved = [
            _weigh(replace(start, values=values + step), points, tolerance_px, votes)[1]
            for step in np.diag(_STEPS)
        ]
        slopes = (np.stack(moved, axis=1) - errors[:, None]) / _STEPS
        normal = np.einsum("nk,nl->kl", slopes * weights[:, None], slopes)
        normal += damping * np.diag(np.diag(normal) + 1e-12)
        trial = values + np.linalg.solve(normal, -slopes.T @ (weights * errors))
        trial[3] = np.clip(trial[3], 0.0, 1.3)
        new_weights, new_errors, new_cost = _weigh(replace(start, values=trial), points, tolerance_px, votes)
        if np.isfinite(new_cost) and new_cost < cost:
            done = cost - new_cost < 1e-4 * cost
            values, weights, errors, cost, damping = trial, new_weights, new_errors, new_cost, damping * 0.4
            if done:
                break
        else:
            damping *= 8
    return replace(start, values=values, cost=cost)


def _weigh(
    square: SquareLip, points: FloatArray, tolerance_px: float, votes: LipVotes
) -> tuple[FloatArray, FloatArray, float]:
    """Weights and errors of the points, of the votes and of what squares usually are, and what they cost."""
    off = square.distances_px(points) / tolerance_px
    told = (reaches_of(square.sample(), votes.middle) - votes.reach_px) / votes.scale_px
    _, _, _, tilt, roll, _, power = square.values
    usual = np.array(
        [
            (power - _POWER) / _POWER_SPREAD,
            np.sin(2 * roll) / 2 / _ROLL_SPREAD * np.sin(tilt),
            (tilt - _TILT) / _TILT_SPREAD,
        ]
    )
    each = _POINT_WEIGHT / max(len(points), 1)
    weights = np.concatenate([each / (1 + off**2) ** 2, 1 / np.sqrt(1 + told**2), np.ones(3)])
    cost = each * (off**2 / (1 + off**2)).sum() + 2 * (np.sqrt(1 + told**2) - 1).sum() + (usual**2).sum()
    return weights, np.concatenate([off, told, usual]), float(cost)


def square_of_contour(mask: PieceMask, lens: Lens) -> tuple[SquareLip, float] | None:
    """The square, mask px, around the lip area and the share of the area's contour that lies on it.

    None where the segmenter sees no square, or the area reaches beyond the one that fits.
    """
    found = contour_of_area(mask)
    if found is None or mask.votes is None or mask.votes.kind[SQUARE] < SQUARE_KIND:
        return None
    if found[1].mean() < _OFF_FRAME:
        return None
    contour = found[0][found[1]]
    points = contour[:: max(1, len(contour) // _MOST_POINTS)]
    square = fit_square(points, 1.0, mask.votes, lens) if len(points) >= _LEAST_POINTS else None
    if square is None:
        return None
    off = square.distances_px(points)
    near_px = max(1.0, _ON * float(np.ptp(points, axis=0).max()))
    on = float((np.abs(off) < near_px).mean())
    return None if on < _LEAST_ON or (off < 2 * near_px).mean() < _LEAST_OUT else (square, on)
