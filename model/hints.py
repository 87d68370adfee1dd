"""What a user may point at in the photo: a neutral spot, a line along the border."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from model.errors import HintError

MAX_TRACE_POINTS = 2000  # a finger drawn for half a minute at 60 samples a second
DIAMETERS_MM = (20.0, 1000.0)  # from an egg cup to a charger; other numbers are slips of unit or finger


def parse_neutral(text: str) -> tuple[float, float]:
    """Parse ``x,y``.

    Raises
    ------
    HintError
        The text is not two finite numbers.
    """
    points = parse_trace(text, least=1)
    if len(points) != 1:
        raise HintError(f"neutral: expected one point 'x,y', got {len(points)} points")
    return float(points[0, 0]), float(points[0, 1])


def parse_trace(text: str, least: int = 2) -> npt.NDArray[np.float64]:
    """Parse ``x1,y1;x2,y2;...`` into an (N, 2) float64 array.

    Raises
    ------
    HintError
        The text has another form, too few or too many points, or numbers that are not finite.
    """
    parts = [part for part in text.strip().split(";") if part.strip()]
    if not least <= len(parts) <= MAX_TRACE_POINTS:
        raise HintError(f"expected {least} to {MAX_TRACE_POINTS} points 'x,y;x,y;...', got {len(parts)}")
    try:
        points = np.array([[float(value) for value in part.split(",")] for part in parts], dtype=np.float64)
    except ValueError as error:
        raise HintError(f"expected numbers as 'x,y;x,y;...', got {text[:60]!r}") from error
    if points.ndim != 2 or points.shape[1] != 2 or not np.isfinite(points).all():
        raise HintError(f"expected two finite numbers a point, got {text[:60]!r}")
    return points


def check_neutral(neutral: tuple[float, float] | None, width: int, height: int) -> None:
    """Raise HintError where the point lies outside the photo."""
    if neutral is None:
        return
    x, y = neutral
    if not (0 <= x < width and 0 <= y < height):
        raise HintError(f"neutral: ({x:g}, {y:g}) lies outside the photo of {width} x {height} pixels")


def check_trace(trace: npt.NDArray[np.float64] | None, width: int, height: int) -> None:
    """Raise HintError where the line lies wholly outside the photo or is a mere dot."""
    if trace is None:
        return
    inside = (trace >= 0).all(axis=1) & (trace < [width, height]).all(axis=1)
    if inside.sum() < 2:
        raise HintError("trace: at least two of the points must lie inside the photo")
    length_px = float(np.linalg.norm(np.diff(trace, axis=0), axis=1).sum())
    if length_px < 20:
        raise HintError(f"trace: draw at least 20 pixels along the border, got {length_px:.0f}")


def check_diameter(diameter_mm: float | None) -> None:
    """Raise HintError where a told diameter is no size of tableware."""
    if diameter_mm is None:
        return
    least, most = DIAMETERS_MM
    if not least <= diameter_mm <= most:
        raise HintError(f"diameter: expected {least:g} to {most:g} millimetres, got {diameter_mm:g}")
