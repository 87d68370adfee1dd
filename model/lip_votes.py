"""How far the whole lip reaches in each direction, as the segmenter tells it, and the shapes that say so.

A convex lip is given by its support function: the farthest reach along each direction. It holds hidden and
cut parts too, is linear in the place it is told from, and is as sharp for a lip seen edge-on as for a
round one.

References
----------
R. Hartley, A. Zisserman, "Multiple View Geometry in Computer Vision", 2nd ed. 2004, section 2.2.3: tangent
lines of a conic satisfy l' C* l = 0, which is linear in the dual conic C*.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from model.facts import Ellipse

FloatArray = npt.NDArray[np.float64]

DIRECTIONS = 24
KINDS = ("ellipse", "square", "wavy", "spouted")
_ROUNDS = 6  # of reweighting; the fit settles in three or four
_FINE = 120  # tangents of a smooth curve
_SPOUT_SURE = 1.0  # of the votes' scale, from which a reach beyond the ellipse is a spout
_LEAST_RATIO = 0.012  # of the axes: a lip's own thickness seen edge-on
_LEAST_WIDTH_SHARE = 0.02  # of the lip's length: thinner widths do not gain weight any more


@dataclass(frozen=True, eq=False)
class LipVotes:
    """Reaches of the lip from a middle, and how sure they are; px of the same picture throughout.

    ``middle`` (2,); ``reach_px`` and ``scale_px`` (DIRECTIONS,): farthest lip point along each direction,
    from +x on clockwise as seen, and the scale of its error; ``kind`` (4,) probabilities of KINDS.
    """

    middle: FloatArray
    reach_px: FloatArray
    scale_px: FloatArray
    kind: FloatArray

    def scaled(self, scale: float) -> LipVotes:
        """The same in px of a picture ``scale`` times as large (pixel centres at whole coordinates)."""
        middle = (self.middle + 0.5) * scale - 0.5
        return LipVotes(middle, self.reach_px * scale, self.scale_px * scale, self.kind)

    def moved(self, by: FloatArray) -> LipVotes:
        """The same in a picture whose coordinates are larger by ``by``."""
        return LipVotes(self.middle + by, self.reach_px, self.scale_px, self.kind)

    @property
    def size_px(self) -> float:
        """Greatest width."""
        half = DIRECTIONS // 2
        return float(max((self.reach_px[:half] + self.reach_px[half:]).max(), 1e-6))


def unit_directions() -> FloatArray:
    """(DIRECTIONS, 2) unit vectors from +x on, clockwise as seen."""
    turn = np.arange(DIRECTIONS) * (2 * np.pi / DIRECTIONS)
    return np.stack([np.cos(turn), np.sin(turn)], axis=1)


def reaches_of(polygon: FloatArray, middle: FloatArray) -> FloatArray:
    """(DIRECTIONS,) farthest reach of a polygon's points (N, 2) from ``middle``."""
    return np.asarray(((polygon - middle) @ unit_directions().T).max(axis=0))


