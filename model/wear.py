"""How much of the stamped metal is left: the cells that are surely metal now against those stamped when new.

The network says of every cell what was stamped there, worn-away print included, and what lies there now. Of a
border that repeats clearly the repeats are folded upon each other besides: where several of them show print,
print was stamped in all, also where wear left no trace; the motif's own gaps do not count as wear.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from model.rim_band import RimStrip
from model.strip_labels import MATERIALS, ROLES, StripLabels

Array = npt.NDArray[np.float64]
Map = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]

SECTORS = 36
GOLD, PLATINUM, PAINT = (MATERIALS.index(name) for name in ("gold", "platinum", "paint"))
STAMPED_FROM = 0.5  # chance of a role from which a cell was stamped
LEAST_CELLS = 12  # of metal, for a role to be metal at all
PRESENT_QUANTILE = 0.7  # a place of the motif is stamped if three in ten of the repeats show it
LEAST_REPEATS = 4  # fewer folded repeats tell wear from design badly
SEARCH_SHARE = 0.08  # of a repeat: stamps are set by hand, repeats stray a little
MIN_SECTOR_CELLS = 6.0
CLEAR_REPEAT = 0.3  # height of the autocorrelation from which repeats are laid on each other (own choice)


@dataclass(frozen=True, eq=False)
class Wear:
    """Expected and present metal by 10 degree sector, (36,) float64 each, in cells.

    ``soft_expected`` and ``soft_present`` are sums of chances instead of counts of likely cells, without the
    fold. ``repeat_strength`` is how clearly the border repeats, 0..1.
    """

    expected: Array
    present: Array
    soft_expected: Array
    soft_present: Array
    repeat_strength: float

    @property
    def remaining_share(self) -> float | None:
        """Present over expected in all sectors in view; None where nothing is expected."""
        return _share(self.present, self.expected)

    @property
    def soft_share(self) -> float | None:
        """The same of the chances."""
        return _share(self.soft_present, self.soft_expected)

    @property
    def sector_shares(self) -> Array:
        """(36,) present over expected by chances, nan where too little is expected or in view."""
        shares = np.full(SECTORS, np.nan)
        full = self.soft_expected >= MIN_SECTOR_CELLS
        shares[full] = np.clip(self.soft_present[full] / self.soft_expected[full], 0, 1)
        return shares


def _share(present: Array, expected: Array) -> float | None:
    total = expected.sum()
    return float(np.clip(present.sum() / total, 0, 1)) if total > 0 else None


def measure_wear(strip: RimStrip, labels: StripLabels) -> Wear | None:
    """Sum stamped and present metal over the roles that are metal; None where none is."""
    metal = labels.materials[GOLD] + labels.materials[PLATINUM]
    roles = [number for number in range(1, len(ROLES)) if _is_metal(labels, number, metal)]
    if not roles:
        return None
    seen = labels.seen > 0.5
    stamped, clear = np.zeros(seen.shape, bool), 0.0
    for number in roles:
        likely = (labels.roles[number] >= STAMPED_FROM) & seen
        if ROLES[number] == "border":
            period, clear = measure_repeat(likely)
            if clear >= CLEAR_REPEAT and likely.shape[1] / period >= LEAST_REPEATS:
                likely |= _fold(likely, seen, period) & seen
        stamped |= likely
    unpainted = 1 - labels.materials[PAINT]  # print of the role that is paint was never metal
    soft, hard = labels.roles[roles].sum(axis=0) * labels.seen * unpainted, stamped * unpainted
    return Wear(
        _by_sector(strip, labels, hard),
        _by_sector(strip, labels, hard * np.minimum(metal / np.maximum(unpainted, 1e-3), 1)),
        _by_sector(strip, labels, soft),
        _by_sector(strip, labels, soft * np.minimum(metal / np.maximum(unpainted, 1e-3), 1)),
        clear,
    )


def _is_metal(labels: StripLabels, number: int, metal: Map) -> bool:
    """Whether the role's print is metal rather than paint, by the cells where that is likely."""
    own = (labels.roles[number] >= STAMPED_FROM) & (labels.seen > 0.5)
    metallic = int((metal[own] >= STAMPED_FROM).sum())
    return metallic >= LEAST_CELLS and metallic > int((labels.materials[PAINT][own] >= STAMPED_FROM).sum())


def _by_sector(strip: RimStrip, labels: StripLabels, cells: npt.NDArray[np.generic]) -> Array:
    """Sums of (h, w) cells by the sector of their middle."""
    middle = labels.columns_px(np.arange(cells.shape[1]) + 0.5).astype(np.int64)
    degrees = strip.column_deg[np.clip(middle, 0, len(strip.column_deg) - 1)]
    sector = (degrees // (360 / SECTORS)).astype(np.int64) % SECTORS
    total = cells.sum(axis=0, dtype=np.float64)
    return np.asarray(np.bincount(sector, total, SECTORS), np.float64)


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
