"""The local glaze of a strip, print removed: a smooth surface fitted to what repeats least.

Everything here is logarithmic: light that falls twice as bright adds the same number anywhere, so a stamp's
contrast does not depend on the shading under it. Planes are ln Y, ln(R/G), ln(B/G).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from model.colour import LUMINANCE_WEIGHTS

Map = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]

# Added to linear light before the logarithm: about one step of 8-bit sRGB near black, so that noise there
# does not turn into contrast.
DARK_FLOOR = 0.004
# The fit sees the strip in blocks this many strip heights wide; several gaps of a motif lie in each.
BLOCK_HEIGHTS = 1.0
LEAST_BLOCKS = 3
# Rows of the fit; more say nothing about a surface as smooth as this one.
FIT_ROWS = 40
# Stiffness of the fitted rows: weight of the squared second difference. Larger is straighter.
STIFFNESS = 30.0
STIFFNESS_ALONG = 1.0
ROBUST_ROUNDS = 5
# Departures beyond this many robust deviations count nothing (Tukey's biweight, 95 % efficiency).
TUKEY = 4.685
LEAST_DEVIATION = np.array([0.025, 0.015, 0.025])
# How far from the usual light and from the most common quiet colour a block's row may lie to start as glaze.
START_WIDTH = np.array([0.30, 0.14, 0.20])
# Whatever its colour, a quiet block starts with this weight: lamps of two colours share a rim.
LEAST_START = 0.03
# Of a row's spread within a block, what is usual: the quiet rows.
QUIET_PERCENTILE = 30
# Pixels this near the fit are glaze for the second, finer pass.
NEAR_FIT = np.array([0.12, 0.06, 0.10])


@dataclass(frozen=True, eq=False)
class Glaze:
    """Logarithmic planes (3, h, w) of the strip and of the glaze under it, and the pixels used as glaze."""

    planes: Map
    glaze: Map
    is_glaze: Mask


def log_planes(linear_rgb: npt.NDArray[np.float32]) -> Map:
    """ln Y, ln(R/G), ln(B/G) of linear sRGB (h, w, 3), as (3, h, w) float32."""
    lifted = np.maximum(linear_rgb, 0) + np.float32(DARK_FLOOR)
    red, green, blue = cv2.split(lifted)
    weights = LUMINANCE_WEIGHTS.astype(np.float32)
    luminance = weights[0] * red + weights[1] * green + weights[2] * blue
    log_green = cv2.log(green)
    return np.stack([cv2.log(luminance), cv2.log(red) - log_green, cv2.log(blue) - log_green])


def rgb_of_planes(planes: Map) -> npt.NDArray[np.float32]:
    """Inverse of `log_planes`: (3, h, w) to linear sRGB (h, w, 3)."""
    red, blue = np.exp(planes[1]), np.exp(planes[2])
    weights = LUMINANCE_WEIGHTS.astype(np.float32)
    green = np.exp(planes[0]) / (weights[0] * red + weights[1] + weights[2] * blue)
    return np.asarray(cv2.merge([green * red, green, green * blue]) - np.float32(DARK_FLOOR), np.float32)


def estimate_glaze(linear_rgb: npt.NDArray[np.float32], usable: Mask, closed: bool) -> Glaze | None:
    """Fit the glaze of a strip.

    Parameters
    ----------
    linear_rgb
        (h, w, 3) float32 linear sRGB.
    usable
        (h, w) bool: seen and on the piece.
    closed
        The strip is cyclic.

    Returns
    -------
    Glaze or None
        None where fewer than a twentieth of the pixels are usable.

    References
    ----------
    P. H. C. Eilers, "A perfect smoother", Anal. Chem. 75 (2003) 3631: penalised least squares, here in
    two directions and with Tukey's biweight; the start is the most common colour among the quiet rows.
    """
    if usable.mean() < 0.05:
        return None
    planes = log_planes(linear_rgb)
    table = _summarise_blocks(planes, usable)
    fitted = _fit_surface(table, closed)
    coarse = _spread_out(fitted, table, planes.shape[1:], closed)
    return _refine(planes, coarse, usable, closed)


@dataclass(frozen=True, eq=False)
class _Table:
    """Per row and block: median planes (3, rows, blocks), spread of ln Y, share usable; where they lie."""

    median: Map
    spread: Map
    usable: Map
    rows: npt.NDArray[np.float64]
    columns: npt.NDArray[np.float64]


def _summarise_blocks(planes: Map, usable: Mask) -> _Table:
    _, h, w = planes.shape
    blocks = max(LEAST_BLOCKS, round(w / (BLOCK_HEIGHTS * h)))
    wide = w // blocks
    step = max(1, round(h / FIT_ROWS))
    rows = np.arange(step // 2, h, step)
    cut = planes[:, rows, : blocks * wide].reshape(3, len(rows), blocks, wide)
    ok = usable[rows, : blocks * wide].reshape(len(rows), blocks, wide)
    share = ok.mean(axis=2).astype(np.float32)
    # Unusable pixels sort last; the ranks below stay among the usable ones.
    ranked = np.sort(np.where(ok, cut[0], 1e3), axis=2)
    count = ok.sum(axis=2)

    def at(share_of: float) -> Map:
        index = np.clip((share_of * (count - 1)).astype(int), 0, wide - 1)
        return np.asarray(np.take_along_axis(ranked, index[..., None], axis=2)[..., 0], np.float32)

    middle = at(0.5)
    spread = np.where(count > 4, at(0.85) - at(0.15), np.inf)
    colour = [np.median(cut[k], axis=2) for k in (1, 2)]
    median = np.stack([np.where(count > 4, middle, 0), *colour]).astype(np.float32)
    return _Table(
        median, spread.astype(np.float32), share, rows.astype(float), (np.arange(blocks) + 0.5) * wide
    )


def _fit_surface(table: _Table, closed: bool) -> Map:
    """Smooth (3, rows, blocks) through the quiet blocks, robustly."""
    quiet = np.isfinite(table.spread) & (table.usable > 0.3)
    usual = np.percentile(table.spread[quiet], QUIET_PERCENTILE) if quiet.any() else 0.1
    calm = table.usable / (1 + (np.where(quiet, table.spread, 1e3) / (2 * usual + 0.02)) ** 2)
    weights = calm * _start_weights(table.median, calm, closed) + 1e-6
    for _ in range(ROBUST_ROUNDS):
        fitted = _smooth(table.median, weights, closed)
        gap = np.abs(table.median - fitted)
        deviation = np.maximum(LEAST_DEVIATION, 1.4826 * _weighted_medians(gap, weights))
        far = (gap / (TUKEY * deviation[:, None, None])).max(axis=0)
        weights = calm * np.where(far < 1, (1 - far**2) ** 2, 0) + 1e-6
    return fitted


def _start_weights(median: Map, calm: npt.NDArray[np.floating], closed: bool) -> npt.NDArray[np.floating]:
    """Closeness (rows, blocks) to the strip's most common colour and to the usual light of a block and its
    neighbours: light falls off along a rim by more than print departs from the glaze."""
    start = _most_common(median, calm)
    usual = _usual_light(median[0], calm, closed)
    away = ((median[0] - usual) / START_WIDTH[0]) ** 2
    away += (((median[1:] - start[1:, None, None]) / START_WIDTH[1:, None, None]) ** 2).sum(axis=0)
    return np.asarray(np.maximum(np.exp(-0.5 * np.minimum(away, 60)), LEAST_START))


def _usual_light(light: Map, calm: npt.NDArray[np.floating], closed: bool) -> npt.NDArray[np.floating]:
    """Weighted median of ln Y over the rows of each block and its neighbours, (blocks,)."""
    blocks = light.shape[1]
    beside = [np.arange(blocks) + k for k in (-1, 0, 1)]
    columns = [at % blocks if closed else np.clip(at, 0, blocks - 1) for at in beside]
    values, weights = (np.concatenate([plane[:, at] for at in columns]) for plane in (light, calm))
    order = np.argsort(values, axis=0)
    share = np.cumsum(np.take_along_axis(weights, order, axis=0), axis=0)
    middle = (share < 0.5 * share[-1:]).sum(axis=0)
    picked = np.take_along_axis(order, np.minimum(middle, len(order) - 1)[None], axis=0)
    return np.asarray(np.take_along_axis(values, picked, axis=0)[0])


def _most_common(median: Map, calm: npt.NDArray[np.floating]) -> npt.NDArray[np.float64]:
    """Centre (3,) of the fullest neighbourhood among the blocks' colours: mean shift from a coarse search."""
    points = median.reshape(3, -1).T / START_WIDTH
    weight = calm.ravel()
    tried = points[np.argsort(-weight)[:160:2]]
    density = (weight[None] * np.exp(-0.5 * ((tried[:, None] - points[None]) ** 2).sum(2))).sum(1)
    centre = tried[int(density.argmax())]
    for _ in range(5):
        near = weight * np.exp(-0.5 * ((points - centre) ** 2).sum(1))
        centre = (near[:, None] * points).sum(0) / max(float(near.sum()), 1e-9)
    return np.asarray(centre * START_WIDTH)


