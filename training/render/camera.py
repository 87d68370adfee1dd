"""The pinhole phone camera: placing it, and projecting points as the renderer does."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
FULL_FRAME_DIAGONAL_MM = 43.2666  # 36 × 24 mm, what "35 mm equivalent" refers to


@dataclass(frozen=True)
class Camera:
    """Position and axes in mm, focal length and size in pixels."""

    origin: Floats
    forward: Floats
    right: Floats
    up: Floats
    focal_px: float
    width_px: int
    height_px: int

    def project(self, points: ArrayLike) -> Floats:
        """Pixel coordinates (..., 2) of (..., 3) points; NaN behind the camera."""
        away = np.asarray(points, float) - self.origin
        depth = away @ self.forward
        depth = np.where(depth > 1e-6, depth, np.nan)
        x = self.width_px / 2 + self.focal_px * (away @ self.right) / depth
        y = self.height_px / 2 - self.focal_px * (away @ self.up) / depth
        return np.stack([x, y], -1)


def focal_in_pixels(focal_35mm: float, width_px: int, height_px: int) -> float:
    """Focal length in pixels from its 35 mm equivalent (by the diagonal)."""
    return focal_35mm / FULL_FRAME_DIAGONAL_MM * float(np.hypot(width_px, height_px))


def aim_camera(
    target: ArrayLike,
    tilt_deg: float,
    azimuth_deg: float,
    roll_deg: float,
    distance_mm: float,
    focal_px: float,
    size_px: tuple[int, int],
    shift_px: tuple[float, float] = (0.0, 0.0),
) -> Camera:
    """A camera that sees ``target`` at the frame's middle plus ``shift_px``.

    ``tilt_deg`` is 0 straight down and 90 level; ``azimuth_deg`` the side it looks from.
    """
    tilt, side, roll = np.radians([tilt_deg, azimuth_deg, roll_deg])
    back = np.array([np.sin(tilt) * np.cos(side), np.sin(tilt) * np.sin(side), np.cos(tilt)])
    level = np.array([-np.sin(side), np.cos(side), 0.0])
    high = np.cross(back, level)
    right = level * np.cos(roll) + high * np.sin(roll)
    up = np.cross(back, right)
    origin = np.asarray(target, float) + back * distance_mm
    origin = origin + (-right * shift_px[0] + up * shift_px[1]) * distance_mm / focal_px
    return Camera(origin, -back, right, up, focal_px, size_px[0], size_px[1])


def fitting_distance(
    points: Floats,
    target: ArrayLike,
    angles_deg: tuple[float, float, float],
    focal_px: float,
    size_px: tuple[int, int],
    fill: float,
) -> tuple[float, tuple[float, float]]:
    """Distance at which ``points`` fill that share of the frame, and the shift that centres them."""
    distance, shift = 800.0, (0.0, 0.0)
    for _ in range(6):
        camera = aim_camera(target, *angles_deg, distance, focal_px, size_px)
        seen = camera.project(points)
        low, high = np.nanmin(seen, axis=0), np.nanmax(seen, axis=0)
        ratio = float(np.max((high - low) / (fill * np.array(size_px))))
        distance = float(np.clip(distance * ratio, 120.0, 2600.0))
        centre = (low + high) / 2
        shift = (size_px[0] / 2 - float(centre[0]), size_px[1] / 2 - float(centre[1]))
    return distance, shift
