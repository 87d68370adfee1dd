"""The print of the rim as the trim judgement sees it: against the glaze close by, region by region.

A glaze estimated for the whole strip leaves broad shading behind (a shadow, a highlight); taken against
the nearest bare glaze instead, thin stamps stand out and shading does not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from model.bands import Band, Bands
from model.colour import LUMINANCE_WEIGHTS
from model.rim_band import RimStrip

Map = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]

KINDS = ("edge line", "verge line", "border", "line", "stray")
FLOOR = 1e-3  # linear light under which a ratio means nothing
BARE_SPREAD = 0.15  # ln Y within which a pixel is likely bare glaze (own choice)
NEAR_SHARE = 0.35  # of the strip's height: how far the near glaze reaches
LEAST_STRENGTH = 0.10  # in ln units: uneven glaze and JPEG stay under it (common practice, no source)
NOISE_DEVIATIONS = 4.0
BROAD_SHARE = 0.25  # of the strip's height: broader than any stroke or line (own choice)
LEAST_STANDING, STANDING_SHARE = 0.08, 0.5
MIN_REGION_PIXELS = 40
LEAST_STRAY_PIXELS = 150
INNER_BOX_SHARE = 0.65  # of a disc's width: a box so wide lies inside it (1 / sqrt 2 would touch it)
BORDER_BLOB_SHARE, STRAY_BLOB_SHARE = 0.6, 0.18  # of the strip's height: no stroke is as broad (own choice)


@dataclass(frozen=True, eq=False)
class Print:
    """The strip's print against the near glaze.

    ``glaze_linear_rgb`` (h, w, 3) float32; ``strength`` (h, w) float32 distance from it in ln Y and ln
    ratios; ``wide_mask`` (h, w) bool, where the strength is beyond the glaze's own noise; ``mask`` (h, w)
    bool, the part of it that also stands out from its surroundings, as strokes do.
    """

    glaze_linear_rgb: Map
    strength: Map
    mask: Mask
    wide_mask: Mask


@dataclass(frozen=True, eq=False)
class TrimRegion:
    """One printed region: its ``kind``, the (h, w) bool masks of its print, its rows (half-open).

    ``mask`` is sure to be print, for its colour; ``wide_mask`` leaves none of it out, for its wear.
    """

    kind: str
    mask: Mask
    wide_mask: Mask
    row0: int
    row1: int


def find_print(strip: RimStrip, bands: Bands) -> Print:
    """Bring the glaze to the level and tint of the bare glaze close by, and mark what differs from it."""
    sound = strip.seen_mask.copy()
    sound[: strip.lip_row + 1] = False
    height = strip.encoded.shape[0]
    ratio = np.maximum(strip.linear_rgb, FLOOR) / np.maximum(bands.glaze_linear_rgb, FLOOR)
    departure = cv2.split(np.log(ratio))  # planes: arithmetic on them is several times quicker
    weights = LUMINANCE_WEIGHTS.astype(np.float32)
    bare = np.exp(-((_weigh(departure, weights) / np.float32(BARE_SPREAD)) ** 2)) + np.float32(1e-6)
    bare *= sound & ~strip.clipped_mask
    near = _blur_weighted(departure, bare, round(NEAR_SHARE * height), strip.closed)
    red, green, blue = (plane - usual for plane, usual in zip(departure, near, strict=True))
    bright = _weigh((red, green, blue), weights)
    tint = cv2.magnitude(red - green, blue - green)
    strength = cv2.magnitude(bright, cv2.blur(tint, (3, 3)))
    thin = _stand_out(bright, blue - green, round(BROAD_SHARE * height))
    stands_out = thin >= np.maximum(LEAST_STANDING, STANDING_SHARE * strength)
    noise = 1.4826 * float(np.median(strength[sound][::7])) if sound.any() else 0.0
    mask = sound & (strength > max(LEAST_STRENGTH, min(NOISE_DEVIATIONS * noise, 3 * LEAST_STRENGTH)))
    glaze = bands.glaze_linear_rgb * np.exp(cv2.merge(near))
    return Print(glaze, strength, np.asarray(mask & stands_out), np.asarray(mask))


def _weigh(planes: Sequence[Map], weights: Map) -> Map:
    return np.asarray(weights[0] * planes[0] + weights[1] * planes[1] + weights[2] * planes[2])


def _stand_out(bright: Map, blue: Map, size_px: int) -> Map:
    """How far each pixel stands out from whatever is broader than ``size_px``, in ln Y or ln B/G.

    Closing less the value for what is darker, the value less opening for what is brighter: shadows,
    highlights and handles are broad and vanish, strokes stay.
    """
    box = np.ones((max(7, size_px) | 1, max(7, size_px) | 1), np.uint8)
    out = np.zeros_like(bright)
    for channel in (bright, blue):
        smooth = cv2.GaussianBlur(channel.astype(np.float32), (0, 0), 0.8)
        below = cv2.morphologyEx(smooth, cv2.MORPH_BLACKHAT, box)
        above = cv2.morphologyEx(smooth, cv2.MORPH_TOPHAT, box)
        np.maximum(out, np.maximum(below, above), out=out)
    return out


def _blur_weighted(planes: Sequence[Map], weights: Map, reach_px: int, cyclic: bool) -> list[Map]:
    """Weighted means of (h, w) planes over a box ``reach_px`` high and twice as wide."""
    rows, columns = max(3, reach_px) | 1, 2 * max(3, reach_px) + 1
    margin = min(columns, weights.shape[1])
    mode = cv2.BORDER_WRAP if cyclic else cv2.BORDER_REFLECT_101
    layers = cv2.merge([*(plane * weights for plane in planes), weights])
    padded = cv2.copyMakeBorder(layers, 0, 0, margin, margin, mode)
    blurred = cv2.blur(padded, (columns, rows), borderType=cv2.BORDER_REFLECT)[:, margin:-margin]
    *sums, total = cv2.split(blurred)
    total += np.float32(1e-9)
    return [part / total for part in sums]


def list_regions(strip: RimStrip, bands: Bands, found: Print) -> list[TrimRegion]:
    """The regions that carry print: each line, the border, and what lies outside them; perhaps none."""
    regions = []
    for band in _main_bands(bands, found):
        mask = np.zeros_like(found.mask)
        mask[band.row0 : band.row1] = found.mask[band.row0 : band.row1]
        if band.kind == "border":
            mask = _without_blobs(mask, round(BORDER_BLOB_SHARE * len(mask)))
        if mask.sum() >= MIN_REGION_PIXELS:
            wide = np.zeros_like(mask)
            wide[band.row0 : band.row1] = found.wide_mask[band.row0 : band.row1]
            regions.append(TrimRegion(band.kind, mask, wide, band.row0, band.row1))
    stray = _stray_print(strip, found, regions)
    return regions if stray is None else [*regions, stray]


def _main_bands(bands: Bands, found: Print) -> list[Band]:
    """Edge line, border and the strongest verge line: stray lines are shading as often as print."""

    def weight(band: Band) -> float:
        rows = slice(band.row0, band.row1)
        return float((found.mask[rows] * found.strength[rows]).sum())

    chosen = [band for band in bands.lines if band.kind == "edge line"]
    verges = [band for band in bands.lines if band.kind == "verge line"]
    chosen += sorted(verges, key=weight)[-1:]
    return chosen if bands.border is None else [*chosen, bands.border]


def _without_blobs(mask: Mask, size_px: int) -> Mask:
    """The mask less what a disc of that width fits into: shadows and highlights are broad, print is thin."""
    size = max(5, size_px) | 1
    printed = mask.astype(np.uint8)
    # A box inside the disc is quick to try and nearly always fits nowhere; where it does, the disc is tried.
    inner = int(INNER_BOX_SHARE * size) | 1
    room = np.flatnonzero(cv2.erode(printed, np.ones((inner, inner), np.uint8)).any(axis=0))
    if room.size == 0:
        return mask
    near = slice(max(0, int(room[0]) - 2 * size), int(room[-1]) + 2 * size + 1)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    broad = np.zeros_like(printed)
    broad[:, near] = cv2.morphologyEx(printed[:, near], cv2.MORPH_OPEN, disc)
    return np.asarray(mask & (cv2.dilate(broad, np.ones((5, 5), np.uint8)) == 0))


def _stray_print(strip: RimStrip, found: Print, known: list[TrimRegion]) -> TrimRegion | None:
    """Print outside every band, specks left out: spaced stamps may have no rows of their own."""
    mask = found.mask.astype(np.uint8)
    mask[: strip.lip_row + 3] = 0
    for region in known:
        mask[region.row0 : region.row1] = 0
    solid = cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)) > 0
    solid = _without_blobs(solid, round(STRAY_BLOB_SHARE * len(mask)))
    rows = np.flatnonzero(solid.any(axis=1))
    if solid.sum() < LEAST_STRAY_PIXELS:
        return None
    return TrimRegion("stray", solid, solid, int(rows[0]), int(rows[-1]) + 1)