def _weighted_medians(gap: Map, weights: npt.NDArray[np.floating]) -> npt.NDArray[np.float64]:
    counted = weights > 0.05 * weights.max()
    return np.array([np.median(plane[counted]) if counted.any() else 1.0 for plane in gap])


def _smooth(values: Map, weights: npt.NDArray[np.floating], closed: bool) -> Map:
    """Penalised least squares down the rows of every block, then along the blocks."""
    down = _whittaker(values, weights, STIFFNESS, cyclic=False)
    support = weights.sum(axis=0, keepdims=True) / max(float(weights.sum(axis=0).max()), 1e-9)
    spread = np.broadcast_to(support, weights.shape)
    return _whittaker(
        down.transpose(0, 2, 1), np.ascontiguousarray(spread.T) + 1e-3, STIFFNESS_ALONG, cyclic=closed
    ).transpose(0, 2, 1)


def _whittaker(values: Map, weights: npt.NDArray[np.floating], stiffness: float, cyclic: bool) -> Map:
    """Smooth (3, n, m) along n with weights (n, m): minimise weighted misfit + stiffness * curvature."""
    n = values.shape[1]
    difference = np.diff(np.eye(n), 2, axis=0)
    if cyclic:
        difference = np.roll(np.eye(n), -1, 0) - 2 * np.eye(n) + np.roll(np.eye(n), 1, 0)
    penalty = stiffness * difference.T @ difference + 1e-6 * np.eye(n)
    system = penalty[None] + np.einsum("nm,nk->mnk", weights, np.eye(n))
    right = (weights[None] * values).transpose(2, 1, 0)
    return np.linalg.solve(system, right).transpose(2, 1, 0).astype(np.float32)


