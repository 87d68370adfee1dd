"""How much of the stamped metal is left: what the repeat says should be there against what is seen.

A line is expected everywhere along its rows. Of a border the repeats are folded upon each other: where
most repeats show print, print is expected in all, so that the motif's own gaps do not count as wear.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from model.rim_band import RimStrip
from model.trim_print import TrimRegion

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

SECTORS = 36
PRESENT_QUANTILE = 0.8  # a place of the motif is stamped if a fifth of the repeats still show it
LEAST_REPEATS = 4  # fewer folded repeats tell wear from design badly
SEARCH_SHARE = 0.08  # of a repeat: stamps are set by hand, repeats stray a little
MIN_SECTOR_PIXELS = 12
STRETCHES = 40
LEAST_REPEAT_STRENGTH = 0.15  # a lower peak of the autocorrelation is chance


@dataclass(frozen=True, eq=False)
class Wear:
    """Expected and present metal area by 10 degree sector, (36,) float64 each, strip px."""

    expected: Array
    present: Array

    @property
    def remaining_share(self) -> float | None:
        """Present over expected in all sectors in view; None where nothing is expected."""
        total = self.expected.sum()
        return float(np.clip(self.present.sum() / total, 0, 1)) if total > 0 else None

    @property
    def sector_shares(self) -> Array:
        """(36,) present over expected, nan where too little is expected or in view."""
        shares = np.full(SECTORS, np.nan)
        full = self.expected >= MIN_SECTOR_PIXELS
        shares[full] = np.clip(self.present[full] / self.expected[full], 0, 1)
        return shares


def measure_wear(strip: RimStrip, regions: list[TrimRegion], repeats: int | None = None) -> Wear:
    """Sum expected and present print over the metal regions.

    Parameters
    ----------
    regions
        The regions judged to be metal.
    repeats
        Whole number of repeats round a closed rim, if counted; else a repeat is looked for here.
    """
    expected, present = np.zeros(SECTORS), np.zeros(SECTORS)
    sector = (strip.column_deg // (360 / SECTORS)).astype(np.int64) % SECTORS
    for region in regions:
        rows = np.flatnonzero(region.wide_mask.any(axis=1))
        part = slice(int(rows[0]), int(rows[-1]) + 1)
        seen = strip.seen_mask[part]
        printed = region.wide_mask[part] & seen
        stamped, left = expect_print(printed, seen, region.kind, _period(strip, printed, repeats))
        expected += np.bincount(sector, stamped, SECTORS)
        present += np.bincount(sector, left, SECTORS)
    return Wear(expected, present)


def expect_print(printed: Mask, seen: Mask, kind: str, period_px: float | None) -> tuple[Array, Array]:
    """Expected and present print of each column, (w,) px each: a line's rows, or the folded repeats.

    A border without a clear repeat is held against its own best filled stretches.
    """
    if kind != "border":
        share = printed.sum(1) / np.maximum(seen.sum(1), 1)
        rows = share > 0.5 * share.max(initial=0.0)
        return seen[rows].sum(0).astype(np.float64), printed[rows].sum(0).astype(np.float64)
    if period_px is None or printed.shape[1] / period_px < LEAST_REPEATS:
        return _best_stretches(printed, seen)
    should = _fold(printed, seen, period_px)
    return (should & seen).sum(0).astype(np.float64), (printed & should).sum(0).astype(np.float64)


def _best_stretches(printed: Mask, seen: Mask) -> tuple[Array, Array]:
    """Expect everywhere the fill of the fullest tenth of some forty stretches."""
    block = np.arange(printed.shape[1]) * STRETCHES // printed.shape[1]
    left, view = printed.sum(0).astype(np.float64), seen.sum(0).astype(np.float64)
    fill = np.bincount(block, left) / np.maximum(np.bincount(block, view), 1)
    best = float(np.quantile(fill, 0.9))
    return view * best, np.minimum(left, view * best)


def _fold(printed: Mask, seen: Mask, period_px: float) -> Mask:
    """Cut into repeats, set each upon their mean within a small shift, take a high quantile, lay it back."""
    width = printed.shape[1]
    length = max(4, round(period_px))
    starts = np.arange(0, width - 0.5 * period_px, period_px)
    columns = (starts[:, None] + np.arange(length)[None] * (period_px / length)).round().astype(
        np.int64
    ) % width
    tiles = printed[:, columns].transpose(1, 0, 2).astype(np.float32)
    sound = seen[:, columns].transpose(1, 0, 2)
    shifts = _align(tiles, max(1, round(SEARCH_SHARE * length)))
    moved = np.stack([np.roll(tile, -s, axis=1) for tile, s in zip(tiles, shifts, strict=True)])
    visible = np.stack([np.roll(tile, -s, axis=1) for tile, s in zip(sound, shifts, strict=True)])
    soft = np.stack([cv2.blur(tile, (3, 3)) for tile in moved])
    stamped = _high_quantile(soft, visible, PRESENT_QUANTILE) > 0.5
    should = np.zeros(printed.shape, dtype=bool)
    for place, shift in zip(columns, shifts, strict=True):
        should[:, place] |= np.roll(stamped, shift, axis=1)
    return should


def _high_quantile(values: npt.NDArray[np.float32], visible: Mask, share: float) -> npt.NDArray[np.float32]:
    """Quantile over the first axis of the visible values, linear between ranks; 0 where none is visible."""
    ranked = np.sort(np.where(visible, values, np.float32(np.inf)), axis=0)
    ranked[:, ~visible.any(axis=0)] = 0
    last = np.maximum(visible.sum(axis=0) - 1, 0)
    place = np.float32(share) * last.astype(np.float32)
    low = place.astype(np.int64)
    below, above = (
        np.take_along_axis(ranked, at[None], axis=0)[0] for at in (low, np.minimum(low + 1, last))
    )
    return np.asarray(below + (above - below) * (place - low.astype(np.float32)))


def _align(tiles: npt.NDArray[np.float32], reach: int) -> list[int]:
    """Shift of each tile (px, cyclic) that fits the mean of all best; two rounds."""
    shifts = [0] * len(tiles)
    flat = tiles.reshape(len(tiles), -1).astype(np.float64)  # exact: equally good shifts stay equal
    for _round in range(2):
        mean = np.mean([np.roll(t, -s, axis=1) for t, s in zip(tiles, shifts, strict=True)], axis=0)
        # Moving the mean one way scores like moving each tile the other.
        moved = np.stack([np.roll(mean, s, axis=1).ravel() for s in range(-reach, reach + 1)])
        shifts = [int(best) - reach for best in (flat @ moved.T).argmax(axis=1)]
    return shifts


def _period(strip: RimStrip, printed: Mask, repeats: int | None) -> float | None:
    """Length of a repeat in strip px."""
    if repeats is not None and strip.closed and repeats > 0:
        return float(printed.shape[1] / repeats)
    return find_period(printed)


def find_period(printed: Mask) -> float | None:
    """Length (px) of the clearest repeat along the rim, or None."""
    period, strength = measure_repeat(printed)
    return period if strength >= LEAST_REPEAT_STRENGTH else None


def measure_repeat(printed: Mask) -> tuple[float, float]:
    """Lag (px) of the strongest peak of the cyclic autocorrelation of (h, w) print, and its height 0..1.

    The first of nearly equal peaks counts; (0, 0) where there is none.
    """
    width = printed.shape[1]
    centred = printed - printed.mean(axis=1, keepdims=True)
    spectrum = (np.abs(np.fft.rfft(centred, axis=1)) ** 2).sum(0)
    correlation = np.fft.irfft(spectrum, width)
    if correlation[0] <= 0:
        return 0.0, 0.0
    correlation = correlation / correlation[0]
    lags = np.arange(8, max(9, width // LEAST_REPEATS))
    inner = lags[1:-1]
    here = correlation[inner]
    peaks = inner[(here >= correlation[inner - 1]) & (here >= correlation[inner + 1])]
    if len(peaks) == 0:
        return 0.0, 0.0
    best = peaks[correlation[peaks].argmax()]
    if correlation[best] <= 0:
        return 0.0, 0.0
    first = peaks[(correlation[peaks] >= 0.85 * correlation[best]).argmax()]
    return float(first), float(correlation[best])
