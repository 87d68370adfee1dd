"""Which of the candidate ellipses is the dominant piece's outer lip."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import cv2
import numpy as np
import numpy.typing as npt

from model.edges import EdgeField
from model.ellipse import ellipse_residuals_px, fit_ellipse, sample_ellipse, scale_ellipse
from model.facts import Ellipse
from model.piece_mask import PieceMask
from model.rim_candidates import (
    Support,
    are_twins,
    exclusive_support,
    judge_support,
    propose_ellipses,
    stands_alone,
)

FloatArray = npt.NDArray[np.float64]

_OUTER_SHARE = 0.62  # of the best score that an enclosing, nearly concentric ellipse must reach
_OWN_EDGES = 0.6  # of the outer ellipse that must show edges where it runs apart from the inner one
_NEARLY_CONCENTRIC = 0.3  # distance of centres over the inner semi-minor axis
# Of the overlap alone, with edges along the ellipse, with the segmenter's lip line along it; compared on
# rendered pictures with six other settings.
_JOINT_WEIGHTS = (0.35, 0.35, 0.30)
# Told apart on rendered pictures: below this overlap the mask is often of something else, and an ellipse
# with so much better edges is right more often than not.
_SURE_FIT, _EDGE_LEAD = 0.78, 1.3
_FRAME_MARGIN_PX = 2.5  # mask px: the contour beside the photo's own border is no lip


@dataclass(frozen=True)
class Choice:
    """A chosen ellipse, px of the searched picture; ``score`` from its edges, ``area_fit`` to the mask.

    ``area_fit`` is None where the edges alone decided.
    """

    ellipse: Ellipse
    support: Support
    score: float
    area_fit: float | None


def choose_lip(
    field: EdgeField, scale: float, mask: PieceMask | None, trace: FloatArray | None
) -> Choice | None:
    """Propose ellipses on a picture reduced by ``scale`` and take the dominant piece's lip.

    With a mask, the ellipse that fits the area inside the lip and has edges along it; without one, the
    best supported, or one around it that is nearly as good: the lip encloses verge, well and food. With
    a ``trace`` (photo px) only ellipses whose band it follows.
    """
    favour = None
    if mask is not None:
        favour = partial(_fit_of, mask, mask.scale / scale)
    ellipses = [ellipse for ellipse, _ in propose_ellipses(field, favour)]
    if mask is not None:
        ellipses += [e for e in (_ellipse_of_mask(mask, scale),) if e is not None]
    if trace is not None:
        ellipses = [e for e in ellipses if follows(e, (trace + 0.5) * scale - 0.5)]
    if not ellipses:
        return None
    supports = judge_support(field, ellipses)
    height, width = field.edge_mask.shape
    scores = [score_candidate(e, s, width, height) for e, s in zip(ellipses, supports, strict=True)]
    alone = [i for i, e in enumerate(ellipses) if mask is None or stands_alone(e, width, height)]
    by_edges: Choice | None = None
    if alone:
        index = alone[_outermost(field, [ellipses[i] for i in alone], [scores[i] for i in alone])]
        by_edges = Choice(ellipses[index], supports[index], scores[index], None)
    if mask is None:
        return by_edges
    fits = [_fit_of(mask, mask.scale / scale, e) for e in ellipses]
    lines = line_along(mask, [scale_ellipse(e, mask.scale / scale) for e in ellipses])
    weights = _JOINT_WEIGHTS
    joint = [
        f * (weights[0] + weights[1] * s.edge_share + weights[2] * line)
        for f, s, line in zip(fits, supports, lines, strict=True)
    ]
    index = int(np.argmax(joint))
    doubtful = fits[index] < _SURE_FIT
    if doubtful and by_edges is not None:
        agree = are_twins(by_edges.ellipse, ellipses[index])
        if agree or by_edges.score > _EDGE_LEAD * scores[index]:
            return by_edges
    return Choice(ellipses[index], supports[index], scores[index], fits[index])


def score_candidate(ellipse: Ellipse, support: Support, width: int, height: int) -> float:
    """Score 0..1: edges along the rim, the same change of colour all round, size and place in the photo."""
    reach = ellipse.semi_major * ellipse.semi_minor / (width * height)
    size = min(1.0, np.sqrt(reach / 0.12))
    off_centre = np.hypot((ellipse.cx - width / 2) / width, (ellipse.cy - height / 2) / height)
    edge = support.edge_share * support.in_frame_share**0.5
    return float(
        edge * (0.6 + 0.4 * support.coherence) * (0.3 + 0.7 * size) * (1 - 0.5 * min(off_centre, 1.0))
    )


def _outermost(field: EdgeField, ellipses: list[Ellipse], scores: list[float]) -> int:
    """The best, or the largest around it that is nearly as good and has edges of its own."""
    best = int(np.argmax(scores))
    chosen = best
    for index, ellipse in enumerate(ellipses):
        larger = ellipse.semi_minor > ellipses[chosen].semi_minor
        good = scores[index] >= _OUTER_SHARE * scores[best]
        if not (larger and good and encloses(ellipse, ellipses[best])):
            continue
        if exclusive_support(field, ellipse, ellipses[best]) > _OWN_EDGES:
            chosen = index
    return chosen


def encloses(outer: Ellipse, inner: Ellipse) -> bool:
    """Whether ``inner`` lies within ``outer`` with nearly the same centre, shape and direction."""
    near = np.hypot(outer.cx - inner.cx, outer.cy - inner.cy) < _NEARLY_CONCENTRIC * inner.semi_minor
    within = ellipse_residuals_px(outer, sample_ellipse(inner, 64)).max() < 0.02 * outer.semi_major
    alike = abs(outer.semi_minor / outer.semi_major - inner.semi_minor / inner.semi_major) < 0.2
    return bool(near and within and alike)


def follows(ellipse: Ellipse, trace: FloatArray) -> bool:
    """Whether a drawn line runs in the band within the lip."""
    off = ellipse_residuals_px(ellipse, trace) / ellipse.semi_minor
    return bool(((off > -0.45) & (off < 0.1)).mean() > 0.8)


def _fit_of(mask: PieceMask, scale: float, ellipse: Ellipse) -> float:
    return fit_to_area(mask, sample_ellipse(scale_ellipse(ellipse, scale), 64))


def line_along(mask: PieceMask, ellipses: list[Ellipse]) -> list[float]:
    """Mean of the segmenter's lip line, within a mask px, along each ellipse in the photo."""
    wide = cv2.dilate(mask.lip_line, np.ones((3, 3), np.uint8))
    rows, columns = wide.shape
    found = []
    for ellipse in ellipses:
        x, y = np.round(sample_ellipse(ellipse, 96)).astype(int).T
        inside = (x >= 0) & (x < columns) & (y >= 0) & (y < rows)
        found.append(float(wide[y[inside], x[inside]].mean()) if inside.any() else 0.0)
    return found


