"""A band without a whole lip: close-ups of a rim, and a line the user drew along the border."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from model.piece_mask import PieceMask, to_photo
from model.rim_choice import contour_of_area

FloatArray = npt.NDArray[np.float64]

_LEAST_LENGTH = 0.3  # of the photo's shorter side: a band shorter than this holds no border to read
_WHOLE_CONTOUR = 0.85  # of the contour off the frame: such an area is a whole piece, not a close-up
_BAND_POINTS = 400
_BORDER_DEPTH, _MOST_DEPTH = (
    0.12,
    0.15,
)  # of the radius, of the shorter side: a drawn line from the lip, about
_STRAIGHT_RADIUS = 1.6  # of the photo's longer side: assumed where an arc is too flat to tell


@dataclass(frozen=True, eq=False)
class OpenBand:
    """An open guiding line (M, 2), clockwise as seen, with (M, 2) unit vectors toward the piece.

    ``radius_px`` is the lip's radius as far as the arc tells it; ``told`` whether it does.
    """

    line: FloatArray
    inward: FloatArray
    radius_px: float
    told: bool


def band_from_mask(mask: PieceMask, width: int, height: int) -> OpenBand | None:
    """The longest stretch of the lip area's border in the photo; None for whole areas, short stretches."""
    found = contour_of_area(mask)
    if found is None:
        return None
    contour, apart = found
    if apart.mean() > _WHOLE_CONTOUR:
        return None
    stretch = longest_run(contour, apart)
    if stretch is None:
        return None
    return _guide(to_photo(stretch, mask.scale), mask, width, height)


def band_from_trace(trace: FloatArray, mask: PieceMask | None, width: int, height: int) -> OpenBand | None:
    """A band along the line the user drew; the piece lies on the side the mask says, else the bent side."""
    band = _guide(trace, mask, width, height)
    return None if band is None else _move_outward(band, _border_depth_px(band, width, height))


def _border_depth_px(band: OpenBand, width: int, height: int) -> float:
    """How far inside the lip the middle of a border lies, about: the line was drawn there."""
    return min(_BORDER_DEPTH * band.radius_px, _MOST_DEPTH * min(width, height))


def _move_outward(band: OpenBand, shift_px: float) -> OpenBand:
    """The band with its guiding line moved away from the well; a told radius grows by as much."""
    radius = band.radius_px + shift_px if band.told else band.radius_px
    return OpenBand(band.line - shift_px * band.inward, band.inward, radius, band.told)


def longest_run(points: FloatArray, wanted: npt.NDArray[np.bool_]) -> FloatArray | None:
    """The longest stretch of wanted points on a closed contour, in order."""
    if wanted.all():
        return points
    if not wanted.any():
        return None
    start = int(np.argmin(wanted))
    rolled, points = np.roll(wanted, -start), np.roll(points, -start, axis=0)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], rolled.astype(np.int8), [0]])))
    runs = edges.reshape(-1, 2)
    first, last = runs[np.argmax(runs[:, 1] - runs[:, 0])]
    return points[first:last]


def _guide(points: FloatArray, mask: PieceMask | None, width: int, height: int) -> OpenBand | None:
    """Smooth a rough line by a low polynomial in arc length and orient it."""
    steps = np.linalg.norm(np.diff(points, axis=0), axis=1)
    keep = np.concatenate([[True], steps > 1e-6])
    points = points[keep]
    if len(points) < 2:
        return None
    length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    if length[-1] < _LEAST_LENGTH * min(width, height):
        return None
    even = np.linspace(0, length[-1], _BAND_POINTS)
    line = np.stack([np.interp(even, length, points[:, k]) for k in (0, 1)], axis=1)
    share = np.linspace(-1, 1, _BAND_POINTS)
    order = 4 if len(points) >= 8 else min(2, len(points) - 1)
    basis = np.polynomial.legendre.legvander(share, order)
    line = basis @ np.linalg.lstsq(basis, line, rcond=None)[0]
    along = np.gradient(line, axis=0)
    normal = np.stack([-along[:, 1], along[:, 0]], axis=1)
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-9)
    radius, bent = _bend(line)
    if _piece_side(line, normal, mask, bent, (width, height)) < 0:
        line, normal = line[::-1], -normal[::-1]
    longest = _STRAIGHT_RADIUS * max(width, height)
    told = 0 < radius < longest
    return OpenBand(line, normal, radius if told else longest, told)


def _bend(line: FloatArray) -> tuple[float, float]:
    """Radius of the circle through ends and middle, and the side it bends to (+1: along the normals)."""
    first, middle, last = line[0], line[len(line) // 2], line[-1]
    chord = last - first
    length = float(np.linalg.norm(chord))
    if length < 1e-6:
        return 0.0, 0.0
    out = middle - (first + last) / 2
    height = float(chord[0] * out[1] - chord[1] * out[0]) / length
    if abs(height) < 0.01 * length:
        return np.inf, 0.0
    return length * length / (8 * abs(height)) + abs(height) / 2, -np.sign(height)


def _piece_side(
    line: FloatArray, normal: FloatArray, mask: PieceMask | None, bent: float, size: tuple[int, int]
) -> float:
    """+1 where the piece lies along the normals, -1 on the other side."""
    reach = 0.06 * min(size)
    if mask is not None and _mean(mask.silhouette, mask, line) > 0.5 > 2 * _mean_area(mask, line):
        # On a body below its lip: the strip runs away from the lip.
        rows, columns = np.nonzero(mask.lip_area > 0.5)
        if len(rows):
            lip = (np.array([columns.mean(), rows.mean()]) + 0.5) / mask.scale - 0.5
            return -1.0 if float(((lip - line) * normal).sum(axis=1).mean()) > 0 else 1.0
    if mask is not None:
        sides = [_mean_area(mask, line + sign * reach * normal) for sign in (1, -1)]
        if abs(sides[0] - sides[1]) > 0.15:
            return 1.0 if sides[0] > sides[1] else -1.0
    return bent if bent else 1.0


def _mean_area(mask: PieceMask, points: FloatArray) -> float:
    return _mean(mask.lip_area, mask, points)


def _mean(marks: npt.NDArray[np.float32], mask: PieceMask, points: FloatArray) -> float:
    """Mean of one of the mask's pictures at photo points (n, 2)."""
    rows, columns = marks.shape
    at = np.round((points + 0.5) * mask.scale - 0.5).astype(int)
    return float(marks[np.clip(at[:, 1], 0, rows - 1), np.clip(at[:, 0], 0, columns - 1)].mean())
