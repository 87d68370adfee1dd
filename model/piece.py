"""The dominant piece of a photo: its outline and the curve of its outer lip."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from model.arc_size import measure_arc
from model.closeup import OpenBand, band_from_mask, band_from_trace
from model.ellipse import fit_ellipse
from model.facts import Ellipse, PieceFacts, PieceStatus, Point, Rim, Size
from model.hints import check_diameter
from model.lip_search import find_lip
from model.lip_shape import Lip
from model.outline import body_in_view, find_outline, lip_in_view
from model.paper import measure_size, table_normal
from model.paper_corners import find_paper
from model.perspective import affine_plane, find_rim_plane, focal_length_px, unmap_plane
from model.photo import Photo
from model.piece_mask import PieceMask, Segmenter, load_segmenter
from model.rim_choice import fit_to_area
from model.rim_fit import find_pose
from model.rim_pose import RimPose
from model.rim_views import (
    body_drop_px,
    crop_band,
    equivalent_plane,
    lay_band,
    lay_side_band,
    looks_oval,
    start_at_top,
)
from model.strip_grid import runs_in_strip
from model.trace_lip import lip_from_trace

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
    angle_deg
        (M,) rim angle of each point of ``band``, in the rim's plane, clockwise as seen, 0 topmost.
    seen
        (M,) bool, the points of ``band`` where the lip is in view; from the side, where the body below is.
    pose
        How a rim seen from above lies in space, found from the photo; None elsewhere.
    """

    curve: FloatArray | None
    ellipse: Ellipse | None
    visible_share: float
    view: View
    band: FloatArray
    closed: bool
    inward: FloatArray
    plane: FloatArray | None
    angle_deg: FloatArray
    seen: npt.NDArray[np.bool_]
    pose: RimPose | None = None


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


_ELLIPSE_FIT = 0.80  # overlap with the segmenter's lip area from which the area tells what is in view
_LEAST_TRUST = 0.2  # agreement with the segmenter under which a lip is no answer
_LEAST_AREA = 0.004  # of the photo that the lip area must fill
_FOUND_SHARE = 0.97  # of the lip inside the frame from which the piece counts as whole
_ARC_SHARE = 0.7  # of the lip inside the frame, under which its diameter is told by the arc alone
NO_PIECE = (
    "no lip of a plate, bowl or cup could be made out: take the whole piece square-on, or its rim close up"
)


def find_piece(
    photo: Photo,
    trace: FloatArray | None = None,
    segmenter: Segmenter | None = None,
    diameter_mm: float | None = None,
) -> Piece:
    """Find the dominant piece and its outer lip.

    Parameters
    ----------
    photo
        The decoded photo; its pixels stay unchanged.
    trace
        (N, 2) float64 line drawn along the border, photo px. Where the piece found by itself has its band
        there, the line changes nothing; else the band follows it.
    segmenter
        Default: the one that comes with the package, if any; without one, edges alone decide.
    diameter_mm
        The lip's diameter where a person measured it; it goes before what a sheet of paper tells.

    Returns
    -------
    Piece
        ``status`` "found" (whole lip in the frame), "partial" (part of the lip, or a close-up of a band)
        or "not found"; ``reason`` says why something is missing.

    Raises
    ------
    HintError
        ``diameter_mm`` is no size of tableware.
    """
    check_diameter(diameter_mm)
    piece = _find_or_follow(photo, trace, segmenter)
    if diameter_mm is None or piece.rim is None or piece.rim.curve is None:
        return piece
    return replace(piece, size=Size(diameter_mm, diameter_mm, diameter_mm, "told"))


def _find_or_follow(photo: Photo, trace: FloatArray | None, segmenter: Segmenter | None) -> Piece:
    """What is found by itself, or along the drawn line where that runs elsewhere."""
    segmenter = segmenter or load_segmenter()
    mask = segmenter.mark_piece(photo) if segmenter is not None else None
    if trace is not None:
        automatic = _find_marked(photo, None, mask)
        if automatic.rim is not None and runs_in_strip(photo, automatic.rim, automatic.outline, trace):
            return automatic
    return _find_marked(photo, trace, mask)


def _find_marked(photo: Photo, trace: FloatArray | None, mask: PieceMask | None) -> Piece:
    """The piece that the segmenter's mask, the edges and a drawn line tell."""
    found = find_lip(photo, mask, trace)
    if found is not None and trace is None and not inside_photo(found.lip.curve, photo).any():
        found = None  # a lip of which nothing lies in the photo is a guess from nothing
    if found is not None and (found.trust is None or found.trust >= _LEAST_TRUST or mask is None):
        return _piece_from_lip(photo, found.lip, mask)
    if trace is not None:
        traced = lip_from_trace(trace, photo)
        if traced is not None:
            return _piece_from_lip(photo, traced, mask)
        return _piece_from_band(photo, band_from_trace(trace, mask, photo.width, photo.height), mask)
    if mask is None or (mask.lip_area > 0.5).mean() < _LEAST_AREA:
        return Piece("not found", None, None, reason=NO_PIECE)
    band = band_from_mask(mask, photo.width, photo.height)
    return _piece_from_band(photo, band, mask)


