"""The dominant piece of a photo: its outline and the curve of its outer lip."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
import numpy.typing as npt

from model.edges import find_edges
from model.ellipse import sample_ellipse, scale_ellipse
from model.facts import Ellipse, PieceFacts, PieceStatus, Point, Rim, Size
from model.perspective import affine_plane, find_rim_plane, focal_length_px, map_plane
from model.photo import Photo
from model.rim_candidates import judge_support, propose_ellipses
from model.rim_choice import choose_lip
from model.rim_refinement import LipEdges, refine_ellipse, seen_along

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


SEARCH_SIDE_PX = 512  # candidates: a plate's lip is then a curve of a few hundred pixels
REFINE_SIDE_PX = 1600  # the exact curve: a tenth of a pixel here is a quarter in the full photo
_LEAST_SCORE = 0.22  # of a chosen lip; below it nothing round is claimed
_BAND_POINTS = 720
_CURVE_POINTS = 256
_FOUND_SHARE = 0.97  # of the lip inside the frame from which the piece counts as whole


def find_piece(photo: Photo, trace: FloatArray | None = None) -> Piece:
    """Find the dominant piece and its outer lip.

    Parameters
    ----------
    photo
        The decoded photo; its pixels stay unchanged.
    trace
        (N, 2) float64 line drawn along the border, photo px; the band then follows it.

    Returns
    -------
    Piece
        ``status`` "found" (whole lip in the frame), "partial" (part of the lip, or a close-up of a band)
        or "not found"; ``reason`` says why something is missing.
    """
    small, scale = photo.reduced(SEARCH_SIDE_PX)
    field = find_edges(small)
    ellipses = [ellipse for ellipse, _ in propose_ellipses(field)]
    supports = judge_support(field, ellipses) if ellipses else []
    chosen = choose_lip(field, list(zip(ellipses, supports, strict=True)))
    if chosen is None or chosen[2] < _LEAST_SCORE:
        return Piece("not found", None, None, reason="no lip of a plate, bowl or cup could be made out")
    return _piece_from_lip(photo, scale_ellipse(chosen[0], 1 / scale))


def _piece_from_lip(photo: Photo, rough: Ellipse) -> Piece:
    """Refine a rough lip and build the piece from it."""
    level, scale = photo.reduced(REFINE_SIDE_PX)
    fine, edges = refine_ellipse(level, scale_ellipse(rough, scale))
    ellipse = scale_ellipse(fine, 1 / scale)
    seen = seen_along(edges, max(2.5, 0.012 * fine.semi_major))
    curve = sample_ellipse(ellipse, _CURVE_POINTS)
    rim = _rim_from_ellipse(photo, ellipse, edges, seen, scale)
    in_frame = inside_photo(curve, photo).mean()
    status: PieceStatus = "found" if in_frame >= _FOUND_SHARE else "partial"
    return Piece(status, clip_to_photo(curve, photo), rim)


def _rim_from_ellipse(
    photo: Photo, ellipse: Ellipse, edges: LipEdges, seen: npt.NDArray[np.bool_], scale: float
) -> RimCurve:
    focal = focal_length_px(photo.width, photo.height, photo.focal_length_35mm)
    centre = ((photo.width - 1) / 2, (photo.height - 1) / 2)
    plane = find_rim_plane(ellipse, focal, centre)
    plane = affine_plane(ellipse) if plane is None else plane
    angle = np.arange(_BAND_POINTS) * (2 * np.pi / _BAND_POINTS)
    unit = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    band = map_plane(plane, unit)
    inward = (map_plane(plane, unit * 0.99) - band) / 0.01
    nearest = _nearest((edges.points + 0.5) / scale - 0.5, band)
    band_seen = seen[nearest] & inside_photo(band, photo)
    return RimCurve(
        curve=sample_ellipse(ellipse, _CURVE_POINTS),
        ellipse=ellipse,
        visible_share=float(band_seen.mean()),
        view="from above",
        band=band,
        closed=True,
        inward=inward,
        plane=plane,
        seen=band_seen,
    )


def _nearest(points: FloatArray, to: FloatArray) -> npt.NDArray[np.intp]:
    """(M,) index of the point of ``points`` nearest each of (M, 2) ``to``."""
    gap = ((to[:, None] - points[None]) ** 2).sum(axis=2)
    return np.asarray(gap.argmin(axis=1))


def inside_photo(points: FloatArray, photo: Photo) -> npt.NDArray[np.bool_]:
    """(N,) bool of (N, 2) points."""
    return np.asarray(((points >= 0) & (points <= [photo.width - 1, photo.height - 1])).all(axis=1))


def clip_to_photo(polygon: FloatArray, photo: Photo) -> FloatArray | None:
    """A closed convex polygon clipped to the photo, (K, 2); None where nothing is left."""
    if inside_photo(polygon, photo).all():
        return polygon
    w, h = photo.width - 1.0, photo.height - 1.0
    frame = np.array([[0, 0], [w, 0], [w, h], [0, h]], dtype=np.float32)
    _, clipped = cv2.intersectConvexConvex(polygon.astype(np.float32), frame)
    return None if clipped is None or len(clipped) < 3 else clipped[:, 0].astype(np.float64)
