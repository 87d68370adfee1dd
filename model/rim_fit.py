"""Which pose of the rim the photo itself supports: bands run level all round only when it is right.

A circle seen at a slant and an oval seen square-on make the same ellipse, and nothing in the lip's curve says
how steeply the rim falls. But lines and borders keep their distance from the lip: unrolled under the right
pose every part of the rim shows the same rows. Poses are tried on a small picture and the likeliest is taken.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np
import numpy.typing as npt

from model.ellipse import ellipse_residuals_px, fit_ellipse
from model.perspective import focal_length_px
from model.rim_pose import (
    FlatLip,
    RimPose,
    camera_matrix,
    facing_share,
    flatten_lip,
    lay_surface,
    level_normal,
    pose_of_normal,
    rectify_lip,
    start_normals,
    tilted_normal,
)
from model.rim_views import area_moments
from model.row_profiles import describe_rows, measure_evenness, measure_likeness

if TYPE_CHECKING:
    from model.photo import Photo
    from model.piece import RimCurve

FloatArray = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

SEARCH_SIDE_PX = 800
ROWS, COLUMNS, BLOCKS = 44, 288, 24
NEAREST, FARTHEST = 0.035, 0.3  # depths compared, rim radii
SLOPES_DEG = (2.0, 8.0, 13.0, 18.0, 23.0, 28.0, 34.0, 41.0, 50.0, 60.0)
OVAL_SLOPES_DEG = (12.0, 22.0)
TILTS_DEG, TURNS_DEG = (3.0, 16.0, 29.0, 42.0, 55.0), (-64.0, -32.0, 0.0, 32.0, 64.0)
OVAL_STARTS = 2
SURELY_ROUND = 0.72  # likeness under a round pose from which no oval is tried (rendered ovals reach .69)
# What a rim is like before it is looked at: its fall inward [degrees] (common practice, no source), and what
# a pose far from it must gain in likeness.
USUAL_SLOPE_DEG, SLOPE_SPREAD_DEG, SLOPE_COST = 18.0, 8.0, 0.04
# Of a pose whose far side is down in the photo, a phone turned round; times the sine of the tilt.
TURNED_COST = 0.06
OVAL_RATIOS = (0.55, 0.88)  # axis ratios of oval plates and platters, from memory
OVAL_COST = 0.05
NEARLY_ELLIPTIC = 0.012  # rms departure from an ellipse, of the radius
REFINEMENTS_DEG, TURNING_STEPS_DEG = (4.0, 1.5), (5.0, 2.5, 1.2)
# The poses left over are compared by how evenly the print repeats as well.
EVEN_ROWS, EVEN_COLUMNS, EVEN_NEAREST, EVEN_FARTHEST, EVEN_WEIGHT = 30, 1440, 0.02, 0.28, 1.5
STEEPEST_COMPARED = 0.5  # cosine: steeper rims are compared over no longer way along them
TABLE_GAIN = 0.15  # likeness by which a pose parallel to a sheet of paper beside the piece is preferred
LEAST_FACING = 0.05


@dataclass(frozen=True, eq=False)
class _Evidence:
    """A small grey picture, its scale to the photo, the lip's curve, where it is seen, and the camera."""

    grey: npt.NDArray[np.uint8]
    scale: float
    curve: FloatArray
    seen: Mask
    camera: FloatArray


def find_pose(photo: Photo, rim: RimCurve, table: FloatArray | None = None) -> RimPose:
    """Pose of a lip seen from above.

    Parameters
    ----------
    photo, rim
        The photo and a rim whose ``curve`` is known.
    table
        (3,) normal of the table, camera coordinates, where a sheet of paper tells it.

    Returns
    -------
    RimPose
        Round lips as slanted circles, other even shapes by their moments, ovals and the slope of the rim by
        how level the bands run. Where nothing is printed the usual slope stands.
    """
    if rim.curve is None:
        raise ValueError("a pose needs the curve of the lip")
    camera = camera_of_photo(photo)
    small, scale = photo.reduced(SEARCH_SIDE_PX)
    grey = cv2.cvtColor(small, cv2.COLOR_RGB2GRAY)
    evidence = _Evidence(grey, scale, rim.curve, seen_on_curve(rim), camera)
    normals = start_normals(rim.curve, camera)
    elliptic = _is_elliptic(rim.curve)
    if not elliptic:
        normals = [level_normal(rim.curve, camera, normal) for normal in normals]
    left = [_try_slopes(evidence, normal) for normal in normals]
    if table is not None:
        value, pose = _try_slopes(evidence, table)
        left.append((value + TABLE_GAIN, pose))
    elif elliptic and max(value for value, _ in left) < SURELY_ROUND:
        left += _try_ovals(evidence)
    return max(left, key=lambda one: one[0] + EVEN_WEIGHT * _measure_evenness(evidence, one[1]))[1]


def camera_of_photo(photo: Photo) -> FloatArray:
    """(3, 3) pinhole matrix of a photo, its focal length from EXIF or a usual one."""
    centre = ((photo.width - 1) / 2, (photo.height - 1) / 2)
    return camera_matrix(focal_length_px(photo.width, photo.height, photo.focal_length_35mm), centre)


def find_side_pose(photo: Photo, rim: RimCurve) -> RimPose:
    """Pose of a round lip seen from the side, its far side up in the photo."""
    assert rim.curve is not None
    camera = camera_of_photo(photo)
    normals = start_normals(rim.curve, camera)
    return pose_of_normal(rim.curve, min(normals, key=lambda normal: float(normal[1])), camera)