def _piece_from_lip(photo: Photo, lip: Lip, mask: PieceMask | None) -> Piece:
    """The piece around a refined lip."""
    if mask is not None and fit_to_area(mask, (lip.curve + 0.5) * mask.scale - 0.5) > _ELLIPSE_FIT:
        lip = replace(lip, seen=lip_in_view(mask, lip.curve, lip.seen))
    in_frame = float(inside_photo(lip.curve, photo).mean())
    outline = find_outline(mask, lip.curve, photo.width, photo.height)
    status: PieceStatus = "found" if in_frame >= _FOUND_SHARE else "partial"
    reason = None if status == "found" else "part of the piece lies outside the photo"
    rim = lay_rim(photo, lip, outline)
    paper = find_paper(photo, outline)
    if rim.view == "from above":
        rim = replace(rim, pose=find_pose(photo, rim, None if paper is None else table_normal(photo, paper)))
    slope_deg = float(np.degrees(rim.pose.slope_rad)) if rim.pose is not None else 0.0
    size = None
    if paper is not None and in_frame >= _ARC_SHARE:
        size = measure_size(photo, paper, lip.curve, rim.view, slope_deg, rim.visible_share)
    elif paper is not None and lip.ellipse is not None and not looks_oval(lip.ellipse):
        arc = crop_band(lip.seen & inside_photo(lip.curve, photo))
        size = None if arc is None else measure_arc(photo, paper, lip.curve[arc], rim.view, slope_deg)
    return Piece(status, outline, rim, size, reason, paper if size is not None else None)


def lay_rim(photo: Photo, lip: Lip, outline: FloatArray | None) -> RimCurve:
    """The rim of a refined lip: how it is seen, and the guide of its band."""
    inside = inside_photo(lip.curve, photo)
    plane = _plane_of_lip(photo, lip)
    band, inward = lay_band(lip.curve, plane)
    seen_lip = lip.seen & inside
    guide = lip.ellipse or fit_ellipse(lip.curve)  # a spout, or a lip found a little uneven, hides no body
    drop = body_drop_px(guide, outline) if guide is not None else None
    if drop is not None and guide is not None:
        band, inward = lay_side_band(guide, *drop)
    closed = drop is None
    angle = rim_angles(plane, band)
    if closed and inside.mean() < _FOUND_SHARE:
        keep = crop_band(inside_photo(band, photo))
        if keep is not None:
            band, inward, angle, closed = band[keep], inward[keep], angle[keep], False
    seen = seen_lip[((band[:, None] - lip.curve[None]) ** 2).sum(axis=2).argmin(axis=1)]
    if drop is not None and outline is not None:
        seen = body_in_view(outline, band, inward)
    return RimCurve(
        curve=lip.curve,
        ellipse=lip.ellipse,
        visible_share=float(seen_lip.mean()),
        view="from above" if drop is None else "from the side",
        band=band,
        closed=closed,
        inward=inward,
        plane=plane,
        angle_deg=angle,
        seen=seen & inside_photo(band, photo),
    )


def _plane_of_lip(photo: Photo, lip: Lip) -> FloatArray:
    if lip.ellipse is None:
        return start_at_top(equivalent_plane(lip.curve, tilted=True), lip.curve)
    if looks_oval(lip.ellipse):
        return start_at_top(equivalent_plane(lip.curve, tilted=False), lip.curve)
    focal = focal_length_px(photo.width, photo.height, photo.focal_length_35mm)
    plane = find_rim_plane(lip.ellipse, focal, ((photo.width - 1) / 2, (photo.height - 1) / 2))
    return affine_plane(lip.ellipse) if plane is None else plane


def rim_angles(plane: FloatArray, band: FloatArray) -> FloatArray:
    """(M,) rim angle in degrees, clockwise as seen, of (M, 2) photo points, in the rim's plane."""
    flat = unmap_plane(plane, band)
    return np.asarray(np.degrees(np.arctan2(flat[:, 1], flat[:, 0])) % 360)


def _piece_from_band(photo: Photo, found: OpenBand | None, mask: PieceMask | None) -> Piece:
    """A close-up: the band alone; the lip is a circle through it where the arc tells its radius."""
    if found is None:
        return Piece("not found", None, None, reason=NO_PIECE)
    curve, angle = None, np.zeros(len(found.line))
    turn = np.arange(len(found.line)) * (360.0 / len(found.line))
    step = np.linalg.norm(np.diff(found.line, axis=0), axis=1)
    angle[1:] = np.degrees(np.cumsum(step) / found.radius_px)
    if found.told:
        middle = len(found.line) // 2
        centre = found.line[middle] + found.inward[middle] * found.radius_px
        curve = centre + found.radius_px * np.stack(
            [np.sin(np.radians(turn)), -np.cos(np.radians(turn))], axis=1
        )
        away = found.line - centre
        angle = np.degrees(np.arctan2(away[:, 0], -away[:, 1])) % 360
    share = float(min(1.0, step.sum() / (2 * np.pi * found.radius_px)))
    rim = RimCurve(
        curve=curve,
        ellipse=None,
        visible_share=share,
        view="close-up",
        band=found.line,
        closed=False,
        inward=found.inward * found.radius_px,
        plane=None,
        angle_deg=angle,
        seen=inside_photo(found.line, photo),
    )
    outline = find_outline(mask, None, photo.width, photo.height) if mask is not None else None
    return Piece("partial", outline, rim, reason="only a part of the rim is in the photo")


def inside_photo(points: FloatArray, photo: Photo) -> npt.NDArray[np.bool_]:
    """(N,) bool of (N, 2) points."""
    return np.asarray(((points >= 0) & (points <= [photo.width - 1, photo.height - 1])).all(axis=1))
