"""The plane of a round rim in perspective: from the ellipse and the focal length to a homography."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from model.ellipse import conic_matrix
from model.facts import Ellipse

FloatArray = npt.NDArray[np.float64]

_FILM_DIAGONAL_MM = 43.2666  # of 36 x 24 mm: what "35-mm focal length" refers to
_USUAL_FOCAL_35MM = 30.0  # phones' main cameras lie at 24-28, cropped or zoomed photos above


def focal_length_px(width: int, height: int, focal_length_35mm: float | None) -> float:
    """Focal length in px; without EXIF that of a usual phone camera, slightly cropped."""
    focal = focal_length_35mm if focal_length_35mm else _USUAL_FOCAL_35MM
    return focal / _FILM_DIAGONAL_MM * float(np.hypot(width, height))


def find_rim_plane(ellipse: Ellipse, focal_px: float, centre: tuple[float, float]) -> FloatArray | None:
    """Homography from the rim's plane, in which the rim is the unit circle, to the photo.

    Of the two circles that give the same ellipse the one is taken whose far side is nearer the photo's
    top: the camera looks down at a table. Angles run clockwise as seen, 0 at the rim point topmost in
    the photo (plane coordinates ``(cos a, sin a)``).

    Parameters
    ----------
    ellipse
        The rim in photo px.
    focal_px
        Focal length in px.
    centre
        Principal point, photo px.

    Returns
    -------
    (3, 3) float64, or None where the ellipse cannot be a circle in front of the camera.

    References
    ----------
    The two circular sections of an elliptic cone: Forsyth et al., "Invariant descriptors for 3-D object
    recognition and pose", IEEE PAMI 13(10), 1991, section on conics; derived again here from the cone's
    eigenvectors.
    """
    camera = np.array([[focal_px, 0, centre[0]], [0, focal_px, centre[1]], [0, 0, 1.0]])
    cone = camera.T @ conic_matrix(ellipse) @ camera
    values, vectors = np.linalg.eigh(cone / np.abs(cone).max())
    low, middle, high = values
    if not low < 0 < middle:
        return None
    across = np.sqrt(max(high - middle, 0.0) / (high - low))
    along = np.sqrt((middle - low) / (high - low))
    best: FloatArray | None = None
    best_depth = -np.inf
    for sign in (-1.0, 1.0):
        normal = vectors[:, 0] * along + vectors[:, 2] * across * sign
        plane, slope = _circle_frame(cone, normal)
        if plane is not None and slope > best_depth:
            best, best_depth = camera @ plane, slope
    return None if best is None else _start_at_top(best)


def _circle_frame(cone: FloatArray, normal: FloatArray) -> tuple[FloatArray | None, float]:
    """Columns (R e1, R e2, centre) of the circle on the plane, and how much farther its upper side is."""
    middle = np.linalg.solve(cone, normal)
    if middle[2] < 0:
        middle = -middle
    if middle[2] <= 0:
        return None, 0.0
    middle = middle / middle[2]
    first = np.cross(normal, [0.0, 0.0, 1.0])
    if np.linalg.norm(first) < 1e-9:
        first = np.array([1.0, 0.0, 0.0])
    first /= np.linalg.norm(first)
    second = np.cross(normal, first)
    second /= np.linalg.norm(second)
    square = -(middle @ cone @ middle) / (first @ cone @ first)
    if square <= 0:
        return None, 0.0
    radius = np.sqrt(square)
    if first[0] * second[1] - first[1] * second[0] < 0:
        second = -second
    frame = np.stack([radius * first, radius * second, middle], axis=1)
    facing = normal if normal @ middle < 0 else -normal  # towards the camera
    return frame, float(-facing[1])  # y down: a table seen from above has its normal turned up


def _start_at_top(plane: FloatArray) -> FloatArray:
    """Turn the plane's coordinates so that angle 0 is the rim point with the smallest y."""
    angle = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    for _ in range(2):
        y = map_plane(plane, np.stack([np.cos(angle), np.sin(angle)], axis=1))[:, 1]
        top = float(angle[int(np.argmin(y))])
        angle = top + np.linspace(-0.01, 0.01, 201)
    turn = np.array([[np.cos(top), -np.sin(top), 0], [np.sin(top), np.cos(top), 0], [0, 0, 1.0]])
    return np.asarray(plane @ turn)


def map_plane(plane: FloatArray, points: FloatArray) -> FloatArray:
    """Map (N, 2) plane points to (N, 2) photo px."""
    image = points @ plane[:, :2].T + plane[:, 2]
    return np.asarray(image[:, :2] / image[:, 2:])


def unmap_plane(plane: FloatArray, points: FloatArray) -> FloatArray:
    """Map (N, 2) photo px back to (N, 2) plane points."""
    return map_plane(np.asarray(np.linalg.inv(plane), dtype=np.float64), points)


def affine_plane(ellipse: Ellipse) -> FloatArray:
    """Homography that takes the unit circle to the ellipse without perspective; angle 0 topmost."""
    turn = np.radians(ellipse.angle_deg)
    major = ellipse.semi_major * np.array([np.cos(turn), np.sin(turn)])
    minor = ellipse.semi_minor * np.array([-np.sin(turn), np.cos(turn)])
    plane = np.eye(3)
    plane[:2, 0], plane[:2, 1], plane[:2, 2] = major, minor, (ellipse.cx, ellipse.cy)
    return _start_at_top(plane)


def map_conic(plane: FloatArray) -> FloatArray:
    """(3, 3) conic that the unit circle becomes: C' = H^-T C H^-1."""
    inverse = np.linalg.inv(plane)
    return np.asarray(inverse.T @ np.diag([1.0, 1.0, -1.0]) @ inverse)


def diameter_from_arc(chord: float, sagitta: float) -> float:
    """Diameter of a circle from an arc's chord c and height s: c**2 / (4 s) + s."""
    return chord * chord / (4 * sagitta) + sagitta
