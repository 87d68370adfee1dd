"""Ellipses that may be a lip: from edge arcs, and how well edges and colours support each."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from model.edges import EdgeField, direction_bin, link_arcs
from model.ellipse import ellipse_residuals_px, fit_ellipse, fit_ellipse_robustly, sample_ellipse
from model.facts import Ellipse

FloatArray = npt.NDArray[np.float64]

_SAMPLES = 128
_FAVOURED = 160  # best supported fits among which other evidence may choose
_GROWN = 28  # best fits that are refitted to all edges near them
_EDGE_POINTS = 5000  # of them, evenly thinned: plenty for five numbers
_PAIRED_ARCS = 36  # longest arcs that are tried in pairs


@dataclass(frozen=True)
class _Limits:
    """What an ellipse may be: axis ratio, semi-major over the photo's longer side, centre off the photo."""

    least_axis_ratio: float
    least_size: float
    largest_size: float
    off_frame: float

    def admit(self, e: Ellipse, width: int, height: int) -> bool:
        """Whether the ellipse is within the limits, in a photo of this size."""
        size = e.semi_major / max(width, height)
        x, y = e.cx / width - 0.5, e.cy / height - 0.5
        return bool(
            np.isfinite([e.cx, e.cy, e.semi_major, e.semi_minor]).all()
            and self.least_size < size < self.largest_size
            and e.semi_minor > self.least_axis_ratio * e.semi_major
            and max(abs(x), abs(y)) < 0.5 + self.off_frame
        )


def stands_alone(e: Ellipse, width: int, height: int) -> bool:
    """Whether edges alone may vouch for an ellipse of this shape and size."""
    return _ALONE.admit(e, width, height)


# By edges alone flat and huge ellipses fit any straight edge; a lip seen at 13 degrees has a ratio of .22.
_ALONE = _Limits(0.22, 0.07, 1.6, 0.4)
_GUIDED = _Limits(0.05, 0.05, 3.0, 1.6)


@dataclass(frozen=True)
class Support:
    """How an ellipse is supported.

    ``edge_share``: part of the in-frame rim with an edge along it; ``in_frame_share``: part of the rim
    inside the photo; ``coherence`` 0..1: whether inside and outside differ the same way all round;
    ``contrast``: mean Lab difference.
    """

    edge_share: float
    in_frame_share: float
    coherence: float
    contrast: float


