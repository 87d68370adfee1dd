"""The bands of a strip. Here: its local glaze and print, from the strip alone; rows: `model.label_rows`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import cv2
import numpy as np
import numpy.typing as npt

from model.glaze import Glaze, estimate_glaze, rgb_of_planes

if TYPE_CHECKING:
    from model.rim_band import RimStrip

Map = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]
Kind = Literal["edge line", "verge line", "border"]

# Print differs from the glaze by this many robust deviations of the bare glaze ...
PRINT_DEVIATIONS = 4.0
# ... and at least by this much in ln Y, or in chromaticity (uneven glaze and JPEG do not; common practice, no
# source; checked on rendered strips).
LEAST_CONTRAST, LEAST_CHROMA = 0.07, 0.07


@dataclass(frozen=True)
class Band:
    """Rows ``row0`` to ``row1`` (half-open) of a strip, what they are; a line's width, finer than rows."""

    row0: int
    row1: int
    kind: Kind
    width_px: float | None = None


@dataclass(frozen=True, eq=False)
class Bands:
    """What separates on a strip.

    Attributes
    ----------
    glaze_linear_rgb
        (h, w, 3) float32 linear sRGB of the glaze with the print removed.
    contrast
        (h, w) float32 signed ln(Y / Y of the glaze); 0 is bare glaze.
    chroma_shift
        (h, w) float32 >= 0, distance from the glaze in (ln R/G, ln B/G).
    print_mask
        (h, w) bool: differs from the glaze beyond its noise. Never above the lip.
    lines
        Edge and verge line, lip first; none before rows were looked for.
    border
        The decorated rows; None where there are none, and before rows were looked for.
    """

    glaze_linear_rgb: Map
    contrast: Map
    chroma_shift: Map
    print_mask: Mask
    lines: tuple[Band, ...]
    border: Band | None


def separate_print(strip: RimStrip) -> Bands:
    """Estimate the glaze under the print and mark what differs from it; rows are not looked for.

    Parameters
    ----------
    strip
        Any strip; partial and closed alike.

    Returns
    -------
    Bands
        Without border and lines; without any print where too little was seen.
    """
    inside = _find_inside(strip)
    glaze = estimate_glaze(strip.linear_rgb, inside, strip.closed)
    if glaze is None:
        return _nothing(strip)
    contrast, shift = _depart(glaze)
    print_mask = _find_print(contrast, shift, glaze, inside)
    return Bands(rgb_of_planes(glaze.glaze), contrast, shift, print_mask, (), None)


def _depart(glaze: Glaze) -> tuple[Map, Map]:
    """Signed ln Y contrast and chromaticity shift, (h, w) each, of the strip from its glaze."""
    rest = glaze.planes - glaze.glaze
    return rest[0], np.asarray(cv2.magnitude(rest[1], rest[2]), np.float32)


def _find_inside(strip: RimStrip) -> Mask:
    inside = strip.seen_mask.copy()
    inside[: strip.lip_row + 1] = False
    return inside


def _nothing(strip: RimStrip) -> Bands:
    h, w = strip.seen_mask.shape
    zero = np.zeros((h, w), np.float32)
    return Bands(strip.linear_rgb, zero, zero, np.zeros((h, w), bool), (), None)


def _find_print(contrast: Map, shift: Map, glaze: Glaze, inside: Mask) -> Mask:
    """Pixels beyond the bare glaze's own spread in luminance or in chromaticity."""
    bare = glaze.is_glaze[::3, ::3]
    spread = _spread(contrast[::3, ::3][bare])
    tint = _spread(shift[::3, ::3][bare])
    dark = np.abs(contrast) > max(LEAST_CONTRAST, PRINT_DEVIATIONS * spread)
    # Chroma is coarse in JPEG files: judged on 3 x 3 means.
    other = cv2.blur(shift, (3, 3)) > max(LEAST_CHROMA, PRINT_DEVIATIONS * tint)
    return np.asarray((dark | other) & inside)


def _spread(values: Map) -> float:
    return float(1.4826 * np.median(np.abs(values))) if values.size else 0.0