def _spread_out(fitted: Map, table: _Table, shape: tuple[int, ...], closed: bool) -> Map:
    """Bilinear interpolation of the fit to every pixel, (3, h, w)."""
    h, w = shape
    grid, columns = fitted, table.columns
    if closed:
        wide = columns[1] - columns[0]
        grid = np.concatenate([grid[:, :, -1:], grid, grid[:, :, :1]], axis=2)
        columns = np.concatenate([[columns[0] - wide], columns, [columns[-1] + wide]])
    y = np.interp(np.arange(h), table.rows, np.arange(len(table.rows))).astype(np.float32)
    x = np.interp(np.arange(w), columns, np.arange(len(columns))).astype(np.float32)
    map_x, map_y = np.meshgrid(x, y)
    return np.stack(
        [cv2.remap(np.ascontiguousarray(p), map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
         for p in grid]
    )  # fmt: skip


def _refine(planes: Map, coarse: Map, usable: Mask, closed: bool) -> Glaze:
    """Follow what the glaze near the fit really does, along the strip further than across it."""
    h = planes.shape[1]
    rest = planes - coarse
    near = usable.copy()
    for plane, width in zip(rest, NEAR_FIT, strict=True):
        near &= np.abs(plane) < np.float32(width)
    weight = near.astype(np.float32)
    wide, high = (int(0.5 * h) | 1, 1 + 2 * max(1, round(0.02 * h)))
    pad = wide // 2
    mode = cv2.BORDER_WRAP if closed else cv2.BORDER_CONSTANT

    def blur(plane: Map) -> Map:
        padded = cv2.copyMakeBorder(plane, 0, 0, pad, pad, mode, value=0)
        once = cv2.blur(padded, (wide, high), borderType=cv2.BORDER_REFLECT)
        return np.asarray(once[:, pad : pad + plane.shape[1]], np.float32)

    # Where little glaze is near, the correction fades to none.
    base = blur(weight) + np.float32(0.15)
    glaze = np.stack(
        [base_plane + blur(plane * weight) / base for base_plane, plane in zip(coarse, rest, strict=True)]
    )
    return Glaze(planes, glaze, near)
