"""The diameter of a round lip of which only an arc is in the photo, from a sheet of paper beside it.

An arc of chord c and height s belongs to a circle of diameter c**2 / (4 s) + s. A short arc has a small
height, and half a millimetre in it changes the diameter by many: the interval says so.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from model.facts import Size
from model.paper import SPREAD_OF_FOCAL, best_view, draw_lip_heights_mm, flatten_on_table
from model.perspective import diameter_from_arc, focal_length_px
from model.photo import Photo

FloatArray = npt.NDArray[np.float64]

_LEAST_POINTS = 16
_CORNER_PX = 1.5  # one sigma of a sheet's corner, in px of a photo 1000 px long
_HEIGHT_PX = 0.8  # one sigma of the arc's height, likewise: the lip's edge is rounded and seldom sharp
_OUT_OF_ROUND = 0.009  # one sigma, of the chord: no plate is quite round, no lip quite level
_WIDTH_SHARE = 0.015  # one sigma of the diameter, whatever the arc: the lip's place, own measure on renders
_DRAWS = 200
_SMALLEST_MM, _LARGEST_MM = 50.0, 500.0
_WIDEST_BAR = 4.0  # highest over lowest diameter, over which nothing is claimed
_STRAIGHT_MM = 1e6  # stands for an arc that is bent the other way
_LEAST_FACING = 0.42  # as for a whole lip: cosine of 65 degrees


def measure_arc(
    photo: Photo, corners: FloatArray, arc: FloatArray, view_kind: str, slope_deg: float = 0.0
) -> Size | None:
    """Diameter with its 95 % interval from an arc of the lip and a sheet's corners.

    Parameters
    ----------
    photo
        For its size and focal length.
    corners
        (4, 2) float64 corners of the sheet, clockwise, photo px.
    arc
        (N, 2) float64 points of the lip in order, photo px, one stretch of it.
    view_kind, slope_deg
        How the rim is seen and falls, which tells how high its lip stands.

    Returns
    -------
    Size or None
        None where the arc is too flat to tell a circle at all.
    """
    if len(arc) < _LEAST_POINTS:
        return None
    rng = np.random.default_rng(0)
    centre = ((photo.width - 1) / 2, (photo.height - 1) / 2)
    focal = focal_length_px(photo.width, photo.height, photo.focal_length_35mm)
    px = max(photo.width, photo.height) / 1000
    heights = draw_lip_heights_mm(view_kind, slope_deg, _DRAWS, rng)
    found, facing = [], []
    for lip_height in heights:
        moved = corners + rng.normal(0, _CORNER_PX * px, corners.shape)
        drawn = focal * float(np.exp(rng.normal(0, SPREAD_OF_FOCAL[photo.focal_length_35mm is None])))
        view = best_view(moved, drawn, centre)
        facing.append(float(-view.normal @ view.origin / np.linalg.norm(view.origin)))
        flat = flatten_on_table(view, arc, float(lip_height), drawn, centre)
        chord, height = chord_and_height(flat)
        mm_per_px = float(np.linalg.norm(np.diff(flat, axis=0), axis=1).sum()) / max(_length(arc), 1e-9)
        doubt = np.hypot(_HEIGHT_PX * px * mm_per_px, _OUT_OF_ROUND * chord)
        height += rng.normal(0, doubt)
        width = diameter_from_arc(chord, height) if height > 0 else _STRAIGHT_MM
        found.append(width * (1 + rng.normal(0, _WIDTH_SHARE)))
    low, middle, high = np.quantile(found, [0.025, 0.5, 0.975])
    if np.median(facing) < _LEAST_FACING or not _SMALLEST_MM < middle < _LARGEST_MM:
        return None
    return None if high > _WIDEST_BAR * low else Size(float(middle), float(low), float(high), "arc")


def chord_and_height(arc: FloatArray) -> tuple[float, float]:
    """Chord and height of an arc (N, 2), from the circle that fits all its points.

    References
    ----------
    I. Kåsa, "A circle fitting procedure and its error analysis", IEEE Trans. Instrum. Meas. 25, 1976: least
    squares in x**2 + y**2. Its pull toward small circles is small beside the interval for arcs of a sixth of
    the turn and more.
    """
    chord = float(np.linalg.norm(arc[-1] - arc[0]))
    middle = arc.mean(axis=0)
    x, y = (arc - middle).T
    columns = np.stack([x, y, np.ones_like(x)], axis=1)
    told = np.linalg.lstsq(columns, x * x + y * y, rcond=None)[0]
    radius = float(np.sqrt(max(told[2] + (told[0] ** 2 + told[1] ** 2) / 4, 1e-12)))
    turn = min(_length(arc) / radius, 2 * np.pi)
    return (2 * radius * np.sin(turn / 2), radius * (1 - np.cos(turn / 2))) if turn > 0 else (chord, 0.0)


def _length(points: FloatArray) -> float:
    return float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())