def seen_on_curve(rim: RimCurve) -> Mask:
    """(N,) bool: whether each point of the lip's curve is seen, as at the nearest point of the band."""
    assert rim.curve is not None
    apart = ((rim.curve[:, None] - rim.band[None]) ** 2).sum(axis=2)
    return np.asarray(rim.seen[apart.argmin(axis=1)])


def _is_elliptic(curve: FloatArray) -> bool:
    ellipse = fit_ellipse(curve)
    if ellipse is None:
        return False
    size = float(np.sqrt(ellipse.semi_major * ellipse.semi_minor))
    return bool(np.sqrt((ellipse_residuals_px(ellipse, curve) ** 2).mean()) < NEARLY_ELLIPTIC * size)


def _try(evidence: _Evidence, normal: FloatArray, slope_deg: float) -> tuple[float, RimPose]:
    """Likeness of the rows under a pose, less what its slope costs, and the pose."""
    pose = pose_of_normal(evidence.curve, normal, evidence.camera, float(np.radians(slope_deg)))
    lip = flatten_lip(evidence.curve, pose, COLUMNS)
    far = (slope_deg - USUAL_SLOPE_DEG) / SLOPE_SPREAD_DEG
    cost = SLOPE_COST * float(np.log1p(far * far)) + TURNED_COST * max(0.0, float(normal[1]))
    return _measure(evidence, pose, lip) - cost, pose


def _try_slopes(evidence: _Evidence, normal: FloatArray) -> tuple[float, RimPose]:
    tried = max((_try(evidence, normal, slope) for slope in SLOPES_DEG), key=lambda one: one[0])
    return _refine(evidence, tried, turning=False, cost=0.0)


def _measure(evidence: _Evidence, pose: RimPose, lip: FlatLip) -> float:
    reach = 1 / max(float(np.cos(pose.slope_rad)), STEEPEST_COMPARED)
    grey, seen = _unroll(evidence, pose, lip, np.linspace(NEAREST, FARTHEST * reach, ROWS))
    profiles, share = describe_rows(grey, seen, BLOCKS)
    return measure_likeness(profiles, share)


def _measure_evenness(evidence: _Evidence, pose: RimPose) -> float:
    lip = flatten_lip(evidence.curve, pose, EVEN_COLUMNS)
    return measure_evenness(
        *_unroll(evidence, pose, lip, np.linspace(EVEN_NEAREST, EVEN_FARTHEST, EVEN_ROWS))
    )


def _unroll(
    evidence: _Evidence, pose: RimPose, lip: FlatLip, depths: FloatArray
) -> tuple[npt.NDArray[np.uint8], Mask]:
    """A small grey strip (rows, n) and where it is seen."""
    where = lay_surface(pose, lip, depths)
    seen = evidence.seen[lip.index] & (facing_share(pose, lip) > LEAST_FACING)
    where = ((where + 0.5) * evidence.scale - 0.5).astype(np.float32)
    x, y = np.ascontiguousarray(where[..., 0]), np.ascontiguousarray(where[..., 1])
    rows, columns = evidence.grey.shape
    inside = (x >= 0) & (y >= 0) & (x <= columns - 1) & (y <= rows - 1)
    grey = cv2.remap(evidence.grey, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(grey, np.uint8), inside & seen[None]


def _refine(
    evidence: _Evidence, best: tuple[float, RimPose], turning: bool, cost: float
) -> tuple[float, RimPose]:
    """Pattern search in ever smaller steps of slope and, for ovals, of the plane's tilt and turn."""
    value, pose = best
    for step in TURNING_STEPS_DEG if turning else REFINEMENTS_DEG:
        moved = True
        while moved:
            moved = False
            for change in _changes(pose, step, turning):
                tried = _try(evidence, *change)
                if tried[0] - cost > value:
                    value, pose, moved = tried[0] - cost, tried[1], True
    return value, pose


def _changes(pose: RimPose, step_deg: float, turning: bool) -> list[tuple[FloatArray, float]]:
    """Neighbouring normals and slopes."""
    slope = float(np.degrees(pose.slope_rad))
    found = [(pose.normal, slope + step_deg), (pose.normal, slope - step_deg)]
    if turning:
        lean = np.tan(np.radians(step_deg))
        for sideways, up in ((lean, 0), (-lean, 0), (0, lean), (0, -lean)):
            normal = pose.normal + np.array([sideways, up, 0.0])
            found.append((normal / np.linalg.norm(normal), slope))
    return found


def _try_ovals(evidence: _Evidence) -> list[tuple[float, RimPose]]:
    """The likeliest poses under which the lip is an oval; their values are less by what an oval costs."""
    tried = []
    for normal in [tilted_normal(tilt, turn) for tilt in TILTS_DEG for turn in TURNS_DEG]:
        if OVAL_RATIOS[0] < _axis_ratio(evidence, normal) < OVAL_RATIOS[1]:
            tried += [_try(evidence, normal, slope) for slope in OVAL_SLOPES_DEG]
    starts = sorted(tried, key=lambda one: -one[0])[:OVAL_STARTS]
    return [
        _refine(evidence, (value - OVAL_COST, pose), turning=True, cost=OVAL_COST) for value, pose in starts
    ]


def _axis_ratio(evidence: _Evidence, normal: FloatArray) -> float:
    flat, _ = rectify_lip(evidence.curve, normal, evidence.camera)
    low, high = np.linalg.eigvalsh(area_moments(flat)[1])
    return float(np.sqrt(max(low, 0.0) / high)) if high > 0 else 1.0