def propose_ellipses(
    field: EdgeField, favour: Callable[[Ellipse], float] | None = None
) -> list[tuple[Ellipse, float]]:
    """Ellipses with their edge support (share of the whole rim with an edge along it), best first.

    ``favour`` (0..1) says how well an ellipse agrees with what else is known; it orders which are refined.
    """
    height, width = field.edge_mask.shape
    arcs = link_arcs(field.edge_mask, max(14.0, 0.025 * max(height, width)))
    if not arcs:
        return []
    fits = [fit_ellipse(arc) for arc in arcs[: 2 * _PAIRED_ARCS]]
    fits += _fit_pairs(arcs[:_PAIRED_ARCS])
    limits = _ALONE if favour is None else _GUIDED
    usable = [e for e in fits if e is not None and limits.admit(e, width, height)]
    if not usable:
        return []
    support = edge_support(field, usable)
    order = np.argsort(-support)[:_FAVOURED]
    if favour is not None:
        liked = np.array([0.3 + favour(usable[i]) for i in order])
        order = order[np.argsort(-support[order] * liked)]
    order = order[:_GROWN]
    points = np.argwhere(field.edge_mask > 0)[:, ::-1].astype(np.float64)
    points = points[:: max(1, len(points) // _EDGE_POINTS)]
    grown = [_grow(points, usable[i]) for i in order]
    kept = [e for e in grown if e is not None and limits.admit(e, width, height)]
    kept += [usable[i] for i in order]
    support = edge_support(field, kept)
    return _drop_twins([(kept[i], float(support[i])) for i in np.argsort(-support)])


def _fit_pairs(arcs: list[FloatArray]) -> list[Ellipse | None]:
    """Fits to two arcs that both bulge away from each other."""
    middles = np.array([arc[len(arc) // 2] for arc in arcs])
    bulges = np.array([_bulge(arc) for arc in arcs])
    fits: list[Ellipse | None] = []
    thinned = [arc[:: max(1, len(arc) // 30)] for arc in arcs]
    for i in range(len(arcs)):
        for j in range(i + 1, len(arcs)):
            between = middles[j] - middles[i]
            if bulges[i] @ between > 0 or bulges[j] @ between < 0:
                continue
            points = np.concatenate([thinned[i], thinned[j]])
            fitted = fit_ellipse(points)
            if fitted is None or np.abs(ellipse_residuals_px(fitted, points)).mean() > 2.5:
                continue
            fits.append(fitted)
    return fits


def _bulge(arc: FloatArray) -> FloatArray:
    """Unit vector from the chord to the arc's middle: the arc's outer side."""
    out = arc[len(arc) // 2] - (arc[0] + arc[-1]) / 2
    return np.asarray(out / max(float(np.hypot(*out)), 1e-9))


def _grow(points: FloatArray, e: Ellipse) -> Ellipse | None:
    """Refit to every edge pixel near the ellipse, first wide, then narrow."""
    current: Ellipse | None = e
    for tolerance in (0.02, 0.01):
        if current is None:
            return None
        near = np.abs(ellipse_residuals_px(current, points)) < 2 * tolerance * current.semi_major + 2
        if near.sum() < 24:
            return None
        current = fit_ellipse_robustly(points[near], current, tolerance * current.semi_major, rounds=3)
    return current


def _drop_twins(ranked: list[tuple[Ellipse, float]]) -> list[tuple[Ellipse, float]]:
    kept: list[tuple[Ellipse, float]] = []
    for e, score in ranked:
        if not any(are_twins(e, other) for other, _ in kept):
            kept.append((e, score))
        if len(kept) == 24:
            break
    return kept


def are_twins(a: Ellipse, b: Ellipse) -> bool:
    """Whether two ellipses are nearly the same."""
    near = 0.02 * (a.semi_major + b.semi_major) / 2 + 1
    sizes = abs(a.semi_major - b.semi_major) < near and abs(a.semi_minor - b.semi_minor) < near
    return sizes and np.hypot(a.cx - b.cx, a.cy - b.cy) < near


def _samples_and_normals(ellipses: list[Ellipse]) -> tuple[FloatArray, FloatArray]:
    """(E, S, 2) points and outward unit normals."""
    points = np.stack([sample_ellipse(e, _SAMPLES) for e in ellipses])
    along = np.roll(points, -1, axis=1) - np.roll(points, 1, axis=1)
    normals = np.stack([along[..., 1], -along[..., 0]], axis=-1)
    return points, normals / np.maximum(np.linalg.norm(normals, axis=-1, keepdims=True), 1e-9)


def edge_support(field: EdgeField, ellipses: list[Ellipse]) -> FloatArray:
    """(E,) share of each whole rim that lies in the photo and has an edge along it."""
    points, normals = _samples_and_normals(ellipses)
    steps = np.linalg.norm(np.roll(points, -1, axis=1) - points, axis=2)
    return np.asarray((_edge_hits(field, points, normals) * steps).sum(axis=1) / steps.sum(axis=1))


def exclusive_support(field: EdgeField, outer: Ellipse, inner: Ellipse) -> float:
    """Edge support of ``outer`` where it runs apart from ``inner``; 0 where they nearly coincide."""
    points, normals = _samples_and_normals([outer])
    apart = np.abs(ellipse_residuals_px(inner, points[0])) > max(3.0, 0.015 * outer.semi_major)
    if apart.mean() < 0.3:
        return 0.0
    return float(_edge_hits(field, points, normals)[0][apart].mean())


def _edge_hits(field: EdgeField, points: FloatArray, normals: FloatArray) -> npt.NDArray[np.bool_]:
    """(E, S) bool: an edge along the curve at this sample, inside the picture."""
    height, width = field.edge_mask.shape
    x, y = np.round(points[..., 0]).astype(int), np.round(points[..., 1]).astype(int)
    inside = (x >= 0) & (x < width) & (y >= 0) & (y < height)
    bins = direction_bin(normals[..., 0], normals[..., 1])
    hit = field.near[bins, np.clip(y, 0, height - 1), np.clip(x, 0, width - 1)] > 0
    return np.asarray(hit & inside)


def judge_support(field: EdgeField, ellipses: list[Ellipse]) -> list[Support]:
    """Edge and colour support of each ellipse."""
    points, normals = _samples_and_normals(ellipses)
    height, width = field.edge_mask.shape
    steps = np.linalg.norm(np.roll(points, -1, axis=1) - points, axis=2)
    inside = ((points >= 1) & (points < [width - 1, height - 1])).all(axis=2)
    weight = inside * steps
    edge_share = edge_support(field, ellipses) * steps.sum(axis=1) / np.maximum(weight.sum(axis=1), 1e-9)
    offset = np.array([max(2.5, 0.02 * e.semi_major) for e in ellipses])[:, None, None]
    difference = _lab_at(field, points - normals * offset) - _lab_at(field, points + normals * offset)
    total = np.maximum(weight.sum(axis=1), 1e-9)
    mean = (difference * weight[..., None]).sum(axis=1) / total[:, None]
    size = (np.linalg.norm(difference, axis=2) * weight).sum(axis=1) / total
    coherence = np.linalg.norm(mean, axis=1) / np.maximum(size, 1e-9)
    return [
        Support(float(min(e, 1.0)), float(f), float(c), float(s))
        for e, f, c, s in zip(
            edge_share, weight.sum(axis=1) / steps.sum(axis=1), coherence, size, strict=True
        )
    ]


def _lab_at(field: EdgeField, points: FloatArray) -> FloatArray:
    height, width = field.edge_mask.shape
    x = np.clip(np.round(points[..., 0]).astype(int), 0, width - 1)
    y = np.clip(np.round(points[..., 1]).astype(int), 0, height - 1)
    return np.asarray(field.lab[y, x], dtype=np.float64)
