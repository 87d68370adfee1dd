"""Edges of a reduced photo: thin colour edges with direction, and the smooth arcs they link to."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

DIRECTION_BINS = 12  # of 15 degrees, direction modulo 180
_STRONG_SHARE, _WEAK_SHARE = 0.90, 0.78  # quantiles of the gradient at which edges start and go on
_LEAST_CONTRAST = 12.0  # Lab units across a pixel after smoothing: under this it is noise or texture
_CORNER_DEG = 40.0  # a turn within a few pixels that no lip makes
_STEP = 5  # px over which a chain's direction is taken


@dataclass(frozen=True, eq=False)
class EdgeField:
    """Edges of an (H, W) picture.

    ``lab`` is (H, W, 3) uint8; ``edge_mask`` (H, W) uint8, 255 on thin edges; ``near`` is (12, H, W)
    uint8, nonzero within about two pixels of an edge whose normal falls into that direction bin.
    """

    lab: npt.NDArray[np.uint8]
    edge_mask: npt.NDArray[np.uint8]
    near: npt.NDArray[np.uint8]


def find_edges(rgb: npt.NDArray[np.uint8]) -> EdgeField:
    """Find colour edges of an (H, W, 3) uint8 picture: of each pixel, the channel that changes most."""
    lab = cv2.cvtColor(rgb, cv2.COLOR_RGB2LAB)
    smooth = cv2.GaussianBlur(lab, (0, 0), 1.2)
    dx = cv2.Sobel(smooth, cv2.CV_16S, 1, 0)
    dy = cv2.Sobel(smooth, cv2.CV_16S, 0, 1)
    strength = np.abs(dx).astype(np.int32) + np.abs(dy)
    strength[..., 1:] *= 2  # the two colour axes span half the range of lightness
    channel = strength.argmax(axis=2)[..., None]
    dx = np.take_along_axis(dx, channel, axis=2)[..., 0]
    dy = np.take_along_axis(dy, channel, axis=2)[..., 0]
    double = channel[..., 0] > 0
    dx, dy = np.where(double, 2 * dx, dx).astype(np.int16), np.where(double, 2 * dy, dy).astype(np.int16)
    size = np.take_along_axis(strength, channel, axis=2)[..., 0][::2, ::2]
    weak, strong = np.quantile(size, [_WEAK_SHARE, _STRONG_SHARE])
    edge_mask = cv2.Canny(dx, dy, max(weak, _LEAST_CONTRAST * 2), max(strong, _LEAST_CONTRAST * 4))
    return EdgeField(lab, edge_mask, _spread_by_direction(edge_mask, dx, dy))


def direction_bin(dx: npt.NDArray[np.generic], dy: npt.NDArray[np.generic]) -> npt.NDArray[np.intp]:
    """Bin 0..11 of each direction, modulo 180 degrees."""
    angle = np.arctan2(dy.astype(np.float32), dx.astype(np.float32)) / np.pi % 1.0
    return np.asarray(np.round(angle * DIRECTION_BINS) % DIRECTION_BINS, dtype=np.intp)


def _spread_by_direction(
    edge_mask: npt.NDArray[np.uint8], dx: npt.NDArray[np.int16], dy: npt.NDArray[np.int16]
) -> npt.NDArray[np.uint8]:
    rows, columns = np.nonzero(edge_mask)
    bins = direction_bin(dx[rows, columns], dy[rows, columns])
    near = np.zeros((DIRECTION_BINS, *edge_mask.shape), dtype=np.uint8)
    for shift in (-1, 0, 1):
        near[(bins + shift) % DIRECTION_BINS, rows, columns] = 1
    kernel = np.ones((3, 3), dtype=np.uint8)
    for layer in near:
        cv2.dilate(layer, kernel, dst=layer)
    return near


def link_arcs(edge_mask: npt.NDArray[np.uint8], least_length_px: float) -> list[FloatArray]:
    """Smooth arcs, each (N, 2) float64 in order, turning one way only, longest first."""
    chains = _link_chains(edge_mask, int(least_length_px))
    arcs = [arc for chain in chains for arc in _split_chain(chain, int(least_length_px))]
    return sorted(arcs, key=len, reverse=True)


def _link_chains(edge_mask: npt.NDArray[np.uint8], least: int) -> list[FloatArray]:
    """Edge pixels linked between junctions, each chain (N, 2) in order."""
    thin = (edge_mask > 0).astype(np.uint8)
    neighbours = cv2.filter2D(thin, cv2.CV_8U, np.ones((3, 3), np.float32), borderType=cv2.BORDER_CONSTANT)
    thin[(neighbours > 4) & (thin > 0)] = 0  # itself, two along the chain, one of a staircase
    contours, tree = cv2.findContours(thin, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    chains: list[FloatArray] = []
    for contour, link in zip(contours, tree[0] if tree is not None else [], strict=True):
        if link[3] >= 0 or len(contour) < least:
            continue
        points = contour[:, 0, :]
        turns = np.nonzero((np.roll(points, 1, axis=0) == np.roll(points, -1, axis=0)).all(axis=1))[0]
        if len(turns) >= 2:
            points = np.roll(points, -int(turns[0]), axis=0)[: int(turns[1] - turns[0]) + 1]
        if len(points) >= least:
            chains.append(points.astype(np.float64))
    return chains


def _split_chain(chain: FloatArray, least: int) -> list[FloatArray]:
    """Split where the chain bends sharply or where it starts to bend the other way."""
    count = len(chain)
    if count < 4 * _STEP:
        return []
    smooth = _smooth_line(chain)
    ahead = smooth[_STEP:] - smooth[:-_STEP]
    angle = np.arctan2(ahead[:, 1], ahead[:, 0])
    turn = (angle[_STEP:] - angle[:-_STEP] + np.pi) % (2 * np.pi) - np.pi
    cuts = {0, count}
    sharp = np.abs(turn) > np.radians(_CORNER_DEG)
    cuts.update(int(i) + _STEP for i in np.nonzero(sharp)[0])
    slow = np.convolve(turn, np.ones(15) / 15, mode="same") if len(turn) >= 15 else turn
    sign = np.sign(np.where(np.abs(slow) < np.radians(1.0), 0, slow))
    last = 0.0
    for index, value in enumerate(sign):
        if value and last and value != last:
            cuts.add(index + _STEP)
        last = value or last
    edges = sorted(cuts)
    return [smooth[a:b] for a, b in pairwise(edges) if b - a >= least]


def _smooth_line(points: FloatArray, reach: int = 3) -> FloatArray:
    """Mean over 2 reach + 1 neighbours, ends repeated."""
    padded = np.pad(points, ((reach, reach), (0, 0)), mode="edge")
    total = np.cumsum(np.vstack([np.zeros((1, 2)), padded]), axis=0)
    width = 2 * reach + 1
    result = (total[width:] - total[:-width]) / width
    result[0], result[-1] = points[0], points[-1]
    return np.asarray(result)
