"""Quadrangles of which some corners are hidden or outside the picture, from the sides that are seen."""

from __future__ import annotations

from itertools import combinations

import cv2
import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
Contour = npt.NDArray[np.int32]

NEAR_SIDE_PX = 2.5
LEAST_SIDE = 0.25  # of each side that must be seen
_STRAIGHT_PX = 2.5  # how far a side may bend
_LEAST_LENGTH = 0.06  # of the region's contour, for a stretch to be a side
_FRAME_PX = 3.5  # a stretch so near the picture's border is none
_SAME_DEG, _SAME_PX = 4.0, 4.0  # two stretches of one side, with something in between
_BEYOND_PX, _MOST_BEYOND = 4.0, 0.02  # how much of the region may lie beyond a side
_MOST_SIDES = 7
_OUT_OF_FRAME = 0.4  # of the picture's longer side, that a corner may lie outside
_LEAST_FILLED = 0.55  # of the quadrangle within the picture that the region fills
_MOST_QUADS = 6


def quadrangles_in_part(contour: Contour, shape: tuple[int, ...]) -> list[FloatArray]:
    """(4, 2) corners, clockwise as seen, of quadrangles on four sides of a region (N, 1, 2) in a picture."""
    points = contour[:, 0].astype(np.float64)
    middle = points.mean(axis=0)
    sides = _sides_of(points, middle, shape)
    found = []
    for four in combinations(sides, 4):
        corners = _corners_of(sorted(four, key=lambda side: float(np.arctan2(side[1][1], side[1][0]))))
        if corners is None:
            continue
        low, high = -_OUT_OF_FRAME * max(shape[:2]), (1 + _OUT_OF_FRAME) * max(shape[:2])
        if (
            (corners < low).any()
            or (corners > high).any()
            or not cv2.isContourConvex(corners.astype(np.float32))
        ):
            continue
        canvas = np.zeros(shape[:2], np.uint8)
        cv2.fillPoly(canvas, [np.round(corners).astype(np.int32)], 1)
        filled = cv2.contourArea(contour) / max(float(canvas.sum()), 1.0)
        if filled > _LEAST_FILLED:
            found.append((filled, corners))
    found.sort(key=lambda pair: -pair[0])
    return [corners for _, corners in found[:_MOST_QUADS]]


def distances_px(points: FloatArray, contour: Contour) -> FloatArray:
    """(N,) px from points (N, 2) to the nearest point of a contour (M, 1, 2)."""
    on = contour[::2, 0].astype(np.float64)
    return np.asarray(np.sqrt(((points[:, None] - on[None]) ** 2).sum(axis=2).min(axis=1)))


def meet(p: FloatArray, u: FloatArray, q: FloatArray, v: FloatArray) -> FloatArray | None:
    """Where the lines p + s u and q + t v meet; None where they are nearly parallel."""
    cross = float(u[0] * v[1] - u[1] * v[0])
    if abs(cross) < 0.05 * float(np.linalg.norm(u) * np.linalg.norm(v)):
        return None
    share = ((q - p)[0] * v[1] - (q - p)[1] * v[0]) / cross
    return np.asarray(p + share * u)


def _sides_of(
    points: FloatArray, middle: FloatArray, shape: tuple[int, ...]
) -> list[tuple[FloatArray, FloatArray]]:
    """A point and the outward normal of each straight side with the region behind it, the longest first."""
    bends = cv2.approxPolyDP(points.astype(np.float32)[:, None], _STRAIGHT_PX, True)[:, 0].astype(np.float64)
    at = np.sort([int(((points - bend) ** 2).sum(axis=1).argmin()) for bend in bends])
    high = np.array(shape[1::-1]) - 1 - _FRAME_PX
    stretches: list[FloatArray] = []
    for first, last in zip(at, [*at[1:], at[0] + len(points)], strict=True):
        stretch = points[np.arange(first, last + 1) % len(points)]
        on_frame = ((stretch < _FRAME_PX) | (stretch > high)).any(axis=1).mean() > 0.5
        if len(stretch) > _LEAST_LENGTH * len(points) and not on_frame:
            stretches.append(stretch[2:-2])
    sides: list[tuple[FloatArray, FloatArray, int]] = []
    for stretch in sorted(stretches, key=lambda one: -len(one)):
        place, normal = _fit_side(stretch, middle)
        for index, (other, way, length) in enumerate(sides):
            if abs(normal @ way) > np.cos(np.radians(_SAME_DEG)) and abs((place - other) @ way) < _SAME_PX:
                sides[index] = (other, way, length + len(stretch))
                break
        else:
            if ((points - place) @ normal > _BEYOND_PX).mean() < _MOST_BEYOND:
                sides.append((place, normal, len(stretch)))
    sides.sort(key=lambda side: -side[2])
    return [(place, normal) for place, normal, _ in sides[:_MOST_SIDES]]


def _fit_side(stretch: FloatArray, middle: FloatArray) -> tuple[FloatArray, FloatArray]:
    vx, vy, px, py = cv2.fitLine(stretch.astype(np.float32), cv2.DIST_HUBER, 0, 0.01, 0.01)[:, 0]
    place, normal = np.array([px, py], dtype=np.float64), np.array([vy, -vx], dtype=np.float64)
    return place, normal if (place - middle) @ normal > 0 else -normal


def _corners_of(four: list[tuple[FloatArray, FloatArray]]) -> FloatArray | None:
    """Where each side, in order of the normals' directions, meets the one before; None for no quadrangle."""
    corners = []
    for (p, m), (q, n) in zip([four[-1], *four[:-1]], four, strict=True):
        if m[0] * n[1] - m[1] * n[0] <= 0:  # normals of a convex quadrangle turn on by less than half a turn
            return None
        meeting = meet(p, np.array([-m[1], m[0]]), q, np.array([-n[1], n[0]]))
        if meeting is None:
            return None
        corners.append(meeting)
    return np.array(corners)
