"""The evidence behind a verdict on the metal, small enough to keep: colours of trim and glaze round the rim.

A metal mirrors its surroundings and multiplies them by its own colour, so in even light the trim's colours
lie in one direction from the light's, and fan out where the room is coloured. What is kept is the colour of
the likeliest print in each 10 degrees of the rim, and of the glaze beside it, as the photo shows them.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from model.facts import ColourLine, ColourPoint
from model.rim_band import RimStrip
from model.trim_fusion import JudgedRegion
from model.trim_print import Print
from model.trim_regions import TrimRegion

Array = npt.NDArray[np.float64]

BLOCK_DEG = 10.0
MOST_PIXELS = 20000  # a regular subset is enough for a mean
LEAST_PIXELS = 8  # of a block
OWN_SHARE = 0.4  # of a block's pixels, those farthest from the glaze: the others mix with it at the edges
DARKEST = 0.004  # linear; darker pixels have no colour to speak of


def measure_colour_line(
    strip: RimStrip | None, found: Print | None, judged: Sequence[JudgedRegion] | None
) -> ColourLine | None:
    """Colours of the most metallic print and of its glaze by rim block; None where there is no such print.

    Clipped and very dark pixels are left out.
    """
    if strip is None or found is None or not judged:
        return None
    known = [one for one in judged if one.features is not None]
    if not known:
        return None
    best = max(known, key=lambda one: one.metal_log_odds)
    index = _choose_pixels(strip, best.region)
    if index.size < LEAST_PIXELS:
        return None
    pixels = strip.linear_rgb.reshape(-1, 3)[index].astype(np.float64)
    glaze = np.maximum(found.glaze_linear_rgb.reshape(-1, 3)[index].astype(np.float64), DARKEST / 4)
    block = (strip.column_deg[index % strip.encoded.shape[1]] // BLOCK_DEG).astype(np.int64)
    own = _own_pixels(pixels, glaze, block)
    points = []
    for number in np.unique(block[own]):
        here = own[block[own] == number]
        if here.size >= LEAST_PIXELS:
            trim, under = pixels[here].mean(axis=0), glaze[here].mean(axis=0)
            points.append(ColourPoint(float(number * BLOCK_DEG), *_ratios(trim), *_ratios(under)))
    return ColourLine(best.region.kind, tuple(points)) if points else None


def _choose_pixels(strip: RimStrip, region: TrimRegion) -> npt.NDArray[np.int64]:
    """Flat indices of the region's sound pixels, a regular subset of many."""
    sound = region.mask & strip.seen_mask & ~strip.clipped_mask
    index = np.flatnonzero(sound)
    index = index[:: max(1, index.size // MOST_PIXELS)]
    return np.asarray(index[strip.linear_rgb.reshape(-1, 3)[index].min(axis=1) > DARKEST], np.int64)


def _own_pixels(pixels: Array, glaze: Array, block: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Of each block the pixels that differ most from the glaze."""
    strength = np.abs(np.log(pixels / glaze)).sum(axis=1)
    order = np.lexsort((strength, block))
    count = np.bincount(block)
    rank = np.arange(order.size) - (np.cumsum(count) - count)[block[order]]
    return np.asarray(order[rank >= np.floor((1 - OWN_SHARE) * count[block[order]])], np.int64)


def _ratios(rgb: Array) -> tuple[float, float]:
    """Red and blue over green."""
    return round(float(rgb[0] / rgb[1]), 4), round(float(rgb[2] / rgb[1]), 4)
