"""A sheet of plain white paper in the frame: where it is, and the colour it shows."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from model.colour import log_chromaticity, luminance
from model.surroundings import Surroundings

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

SEARCH_SIDE_PX = 256  # coarse on purpose: noise and the paper's grain average out
SMOOTH_STEP = 0.10  # ln Y between neighbouring coarse pixels within one sheet (own choice)
LEAST_LEVEL = 0.45  # of the brightest surfaces in the frame: white paper is never much darker, bar in shade
LEAST_AREA_SHARE, MOST_AREA_SHARE = 0.008, 0.6
LEAST_FILL = 0.75  # of the hull that is neither piece nor clipped
MIN_PIXELS = 60


def measure_sheet(around: Surroundings, paper: Array | None) -> Array | None:
    """Log chromaticity (2,) of a sheet: inside corners (4, 2) in photo px, else of one found here; or None."""
    mask = find_sheet(around) if paper is None else _inside_corners(around, paper)
    if mask is None:
        return None
    pixels = around.linear_rgb[mask]
    if len(pixels) < MIN_PIXELS:
        return None
    bright = luminance(pixels)
    return log_chromaticity(pixels[bright >= np.quantile(bright, 0.3)].mean(axis=0))


def _inside_corners(around: Surroundings, paper: Array) -> Mask:
    inside = np.zeros(around.piece_mask.shape, np.uint8)
    centre = paper.mean(0)
    shrunk = (centre + 0.9 * (paper - centre) + 0.5) * around.scale - 0.5
    cv2.fillPoly(inside, [np.rint(shrunk).astype(np.int32)], 1)
    return np.asarray((inside > 0) & around.outside_mask)


def find_sheet(around: Surroundings) -> Mask | None:
    """Find the brightest smooth straight-edged region outside the piece.

    Returns
    -------
    (h, w) bool at the size of ``around``, its usable pixels; None where nothing looks like a sheet.
    """
    height, width = around.piece_mask.shape
    scale = min(1.0, SEARCH_SIDE_PX / max(height, width))
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    level = cv2.resize(luminance(around.linear_rgb).astype(np.float32), size, interpolation=cv2.INTER_AREA)
    outside = cv2.resize(around.outside_mask.astype(np.float32), size, interpolation=cv2.INTER_AREA) > 0.9
    if outside.sum() < MIN_PIXELS:
        return None
    bright = np.log(np.maximum(cv2.medianBlur(level, 3), 1e-3))
    steps = cv2.morphologyEx(bright, cv2.MORPH_GRADIENT, cv2.getStructuringElement(cv2.MORPH_CROSS, (3, 3)))
    least = np.log(LEAST_LEVEL * np.quantile(level, 0.95))
    smooth = outside & (steps < 2 * SMOOTH_STEP) & (bright > least)
    region = _best_region(smooth, bright, outside)
    if region is None:
        return None
    full = cv2.resize(region.astype(np.uint8), (width, height), interpolation=cv2.INTER_NEAREST) > 0
    return np.asarray(full & around.outside_mask)


def _best_region(smooth: Mask, bright: npt.NDArray[np.float32], outside: Mask) -> Mask | None:
    _count, label, stats, _ = cv2.connectedComponentsWithStats(smooth.astype(np.uint8), connectivity=4)
    best, best_score = None, 0.0
    for index in np.argsort(-stats[1:, cv2.CC_STAT_AREA])[:8] + 1:
        region = label == index
        score = _score_sheet(region, outside) * float(np.exp(np.median(bright[region])))
        if score > best_score:
            best, best_score = region, score
    return best


def _score_sheet(region: Mask, outside: Mask) -> float:
    """How much a smooth region looks like a sheet: straight sides, fills its hull; 0 = not at all."""
    area = int(region.sum())
    if not LEAST_AREA_SHARE * region.size <= area <= MOST_AREA_SHARE * region.size:
        return 0.0
    outlines, _ = cv2.findContours(region.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    hull = cv2.convexHull(max(outlines, key=cv2.contourArea))
    corners = cv2.approxPolyDP(hull, 0.03 * cv2.arcLength(hull, True), True)
    inside = np.zeros(region.shape, np.uint8)
    cv2.fillPoly(inside, [hull], 1)
    filled = area / max(int(((inside > 0) & outside).sum()), 1)
    if filled < LEAST_FILL or not 3 <= len(corners) <= 6:
        return 0.0
    straight = cv2.contourArea(corners) / max(cv2.contourArea(hull), 1.0)
    return float(filled * min(straight, 1 / max(straight, 1e-6)))
