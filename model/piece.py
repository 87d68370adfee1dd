"""The dominant piece of a photo: its outline and the curve of its outer lip."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from model.facts import Ellipse, PieceFacts, PieceStatus, Point, Rim, Size

View = Literal["from above", "from the side", "close-up"]
FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class RimCurve:
    """The outer lip and how to unroll the band beside it; photo pixels throughout.

    Attributes
    ----------
    curve
        (N, 2) float64, N >= 64, closed polygon of the whole lip, clockwise as seen, hidden parts
        extrapolated; None where no lip can be inferred.
    ellipse
        The lip as an ellipse, None where it is none.
    visible_share
        Part of the lip that is seen, 0..1.
    view
        How the band is seen.
    band
        (M, 2) float64 guiding line for unrolling, clockwise as seen; it starts at the rim point topmost
        in the photo where it is closed.
    closed
        ``band`` is closed: its last point neighbours its first.
    inward
        (M, 2) float64, from each point of ``band`` toward the well (down the body of a cup): photo px of
        one rim radius in that direction, foreshortening included.
    plane
        (3, 3) homography from the rim's plane (unit circle for a round lip) to the photo, or None.
    seen
        (M,) bool, the points of ``band`` where the lip is in view.
    """

    curve: FloatArray | None
    ellipse: Ellipse | None
    visible_share: float
    view: View
    band: FloatArray
    closed: bool
    inward: FloatArray
    plane: FloatArray | None
    seen: npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Piece:
    """What was found: ``reason`` says, in words for the user, why something is missing.

    ``outline`` is (K, 2) float64, the visible silhouette clipped to the photo; ``paper`` (4, 2) float64,
    corners of a sheet of white paper, or None.
    """

    status: PieceStatus
    outline: FloatArray | None
    rim: RimCurve | None
    size: Size | None = None
    reason: str | None = None
    paper: FloatArray | None = None

    def facts(self) -> PieceFacts:
        """The public form."""
        rim = None
        if self.rim is not None:
            curve = None if self.rim.curve is None else _points(self.rim.curve)
            rim = Rim(curve, self.rim.ellipse, self.rim.visible_share)
        outline = None if self.outline is None else _points(self.outline)
        return PieceFacts(self.status, outline, rim, self.size)


def _points(polygon: FloatArray) -> tuple[Point, ...]:
    return tuple((float(x), float(y)) for x, y in polygon)
