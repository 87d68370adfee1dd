"""The exact lip: an ellipse where it is one, else a free closed curve through the edges."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from model.ellipse import ellipse_residuals_px, fit_ellipse, sample_ellipse, scale_ellipse
from model.facts import Ellipse
from model.piece_mask import to_photo
from model.rim_refinement import (
    LipEdges,
    outward_normals,
    refine_ellipse,
    resample_closed,
    search_lip,
    seen_along,
)

FloatArray = npt.NDArray[np.float64]

CURVE_POINTS = 360
_ORDERS = 26  # waves round the rim: scallops of up to 24 lobes
_FREE_REACH = 0.06  # of the radius: how far a lobe or corner may leave the ellipse
_FREE_RMS = 0.006  # of the radius: a smooth departure larger than this makes the lip no ellipse
_FREE_EXPLAINED = 0.55  # share of the edges' scatter that the smooth departure must explain
_SURE_RING = 0.9  # of the visible turn with an edge on the ellipse: no free curve is tried
_FREE_CONTRAST = 9.0  # Lab units: weaker edges do not bend the curve
_PART_REACHES = (0.06, 0.03)  # of the radius, where only a part of the curve shows edges
_PART_REACH = 12  # points, each a degree or so: smoothing along such a part
_LEAST_SEEN = 0.45  # of the free curve, or the ellipse is kept


@dataclass(frozen=True, eq=False)
class Lip:
    """A lip in photo px: ``curve`` (360, 2) closed, clockwise; ``ellipse`` or None; ``seen`` (360,) bool."""

    curve: FloatArray
    ellipse: Ellipse | None
    seen: npt.NDArray[np.bool_]


def refine_elliptic_lip(rgb: npt.NDArray[np.uint8], rough: Ellipse, scale: float) -> Lip:
    """Refine an ellipse given in px of the level ``rgb``, whose scale to the photo is ``scale``."""
    fine, edges = refine_ellipse(rgb, rough)
    size = (fine.semi_major * fine.semi_minor) ** 0.5
    on_ellipse = (np.abs(edges.offset_px) < max(1.2, 0.004 * size)) & (edges.strength > _FREE_CONTRAST)
    if on_ellipse.sum() > _SURE_RING * (edges.strength > 0).sum():
        return Lip(to_photo(edges.points, scale), scale_ellipse(fine, 1 / scale), _seen(edges, fine))
    free = _free_curve(rgb, sample_ellipse(fine, CURVE_POINTS), _FREE_REACH * size)
    if free is not None and _departs(free[0], size):
        return Lip(to_photo(free[0], scale), None, free[1])
    ellipse = scale_ellipse(fine, 1 / scale)
    return Lip(to_photo(edges.points, scale), ellipse, _seen(edges, fine))


def _seen(edges: LipEdges, fine: Ellipse) -> npt.NDArray[np.bool_]:
    return seen_along(edges, max(2.5, 0.012 * fine.semi_major))


def lip_of_ellipse(rgb: npt.NDArray[np.uint8], ellipse: Ellipse, scale: float) -> Lip:
    """An ellipse of the level ``rgb`` as it is, with where edges show it."""
    points = sample_ellipse(ellipse, CURVE_POINTS)
    edges = search_lip(rgb, points, max(2.5, 0.012 * ellipse.semi_major))
    return Lip(to_photo(points, scale), scale_ellipse(ellipse, 1 / scale), _seen(edges, ellipse))


def refine_free_lip(rgb: npt.NDArray[np.uint8], rough: FloatArray, scale: float) -> Lip:
    """Refine a closed polygon, clockwise, given in px of the level ``rgb``."""
    curve = resample_closed(rough, CURVE_POINTS)
    size = float(np.sqrt(abs(_area(curve)) / np.pi))
    for reach in (0.05, 0.025):
        free = _free_curve(rgb, curve, reach * size)
        if free is None:
            return refine_seen_part(rgb, curve, scale)
        curve = resample_closed(free[0], CURVE_POINTS)
    fitted = fit_ellipse(curve)
    if fitted is not None and not _departs(curve, size):
        return refine_elliptic_lip(rgb, fitted, scale)
    edges = search_lip(rgb, curve, max(4.0, 0.012 * size))
    return Lip(to_photo(curve, scale), None, seen_along(edges, max(2.5, 0.02 * size)))


def refine_seen_part(rgb: npt.NDArray[np.uint8], rough: FloatArray, scale: float) -> Lip:
    """Move a closed polygon, clockwise, px of the level ``rgb``, to edges where it has any."""
    curve = resample_closed(rough, CURVE_POINTS)
    size = float(np.sqrt(abs(_area(curve)) / np.pi))
    for reach in _PART_REACHES:
        edges = search_lip(rgb, curve, max(4.0, reach * size))
        usable = (edges.strength > _FREE_CONTRAST).astype(np.float64)
        offset = _smooth_seen(edges.offset_px, usable, max(1.0, 0.1 * reach * size))
        moved = edges.points + outward_normals(edges.points) * offset[:, None]
        curve = resample_closed(moved, CURVE_POINTS)
    return keep_lip(rgb, curve, scale)


def _smooth_seen(offset: FloatArray, usable: FloatArray, tolerance: float) -> FloatArray:
    """Offsets smoothed along the curve where edges are seen, fading to none where they are not."""
    kernel = np.exp(-0.5 * (np.arange(-_PART_REACH, _PART_REACH + 1) / (_PART_REACH / 2.5)) ** 2)
    weight = usable.copy()
    smooth = np.zeros_like(offset)
    for _ in range(4):
        total = _round_filter(weight, kernel)
        smooth = _round_filter(weight * offset, kernel) / (total + 0.15 * kernel.sum())
        weight = usable / (1 + ((offset - smooth) / (3 * tolerance)) ** 2) ** 2
    return smooth


def _round_filter(values: FloatArray, kernel: FloatArray) -> FloatArray:
    """Convolve along a closed curve."""
    reach = len(kernel) // 2
    return np.convolve(np.concatenate([values[-reach:], values, values[:reach]]), kernel, mode="valid")


def keep_lip(rgb: npt.NDArray[np.uint8], rough: FloatArray, scale: float) -> Lip:
    """A closed polygon of the level ``rgb`` as it is, with where edges show it."""
    curve = resample_closed(rough, CURVE_POINTS)
    size = float(np.sqrt(abs(_area(curve)) / np.pi))
    edges = search_lip(rgb, curve, max(4.0, 0.03 * size))
    return Lip(to_photo(curve, scale), None, seen_along(edges, max(2.5, 0.03 * size)))


def _area(curve: FloatArray) -> float:
    x, y = curve.T
    return float((x * np.roll(y, -1) - np.roll(x, -1) * y).sum() / 2)


def _free_curve(
    rgb: npt.NDArray[np.uint8], curve: FloatArray, reach_px: float
) -> tuple[FloatArray, npt.NDArray[np.bool_]] | None:
    """Move a closed curve to the edges along its normals, smoothly; with where it is seen."""
    edges = search_lip(rgb, curve, max(5.0, reach_px))
    usable = (edges.strength > _FREE_CONTRAST).astype(np.float64)
    if usable.mean() < _LEAST_SEEN:
        return None
    offset, weight = _smooth_offsets(edges.offset_px, usable, max(1.0, 0.08 * reach_px))
    seen = weight > 0.4
    if seen.mean() < _LEAST_SEEN:
        return None
    spread = edges.offset_px[seen] - np.median(edges.offset_px[seen])
    left = (edges.offset_px - offset)[seen]
    if (left**2).mean() > (1 - _FREE_EXPLAINED) * (spread**2).mean() and (spread**2).mean() > 1.0:
        return None
    return edges.points + outward_normals(edges.points) * offset[:, None], seen


def _smooth_offsets(
    offset: FloatArray, usable: FloatArray, tolerance: float
) -> tuple[FloatArray, FloatArray]:
    """Robust periodic fit by waves up to 26 a turn, higher ones damped; returns it with the final weights."""
    angle = np.linspace(0, 2 * np.pi, len(offset), endpoint=False)
    orders = np.arange(1, _ORDERS + 1)
    waves = np.concatenate(
        [np.ones((len(offset), 1)), np.cos(angle[:, None] * orders), np.sin(angle[:, None] * orders)], axis=1
    )
    damping = np.diag(np.concatenate([[1e-3], 2e-3 * orders**1.5, 2e-3 * orders**1.5]))
    weight = usable.copy()
    fitted = np.zeros_like(offset)
    for _ in range(6):
        # einsum, not a matrix product: threads of a busy machine would make this small one slow
        normal = np.einsum("nk,nl->kl", waves * weight[:, None], waves) + damping
        fitted = waves @ np.linalg.solve(normal, waves.T @ (weight * offset))
        weight = usable / (1 + ((offset - fitted) / (3 * tolerance)) ** 2) ** 2
    return fitted, weight


def _departs(free: FloatArray, size: float) -> bool:
    """Whether a free curve is no ellipse: its departure from its own best ellipse."""
    fitted = fit_ellipse(free)
    if fitted is None:
        return True
    off = ellipse_residuals_px(fitted, free)
    return bool(np.sqrt((off**2).mean()) > _FREE_RMS * size)
