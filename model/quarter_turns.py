"""Looking at a photo turned by quarters, so that a piece is always searched the same way up."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from model.lip_shape import Lip
from model.photo import Photo

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class TurnedPhoto:
    """A photo after counter-clockwise quarter turns; only its reduced levels are turned."""

    photo: Photo
    quarters: int

    @property
    def width(self) -> int:
        """Pixels from left to right."""
        return self.photo.height if self.quarters % 2 else self.photo.width

    @property
    def height(self) -> int:
        """Pixels from top to bottom."""
        return self.photo.width if self.quarters % 2 else self.photo.height

    def reduced(self, max_side_px: int) -> tuple[npt.NDArray[np.uint8], float]:
        """The turned photo with its longer side at most ``max_side_px``, and its scale."""
        level, scale = self.photo.reduced(max_side_px)
        return np.ascontiguousarray(np.rot90(level, self.quarters)), scale


def turn_points(points: FloatArray, quarters: int, width: int, height: int) -> FloatArray:
    """(N, 2) points of a picture (width, height) after counter-clockwise quarter turns (``np.rot90``)."""
    for _ in range(quarters % 4):
        points = np.stack([points[:, 1], width - 1 - points[:, 0]], axis=1)
        width, height = height, width
    return points


def turn_lip_back(lip: Lip, quarters: int, photo: Photo) -> Lip:
    """A lip of the turned photo in the photo itself; still clockwise as seen."""
    turned = TurnedPhoto(photo, quarters)
    curve = turn_points(lip.curve, -quarters, turned.width, turned.height)
    ellipse = lip.ellipse
    if ellipse is not None:
        centre = turn_points(np.array([[ellipse.cx, ellipse.cy]]), -quarters, turned.width, turned.height)[0]
        angle = (ellipse.angle_deg + 90 * quarters) % 180
        ellipse = replace(ellipse, cx=float(centre[0]), cy=float(centre[1]), angle_deg=angle)
    return Lip(curve, ellipse, lip.seen)
