"""Drawing in ink: polygons, strokes and dots on a small canvas, and changes of style of what was drawn."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import cv2
import numpy as np
import numpy.typing as npt

Ink = npt.NDArray[np.float32]
Points = npt.NDArray[np.float64]

TILE_HEIGHT = 96
OVERSAMPLING = 2
_SHIFT = 4


class Canvas:
    """An empty (height, width) canvas drawn at twice its size; coordinates are canvas pixels, x then y."""

    def __init__(self, width: int, height: int = TILE_HEIGHT) -> None:
        self.width, self.height = width, height
        self._paint = np.zeros((height * OVERSAMPLING, width * OVERSAMPLING), np.uint8)

    def fill(self, *polygons: Points, ink: float = 1.0) -> None:
        """Fill polygons (n, 2); even-odd where they overlap."""
        fixed = [self._fixed(polygon) for polygon in polygons]
        cv2.fillPoly(self._paint, fixed, round(255 * ink), cv2.LINE_AA, _SHIFT)

    def stroke(self, points: Points, thickness_px: float, closed: bool = False, ink: float = 1.0) -> None:
        """Draw a polyline (n, 2)."""
        thickness = max(1, round(thickness_px * OVERSAMPLING))
        cv2.polylines(
            self._paint, [self._fixed(points)], closed, round(255 * ink), thickness, cv2.LINE_AA, _SHIFT
        )

    def dot(self, x: float, y: float, radius_px: float, ink: float = 1.0) -> None:
        """Fill a disc."""
        angles = np.linspace(0, 2 * np.pi, 20, endpoint=False)
        self.fill(np.stack([x + radius_px * np.cos(angles), y + radius_px * np.sin(angles)], axis=1), ink=ink)

    def dot_at(self, point: Points, radius_px: float, ink: float = 1.0) -> None:
        """Fill a disc about a point (2,)."""
        self.dot(float(point[0]), float(point[1]), radius_px, ink)

    def ink(self) -> Ink:
        """What was drawn, (height, width) float32 0..1."""
        small = cv2.resize(self._paint, (self.width, self.height), interpolation=cv2.INTER_AREA)
        return np.asarray(small.astype(np.float32) / np.float32(255))

    @staticmethod
    def _fixed(points: Points) -> npt.NDArray[np.int32]:
        return np.round(np.asarray(points) * OVERSAMPLING * (1 << _SHIFT)).astype(np.int32)


def turn_points(points: Points, angle_rad: float) -> Points:
    """Rotate points (n, 2) about the origin."""
    c, s = np.cos(angle_rad), np.sin(angle_rad)
    return np.asarray(points @ np.array([[c, s], [-s, c]]))


def move_points(points: Points, x: float, y: float) -> Points:
    """Shift points (n, 2)."""
    return np.asarray(points + np.array([x, y]))


def spread_round(points: Points, count: int, start_rad: float = 0.0) -> list[Points]:
    """``count`` copies of a petal (n, 2), turned evenly round the origin."""
    return [turn_points(points, start_rad + 2 * np.pi * k / count) for k in range(count)]


def crop_to_ink(ink: Ink, floor: float = 0.2) -> Ink:
    """Cut away empty rows and columns; at least one pixel is left."""
    rows, columns = np.flatnonzero((ink > floor).any(1)), np.flatnonzero((ink > floor).any(0))
    if len(rows) == 0:
        return ink[:1, :1]
    return ink[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]


def crop_rows(ink: Ink, floor: float = 0.2) -> Ink:
    """Cut away empty rows; at least one is left."""
    rows = np.flatnonzero((ink > floor).any(1))
    return ink[rows[0] : rows[-1] + 1] if len(rows) else ink[:1]


def scale_to_height(ink: Ink, height_px: int, widest_px: int | None = None) -> Ink:
    """Resize, aspect kept, to a height, or less where it would be wider than ``widest_px``."""
    scale = height_px / ink.shape[0]
    if widest_px is not None:
        scale = min(scale, widest_px / ink.shape[1])
    size = (max(1, round(ink.shape[1] * scale)), max(1, round(ink.shape[0] * scale)))
    return np.asarray(
        cv2.resize(ink, size, interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR), np.float32
    )


def turn_ink(ink: Ink, angle_deg: float) -> Ink:
    """Rotate ink about its middle on a canvas that holds it whole, and crop."""
    height, width = ink.shape
    side = int(np.hypot(height, width)) + 3
    matrix = cv2.getRotationMatrix2D(((width - 1) / 2, (height - 1) / 2), angle_deg, 1.0)
    matrix[:, 2] += (side - width) / 2, (side - height) / 2
    return crop_to_ink(
        np.asarray(cv2.warpAffine(ink, matrix, (side, side), flags=cv2.INTER_LINEAR), np.float32)
    )


def open_ink(ink: Ink, line_px: int) -> Ink:
    """The outline of a filled drawing: what erosion takes away."""
    padded = cv2.copyMakeBorder(ink, 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=0)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * line_px + 1, 2 * line_px + 1))
    inner = cv2.erode(padded, kernel, borderType=cv2.BORDER_CONSTANT, borderValue=0)
    return np.asarray(np.clip(padded - inner, 0, 1)[1:-1, 1:-1], np.float32)


def hatch_ink(ink: Ink, line_px: int, step_px: int) -> Ink:
    """The outline, and level lines within, as engraved stamps shade their leaves."""
    rows = (np.arange(ink.shape[0]) % step_px < max(1, step_px // 2))[:, None]
    return np.asarray(np.maximum(open_ink(ink, line_px), ink * rows), np.float32)


def thicken_ink(ink: Ink, by_px: int) -> Ink:
    """Dilate (positive) or erode (negative) by whole pixels."""
    if by_px == 0:
        return ink
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * abs(by_px) + 1, 2 * abs(by_px) + 1))
    return np.asarray(cv2.dilate(ink, kernel) if by_px > 0 else cv2.erode(ink, kernel), np.float32)


def unite(inks: Iterable[Ink]) -> Ink:
    """Lay drawings of one size over each other."""
    first, *rest = inks
    out = first.copy()
    for ink in rest:
        np.maximum(out, ink, out=out)
    return out


def smooth_curve(corners: Sequence[tuple[float, float]], steps: int = 12) -> Points:
    """Closed Catmull-Rom curve through corners, (n * steps, 2).

    References
    ----------
    E. Catmull, R. Rom, "A class of local interpolating splines", 1974 (tension 1/2).
    """
    p1 = np.asarray(corners, dtype=np.float64)
    p0, p2, p3 = np.roll(p1, 1, 0), np.roll(p1, -1, 0), np.roll(p1, -2, 0)
    t = np.linspace(0, 1, steps, endpoint=False)[None, :, None]
    a, b, c, d = (p[:, None, :] for p in (p0, p1, p2, p3))
    curve = 0.5 * (2 * b + (c - a) * t + (2 * a - 5 * b + 4 * c - d) * t**2 + (3 * b - a - 3 * c + d) * t**3)
    return np.asarray(curve.reshape(-1, 2))
