"""The lip that a line drawn along the border suggests, where nothing was found that the line follows."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from model.ellipse import ellipse_residuals_px, fit_ellipse, sample_ellipse
from model.facts import Ellipse
from model.lip_shape import Lip, refine_elliptic_lip
from model.photo import Photo
from model.rim_choice import follows

FloatArray = npt.NDArray[np.float64]

# A border's middle lies about so far inside the lip, in rim radii (flat rims are .2 to .3 wide).
BORDER_DEPTH = 0.12
LEAST_TURN_DEG = 200.0  # of the ellipse that the line must go round: less leaves the ellipse open
GREATEST_SCATTER = 0.05  # rms, of the short half axis: a finger on a phone
CURVE_POINTS = 360
SEARCH_SIDE_PX = 1600  # of the level on which the lip is looked for, as everywhere


def lip_from_trace(trace: FloatArray, photo: Photo) -> Lip | None:
    """Lip around a line that goes most of the way round a rim.

    Parameters
    ----------
    trace
        (N, 2) float64, photo px, any direction, open or closed.
    photo
        In which the lip's edge is looked for near the line.

    Returns
    -------
    Lip or None
        None where the line is no ellipse or too short a part of one.
    """
    even = _resample(trace)
    ellipse = fit_ellipse(even)
    if ellipse is None or ellipse.semi_minor < 8 or _turn_deg(even, ellipse) < LEAST_TURN_DEG:
        return None
    off = ellipse_residuals_px(ellipse, even) / ellipse.semi_minor
    if float(np.sqrt((off**2).mean())) > GREATEST_SCATTER:
        return None
    level, scale = photo.reduced(SEARCH_SIDE_PX)
    grown = 1 / (1 - BORDER_DEPTH)
    rough = Ellipse(
        ellipse.cx, ellipse.cy, ellipse.semi_major * grown, ellipse.semi_minor * grown, ellipse.angle_deg
    )
    in_level = Ellipse(
        (rough.cx + 0.5) * scale - 0.5,
        (rough.cy + 0.5) * scale - 0.5,
        rough.semi_major * scale,
        rough.semi_minor * scale,
        rough.angle_deg,
    )
    refined = refine_elliptic_lip(level, in_level, scale)
    if refined.ellipse is not None and follows(refined.ellipse, even):
        return refined
    return Lip(sample_ellipse(rough, CURVE_POINTS), rough, np.ones(CURVE_POINTS, dtype=bool))


def _resample(trace: FloatArray, count: int = 120) -> FloatArray:
    """Points even in length, so that a slow finger does not count double."""
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(trace, axis=0), axis=1))])
    at = np.linspace(0, along[-1], count)
    return np.stack([np.interp(at, along, trace[:, k]) for k in (0, 1)], axis=1)


def _turn_deg(points: FloatArray, ellipse: Ellipse) -> float:
    """How far round the ellipse the points go."""
    turn = np.radians(ellipse.angle_deg)
    away = points - [ellipse.cx, ellipse.cy]
    x = (away @ [np.cos(turn), np.sin(turn)]) / ellipse.semi_major
    y = (away @ [-np.sin(turn), np.cos(turn)]) / ellipse.semi_minor
    angle = np.sort(np.degrees(np.arctan2(y, x)))
    gaps = np.diff(np.append(angle, angle[0] + 360))
    return float(360 - gaps.max())
