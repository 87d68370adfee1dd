"""Level a border that sways along its strip, by the labels: a lip found a little off bends all rows below it.

The network that knows motifs and the count of repeats look at rows; a border that leaves its rows on a part
of the rim is cut there. Where the labels show its upper and lower edge block by block, both are made level.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from model.bands import Bands
from model.border_span import Profile, find_crossing, find_cut, find_gain, weigh_chances
from model.rim_band import RimStrip
from model.strip_labels import StripLabels

BLOCKS = 64
LEAST_BLOCKS = 6
LEAST_SEEN = 0.3  # of a block's cells in the border's rows
REACH = 1.0  # of the border's height: an edge further from its usual row belongs to something else
SMOOTH_BLOCKS = 2.0  # one sigma
# Of the border's height: a smaller sway (root mean square) is not worth a new sampling; edges that scatter
# more about the smooth ones are not known well enough (of 93 borders of path-traced pictures 17 came out
# more level by a fiftieth of their height or more, 8 less; the motif was named first in 2 of 86 more).
LEAST_SWAY, MOST_SCATTER = 0.05, 0.03


def level_border(strip: RimStrip, bands: Bands, labels: StripLabels | None) -> tuple[RimStrip, Bands]:
    """Strip and bands resampled so that the border keeps its rows; unchanged where it does, or is not told.

    Rows above the border move less the nearer they are to the lip, which stays. The lines of ``bands`` are
    left where they were.
    """
    if labels is None or bands.border is None:
        return strip, bands
    height, width = strip.seen_mask.shape
    edges = trace_edges(labels, (bands.border.row0, bands.border.row1), width, strip.closed)
    if edges is None:
        return strip, bands
    first, last = float(edges[0].mean()), float(edges[1].mean())
    away = edges - np.array([[first], [last]])
    if np.sqrt((away**2).mean()) < LEAST_SWAY * (last - first):
        return strip, bands
    map_x, map_y = np.meshgrid(np.arange(width, dtype=np.float32), np.arange(height, dtype=np.float32))
    rows = np.array([-1.0, strip.lip_row, first, last, height])
    steps = np.stack([np.zeros(width), np.zeros(width), away[0], away[1], away[1]])
    for y in range(height):
        k = int(np.clip(np.searchsorted(rows, y, side="right") - 1, 0, 3))
        share = (y - rows[k]) / max(rows[k + 1] - rows[k], 1e-6)
        map_y[y] += (steps[k] * (1 - share) + steps[k + 1] * share).astype(np.float32)
    row0 = int(np.clip(round(first), 0, height - 1))
    level = replace(bands.border, row0=row0, row1=int(np.clip(round(last), row0 + 1, height)))
    return _move_strip(strip, map_x, map_y), replace(_move_bands(bands, map_x, map_y), border=level)


def trace_edges(
    labels: StripLabels, border_px: tuple[int, int], width: int, closed: bool
) -> npt.NDArray[np.float64] | None:
    """Strip rows (2, width) of the border's upper and lower edge; None where too few blocks show both,
    or where they scatter."""
    usual = (np.array(border_px) - labels.first_row_px) / labels.step_px
    reach = REACH * (usual[1] - usual[0])
    columns = np.array_split(np.arange(labels.band.shape[1]), min(BLOCKS, labels.band.shape[1]))
    found = np.full((len(columns), 2), np.nan)
    for index, part in enumerate(columns):
        block = _edges_of_block(labels, part, usual)
        if block is not None and np.abs(block - usual).max() <= reach:
            found[index] = block
    known = np.isfinite(found[:, 0])
    if known.sum() < LEAST_BLOCKS:
        return None
    smooth = np.stack([_smooth(found[:, k], known, closed) for k in range(2)])
    scatter = float(np.abs(found.T - smooth)[:, known].mean())
    if scatter > MOST_SCATTER * (usual[1] - usual[0]):
        return None
    centres = np.array([part.mean() + 0.5 for part in columns]) * labels.step_px
    if closed:
        smooth = np.concatenate([smooth[:, -1:], smooth, smooth[:, :1]], axis=1)
        centres = np.concatenate([[centres[-1] - width], centres, [centres[0] + width]])
    at = np.arange(width) + 0.5
    return np.stack([labels.rows_px(np.interp(at, centres, edge)) for edge in smooth])


def _edges_of_block(labels: StripLabels, part: npt.NDArray[Any], usual: Profile) -> Profile | None:
    """Cell rows (2,) of the span that a block's labels speak for most; None where little is seen."""
    seen = labels.seen[:, part]
    first, last = max(0, int(usual[0])), int(usual[1]) + 1
    if seen[first:last].mean() < LEAST_SEEN:
        return None
    chance = (labels.band[:, part] * seen).sum(axis=1) / np.maximum(seen.sum(axis=1), 1e-6)
    chance = chance.astype(np.float64)
    odds = weigh_chances(chance, find_cut(chance))
    start, end, gain = find_gain(odds)
    return np.array([find_crossing(odds, start), find_crossing(odds, end)]) if gain > 0 else None


def _smooth(values: Profile, known: npt.NDArray[np.bool_], closed: bool) -> Profile:
    """Medians of three, then a Gaussian over the known blocks."""
    n = len(values)
    index = np.arange(n)
    middle = values.copy()
    for k in index[known]:
        near = [values[j % n] for j in (k - 1, k, k + 1) if (closed or 0 <= j < n) and known[j % n]]
        middle[k] = np.median(near)
    apart = np.abs(index[:, None] - index[None, :]).astype(np.float64)
    if closed:
        apart = np.minimum(apart, n - apart)
    nearest = apart[:, known].min(axis=1, keepdims=True)
    weight = np.exp(-0.5 * (apart[:, known] ** 2 - nearest**2) / SMOOTH_BLOCKS**2)
    return np.asarray((weight * middle[known]).sum(axis=1) / weight.sum(axis=1))


def _move_strip(strip: RimStrip, map_x: npt.NDArray[np.float32], map_y: npt.NDArray[np.float32]) -> RimStrip:
    seen = _move(strip.seen_mask, map_x, map_y)
    return replace(
        strip,
        encoded=_move(strip.encoded, map_x, map_y),
        linear_rgb=_move(strip.linear_rgb, map_x, map_y),
        seen_mask=seen & (map_y < strip.seen_mask.shape[0] - 0.5),
        clipped_mask=_move(strip.clipped_mask, map_x, map_y),
    )


def _move_bands(bands: Bands, map_x: npt.NDArray[np.float32], map_y: npt.NDArray[np.float32]) -> Bands:
    return replace(
        bands,
        glaze_linear_rgb=_move(bands.glaze_linear_rgb, map_x, map_y),
        contrast=_move(bands.contrast, map_x, map_y),
        chroma_shift=_move(bands.chroma_shift, map_x, map_y),
        print_mask=_move(bands.print_mask, map_x, map_y),
    )


def _move(
    image: npt.NDArray[Any], map_x: npt.NDArray[np.float32], map_y: npt.NDArray[np.float32]
) -> npt.NDArray[Any]:
    mode = cv2.BORDER_REPLICATE
    if image.dtype == np.bool_:
        moved = cv2.remap(image.astype(np.uint8), map_x, map_y, cv2.INTER_NEAREST, borderMode=mode)
        return np.asarray(moved > 0)
    return np.asarray(cv2.remap(image, map_x, map_y, cv2.INTER_LINEAR, borderMode=mode), image.dtype)
