"""Cross-sections of the pieces: from the middle of the inside over the lip to the middle of the foot.

Sizes are drawn from the ranges of the trade: flat rim 20–35 mm on a 9–10 in plate,
lip 3–4 mm thick (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from training.render.meshes import resample_polyline, smooth_polyline

Floats = NDArray[np.float64]
Points = list[tuple[float, float]]
ROW_SPACING_MM = 1.2


@dataclass(frozen=True)
class Profile:
    """Rows of a cross-section.

    Attributes
    ----------
    radius_mm, height_mm : (rows,) distance from the axis at the mean radius, and height over the table.
    lip_row : row of the outer lip.
    verge_mm : length along the section from the lip to the verge (inside) or to the band's lower end.
    """

    radius_mm: Floats
    height_mm: Floats
    lip_row: int
    verge_mm: float


def _plate_points(radius: float, rim: float, lift: float, kind: str) -> tuple[Points, Points]:
    verge = radius - rim
    if kind == "coupe":
        inside = [(0, 3.6), (0.55 * radius, 3.8), (0.78 * radius, 6.0), (0.92 * radius, 0.62 * lift)]
        under = [(0.9 * radius, 0.5 * lift - 3), (0.6 * radius, 1.5)]
    else:
        inside = [(0, 3.4), (verge - 22, 3.4), (verge - 7, 4.2), (verge - 1, 9.2), (verge + 4, 10.4)]
        under = [(verge + 2, 7.2), (verge - 5, 3.0)]
    foot = [(0.58 * radius, 0.0), (0.55 * radius, 0.0), (0.53 * radius, 1.6), (0, 1.6)]
    return inside, [*under, *foot]


def draw_plate_profile(radius_mm: float, rim_width_mm: float, lift_mm: float, kind: str) -> Profile:
    """A rimmed or coupe plate whose lip stands ``lift_mm`` over the table."""
    inside, under = _plate_points(radius_mm, rim_width_mm, lift_mm, kind)
    lip = [
        (radius_mm - 4.5, lift_mm - 1.0),
        (radius_mm - 1.4, lift_mm),
        (radius_mm - 0.1, lift_mm - 0.4),
        (radius_mm, lift_mm - 1.6),
        (radius_mm - 1.2, lift_mm - 2.9),
        (radius_mm - 4.5, lift_mm - 4.0),
    ]
    line = np.array([*inside, *lip, *under], float)
    return _finish_profile(line, rim_width_mm * 1.04)


# (radius share of the lip's, height share) down the outside, lip to foot
_BODIES: dict[str, list[tuple[float, float]]] = {
    "bowl": [(0.97, 0.88), (0.88, 0.62), (0.72, 0.36), (0.5, 0.12), (0.46, 0.09), (0.45, 0.0)],
    "cup": [(0.95, 0.86), (0.91, 0.66), (0.86, 0.45), (0.68, 0.2), (0.48, 0.1), (0.47, 0.0)],
    "sugar bowl": [(0.95, 0.9), (1.08, 0.68), (1.16, 0.48), (0.95, 0.22), (0.62, 0.08), (0.62, 0.0)],
    "egg cup": [
        (0.98, 0.92),
        (0.97, 0.76),
        (0.8, 0.54),
        (0.34, 0.38),
        (0.28, 0.24),
        (0.52, 0.09),
        (0.72, 0.04),
        (0.72, 0.0),
    ],
    "creamer": [(0.86, 0.88), (0.84, 0.7), (1.06, 0.45), (1.02, 0.22), (0.68, 0.07), (0.68, 0.0)],
}


def draw_hollow_profile(radius_mm: float, height_mm: float, kind: str, band_mm: float) -> Profile:
    """A bowl, cup, sugar bowl, creamer or egg cup; ``band_mm`` is how far the decorated band reaches down."""
    body = np.array(_BODIES[kind]) * (radius_mm, height_mm)
    wall = 3.0
    low, floor = (0.5, 0.46) if kind == "egg cup" else (0.05, 0.14)
    inner = [(max(r - wall, 0.0), h + 1.0) for r, h in body[-3::-1] if h > low * height_mm]
    inside = [(0.0, floor * height_mm), (0.4 * radius_mm, floor * height_mm), *inner]
    lip = [
        (radius_mm - 3.0, height_mm - 1.4),
        (radius_mm - 1.8, height_mm),
        (radius_mm - 0.2, height_mm - 0.3),
        (radius_mm - 0.1, height_mm - 1.8),
    ]
    foot_radius = float(body[-1, 0])
    foot = [(foot_radius - 3.0, 0.0), (foot_radius - 4.0, 2.0), (0.0, 2.0)]
    return _finish_profile(np.array([*inside, *lip, *body, *foot], float), band_mm)


def _finish_profile(line: Floats, verge_mm: float) -> Profile:
    """Smooth, resample, and find the outer lip: the farthest row out and up near the top."""
    rows = resample_polyline(smooth_polyline(line), ROW_SPACING_MM)
    top = int(rows[:, 1].argmax())
    near = slice(max(top - 4, 0), top + 5)
    lip_row = near.start + int((0.8 * rows[near, 0] + 0.6 * rows[near, 1]).argmax())
    return Profile(rows[:, 0], rows[:, 1], lip_row, verge_mm)
