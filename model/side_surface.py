"""The outside of a cup or bowl seen from the side: a body of revolution under its lip, in perspective."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from model.perspective import map_plane
from model.rim_pose import RimPose, plane_axes

FloatArray = npt.NDArray[np.float64]

REACH = 0.75  # rim radii down the axis that the profile is measured
WIDEST_DEG = 70.0  # either side of the direction to the camera; further round nothing can be read
_LEVELS = 31
_GRID_PX = 80  # of a rim radius, in which the silhouette is drawn
_SHRINK, _GROWTH = 1.5, 1.0  # change of the radius a radius of axis; more is a handle or a cover
_TRUSTED = 0.1  # radii below the lip above which the silhouette is the lip's own


def measure_profile(pose: RimPose, outline: FloatArray | None) -> FloatArray:
    """Radius of the body at even steps down the axis, 0 to ``REACH``, (31,) rim radii, 1 at the lip.

    The narrower half of the silhouette counts, so that one handle does no harm; where both halves jump
    outward, handles on both sides, the body is taken to go on as it did.

    Parameters
    ----------
    pose
        Of the lip.
    outline
        (K, 2) float64 silhouette in photo px; without one the body is a cylinder.
    """
    levels = np.linspace(0, REACH, _LEVELS)
    if outline is None:
        return np.ones(_LEVELS)
    axis = (pose.plane[:, 2] + levels[:, None] * pose.down) @ np.eye(3)
    scale = np.linalg.norm(pose.plane[:2, 0]) / axis[:, 2]
    axis = axis[:, :2] / axis[:, 2:]
    down = (axis[-1] - axis[0]) / max(float(np.linalg.norm(axis[-1] - axis[0])), 1e-9)
    across = np.array([down[1], -down[0]])
    radius_px = float(scale[0])
    turned = (outline - axis[0]) @ np.stack([across, down], axis=1) * (_GRID_PX / radius_px)
    side = 4 * _GRID_PX
    picture = np.zeros((side, 2 * side), np.uint8)
    cv2.fillPoly(picture, [np.round(turned + np.array([side, _GRID_PX])).astype(np.int32)], 1)
    depth = (axis - axis[0]) @ down * (_GRID_PX / radius_px) + _GRID_PX
    away = float(np.linalg.norm(pose.middle)) / pose.radius
    profile = np.ones(_LEVELS)
    first = int(np.searchsorted(levels, _TRUSTED))
    for k in range(first, _LEVELS):
        row = picture[int(np.clip(round(depth[k]), 0, side - 1))]
        halves = [_run(part) / _GRID_PX * radius_px / float(scale[k]) for part in (row[side:], row[side::-1])]
        # The silhouette of a round body lies nearer than its axis and looks wider.
        radii = [half / np.hypot(1, half / away) for half in halves]
        run = levels[k] - (levels[k - 1] if k > first else 0.0)
        likely = [r for r in radii if -_SHRINK * run <= r - profile[k - 1] <= _GROWTH * run]
        profile[k] = min(likely) if likely else profile[k - 1]
    profile[:first] = np.interp(levels[:first], [0, levels[first]], [1, profile[first]])
    return np.asarray(cv2.GaussianBlur(profile[None], (0, 0), 1.0, borderType=cv2.BORDER_REPLICATE)[0])


def _run(row: npt.NDArray[np.uint8]) -> int:
    """Length of the filled run from the row's start."""
    empty = np.flatnonzero(row == 0)
    return int(empty[0]) if len(empty) else len(row)


def lay_body(
    pose: RimPose, profile: FloatArray, columns: int, depths: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Photo px of the body, rows at ``depths`` along the surface, columns left to right.

    Returns
    -------
    where, angle_rad, facing
        (rows, columns, 2) float64; (columns,) angle in the lip's plane from its x axis; (columns,) cosine
        between the upright surface's normal and the way to the camera.
    """
    axes = plane_axes(pose.normal)
    towards = axes.T @ -pose.middle
    middle = float(np.arctan2(towards[1], towards[0]))
    widest = np.radians(WIDEST_DEG)
    angle = middle + np.linspace(widest, -widest, columns)
    levels = np.linspace(0, REACH, len(profile))
    along = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(levels), np.diff(profile)))])
    level, radius = (np.interp(depths, along, values) for values in (levels, profile))
    level += np.minimum(depths, 0)  # above the lip, and below what was measured, straight on
    level += np.maximum(depths - along[-1], 0)
    ring = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    flat = radius[:, None, None] * ring[None]
    image = flat @ pose.plane[:, :2].T + pose.plane[:, 2] + level[:, None, None] * pose.down
    at = pose.middle + pose.radius * ring @ axes.T
    outward = ring @ axes.T
    facing = -(outward * at).sum(axis=1) / np.linalg.norm(at, axis=1)
    return np.asarray(image[..., :2] / image[..., 2:]), angle, np.asarray(facing)


def near_lip(pose: RimPose, angle_rad: FloatArray) -> FloatArray:
    """(n, 2) photo px of the lip at angles (n,)."""
    return map_plane(pose.plane, np.stack([np.cos(angle_rad), np.sin(angle_rad)], axis=1))