def fit_to_area(mask: PieceMask, polygon: FloatArray) -> float:
    """Soft intersection over union, within the photo, of a polygon in mask px and the lip area."""
    drawn = np.zeros(mask.lip_area.shape, dtype=np.uint8)
    points = np.round(np.clip(polygon, -3000, 3000) * 16).astype(np.int32)
    cv2.fillPoly(drawn, [points], 1, shift=4)
    inside = float(mask.lip_area[drawn > 0].sum())
    union = float(drawn.sum()) + float(mask.lip_area.sum()) - inside
    return inside / max(union, 1e-6)


def area_in_frame(mask: PieceMask, polygon: FloatArray) -> float:
    """Area, in mask px, of a polygon's part within the photo."""
    drawn = np.zeros(mask.lip_area.shape, dtype=np.uint8)
    cv2.fillPoly(drawn, [np.round(np.clip(polygon, -3000, 3000) * 16).astype(np.int32)], 1, shift=4)
    return float(drawn.sum())


def contour_of_area(mask: PieceMask) -> tuple[FloatArray, npt.NDArray[np.bool_]] | None:
    """Contour (N, 2) of the largest lip area in mask px, and which points lie off the photo's border."""
    area = (mask.lip_area > 0.5).astype(np.uint8)
    contours, _ = cv2.findContours(area, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours:
        return None
    contour = max(contours, key=cv2.contourArea)[:, 0].astype(np.float64)
    if len(contour) < 24:
        return None
    rows, columns = area.shape
    low = (contour > _FRAME_MARGIN_PX).all(axis=1)
    high = (contour < [columns - 1 - _FRAME_MARGIN_PX, rows - 1 - _FRAME_MARGIN_PX]).all(axis=1)
    return contour, np.asarray(low & high, dtype=bool)


def _ellipse_of_mask(mask: PieceMask, scale: float) -> Ellipse | None:
    """Ellipse of the lip area's contour off the photo's border, in px of the searched picture."""
    found = contour_of_area(mask)
    if found is None or found[1].sum() < 20:
        return None
    ellipse = fit_ellipse(found[0][found[1]])
    if ellipse is None or ellipse.semi_minor < 0.04 * ellipse.semi_major or ellipse.semi_major > 450:
        return None
    return scale_ellipse(ellipse, scale / mask.scale)
