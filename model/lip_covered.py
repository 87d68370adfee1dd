"""A round lip of which something that lies on it hides a part: the ellipse through the rest of the contour.

What covers a piece, a cloth or another plate, cuts the segmenter's area along its own edge. That edge
is part of the contour too, yet no part of the lip: an ellipse through it would miss the rest. So ellipses
through stretches of the contour are tried, and one is taken that most of the contour lies on and that leaves
nothing of the area out.

References
----------
M. Fischler, R. Bolles, "Random sample consensus", Comm. ACM 24, 1981: models of few points, judged by all.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from model.ellipse import ellipse_residuals_px, fit_ellipse
from model.facts import Ellipse
from model.lip_fusion import fit_to_contour
from model.lip_votes import LipVotes, ellipse_reaches, unit_directions
from model.piece_mask import PieceMask
from model.rim_choice import contour_of_area

FloatArray = npt.NDArray[np.float64]

_STRETCHES = (0.3, 0.45, 0.6)  # of the contour, through which ellipses are tried
_STARTS = 16
_MOST_POINTS = 240
_ON_PX, _ON_SHARE = 0.011, 0.8  # of the area's width, and mask px: so near lies a point on the ellipse
_OFF_FRAME = 0.8  # of the contour not beside the photo's border: of a close-up too little is known
_LEAST_ON = 0.5  # of the contour that must lie on the lip
_MOST_ON = 0.9  # from which nothing is covered
_LEAST_OUT = 0.98  # of the contour that must not lie outside the lip
_LEAST_GAIN = 0.1  # of the contour, that more of it lies on this lip than on the plain one
_LEAST_RATIO = 0.25  # of the axes
_MOST_GROWTH = 2.6  # of the ellipse over the area's width: what is hidden is not the most of it
_VOTES_OFF = 3.5  # of their scale, that the votes may be off in the median


def ellipse_under_cover(mask: PieceMask, plain: Ellipse) -> Ellipse | None:
    """The lip, mask px, of a piece that is covered in part; None where the contour shows no cover.

    Parameters
    ----------
    mask
        What the segmenter marked.
    plain
        The ellipse, mask px, through the whole contour.
    """
    found = contour_of_area(mask)
    if found is None or mask.votes is None or found[1].mean() < _OFF_FRAME:
        return None
    contour = found[0][found[1]]
    points = contour[:: max(1, len(contour) // _MOST_POINTS)]
    if len(points) < 48:
        return None
    width = float(np.ptp(points, axis=0).max())
    near_px = max(_ON_SHARE, _ON_PX * width)
    before = _share_on(plain, points, near_px)
    if before > _MOST_ON:
        return None
    best: tuple[float, Ellipse] | None = None
    for start in _ellipses_of_stretches(points):
        share = _judge(start, points, near_px, width, mask.votes)
        if share > (0.0 if best is None else best[0]):
            best = share, start
    if best is None:
        return None
    on = np.abs(ellipse_residuals_px(best[1], points)) < 2 * near_px
    fitted = fit_to_contour(points[on], best[1], mask.votes)
    if fitted is not None and _judge(fitted, points, near_px, width, mask.votes) >= best[0]:
        best = _share_on(fitted, points, near_px), fitted
    return best[1] if best[0] >= max(_LEAST_ON, before + _LEAST_GAIN) else None


def _ellipses_of_stretches(points: FloatArray) -> list[Ellipse]:
    count = len(points)
    found = []
    for stretch in _STRETCHES:
        length = max(12, round(stretch * count))
        for first in range(0, count, max(1, count // _STARTS)):
            ellipse = fit_ellipse(points[(first + np.arange(length)) % count])
            if ellipse is not None:
                found.append(ellipse)
    return found


def _judge(ellipse: Ellipse, points: FloatArray, near_px: float, width: float, votes: LipVotes) -> float:
    """Share of the contour on an ellipse; 0 where it is no likely lip around the area."""
    if (
        ellipse.semi_minor < _LEAST_RATIO * ellipse.semi_major
        or 2 * ellipse.semi_major > _MOST_GROWTH * width
    ):
        return 0.0
    off = ellipse_residuals_px(ellipse, points)
    if (off < 1.5 * near_px).mean() < _LEAST_OUT:
        return 0.0
    told = ellipse_reaches(ellipse, votes.middle, unit_directions()) - votes.reach_px
    if np.median(np.abs(told) / votes.scale_px) > _VOTES_OFF:
        return 0.0
    return float((np.abs(off) < near_px).mean())


def _share_on(ellipse: Ellipse, points: FloatArray, near_px: float) -> float:
    return float((np.abs(ellipse_residuals_px(ellipse, points)) < near_px).mean())
