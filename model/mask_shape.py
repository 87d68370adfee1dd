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
_WAVY_AREA = 0.93  # of its hull's area that a wavy lip fills; less is ragged by what lies on the piece
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


def complete_area(mask: PieceMask, polygon: FloatArray, convex: bool) -> FloatArray | None:
    """The lip area within the photo, and beyond its border what a polygon (N, 2) says; mask px, clockwise.

    The area's own contour is the sharper one where it is seen; the polygon tells what is cut off.
    """
    rows, columns = mask.lip_area.shape
    low = np.floor(np.minimum(np.clip(polygon.min(axis=0), -2 * columns, 0), 0)).astype(int) - 2
    high = np.ceil(np.clip(polygon.max(axis=0), 0, 3 * np.array([columns, rows]))).astype(int) + 2
    high = np.maximum(high, [columns, rows])
    canvas = np.zeros((high[1] - low[1], high[0] - low[0]), np.uint8)
    points = np.round((np.clip(polygon, low - 50, high + 50) - low) * 16).astype(np.int32)
    cv2.fillPoly(canvas, [points], 1, shift=4)
    seen = (mask.lip_area > 0.5).astype(np.uint8)
    canvas[-low[1] : rows - low[1], -low[0] : columns - low[0]] = seen
    reach = 2 * max(2, round(0.012 * max(canvas.shape))) + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach))
    canvas = cv2.morphologyEx(canvas, cv2.MORPH_CLOSE, kernel)
    contours, _ = cv2.findContours(canvas, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours:
        return None
    contour = max(contours, key=cv2.contourArea)
    if len(contour) < 12:
        return None
    hull = cv2.convexHull(contour)
    if convex or cv2.contourArea(contour) < _WAVY_AREA * cv2.contourArea(hull):
        contour = hull
    return _clockwise(contour[:, 0].astype(np.float64) + low)


def _clockwise(polygon: FloatArray) -> FloatArray:
    x, y = polygon.T
    area = (x * np.roll(y, -1) - np.roll(x, -1) * y).sum()
    return polygon if area > 0 else polygon[::-1]
