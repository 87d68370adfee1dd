"""From a rough lip to the exact one: edges searched along the normals, then a robust curve through them."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from model.ellipse import fit_ellipse_robustly, sample_ellipse
from model.facts import Ellipse

FloatArray = npt.NDArray[np.float64]

_SAMPLES = 360
_INWARD_REACH, _OUTWARD_REACH = 0.5, 1.0  # one sigma, of the reach, of how far the start may be off
_OUTERMOST_SHARE = 0.45  # of the strongest edge on the normal: an edge line lies just inside the lip
_OUTER_REACH = 0.045  # of the radius: an edge line and the lip's own thickness lie within it
_OUTER_STRENGTH = 0.3  # of the inner ring's contrast that the outer one must have
_OUTER_ROUND = 0.7  # of the visible turn over which the outer ring must go
_RING_SHARE = 0.93  # of the strongest ring's share of edges that the outer ring must reach
_WHOLE_RING = 0.6  # of the visible turn: fewer edges do not make a ring worth moving outward for
_SEEN_CONTRAST = 9.0  # Lab units over the profile's step: weaker is no visible lip


@dataclass(frozen=True, eq=False)
class LipEdges:
    """Edges found along normals of a closed curve.

    ``points`` (N, 2) start curve; ``normals`` (N, 2) outward units; ``offset_px`` (N,) where the lip's
    edge lies, outward; ``strength`` (N,) Lab contrast, 0 outside the photo.
    """

    points: FloatArray
    normals: FloatArray
    offset_px: FloatArray
    strength: FloatArray

    @property
    def found(self) -> FloatArray:
        """(N, 2) the edge points."""
        return np.asarray(self.points + self.normals * self.offset_px[:, None])


def resample_closed(curve: FloatArray, count: int) -> FloatArray:
    """(count, 2) points evenly spaced by arc length on a closed polygon, from its first point on."""
    closed = np.vstack([curve, curve[:1]])
    length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    at = np.linspace(0, length[-1], count, endpoint=False)
    return np.stack([np.interp(at, length, closed[:, k]) for k in (0, 1)], axis=1)


def outward_normals(curve: FloatArray, closed: bool = True) -> FloatArray:
    """(N, 2) unit normals, to the left of a line that runs clockwise as seen."""
    along = np.roll(curve, -1, axis=0) - np.roll(curve, 1, axis=0)
    if not closed:
        along[0], along[-1] = curve[1] - curve[0], curve[-1] - curve[-2]
    normals = np.stack([along[:, 1], -along[:, 0]], axis=1)
    return np.asarray(normals / np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-9))


def search_lip(
    rgb: npt.NDArray[np.uint8], curve: FloatArray, reach_px: float, outermost: bool = True
) -> LipEdges:
    """Search each normal of a closed curve, within ``reach_px``, for the lip's edge.

    The strongest edges near the curve are preferred, and of comparable ones the ``outermost``.
    """
    points = resample_closed(curve, _SAMPLES)
    normals = outward_normals(points)
    half = max(6, int(np.ceil(reach_px)))
    offsets = np.linspace(-reach_px, reach_px, 2 * half + 1)
    step = offsets[1] - offsets[0]
    where = points[:, None] + normals[:, None] * offsets[None, :, None]
    profile = lab_along(rgb, where)
    smooth = cv2.GaussianBlur(profile, (0, 0), sigmaX=max(0.8, 1.0 / step), sigmaY=0.8)
    slope = smooth[:, 2:] - smooth[:, :-2]
    strength = np.sqrt((slope * slope).sum(axis=2))
    height, width = rgb.shape[:2]
    inside = np.all((where >= 0) & (where <= [width - 1, height - 1]), axis=2)[:, 1:-1]
    strength = np.where(inside, strength, 0.0)
    width = np.where(offsets[1:-1] > 0, _OUTWARD_REACH, _INWARD_REACH) * reach_px
    prior = np.exp(-0.5 * (offsets[1:-1] / width) ** 2)
    weighted = strength * prior
    best = _outermost_peak(weighted) if outermost else weighted.argmax(axis=1)
    rows = np.arange(len(points))
    shift = parabola_shift(strength, best)
    offset = offsets[1:-1][best] + shift * step
    return LipEdges(points, normals, offset, strength[rows, best])


def lab_along(rgb: npt.NDArray[np.uint8], where: FloatArray) -> npt.NDArray[np.float32]:
    """Lab, float32, bilinear, at (N, M, 2) places; outside the photo its border is repeated."""
    maps = where.astype(np.float32)
    sampled = cv2.remap(
        rgb, maps[..., 0].copy(), maps[..., 1].copy(), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    lab = cv2.cvtColor(sampled, cv2.COLOR_RGB2LAB).astype(np.float32)
    lab[..., 0] *= 100 / 255
    return np.asarray(lab)


def _outermost_peak(weighted: FloatArray) -> npt.NDArray[np.intp]:
    """Index of the outermost local maximum that reaches a good share of the row's strongest."""
    left = np.pad(weighted[:, :-1], ((0, 0), (1, 0)))
    right = np.pad(weighted[:, 1:], ((0, 0), (0, 1)))
    peak = (weighted >= left) & (weighted > right)
    enough = weighted >= _OUTERMOST_SHARE * weighted.max(axis=1, keepdims=True)
    usable = peak & enough
    usable[:, 0] |= ~usable.any(axis=1)
    count = weighted.shape[1]
    return np.asarray(count - 1 - np.argmax(usable[:, ::-1], axis=1))


