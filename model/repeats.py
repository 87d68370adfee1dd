"""How often the motif repeats, whether it runs on or stands alone, and the frieze group of its repeat."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import cv2
import numpy as np
import numpy.typing as npt

from model.even_repeats import find_even_map
from model.facts import Border, Layout
from model.friezes import correlate, correlate_shifted, frieze_group, prepare_tile
from model.period import SLOW_HEIGHTS, Period, find_period
from model.repeat_count import settle_count
from model.repeat_phase import columns_at

if TYPE_CHECKING:
    from model.bands import Band, Bands
    from model.rim_band import RimStrip

__all__ = ["Repeat", "count_repeats", "frieze_group", "measure_repeat"]

Map = npt.NDArray[np.float32]

# Rows of the ribbon that period and tile are measured on.
RIBBON_ROWS = 48
FEATURE_ROWS = 12
NOISE_FACTOR = 1.5
# Evening out the repeats' widths must make them this much more alike.
LEAST_EVEN_GAIN = 0.03
# The quieter pixels tell the glaze; weaker stretches are brought up, but not from less than this share.
BARE_PERCENTILE, LEAST_LEVEL = 45, 0.4
# A period is believed from this much likeness of the border with itself one repeat on, and where that stands
# out this many robust deviations from other shifts (rendered strips: below these, half are wrong).
SURE_LIKENESS = 0.45
LEAST_LIKENESS, LEAST_STANDING = 0.12, 4.0
# A spaced stamp leaves a stretch at least this share of the repeat, and this many heights, bare.
SPACED_GAP_SHARE, SPACED_GAP_HEIGHTS = 0.42, 0.9
# Columns up to this share of the way from the barest to the fullest are bare.
BARE_SHARE = 0.25
# A symmetry is named where its chance is at least this: nine in ten are right then, where the count is sure.
LEAST_SYMMETRY_FIT = 0.7
# An average of fewer repeats keeps too much of each one's wear and noise.
LEAST_TILE_REPEATS = 2.5
# Two neighbouring repeats are one where their averages are less alike than this share of what noise allows.
# On 77 closed strips of rendered photos it joined three that were halved and none that were right (their
# least share was .85). The average of few pairs, or of noise, decides nothing.
ALIKE_SHARE, LEAST_PAIR_RELIABILITY, LEAST_PAIRS = 0.80, 0.6, 3
# Trade practice, no source: repeats round a rim beyond this are a texture, not a border.
LEAST_REPEATS, MOST_REPEATS = 2, 240


@dataclass(frozen=True, eq=False)
class Repeat:
    """The repeat of a border: period in strip px, how like one repeat is to the next, how that stands out
    from other shifts, the layout, the averaged tile, how much of it is print and not noise (0..1), and the
    number of repeats round the rim where it is sure."""

    period_px: float
    likeness: float
    standing: float
    layout: Layout
    tile: Map
    reliability: float
    count: int | None = None


def count_repeats(strip: RimStrip, bands: Bands) -> Border:
    """Count the repeats of the border and name its frieze group.

    Parameters
    ----------
    strip, bands
        The unrolled rim and its bands.

    Returns
    -------
    facts.Border
        Layout "none" without a border. ``repeats`` is the number round the whole rim: counted on a closed
        strip, None where that is not sure and on an open one: of 14 estimates by the length of a rim that
        was seen in part, 3 were right.
        ``symmetry`` is None where the print does not decide.
    """
    if bands.border is None:
        return Border("none", None, None, None)
    repeat = measure_repeat(strip, bands)
    if repeat is None:
        return Border("continuous", None, None, None)
    symmetry, fit = frieze_group(repeat.tile, repeat.reliability)
    shown = strip.seen_mask.shape[1] / repeat.period_px
    return Border(
        repeat.layout,
        repeat.count,
        repeat.period_px * strip.mm_per_px if strip.mm_per_px else None,
        symmetry
        if repeat.count is not None and fit >= LEAST_SYMMETRY_FIT and shown >= LEAST_TILE_REPEATS
        else None,
    )


def measure_repeat(strip: RimStrip, bands: Bands) -> Repeat | None:
    """Period, layout and mean tile of the border; None where nothing repeats surely."""
    if bands.border is None:
        return None
    ribbon, share, scale = _cut_ribbon(strip, bands, bands.border)
    features, seen = _features(ribbon, share, strip.closed), share.mean(axis=0) > 0.5
    even, even_share, period = _find_even_period(ribbon, share, features, strip.closed)
    if period is None:
        return None
    found = None
    if _is_sure(period):
        found = _average_repeats(even, even_share, period, scale, strip.closed)
    if not strip.closed:
        return found
    width = ribbon.shape[1]
    guess = round(width / (period.px if found is None else found.period_px * scale))
    if period.likeness < LEAST_LIKENESS or not LEAST_REPEATS <= guess <= MOST_REPEATS:
        return found
    settled = settle_count(np.abs(ribbon), share, features, seen, guess)
    if not settled.sure:
        return found
    return Repeat(
        width / settled.repeats / scale,
        period.likeness,
        period.standing,
        _tell_layout(settled.tile, width / settled.repeats),
        settled.tile,
        settled.reliability,
        settled.repeats,
    )


def _average_repeats(ribbon: Map, share: Map, period: Period, scale: float, closed: bool) -> Repeat:
    """The repeat of an evened ribbon; ``scale`` is its px per strip px."""
    tile, reliability = average_tile(np.abs(ribbon), share, period, closed)
    period, tile, reliability = join_unlike_pairs(np.abs(ribbon), share, period, tile, reliability, closed)
    layout = _tell_layout(tile, period.px)
    return Repeat(period.px / scale, period.likeness, period.standing, layout, tile, reliability)


def _find_even_period(ribbon: Map, share: Map, features: Map, closed: bool) -> tuple[Map, Map, Period | None]:
    """Ribbon and share seen, evened out where that makes the repeats more alike, and their period."""
    seen = share.mean(axis=0) > 0.5
    period = find_period(features, seen, closed)
    even = find_even_map(features, seen, closed)
    if even is None:
        return ribbon, share, period
    columns = even.astype(np.float32)
    moved, moved_share = columns_at(ribbon, columns), columns_at(share, columns)
    moved_seen = moved_share.mean(axis=0) > 0.5
    again = find_period(_features(moved, moved_share, closed), moved_seen, closed)
    if again is None or (period is not None and again.likeness < period.likeness + LEAST_EVEN_GAIN):
        return ribbon, share, period
    return moved, moved_share, again


def _is_sure(period: Period) -> bool:
    """Like itself, or little like itself but far more than at other shifts (wear, blur, few pixels)."""
    if period.likeness >= SURE_LIKENESS:
        return True
    return period.likeness >= LEAST_LIKENESS and period.standing >= LEAST_STANDING


def _cut_ribbon(strip: RimStrip, bands: Bands, border: Band) -> tuple[Map, Map, float]:
    """Signed contrast (48, n) of the border's rows, evened; share seen (48, n); ribbon px per strip px."""
    rows = slice(border.row0, border.row1)
    scale = min(1.0, RIBBON_ROWS / (border.row1 - border.row0))
    size = (max(16, round(bands.contrast.shape[1] * scale)), RIBBON_ROWS)
    seen = strip.seen_mask[rows].astype(np.float32)
    small = cv2.resize(bands.contrast[rows] * seen, size, interpolation=cv2.INTER_AREA)
    share = cv2.resize(seen, size, interpolation=cv2.INTER_AREA)
    ribbon = small / np.maximum(share, 0.2)
    return _even_out(_drop_slow(ribbon, strip.closed), share), share, size[0] / bands.contrast.shape[1]


