"""The glaze close by, and how far each pixel of the strip lies from it.

A glaze estimated for the whole strip leaves broad shading behind (a shadow, a highlight); taken against
the nearest bare glaze instead, thin stamps stand out and shading does not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from model.bands import Bands
from model.colour import LUMINANCE_WEIGHTS
from model.rim_band import RimStrip

Map = npt.NDArray[np.float32]

FLOOR = 1e-3  # linear light under which a ratio means nothing
BARE_SPREAD = 0.15  # ln Y within which a pixel is likely bare glaze (own choice)
NEAR_SHARE = 0.35  # of the strip's height: how far the near glaze reaches


@dataclass(frozen=True, eq=False)
class Print:
    """The strip against its near glaze.

    ``glaze_linear_rgb`` (h, w, 3) float32; ``strength`` (h, w) float32 distance from it in ln Y and
    ln ratios.
    """

    glaze_linear_rgb: Map
    strength: Map


def find_print(strip: RimStrip, bands: Bands) -> Print:
    """Bring the glaze to the level and tint of the bare glaze close by, and measure what differs from it."""
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
    return Print(bands.glaze_linear_rgb * np.exp(cv2.merge(near)), strength)


def _weigh(planes: Sequence[Map], weights: Map) -> Map:
    return np.asarray(weights[0] * planes[0] + weights[1] * planes[1] + weights[2] * planes[2])


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
