"""How wide a printed line is, finer than the strip's rows: the sum of its print over its greatest print.

A line hardly wider than the blur of the photo takes up more rows than it is wide, and rows that are not quite
level smear it further; its sum stays. Short stretches are measured each on its own.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from model.bands import Band, Bands
from model.rim_band import RimStrip

FloatArray = npt.NDArray[np.float64]

_BLOCK_PX, _BESIDE_PX = 12, 4  # columns of a stretch; rows beside the line that tell the glaze
_LEAST_SEEN = 0.9  # of a stretch
_LEAST_PRINT = 0.12  # greatest contrast and shift of colour of a stretch that shows the line
_FOOT = 0.15  # of the greatest print, where the line ends
_LEAST_STRETCHES = 8


def measure_line_width_px(strip: RimStrip, bands: Bands, band: Band) -> float | None:
    """Strip px, the median of the better printed half of its stretches; None where too few show it."""
    first = max(0, band.row0 - _BESIDE_PX)
    last = min(strip.seen_mask.shape[0], band.row1 + _BESIDE_PX)
    count = strip.seen_mask.shape[1] // _BLOCK_PX
    if last - first < 5 or count < _LEAST_STRETCHES:
        return None
    used = slice(0, count * _BLOCK_PX)
    contrast, shift, seen = (
        layer[first:last, used].astype(np.float64).reshape(last - first, count, _BLOCK_PX).mean(axis=2)
        for layer in (bands.contrast, bands.chroma_shift, strip.seen_mask)
    )
    found = []
    for index in np.flatnonzero(seen.mean(axis=0) >= _LEAST_SEEN):
        width = _width_of(contrast[:, index], shift[:, index])
        if width is not None:
            found.append(width)
    if len(found) < _LEAST_STRETCHES:
        return None
    widths, prints = np.array(found).T
    return float(np.median(widths[prints >= np.median(prints)]))


def _width_of(contrast: FloatArray, shift: FloatArray) -> tuple[float, float] | None:
    """Width and greatest print of one stretch, rows across the line."""
    contrast, shift = _above_glaze(contrast), _above_glaze(shift)
    sign = 1.0 if contrast[int(np.argmax(np.abs(contrast)))] > 0 else -1.0
    profile = np.maximum(sign * contrast, 0) + np.maximum(shift, 0)
    peak = int(np.argmax(profile))
    most = float(profile[peak])
    if most < _LEAST_PRINT:
        return None
    faint = np.flatnonzero(profile <= _FOOT * most)
    start = int(faint[faint < peak].max(initial=-1)) + 1
    end = int(faint[faint > peak].min(initial=len(profile)))
    return float(profile[start:end].sum() / most), most


def _above_glaze(profile: FloatArray) -> FloatArray:
    """A profile less what the rows at either end show."""
    return np.asarray(profile - np.median(np.concatenate([profile[:2], profile[-2:]])))