def parabola_shift(strength: FloatArray, best: npt.NDArray[np.intp]) -> FloatArray:
    """Sub-step place of a maximum through three neighbours, within half a step."""
    rows = np.arange(len(best))
    middle = np.clip(best, 1, strength.shape[1] - 2)
    a, b, c = (strength[rows, middle + k] for k in (-1, 0, 1))
    bend = a - 2 * b + c
    shift = np.where(bend < -1e-9, 0.5 * (a - c) / np.where(bend < -1e-9, bend, 1.0), 0.0)
    return np.asarray(np.clip(shift, -0.5, 0.5))


def refine_ellipse(rgb: npt.NDArray[np.uint8], start: Ellipse) -> tuple[Ellipse, LipEdges]:
    """Refine an ellipse on a picture; returns it with the edges along it.

    Twice: to the strongest edges, and to the outermost strong ones. The outer ellipse is the lip if edges
    go round it nearly as well; a shadow or a foot to one side does not.
    """
    strongest = _converge(rgb, start, outermost=False)
    share = _ring_share(rgb, strongest)
    enough = max(_RING_SHARE * share, _WHOLE_RING)
    current = _settle(rgb, strongest, outermost=False) if share >= _WHOLE_RING else strongest
    for begin in (_converge(rgb, start, outermost=True), strongest):
        outer = _settle(rgb, step_outward(rgb, begin))
        if outer.semi_minor > current.semi_minor and _ring_share(rgb, outer) >= enough:
            current = outer
    edges = search_lip(rgb, sample_ellipse(current, _SAMPLES), max(4.0, 0.012 * current.semi_major))
    return current, edges


def _converge(rgb: npt.NDArray[np.uint8], start: Ellipse, outermost: bool) -> Ellipse:
    """Search and fit in rounds, wide then narrow."""
    current = start
    for reach in (0.03, 0.03, 0.012) if outermost else (0.03, 0.012):
        reach_px = max(4.0, reach * current.semi_major)
        edges = search_lip(rgb, sample_ellipse(current, _SAMPLES), reach_px, outermost)
        usable = edges.strength > _SEEN_CONTRAST
        if usable.sum() < _SAMPLES // 8:
            return current
        tolerance = max(1.0, 0.3 * reach * current.semi_major)
        fitted = fit_ellipse_robustly(edges.found[usable], current, tolerance, outer=outermost)
        if fitted is None or not _is_close(fitted, start):
            return current
        current = fitted
    return current


