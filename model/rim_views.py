"""The band beside a lip, ready to unroll: seen from above, and on the outside of a cup seen from the side."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from model.facts import Ellipse
from model.perspective import map_plane, unmap_plane
from model.rim_refinement import outward_normals, resample_closed

FloatArray = npt.NDArray[np.float64]

BAND_POINTS = 720
_OVAL_RATIOS = (0.6, 0.87)  # axis ratios of oval plates and platters, from memory
_ASKEW_DEG = 13.0  # from the diagonal
_SMALL = 0.01  # step, in rim radii, of the numeric slope


def lay_band(curve: FloatArray, plane: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Guiding line and inward vectors of a closed lip seen from above.

    Parameters
    ----------
    curve
        (N, 2) float64 closed lip, photo px, clockwise as seen.
    plane
        (3, 3) homography from the rim's plane, in rim radii, to the photo.

    Returns
    -------
    band, inward
        (720, 2) each: points even in arc length within the plane, clockwise, from the topmost in the
        photo; photo px of one rim radius towards the well, at right angles to the lip in the plane.
    """
    start = int(np.argmin(curve[:, 1]))
    flat = unmap_plane(plane, np.roll(curve, -start, axis=0))
    flat = resample_closed(flat, BAND_POINTS)
    normals = outward_normals(flat)
    band = map_plane(plane, flat)
    inner = map_plane(plane, flat - _SMALL * normals)
    return band, (inner - band) / _SMALL


def equivalent_plane(curve: FloatArray, tilted: bool) -> FloatArray:
    """Affine (3, 3) from rim radii to the photo for a lip that is no ellipse.

    ``tilted``: the second moments' ellipse counts as a foreshortened circle; otherwise no foreshortening.
    """
    centre, spread, _ = area_moments(curve)
    plane = np.eye(3)
    if tilted:
        values, vectors = np.linalg.eigh(spread)
        if np.linalg.det(vectors) < 0:
            vectors[:, 0] *= -1
        plane[:2, :2] = vectors @ np.diag(2 * np.sqrt(values)) @ vectors.T
    else:
        plane[:2, :2] *= 2 * float(np.linalg.det(spread)) ** 0.25
    plane[:2, 2] = centre
    return plane


def looks_oval(ellipse: Ellipse) -> bool:
    """Whether an ellipse is rather an oval lip than a slanted round one.

    Phones are held level or turned by a quarter, so a slanted circle's long axis lies level or upright; an
    oval plate's lies anyhow. An oval lying level is therefore taken for a slanted circle.
    """
    askew = abs(ellipse.angle_deg % 90 - 45)
    low, high = _OVAL_RATIOS
    return askew < _ASKEW_DEG and low < ellipse.semi_minor / ellipse.semi_major < high


