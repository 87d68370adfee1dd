"""How a rim lies in space: the plane of its lip under the camera, and how steeply its surface falls inward.

Camera coordinates: x right, y down, z forward, the photo's own. The lip of a piece seen from above lies in a
plane; the printed surface inside it falls from the lip like a cone. Everything is measured in rim radii, the
radius of the circle whose area the lip encloses.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from model.ellipse import fit_ellipse
from model.perspective import find_rim_plane, map_plane, unmap_plane
from model.rim_views import area_moments

FloatArray = npt.NDArray[np.float64]

LIP_POINTS = 720
SQUARE_RATIO = 1.12  # of the widths of a lip with corners
OVAL_RATIO = 0.95  # of the axes, above which a lip counts as even in all directions
# Inward runs between the normal of the lip's own ellipse (stamps square to an oval's lip) and the ray to its
# middle (stamps spread evenly over the border's own length): share of the normal.
NORMAL_SHARE = 0.25
_ROUNDS, _STEP, _LARGEST_STEP, _SMALL = 25, 1e-4, 0.3, 1e-10
_STEEPEST = 2.75  # tangent of 70 degrees: flatter views show no flat rim


@dataclass(frozen=True, eq=False)
class RimPose:
    """Plane of the lip and slope of the rim.

    Attributes
    ----------
    plane
        (3, 3) homography from the lip's plane, in rim radii about the lip's middle, x to the right in the
        photo and y down, to photo px.
    down
        (3,) homogeneous photo px of one rim radius at right angles to the plane, away from the camera.
    normal
        (3,) unit normal of the plane in camera coordinates, towards the camera.
    middle
        (3,) camera coordinates of the lip's middle, in units of rim radii times ``radius``.
    radius
        Rim radius in the same units.
    slope_rad
        How far the surface falls from the lip inward, against the lip's plane.
    """

    plane: FloatArray
    down: FloatArray
    normal: FloatArray
    middle: FloatArray
    radius: float
    slope_rad: float


@dataclass(frozen=True, eq=False)
class FlatLip:
    """A lip in its own plane, in rim radii.

    ``points`` (n, 2) even in arc length, clockwise from the topmost in the photo; ``inward`` (n, 2) units;
    ``length`` of the whole lip; ``index`` (n,) of the point of the given curve nearest to each.
    """

    points: FloatArray
    inward: FloatArray
    length: float
    index: npt.NDArray[np.intp]


def camera_matrix(focal_px: float, centre: tuple[float, float]) -> FloatArray:
    """(3, 3) pinhole matrix."""
    return np.array([[focal_px, 0, centre[0]], [0, focal_px, centre[1]], [0, 0, 1.0]])


def normal_of_round_lip(curve: FloatArray, plane: FloatArray | None, camera: FloatArray) -> FloatArray:
    """(3,) unit normal from a plane already found for a round lip, or the one that makes a lip even."""
    if plane is None:
        return level_normal(curve, camera, np.array([0.0, -0.5, -1.0]))
    space = np.linalg.solve(camera, plane)
    normal = -np.cross(space[:, 0], space[:, 1])
    return np.asarray(normal / np.linalg.norm(normal))


def rectify_lip(curve: FloatArray, normal: FloatArray, camera: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Photo curve (n, 2) on the plane at distance 1 with that normal: (n, 2) there, and its axes (3, 2)."""
    rays = np.linalg.solve(camera, np.concatenate([curve, np.ones((len(curve), 1))], axis=1).T).T
    space = rays * (-1 / (rays @ normal))[:, None]
    axes = plane_axes(normal)
    return space @ axes, axes