def _drop_slow(ribbon: Map, closed: bool) -> Map:
    """Take off what changes slowly along the barer pixels: light that the glaze did not explain."""
    pad = min(int(SLOW_HEIGHTS * RIBBON_ROWS), ribbon.shape[1])
    bare = (np.abs(ribbon) <= np.percentile(np.abs(ribbon), BARE_PERCENTILE)).astype(np.float32)
    mode = cv2.BORDER_WRAP if closed else cv2.BORDER_REFLECT

    def blur(plane: Map) -> Map:
        ring = cv2.copyMakeBorder(plane, 0, 0, pad, pad, mode)
        window = (pad | 1, RIBBON_ROWS // 2)
        return np.asarray(cv2.blur(ring, window, borderType=cv2.BORDER_REFLECT)[:, pad:-pad], np.float32)

    return ribbon - blur(ribbon * bare) / (blur(bare) + np.float32(0.05))


def _features(ribbon: Map, share: Map, closed: bool) -> Map:
    """What repeats whatever the metal mirrors: sizes of contrast and of its jumps, (36, n), row means off.

    Twelve rows each: rows that drift a little along the rim still meet themselves.
    """
    along = cv2.Sobel(ribbon, cv2.CV_32F, 1, 0, ksize=3, scale=0.25)
    across = cv2.Sobel(ribbon, cv2.CV_32F, 0, 1, ksize=3, scale=0.25)
    size = (ribbon.shape[1], FEATURE_ROWS)
    # Where what was seen ends, print ends too: no edge of the print's.
    whole = cv2.erode((share > 0.9).astype(np.float32), np.ones((3, 3), np.uint8))
    parts = [
        cv2.resize(np.abs(part) * whole, size, interpolation=cv2.INTER_AREA)
        for part in (ribbon, along, across)
    ]
    # What the quietest quarter of the ribbon shows is noise, and noise never repeats.
    parts = [np.maximum(part - NOISE_FACTOR * np.percentile(part, 25), 0) for part in parts]
    stack = np.concatenate([part / max(float(part.std()), 1e-6) for part in parts])
    stack = np.minimum(stack, 4.0)
    visible = (share.mean(axis=0) > 0.5).astype(np.float32)
    mean = (stack * visible).sum(axis=1, keepdims=True) / max(float(visible.sum()), 1.0)
    window = (int(SLOW_HEIGHTS * RIBBON_ROWS) | 1, 1)
    slow = cv2.blur((stack - mean) * visible, window) / np.maximum(cv2.blur(visible[None], window), 0.2)
    return np.asarray((stack - mean - slow) * visible, np.float32)


def _even_out(ribbon: Map, share: Map) -> Map:
    """Divide by what is usual nearby, so that a stretch of strong print does not outvote the rest."""
    level = cv2.blur(np.abs(ribbon).max(axis=0, keepdims=True), (2 * RIBBON_ROWS + 1, 1))
    usual = max(float(np.percentile(level, 75)), 1e-4)
    even = np.clip(ribbon / np.maximum(level, LEAST_LEVEL * usual), -1.2, 1.2)
    return np.asarray(even * (share > 0.5), np.float32)


def average_tile(ribbon: Map, seen: Map, period: Period, closed: bool) -> tuple[Map, float]:
    """Mean (48, p) of all repeats, p the period in whole columns, and its reliability (0..1).

    Each repeat is first laid on the mean so far, within a small reach. The reliability is the share of the
    mean's variance that the odd and the even repeats agree on (Spearman-Brown, of their correlation).
    """
    columns, width = max(4, round(period.px)), ribbon.shape[1]
    steps = (np.arange(columns) * (period.px / columns)).astype(np.float32)
    total = np.zeros((2, ribbon.shape[0], columns), np.float32)
    weight = np.full_like(total, 1e-3)
    offset = 0.0
    for index in range(max(1, int(width / period.px + 1e-6))):
        x = index * period.px + offset + steps
        if not closed and x[-1] > width - 1:
            break
        part, ok = columns_at(ribbon, x % width), columns_at(seen, x % width)
        if index:
            shift = _best_shift(total.sum(0) / weight.sum(0), part * ok, reach=max(1, columns // 12))
            offset += shift
            part, ok = columns_at(ribbon, (x + shift) % width), columns_at(seen, (x + shift) % width)
        total[index % 2] += part * ok
        weight[index % 2] += ok
    odd, even = (prepare_tile(half) for half in total / weight)
    agreement = correlate(odd, even)
    return total.sum(0) / weight.sum(0), float(np.clip(2 * agreement / (1 + agreement), 0.0, 1.0))


def join_unlike_pairs(
    ribbon: Map, seen: Map, period: Period, tile: Map, reliability: float, closed: bool
) -> tuple[Period, Map, float]:
    """The period, tile and reliability, or those of two periods where these are surely not alike.

    A stamp whose halves are much alike (turned or mirrored letters, two leaves) lies nearly on itself after
    half a repeat; averaged over all repeats, its two halves still differ by more than noise does.
    """
    pairs = round(ribbon.shape[1] / period.px)
    if pairs < 2 * LEAST_PAIRS or (closed and pairs % 2):
        return period, tile, reliability
    double = replace(period, px=2 * period.px)
    pair, sure = average_tile(ribbon, seen, double, closed)
    middle = pair.shape[1] // 2
    likeness = correlate_shifted(pair[:, :middle], pair[:, middle : 2 * middle])
    if sure < LEAST_PAIR_RELIABILITY or likeness >= ALIKE_SHARE * sure:
        return period, tile, reliability
    return double, pair, sure


def _best_shift(mean: Map, part: Map, reach: int) -> int:
    """Columns by which the next repeat lies further on than expected, within ``reach``."""
    a = mean - mean.mean(axis=1, keepdims=True)
    b = part - part.mean(axis=1, keepdims=True)
    scores = {
        shift: float((a[:, reach:-reach] * np.roll(b, -shift, axis=1)[:, reach:-reach]).sum())
        for shift in range(-reach, reach + 1)
    }
    best = max(scores, key=lambda shift: scores[shift])
    return best if scores[best] > 1.02 * scores[0] > 0 else 0


def _tell_layout(tile: Map, period_px: float) -> Layout:
    """Spaced where one bare stretch takes much of the repeat and is wide beside the border's height."""
    columns = cv2.blur(np.percentile(tile, 90, axis=0)[None].astype(np.float32), (3, 1))[0]
    low, high = np.percentile(columns, (10, 92))
    bare = columns < low + BARE_SHARE * (high - low)
    longest = _longest_run(np.concatenate([bare, bare]))
    width = tile.shape[1]
    wide = longest >= SPACED_GAP_SHARE * width
    wide = wide and longest * period_px / width >= SPACED_GAP_HEIGHTS * RIBBON_ROWS
    return "spaced" if wide and longest < width else "continuous"


def _longest_run(flags: npt.NDArray[np.bool_]) -> int:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(np.int8), [0]])))
    return int((edges[1::2] - edges[::2]).max()) if len(edges) else 0
