"""The lip as the segmenter draws it: a superellipse or a hull, for lips that are no ellipse."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from model.piece_mask import PieceMask
from model.rim_choice import contour_of_area, fit_to_area
from model.superellipse import fit_superellipse

FloatArray = npt.NDArray[np.float64]

_FITTED_POINTS = 140
_SQUARE_POWER = 2.5  # from which a lip is more square than an ellipse in perspective can look
_BETTER_BY = 0.012  # of overlap that a square must gain over the best ellipse
_GOOD_FIT = 0.85
_WHOLE_CONTOUR = 0.9  # of the contour off the photo's border from which its hull is a closed lip
_LARGEST = 1.6  # of the mask's longer side: a larger semi-axis is guessed from too short an arc


@dataclass(frozen=True, eq=False)
class MaskShape:
    """A closed polygon (N, 2), clockwise, in mask px, its overlap with the lip area, and its squareness."""

    polygon: FloatArray
    fit: float
    power: float

    def is_better_than(self, ellipse_fit: float) -> bool:
        """Whether this shape rather than an ellipse of that overlap should be refined."""
        if self.fit < _GOOD_FIT:
            return False
        return (self.power > _SQUARE_POWER and self.fit > ellipse_fit + _BETTER_BY) or ellipse_fit < 0.8


def find_shape(mask: PieceMask) -> MaskShape | None:
    """The superellipse through the lip area's contour off the photo's border, or the contour's hull."""
    found = contour_of_area(mask)
    if found is None or found[1].sum() < 24:
        return None
    contour, apart = found
    points = contour[apart]
    points = points[:: max(1, len(points) // _FITTED_POINTS)]
    fitted = fit_superellipse(points)
    shapes: list[MaskShape] = []
    if fitted is not None and max(fitted[0].a, fitted[0].b) < _LARGEST * max(mask.lip_area.shape):
        polygon = fitted[0].sample()
        shapes.append(MaskShape(polygon, fit_to_area(mask, polygon), fitted[0].power))
    if apart.mean() > _WHOLE_CONTOUR:
        hull = cv2.convexHull(contour.astype(np.float32), clockwise=False)[:, 0].astype(np.float64)
        polygon = _clockwise(hull)
        fit = fit_to_area(mask, polygon)
        if not shapes or fit > shapes[0].fit + 2 * _BETTER_BY:
            shapes.append(MaskShape(polygon, fit, np.inf))
    return shapes[-1] if shapes else None


def _clockwise(polygon: FloatArray) -> FloatArray:
    x, y = polygon.T
    area = (x * np.roll(y, -1) - np.roll(x, -1) * y).sum()
    return polygon if area > 0 else polygon[::-1]