def pose_of_normal(
    curve: FloatArray, normal: FloatArray, camera: FloatArray, slope_rad: float = 0.0
) -> RimPose:
    """The pose of a lip (n, 2) photo px, closed and clockwise, whose plane has that normal.

    The distance is free (one camera sees no size); the plane is laid at distance 1.
    """
    flat, axes = rectify_lip(curve, normal, camera)
    middle, _, area = area_moments(flat)
    radius = float(np.sqrt(abs(area) / np.pi))
    at = axes @ middle - normal
    plane = camera @ np.stack([radius * axes[:, 0], radius * axes[:, 1], at], axis=1)
    return RimPose(plane, camera @ (-radius * normal), normal, at, radius, slope_rad)


def level_normal(curve: FloatArray, camera: FloatArray, start: FloatArray) -> FloatArray:
    """Normal under which a lip of three or more equal sides is as wide in all directions.

    Rounded squares and scalloped rims have the second moments of a circle; their perspective is found by
    making the rectified moments equal (Gauss-Newton on the normal's two slopes).

    Parameters
    ----------
    curve
        (n, 2) float64 closed lip, photo px.
    start
        (3,) a normal on the right side of the two-fold ambiguity.
    """

    def unevenness(slopes: FloatArray) -> FloatArray:
        flat, _ = rectify_lip(curve, _unit(slopes), camera)
        spread = area_moments(flat)[1]
        return np.asarray(np.array([spread[0, 0] - spread[1, 1], 2 * spread[0, 1]]) / np.trace(spread))

    slopes, damping = start[:2] / -start[2], 1e-3
    left = unevenness(slopes)
    for _ in range(_ROUNDS):
        steps = np.stack([(unevenness(slopes + step) - left) / _STEP for step in _STEP * np.eye(2)], axis=1)
        change = np.linalg.solve(steps.T @ steps + damping * np.eye(2), steps.T @ left)
        trial = slopes - np.clip(change, -_LARGEST_STEP, _LARGEST_STEP)
        trial /= max(1.0, float(np.hypot(*trial)) / _STEEPEST)
        after = unevenness(trial)
        if after @ after < left @ left:
            slopes, left, damping = trial, after, 0.3 * damping
        else:
            damping *= 10
        if left @ left < _SMALL:
            break
    return _unit(slopes)


def start_normals(curve: FloatArray, camera: FloatArray) -> list[FloatArray]:
    """Both normals for the ellipse with the curve's own shape, counted as a slanted circle; upper one first.

    One camera cannot tell a slant from its mirror image; a camera held level that looks down at a table
    sees the far side up.
    """
    ellipse = fit_ellipse(curve)
    plane = (
        None
        if ellipse is None
        else find_rim_plane(ellipse, float(camera[0, 0]), (float(camera[0, 2]), float(camera[1, 2])))
    )
    if ellipse is None or plane is None:
        return [tilted_normal(10.0, 0.0), tilted_normal(10.0, 180.0)]
    normal = normal_of_round_lip(curve, plane, camera)
    ray = np.linalg.solve(camera, np.array([ellipse.cx, ellipse.cy, 1.0]))
    ray /= np.linalg.norm(ray)
    return [normal, np.asarray(2 * float(normal @ ray) * ray - normal)]


def _unit(slopes: FloatArray) -> FloatArray:
    normal = np.array([slopes[0], slopes[1], -1.0])
    return np.asarray(normal / np.linalg.norm(normal))


def tilted_normal(tilt_deg: float, turn_deg: float) -> FloatArray:
    """Normal of a plane slanted by ``tilt_deg``, its far side at ``turn_deg`` clockwise from straight up."""
    tilt, turn = np.radians([tilt_deg, turn_deg])
    return np.array([np.sin(tilt) * np.sin(turn), -np.sin(tilt) * np.cos(turn), -np.cos(tilt)])


