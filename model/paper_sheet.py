"""Sheets of plain white paper in the frame: which regions may be one, and the colours they show."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from model.colour import log_chromaticity, luminance
from model.surroundings import Surroundings

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

SEARCH_SIDE_PX = 256  # coarse on purpose: noise and the paper's grain average out
SMOOTH_STEP = 0.20  # ln Y over three coarse pixels within one sheet (own choice)
LEAST_LEVEL = 0.3  # of the brightest unclipped surfaces: white paper is seldom darker, but for shade
LEAST_AREA_SHARE, MOST_AREA_SHARE = 0.006, 0.6
LEAST_FILL = 0.75  # of the hull that is neither piece nor out of the frame
CORNER_SHARE = 0.015  # of the outline: how far straight sides may be off
MOST_CORNERS = 6  # four, and two more where the piece or the frame cuts one off
MOST_SHEETS = 4
MIN_PIXELS = 40


@dataclass(frozen=True, eq=False)
class Sheet:
    """A region that may be paper: (h, w) bool ``mask`` of its unclipped pixels, perhaps none; ``score``."""

    mask: Mask
    score: float


def measure_sheet(around: Surroundings, paper: Array | None) -> Array | None:
    """Colours of what may be white paper.

    Parameters
    ----------
    paper
        (4, 2) corners of the sheet in photo px where known; else sheets are looked for.

    Returns
    -------
    (k, 3) or None
        Log chromaticity and chance of each; a sheet that is clipped through keeps its chance from the
        others, so the chances sum to 1 or less. None where no colour was measured.
    """
    sheets = find_sheets(around) if paper is None else [Sheet(_inside_corners(around, paper), 1.0)]
    total = sum(sheet.score for sheet in sheets)
    found = []
    for sheet in sheets:
        pixels = around.linear_rgb[sheet.mask]
        if len(pixels) < MIN_PIXELS:
            continue
        bright = luminance(pixels)
        colour = log_chromaticity(pixels[bright >= np.quantile(bright, 0.3)].mean(axis=0))
        found.append([*colour, sheet.score / total])
    return np.array(found) if found else None


def _inside_corners(around: Surroundings, paper: Array) -> Mask:
    inside = np.zeros(around.piece_mask.shape, np.uint8)
    centre = paper.mean(0)
    shrunk = (centre + 0.9 * (paper - centre) + 0.5) * around.scale - 0.5
    cv2.fillPoly(inside, [np.rint(shrunk).astype(np.int32)], 1)
    return np.asarray((inside > 0) & around.outside_mask)


def find_sheets(around: Surroundings) -> list[Sheet]:
    """Find bright smooth straight-edged regions outside the piece, likeliest first, at most four."""
    height, width = around.piece_mask.shape
    scale = min(1.0, SEARCH_SIDE_PX / max(height, width))
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    level = cv2.resize(luminance(around.linear_rgb).astype(np.float32), size, interpolation=cv2.INTER_AREA)
    piece = cv2.dilate(around.piece_mask.astype(np.uint8), np.ones((5, 5), np.uint8))
    outside = cv2.resize(1 - piece, size, interpolation=cv2.INTER_NEAREST) > 0
    clipped = cv2.resize(around.clipped_mask.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    if outside.sum() < MIN_PIXELS:
        return []
    bright = np.log(np.maximum(cv2.medianBlur(level, 3), 1e-3))
    steps = cv2.morphologyEx(bright, cv2.MORPH_GRADIENT, cv2.getStructuringElement(cv2.MORPH_CROSS, (3, 3)))
    sound = level[~clipped]
    least = np.log(LEAST_LEVEL * np.quantile(sound, 0.95)) if sound.size else 0.0
    smooth = outside & (steps < SMOOTH_STEP) & (bright > least)
    sheets = []
    for region, score in _score_regions(smooth, bright, outside):
        full = cv2.resize(region.astype(np.uint8), (width, height), interpolation=cv2.INTER_NEAREST) > 0
        sheets.append(Sheet(np.asarray(full & around.usable_mask), score))
    return sheets


def _score_regions(smooth: Mask, bright: npt.NDArray[np.float32], outside: Mask) -> list[tuple[Mask, float]]:
    """The regions that look like sheets with their scores, best first."""
    _count, label, stats, _ = cv2.connectedComponentsWithStats(smooth.astype(np.uint8), connectivity=4)
    found = []
    for index in np.argsort(-stats[1:, cv2.CC_STAT_AREA])[:10] + 1:
        region = label == index
        shape = _score_shape(region, outside)
        if shape > 0:
            found.append((region, shape * float(np.exp(1.5 * np.median(bright[region])))))
    return sorted(found, key=lambda pair: -pair[1])[:MOST_SHEETS]


def _score_shape(region: Mask, outside: Mask) -> float:
    """How much a smooth region looks like a sheet: straight sides, fills its hull; 0 = not at all."""
    area = int(region.sum())
    if not LEAST_AREA_SHARE * region.size <= area <= MOST_AREA_SHARE * region.size:
        return 0.0
    outlines, _ = cv2.findContours(region.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    hull = cv2.convexHull(max(outlines, key=cv2.contourArea))
    corners = cv2.approxPolyDP(hull, max(1.5, CORNER_SHARE * cv2.arcLength(hull, True)), True)
    inside = np.zeros(region.shape, np.uint8)
    cv2.fillPoly(inside, [hull], 1)
    filled = area / max(int(((inside > 0) & outside).sum()), 1)
    if filled < LEAST_FILL or not 3 <= len(corners) <= MOST_CORNERS:
        return 0.0
    return float(filled * np.sqrt(area / region.size))
