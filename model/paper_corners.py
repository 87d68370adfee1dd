"""The corners of a white sheet of paper beside the piece, hidden in part or cut by the frame."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from model.paper import SEARCH_SIDE_PX, best_view
from model.paper_sides import LEAST_SIDE, NEAR_SIDE_PX, distances_px, meet, quadrangles_in_part
from model.perspective import focal_length_px
from model.photo import Photo
from model.piece_mask import to_photo

FloatArray = npt.NDArray[np.float64]

_LEAST_AREA, _MOST_AREA = 0.01, 0.6  # of the photo
# Levels of lightness, as shares of the photo's bright end, over which regions are looked for: paper in the
# shade of a lamp beside it, paper on a pale table.
_LEVELS = (0.45, 0.55, 0.65, 0.74, 0.82, 0.9)
_LARGEST_CHROMA = 55.0  # Lab, under uncorrected light: paper under a warm lamp
_LEAST_STEP = 4.0  # Lab lightness or chroma between the sheet and what lies around it
_LEAST_COVER = 0.62  # of the four sides that must lie on the region's own border
_SURE_COVER = 0.9
_LEAST_SHOWN = 8  # of 60 places along a side, that show it
_MOST_MISFIT = (0.1, 0.2)  # of a sheet's shape, with the focal length from EXIF and without


def find_paper(photo: Photo, piece_outline: FloatArray | None) -> FloatArray | None:
    """Corners (4, 2) of a white sheet beside the piece, photo px, clockwise as seen; None without one.

    A bright, little coloured region with four straight sides whose shape, seen in perspective, is that of
    A4 or Letter. Things may lie over a corner or a part of a side.
    """
    small, scale = photo.reduced(SEARCH_SIDE_PX)
    lab = cv2.GaussianBlur(cv2.cvtColor(small, cv2.COLOR_RGB2LAB), (0, 0), 1.0)
    chroma = np.hypot(lab[..., 1].astype(np.float32) - 128, lab[..., 2].astype(np.float32) - 128)
    edges = cv2.dilate(cv2.Canny(lab[..., 0], 25, 60), np.ones((2, 2), np.uint8))
    free = (chroma < _LARGEST_CHROMA) & (edges == 0)
    if piece_outline is not None:
        covered = np.zeros(free.shape, np.uint8)
        polygon = np.round((piece_outline + 0.5) * scale - 0.5).astype(np.int32)
        cv2.fillPoly(covered, [polygon], 1)
        free &= covered == 0
    bright = float(np.quantile(lab[..., 0], 0.995))
    best: FloatArray | None = None
    best_score = 0.0
    for level in _LEVELS:
        region = (free & (lab[..., 0] > level * bright)).astype(np.uint8)
        region = cv2.morphologyEx(region, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
        contours, _ = cv2.findContours(region, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        for contour in contours:
            if not _LEAST_AREA < cv2.contourArea(contour) / region.size < _MOST_AREA:
                continue
            whole = _four_corners(contour, region.shape)
            found = _best_sheet(photo, lab, contour, scale, [] if whole is None else [whole])
            if found is None:
                found = _best_sheet(photo, lab, contour, scale, quadrangles_in_part(contour, region.shape))
            if found is not None and found[1] > best_score:
                best, best_score = found
    return best


def _best_sheet(
    photo: Photo,
    lab: npt.NDArray[np.uint8],
    contour: npt.NDArray[np.int32],
    scale: float,
    several: list[FloatArray],
) -> tuple[FloatArray, float] | None:
    """Refined corners, photo px, and score of the best of several quadrangles about a region."""
    best: tuple[FloatArray, float] | None = None
    for corners in several:
        refined = to_photo(_refine_sides(lab[..., 0], corners, contour), scale)
        score = _judge_sheet(photo, lab, corners, refined, contour)
        if score > (0.0 if best is None else best[1]):
            best = refined, score
    return best


def _judge_sheet(
    photo: Photo,
    lab: npt.NDArray[np.uint8],
    corners: FloatArray,
    refined: FloatArray,
    contour: npt.NDArray[np.int32],
) -> float:
    """How good a sheet of paper a quadrangle is: 0 for none."""
    focal = focal_length_px(photo.width, photo.height, photo.focal_length_35mm)
    misfit = best_view(refined, focal, ((photo.width - 1) / 2, (photo.height - 1) / 2)).misfit
    if misfit > _MOST_MISFIT[photo.focal_length_35mm is None]:
        return 0.0
    cover = _cover_of_sides(corners, contour)
    if cover < _LEAST_COVER or _step_around(lab, corners) < _LEAST_STEP:
        return 0.0
    area = cv2.contourArea(corners.astype(np.float32)) / lab[..., 0].size
    return float(min(cover, _SURE_COVER) ** 2 * np.sqrt(area) / (1 + 10 * misfit))


def _step_around(lab: npt.NDArray[np.uint8], corners: FloatArray) -> float:
    """Lab distance of the quadrangle's inside from a rim around it, (h, w, 3) uint8 Lab."""
    inner = np.zeros(lab.shape[:2], np.uint8)
    cv2.fillPoly(inner, [np.round(corners).astype(np.int32)], 1)
    outer = cv2.dilate(inner, np.ones((13, 13), np.uint8)) - cv2.dilate(inner, np.ones((5, 5), np.uint8))
    inner = cv2.erode(inner, np.ones((5, 5), np.uint8))
    if not inner.any() or not outer.any():
        return 0.0
    first, second = (np.median(lab[part > 0].astype(np.float64), axis=0) for part in (inner, outer))
    return float(np.linalg.norm((first - second) * [100 / 255, 1, 1]))


