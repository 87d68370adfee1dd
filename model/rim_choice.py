"""Which of the candidate ellipses is the dominant piece's outer lip."""

from __future__ import annotations

import numpy as np

from model.edges import EdgeField
from model.ellipse import ellipse_residuals_px, sample_ellipse
from model.facts import Ellipse
from model.rim_candidates import Support, exclusive_support

_OUTER_SHARE = 0.62  # of the best score that an enclosing, nearly concentric ellipse must reach
_OWN_EDGES = 0.6  # of the outer ellipse that must show edges where it runs apart from the inner one
_NEARLY_CONCENTRIC = 0.3  # distance of centres over the inner semi-minor axis


def score_candidate(ellipse: Ellipse, support: Support, width: int, height: int) -> float:
    """Score 0..1: edges along the rim, the same change of colour all round, size and place in the photo."""
    reach = ellipse.semi_major * ellipse.semi_minor / (width * height)
    size = min(1.0, np.sqrt(reach / 0.12))
    off_centre = np.hypot((ellipse.cx - width / 2) / width, (ellipse.cy - height / 2) / height)
    edge = support.edge_share * support.in_frame_share**0.5
    return float(
        edge * (0.6 + 0.4 * support.coherence) * (0.3 + 0.7 * size) * (1 - 0.5 * min(off_centre, 1.0))
    )


def choose_lip(
    field: EdgeField, candidates: list[tuple[Ellipse, Support]]
) -> tuple[Ellipse, Support, float] | None:
    """The best candidate, or one around it that is nearly as good: the lip encloses verge, well and food."""
    if not candidates:
        return None
    height, width = field.edge_mask.shape
    scores = [score_candidate(e, s, width, height) for e, s in candidates]
    best = int(np.argmax(scores))
    chosen = best
    for index, (ellipse, _) in enumerate(candidates):
        larger = ellipse.semi_minor > candidates[chosen][0].semi_minor
        good = scores[index] >= _OUTER_SHARE * scores[best]
        if not (larger and good and encloses(ellipse, candidates[best][0])):
            continue
        if exclusive_support(field, ellipse, candidates[best][0]) > _OWN_EDGES:
            chosen = index
    ellipse, support = candidates[chosen]
    return ellipse, support, scores[chosen]


def encloses(outer: Ellipse, inner: Ellipse) -> bool:
    """Whether ``inner`` lies within ``outer`` with nearly the same centre, shape and direction."""
    near = np.hypot(outer.cx - inner.cx, outer.cy - inner.cy) < _NEARLY_CONCENTRIC * inner.semi_minor
    within = ellipse_residuals_px(outer, sample_ellipse(inner, 64)).max() < 0.02 * outer.semi_major
    alike = abs(outer.semi_minor / outer.semi_major - inner.semi_minor / inner.semi_major) < 0.2
    return bool(near and within and alike)