def flatten_lip(curve: FloatArray, pose: RimPose, count: int = LIP_POINTS) -> FlatLip:
    """The lip in its plane, from the point topmost in the photo, clockwise, with where inward is."""
    start = int(np.argmin(curve[:, 1]))
    flat = unmap_plane(pose.plane, np.roll(curve, -start, axis=0))
    closed = np.vstack([flat, flat[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    at = np.linspace(0, along[-1], count, endpoint=False)
    points = np.stack([np.interp(at, along, closed[:, k]) for k in (0, 1)], axis=1)
    nearest = np.round(np.interp(at, along, np.arange(len(closed)))).astype(np.intp)
    ray = -points / np.maximum(np.linalg.norm(points, axis=1, keepdims=True), 1e-9)
    inward = NORMAL_SHARE * _ellipse_normals(points) + (1 - NORMAL_SHARE) * ray
    inward /= np.maximum(np.linalg.norm(inward, axis=1, keepdims=True), 1e-9)
    return FlatLip(points, inward, float(along[-1]), (nearest + start) % len(curve))


def _ellipse_normals(points: FloatArray) -> FloatArray:
    """(n, 2) inward unit normals, at each point, of the ellipse with the moments of the area within."""
    _, spread, _ = area_moments(points)
    away = np.linalg.solve(spread, points.T).T
    return np.asarray(-away / np.maximum(np.linalg.norm(away, axis=1, keepdims=True), 1e-9))


def is_oval(lip: FloatArray) -> bool:
    """Whether a lip (n, 2) in its own plane is longer one way than the other."""
    low, high = np.linalg.eigvalsh(area_moments(lip)[1])
    return bool(low < OVAL_RATIO**2 * high)


def measure_width(lip: FloatArray) -> float:
    """What counts as the diameter of a lip (n, 2) in its own plane.

    An oval's long axis, a square's side, else the mean width, which noise in the curve moves least.
    """
    angle = np.linspace(0, np.pi, 90, endpoint=False)
    across = lip @ np.stack([np.cos(angle), np.sin(angle)])
    widths = across.max(axis=0) - across.min(axis=0)
    if is_oval(lip):
        return float(widths.max())
    return float(widths.min() if widths.max() > SQUARE_RATIO * widths.min() else widths.mean())


def lay_surface(pose: RimPose, lip: FlatLip, depths: FloatArray) -> FloatArray:
    """Photo px (rows, n, 2) of the surface at ``depths`` (rows,) along it from the lip, rim radii."""
    across, below = depths * np.cos(pose.slope_rad), depths * np.sin(pose.slope_rad)
    lip_px = (lip.points @ pose.plane[:, :2].T + pose.plane[:, 2]).T
    inward_px = (lip.inward @ pose.plane[:, :2].T).T
    # (rows, n) planes one after the other: far quicker than a product with a 3 x 2 matrix
    x, y, depth = (
        lip_px[k] + across[:, None] * inward_px[k] + (below * pose.down[k])[:, None] for k in range(3)
    )
    return np.stack([x / depth, y / depth], axis=2)


def facing_share(pose: RimPose, lip: FlatLip) -> FloatArray:
    """(n,) cosine between the surface's normal and the way to the camera; under 0 it is turned away."""
    axes = plane_axes(pose.normal)
    at = pose.middle + pose.radius * lip.points @ axes.T
    normal = np.sin(pose.slope_rad) * lip.inward @ axes.T + np.cos(pose.slope_rad) * pose.normal
    return np.asarray(-(normal * at).sum(axis=1) / np.linalg.norm(at, axis=1))


def plane_axes(normal: FloatArray) -> FloatArray:
    """(3, 2) axes, in camera coordinates, of a plane with that normal: x right in the photo, y down."""
    first = np.array([1.0, 0, 0]) - normal[0] * normal
    first /= np.linalg.norm(first)
    return np.stack([first, np.cross(-normal, first)], axis=1)


def find_top(pose: RimPose) -> float:
    """Angle in the lip's plane, radians from its x axis, of a round lip's point topmost in the photo."""
    angle = np.linspace(0, 2 * np.pi, 1440, endpoint=False)
    y = map_plane(pose.plane, np.stack([np.cos(angle), np.sin(angle)], axis=1))[:, 1]
    return float(angle[int(np.argmin(y))])