def _settle(rgb: npt.NDArray[np.uint8], current: Ellipse, outermost: bool = True) -> Ellipse:
    """A last fit to the edges within a few px."""
    reach = max(2.5, 0.006 * current.semi_major)
    edges = search_lip(rgb, sample_ellipse(current, _SAMPLES), reach, outermost)
    usable = edges.strength > _SEEN_CONTRAST
    if usable.sum() < _SAMPLES // 8:
        return current
    fitted = fit_ellipse_robustly(edges.found[usable], current, 0.6)
    return fitted if fitted is not None and _is_close(fitted, current) else current


def _ring_share(rgb: npt.NDArray[np.uint8], ellipse: Ellipse) -> float:
    """Share of the visible turn with an edge on the ellipse."""
    edges = search_lip(rgb, sample_ellipse(ellipse, _SAMPLES), 3.0, outermost=False)
    close = np.abs(edges.offset_px) < max(1.2, 0.004 * ellipse.semi_major)
    return float((close & (edges.strength > _SEEN_CONTRAST)).sum() / max((edges.strength > 0).sum(), 1))


def step_outward(rgb: npt.NDArray[np.uint8], inner: Ellipse) -> Ellipse:
    """Move from an edge line or the lip's inner edge to a ring of edges close around it, if there is one.

    The lip's outer edge is an enlarged copy of its edge line; a shadow or the body below lies to one side.
    """
    reach = max(4.0, _OUTER_REACH * inner.semi_major)
    middle = 0.5 * reach + 1.5
    wider = _grow_by(inner, 1 + middle / inner.semi_major)
    edges = search_lip(rgb, sample_ellipse(wider, _SAMPLES), 0.5 * reach)
    own = search_lip(rgb, sample_ellipse(inner, _SAMPLES), 2.0).strength
    usable = edges.strength > np.maximum(_SEEN_CONTRAST, _OUTER_STRENGTH * own)
    inside = edges.strength > 0
    if usable.sum() < max(_SAMPLES // 4, _OUTER_ROUND * inside.sum()):
        return inner
    away = edges.found - [inner.cx, inner.cy]
    share = np.hypot(*(_to_unit(inner) @ away.T))
    usual = float(np.median(share[usable]))
    even = np.abs(share - usual) * inner.semi_minor < max(1.0, 0.004 * inner.semi_major)
    return _grow_by(inner, usual) if (even & usable).sum() > _OUTER_ROUND * inside.sum() else inner


def _grow_by(e: Ellipse, share: float) -> Ellipse:
    return Ellipse(e.cx, e.cy, e.semi_major * share, e.semi_minor * share, e.angle_deg)


def _to_unit(e: Ellipse) -> FloatArray:
    """(2, 2) that takes offsets from the centre to the unit circle."""
    turn = np.radians(e.angle_deg)
    rotation = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    return np.asarray(np.diag([1 / e.semi_major, 1 / e.semi_minor]) @ rotation)


def _is_close(a: Ellipse, b: Ellipse) -> bool:
    size = max(a.semi_major, b.semi_major)
    return (
        abs(a.semi_major - b.semi_major) < 0.12 * size
        and abs(a.semi_minor - b.semi_minor) < 0.12 * size
        and float(np.hypot(a.cx - b.cx, a.cy - b.cy)) < 0.12 * size
    )


def seen_along(edges: LipEdges, tolerance_px: float) -> npt.NDArray[np.bool_]:
    """(N,) bool: the lip shows an edge where the curve says, gaps of a few degrees closed."""
    seen = (edges.strength > _SEEN_CONTRAST) & (np.abs(edges.offset_px) < tolerance_px)
    reach = len(seen) // 72  # 5 degrees: relief, a highlight or an equal background
    tripled = np.tile(seen.astype(np.uint8), 3)[None]
    kernel = np.ones((1, 2 * reach + 1), np.uint8)
    closed = cv2.morphologyEx(tripled, cv2.MORPH_CLOSE, kernel)[0]
    return np.asarray(closed[len(seen) : 2 * len(seen)] > 0)