def _cover_of_sides(corners: FloatArray, contour: npt.NDArray[np.int32]) -> float:
    """Share of the quadrangle's sides that has the region's border beside it."""
    share = np.linspace(0, 1, 40, endpoint=False)
    sides = corners[:, None] + share[None, :, None] * (np.roll(corners, -1, axis=0) - corners)[:, None]
    apart = distances_px(sides.reshape(-1, 2), contour)
    near = (apart < NEAR_SIDE_PX).reshape(4, -1).mean(axis=1)
    return float(near.mean()) if near.min() > LEAST_SIDE else 0.0


def _four_corners(contour: npt.NDArray[np.int32], shape: tuple[int, ...]) -> FloatArray | None:
    """Corners, clockwise as seen, of the quadrangle through the region's four longest straight sides."""
    hull = cv2.convexHull(contour)
    outline = cv2.approxPolyDP(hull, 0.012 * cv2.arcLength(hull, True), True)[:, 0].astype(np.float64)
    if not 4 <= len(outline) <= 9:
        return None
    x, y = outline.T
    if (x * np.roll(y, -1) - np.roll(x, -1) * y).sum() < 0:
        outline = outline[::-1]
    sides = np.roll(outline, -1, axis=0) - outline
    kept = np.sort(np.argsort(-np.linalg.norm(sides, axis=1))[:4])
    corners = []
    for first, second in zip(np.roll(kept, 1), kept, strict=True):
        meeting = meet(outline[first], sides[first], outline[second], sides[second])
        if meeting is None:
            return None
        corners.append(meeting)
    quad = np.array(corners)
    low, high = np.array([2.0, 2.0]), np.array(shape[1::-1]) - 3.0
    if (quad < low).any() or (quad > high).any() or not cv2.isContourConvex(quad.astype(np.float32)):
        return None
    return quad


def _refine_sides(
    lightness: npt.NDArray[np.uint8], corners: FloatArray, contour: npt.NDArray[np.int32]
) -> FloatArray:
    """Corners where sides meet that are fitted to the steepest lightness across them, where it is seen."""
    lines = []
    height, width = lightness.shape
    for first, last in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        along = (last - first) / np.linalg.norm(last - first)
        normal = np.array([along[1], -along[0]])
        at = first + np.linspace(0.05, 0.95, 60)[:, None] * (last - first)
        inside = ((at > 6) & (at < [width - 7, height - 7])).all(axis=1)
        at = at[inside & (distances_px(at, contour) < NEAR_SIDE_PX)]
        if len(at) < _LEAST_SHOWN:
            return corners
        offsets = np.linspace(-6, 6, 49)
        where = (at[:, None] + offsets[None, :, None] * normal).astype(np.float32)
        profile = cv2.remap(lightness.astype(np.float32), where[..., 0], where[..., 1], cv2.INTER_LINEAR)
        slope = np.abs(profile[:, 4:] - profile[:, :-4])
        points = at + offsets[2:-2][slope.argmax(axis=1)][:, None] * normal
        vx, vy, px, py = cv2.fitLine(points.astype(np.float32), cv2.DIST_HUBER, 0, 0.01, 0.01)[:, 0]
        lines.append((np.array([px, py], dtype=np.float64), np.array([vx, vy], dtype=np.float64)))
    refined = []
    for (p, u), (q, v) in zip([lines[-1], *lines[:-1]], lines, strict=True):
        meeting = meet(p, u, q, v)
        if meeting is None:
            return corners
        refined.append(meeting)
    result = np.array(refined)
    return result if np.abs(result - corners).max() < 12 else corners