def turn_quarters(votes: LipVotes, quarters: int, width: int, height: int) -> LipVotes:
    """The votes after the picture (width, height) was turned counter-clockwise by quarters (``np.rot90``)."""
    for _ in range(quarters % 4):
        x, y = votes.middle
        step = -(DIRECTIONS // 4)
        votes = LipVotes(
            np.array([y, width - 1 - x]),
            np.roll(votes.reach_px, step),
            np.roll(votes.scale_px, step),
            votes.kind,
        )
        width, height = height, width
    return votes


def join_votes(several: list[LipVotes]) -> LipVotes:
    """One from several about the same middle, each direction weighed by its sureness."""
    weight = np.stack([1 / votes.scale_px for votes in several])
    reach = (weight * np.stack([votes.reach_px for votes in several])).sum(axis=0) / weight.sum(axis=0)
    kind = np.mean([votes.kind for votes in several], axis=0)
    return LipVotes(several[0].middle, reach, len(several) / weight.sum(axis=0), kind)


def agreement(votes: LipVotes, polygon: FloatArray) -> float:
    """0..1: how well a closed polygon (N, 2) reaches as far as the votes say, each by its sureness."""
    off = np.abs(reaches_of(polygon, votes.middle) - votes.reach_px)
    return float(np.exp(-off / (2 * votes.scale_px + 0.01 * votes.size_px)).mean())


def ellipse_of_votes(votes: LipVotes) -> Ellipse | None:
    """The ellipse whose tangents lie as far as voted, each vote weighed by its sureness; None for none.

    A tangent (n, -h) of the ellipse with centre c and n' S n its squared half widths satisfies
    h^2 = 2 h n'c - n'(c c' - S) n: five unknowns, solved by least squares with the weight of an error in h.
    """
    normal = unit_directions()
    start = _middle_of(votes.reach_px)
    reach = votes.reach_px - normal @ start
    half_width = np.maximum((reach + np.roll(reach, DIRECTIONS // 2)) / 2, _LEAST_WIDTH_SHARE * votes.size_px)
    columns = np.stack(
        [
            2 * reach * normal[:, 0],
            2 * reach * normal[:, 1],
            -(normal[:, 0] ** 2),
            -2 * normal[:, 0] * normal[:, 1],
            -(normal[:, 1] ** 2),
        ],
        axis=1,
    )
    robust = np.ones(DIRECTIONS)
    found = None
    for _ in range(_ROUNDS):
        weight = robust / (votes.scale_px * 2 * half_width)
        solved = np.linalg.lstsq(columns * weight[:, None], reach**2 * weight, rcond=None)[0]
        centre = solved[:2]
        spread = np.outer(centre, centre) - np.array([[solved[2], solved[3]], [solved[3], solved[4]]])
        spread = _no_thinner(spread)
        squares = np.einsum("ki,ij,kj->k", normal, spread, normal)
        off = np.abs(normal @ centre + np.sqrt(squares) - reach) / votes.scale_px
        robust = 1 / np.sqrt(1 + off)
        half_width = np.maximum(np.sqrt(squares), _LEAST_WIDTH_SHARE * votes.size_px)
        found = _ellipse(centre + start + votes.middle, spread)
    return found


def _middle_of(reach: FloatArray) -> FloatArray:
    """The point from which opposite reaches are most alike."""
    half = DIRECTIONS // 2
    normal = unit_directions()[:half]
    return np.asarray(np.linalg.lstsq(normal, (reach[:half] - reach[half:]) / 2, rcond=None)[0])


def _no_thinner(spread: FloatArray) -> FloatArray:
    """Half widths squared, (2, 2), the least not under a small share of the greatest: lips seen edge-on."""
    values, vectors = np.linalg.eigh(spread)
    greatest = max(float(values[1]), 1e-9)
    values = np.maximum(values, greatest * _LEAST_RATIO**2)
    return np.asarray((vectors * values) @ vectors.T)


def _ellipse(centre: FloatArray, spread: FloatArray) -> Ellipse | None:
    values, vectors = np.linalg.eigh(spread)
    if values[0] <= 0:
        return None
    angle = float(np.degrees(np.arctan2(vectors[1, 1], vectors[0, 1])) % 180)
    minor, major = np.sqrt(values)
    return Ellipse(float(centre[0]), float(centre[1]), float(major), float(minor), angle)


def polygon_of_votes(votes: LipVotes) -> FloatArray | None:
    """(N, 2) clockwise convex polygon within all the voted tangents; None where they leave nothing."""
    return _within_tangents(unit_directions(), votes.reach_px, votes.middle)


def add_spout(ellipse: Ellipse, votes: LipVotes) -> FloatArray | None:
    """(N, 2) an ellipse with the spout that the votes see beyond it: of both tangents the farther."""
    normal = unit_directions()
    beyond = votes.reach_px - ellipse_reaches(ellipse, votes.middle, normal)
    beyond = np.where(beyond > _SPOUT_SURE * votes.scale_px, beyond, 0.0)
    fine = np.linspace(0, 2 * np.pi, _FINE, endpoint=False)
    turn = np.arange(DIRECTIONS + 1) * (2 * np.pi / DIRECTIONS)
    more = np.interp(fine, turn, np.append(beyond, beyond[0]))
    around = np.stack([np.cos(fine), np.sin(fine)], axis=1)
    return _within_tangents(around, ellipse_reaches(ellipse, votes.middle, around) + more, votes.middle)


def ellipse_reaches(ellipse: Ellipse, middle: FloatArray, normal: FloatArray) -> FloatArray:
    """(K,) how far an ellipse reaches from ``middle`` along unit vectors (K, 2)."""
    turn = np.radians(ellipse.angle_deg)
    along = normal @ [np.cos(turn), np.sin(turn)]
    across = normal @ [-np.sin(turn), np.cos(turn)]
    half_width = np.hypot(ellipse.semi_major * along, ellipse.semi_minor * across)
    return np.asarray(normal @ (np.array([ellipse.cx, ellipse.cy]) - middle) + half_width)


def votes_of_ellipse(ellipse: Ellipse, votes: LipVotes) -> LipVotes:
    """Votes as sure as these usually are, for one ellipse."""
    reach = ellipse_reaches(ellipse, votes.middle, unit_directions())
    return replace(votes, reach_px=reach, scale_px=np.full(DIRECTIONS, float(votes.scale_px.min())))


def _within_tangents(normals: FloatArray, reaches: FloatArray, middle: FloatArray) -> FloatArray | None:
    far = 10 * float(np.abs(reaches).max()) + 1
    polygon = np.array([[-far, -far], [far, -far], [far, far], [-far, far]])
    for normal, reach in zip(normals, reaches, strict=True):
        polygon = _clip(polygon, normal, float(reach))
        if len(polygon) < 3:
            return None
    return polygon + middle


def _clip(polygon: FloatArray, normal: FloatArray, reach: float) -> FloatArray:
    """The part of a convex polygon within a half-plane."""
    over = polygon @ normal - reach
    kept: list[FloatArray] = []
    for index in range(len(polygon)):
        a, b = polygon[index - 1], polygon[index]
        before, now = over[index - 1], over[index]
        if (before > 0) != (now > 0):
            kept.append(a + (b - a) * (before / (before - now)))
        if now <= 0:
            kept.append(b)
    return np.array(kept).reshape(-1, 2)