def area_moments(curve: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    """Centroid, (2, 2) covariance and signed area (clockwise as seen: positive) within a closed polygon.

    References
    ----------
    Area moments of a polygon by Green's theorem (Steger, "On the calculation of arbitrary moments of
    polygons", 1996).
    """
    origin = curve.mean(axis=0)
    p = curve - origin
    q = np.roll(p, -1, axis=0)
    cross = p[:, 0] * q[:, 1] - q[:, 0] * p[:, 1]
    area = cross.sum() / 2
    middle = ((p + q) * cross[:, None]).sum(axis=0) / (6 * area)
    second = np.empty((2, 2))
    for i in range(2):
        for j in range(2):
            terms = 2 * p[:, i] * p[:, j] + p[:, i] * q[:, j] + q[:, i] * p[:, j] + 2 * q[:, i] * q[:, j]
            second[i, j] = (cross * terms).sum() / 24
    return origin + middle, second / area - np.outer(middle, middle), float(area)


def lay_side_band(lip: Ellipse, drop_px: float, taper: float) -> tuple[FloatArray, FloatArray]:
    """Guiding line along the near lip and vectors down the body of a piece seen from the side.

    Parameters
    ----------
    lip
        The lip in photo px.
    drop_px
        Photo px of one lip radius down the body.
    taper
        Half width of the body one radius down over that of the lip.

    Returns
    -------
    band, inward
        (360, 2) each, from left to right, so that the unrolled body is not mirrored; rim angles
        therefore fall from about 270 to 90 degrees.
    """
    half_turn = np.radians(lip.angle_deg if lip.angle_deg <= 90 else lip.angle_deg - 180)
    across = np.array([np.cos(half_turn), np.sin(half_turn)])
    down = np.array([-np.sin(half_turn), np.cos(half_turn)])
    angle = np.radians(np.linspace(172, 8, 360))  # the last degrees at either side show nothing
    x, y = lip.semi_major * np.cos(angle), lip.semi_minor * np.sin(angle)
    band = np.array([lip.cx, lip.cy]) + x[:, None] * across + y[:, None] * down
    inward = (x * (taper - 1))[:, None] * across + drop_px * down
    return band, inward


_SIDE_DROP = 0.45  # body seen below the near lip, in semi-major axes, from which the outside is what shows
_SIDE_RATIO = 0.72  # axis ratio over which a piece is looked into rather than at


def body_drop_px(lip: Ellipse, outline: FloatArray | None) -> tuple[float, float] | None:
    """For a piece seen from the side, px of one lip radius down its body and its taper; None seen from above.

    With the axis ratio r of the lip, sin of the tilt is sqrt(1 - r**2): so long is a radius along the
    axis of the body.
    """
    ratio = lip.semi_minor / lip.semi_major
    if outline is None or ratio > _SIDE_RATIO:
        return None
    turn = np.radians(lip.angle_deg if lip.angle_deg <= 90 else lip.angle_deg - 180)
    axes = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    dense = (resample_closed(outline, BAND_POINTS) - [lip.cx, lip.cy]) @ axes  # a straight cut has no corners
    body = np.abs(dense[:, 0]) < 0.5 * lip.semi_major
    if not body.any() or dense[body, 1].max() - lip.semi_minor < _SIDE_DROP * lip.semi_major:
        return None
    across, down = ((outline - [lip.cx, lip.cy]) @ axes).T
    drop = lip.semi_major * float(np.sqrt(1 - ratio**2))
    level = np.abs(down - 0.6 * drop) < 0.15 * drop
    right = across[level & (across > 0)]
    left = -across[level & (across < 0)]
    widths = [float(np.median(side)) for side in (left, right) if len(side)]
    width = min(widths) if widths else lip.semi_major
    taper = 1 - (1 - min(1.0, width / lip.semi_major)) / 0.6
    return drop, float(np.clip(taper, 0.3, 1.0))


def crop_band(inside: npt.NDArray[np.bool_]) -> npt.NDArray[np.intp] | None:
    """Indices, in order, of the longest stretch of a closed band inside the photo; None without one."""
    if inside.all() or not inside.any():
        return None
    start = int(np.argmin(inside))
    rolled = np.roll(inside, -start)
    runs = np.flatnonzero(np.diff(np.concatenate([[0], rolled.astype(np.int8), [0]]))).reshape(-1, 2)
    first, last = runs[int(np.argmax(runs[:, 1] - runs[:, 0]))]
    if last - first < 16:
        return None
    return (np.arange(first, last) + start) % len(inside)


def start_at_top(plane: FloatArray, curve: FloatArray) -> FloatArray:
    """Turn the plane's coordinates so that the curve's topmost point has angle 0."""
    top = unmap_plane(plane, curve[int(np.argmin(curve[:, 1]))][None])[0]
    size = float(np.hypot(*top))
    turn = np.array([[top[0], -top[1], 0], [top[1], top[0], 0], [0, 0, size]]) / size
    return np.asarray(plane @ turn)
