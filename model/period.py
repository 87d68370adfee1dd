"""The period of a border: the shortest shift along the rim at which it lies on itself again."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

Map = npt.NDArray[np.float32]
Profile = npt.NDArray[np.float64]

# Shortest period worth a name, in ribbon px.
LEAST_PERIOD_PX = 5
# Of nearly equal multiples the shortest wins, one that stands out this share as much as the best, unless its
# own multiples show that only every second, third ... lies on itself in full.
SHORTER_WINS = 0.65
FULL_SHARE = 0.88
MOST_PARTS = 6
# An open strip must show this many periods.
LEAST_SHOWN = 1.6
HARMONICS = 6
# A multiple of the period is met within this share of it: unrolling stretches a little here and there.
SLACK_SHARE = 0.025
# The local period may differ from the mean by this share.
LOCAL_SHARE = 0.12
# Rhythm slower than this many ribbon heights is light, not print.
SLOW_HEIGHTS = 3.0


@dataclass(frozen=True)
class Period:
    """Period in ribbon px; ``likeness`` (-1..1) of the ribbon with itself one period on; ``standing`` by how
    many robust deviations that stands out from other shifts."""

    px: float
    likeness: float
    standing: float


def find_period(features: Map, seen: npt.NDArray[np.bool_], closed: bool) -> Period | None:
    """Shortest shift (ribbon px) that stands out; None where too little is seen.

    Parameters
    ----------
    features
        (rows, n) what is compared: strengths that do not depend on the metal's brightness.
    seen
        (n,) bool, columns seen.
    closed
        The ribbon is cyclic: the result goes into n a whole number of times.
    """
    likeness = self_likeness(features, seen, closed)
    if likeness is None:
        return None
    width = features.shape[1]
    last = int(width / 2 if closed else width / LEAST_SHOWN)
    if last <= LEAST_PERIOD_PX + 3:
        return None
    comb = comb_likeness(likeness, last, closed)
    middle = float(np.median(comb))
    deviation = 1.4826 * float(np.median(np.abs(comb - middle))) + 1e-3
    peaks = _find_peaks(comb, likeness)
    if len(peaks) == 0:
        return None
    best = float(comb[peaks].max())
    shortest = int(peaks[comb[peaks] - middle >= SHORTER_WINS * (best - middle)].min())
    exact = _sharpen(likeness, _join_parts(likeness, float(shortest), closed), closed)
    if closed:
        exact = width / max(1, round(width / local_period(features, seen, exact)))
    found = float(comb[min(round(exact), last - 1)])
    return Period(exact, found, (found - middle) / deviation)


def self_likeness(features: Map, seen: npt.NDArray[np.bool_], closed: bool) -> Profile | None:
    """Correlation of the features with themselves at every shift (n,), over the columns that both show."""
    width = features.shape[1]
    weight = seen.astype(np.float64)
    if weight.sum() < 4 * LEAST_PERIOD_PX:
        return None
    values = features * weight
    length = width if closed else 2 * width
    spectrum = np.fft.rfft(values, length, axis=1)
    product = np.fft.irfft((np.abs(spectrum) ** 2).sum(axis=0), length)[:width]
    energy_spectrum = np.fft.rfft((values**2).sum(axis=0), length)
    weight_spectrum = np.fft.rfft(weight, length)
    # Energy of what the first copy shows where the second is seen, and the other way round.
    energy = np.fft.irfft(energy_spectrum * weight_spectrum.conj(), length)
    ahead, behind = energy[:width], np.concatenate([energy[:1], energy[:0:-1]])[:width]
    shared = np.fft.irfft(np.abs(weight_spectrum) ** 2, length)[:width]
    floor = 0.03 * max(float(ahead[0]), 1e-12)
    likeness = product / np.sqrt(np.maximum(ahead, floor) * np.maximum(behind, floor))
    likeness[shared < 0.08 * shared[0]] = 0
    return np.asarray(likeness, np.float64)


def comb_likeness(likeness: Profile, last: int, closed: bool) -> Profile:
    """Mean likeness at the first multiples of each period 0..last - 1, (last,); 0 below the least period."""
    width = len(likeness)
    total, count = np.zeros(last), np.zeros(last)
    periods = np.arange(last)
    reach = width if closed else int(0.85 * width)
    for multiple in range(1, HARMONICS + 1):
        at = multiple * periods
        inside = (at < reach) if not closed else (at < 0.6 * width)
        nearby = _nearby_maximum(likeness, max(1, multiple // 2))
        total += np.where(inside, nearby[np.minimum(at, width - 1)], 0)
        count += inside
    comb = total / np.maximum(count, 1)
    comb[:LEAST_PERIOD_PX] = 0
    return np.asarray(comb, np.float64)


def _nearby_maximum(likeness: Profile, reach: int) -> Profile:
    kernel = np.ones((1, 2 * reach + 1), np.uint8)
    return np.asarray(cv2.dilate(likeness[None].astype(np.float32), kernel)[0], np.float64)


def _find_peaks(comb: Profile, likeness: Profile) -> npt.NDArray[np.int_]:
    """Local maxima beyond the first dip of the likeness."""
    dip = max(0.25, 0.4 * float(likeness[: len(comb)].max()))
    below = np.flatnonzero(likeness[: len(comb)] < dip)
    start = max(int(below[0]) if len(below) else LEAST_PERIOD_PX, LEAST_PERIOD_PX)
    index = np.arange(start, len(comb) - 1)
    return index[(comb[index] >= comb[index - 1]) & (comb[index] >= comb[index + 1]) & (comb[index] > 0)]


def _join_parts(likeness: Profile, period: float, closed: bool) -> float:
    """The period, or its multiple where only every k-th shift lies on itself in full (A B A B: two parts)."""
    reach = int((0.5 if closed else 0.75) * len(likeness))
    joined = period
    for parts in range(2, MOST_PARTS + 1):
        shares = []
        for multiple in range(parts, int(reach / period), parts):
            full = _height_near(likeness, multiple * period)
            beside = [_height_near(likeness, (multiple + k) * period) for k in (-1, 1)]
            shares.append(float(np.mean(beside)) / max(full, 1e-6) if full > 0.1 else 1.0)
            if len(shares) == HARMONICS:
                break
        if shares and float(np.median(shares)) < FULL_SHARE:
            joined = parts * period
            break
    return joined


def _height_near(likeness: Profile, at: float) -> float:
    slack = max(1, int(SLACK_SHARE * at))
    return float(likeness[max(0, round(at) - slack) : round(at) + slack + 1].max(initial=0.0))


def _sharpen(likeness: Profile, period: float, closed: bool) -> float:
    """Period from its farthest clear multiple: the farther, the finer."""
    exact = _peak_near(likeness, period)
    first = likeness[round(exact)]
    for multiple in range(2, 4 * HARMONICS):
        at = multiple * exact
        if at > (0.5 if closed else 0.8) * len(likeness):
            break
        near = _peak_near(likeness, at)
        if abs(near - at) > 0.2 * exact or likeness[min(round(near), len(likeness) - 1)] < 0.4 * first:
            break
        exact = near / multiple
    return exact


def _peak_near(likeness: Profile, at: float) -> float:
    """Vertex of the parabola through the maximum near a shift."""
    slack = max(1, int(SLACK_SHARE * at))
    low = max(1, round(at) - slack)
    top = low + int(np.argmax(likeness[low : round(at) + slack + 1]))
    if top + 1 >= len(likeness):
        return float(top)
    before, middle, after = likeness[top - 1 : top + 2]
    bend = before - 2 * middle + after
    return float(top if bend >= 0 else top + np.clip(0.5 * (before - after) / bend, -0.5, 0.5))


def local_period(features: Map, seen: npt.NDArray[np.bool_], period: float) -> float:
    """Harmonic mean of the local period all along a cyclic ribbon: the number of repeats is n divided by it.

    The local period is the shift near ``multiple`` periods at which the neighbourhood of a column lies on
    itself; summed over the columns as repeats per column it counts them even where they are unevenly wide.
    """
    width = features.shape[1]
    values = features * seen
    multiple = int(np.clip(width // (6 * period), 1, 3))
    centre, reach = multiple * period, max(1.5, LOCAL_SHARE * period)
    shifts = np.arange(int(np.floor(centre - reach)), int(np.ceil(centre + reach)) + 1)
    window = int(2 * period) | 1
    energy = _blur_ring((values**2).sum(axis=0), window)
    scores = np.empty((len(shifts), width))
    for row, shift in enumerate(shifts):
        product = (values * np.roll(values, -int(shift), axis=1)).sum(axis=0)
        scores[row] = _blur_ring(product, window) / np.sqrt(energy * np.roll(energy, -int(shift)) + 1e-9)
    top = scores.argmax(axis=0)
    best = scores[top, np.arange(width)]
    inner = np.clip(top, 1, len(shifts) - 2)
    before, middle, after = (scores[inner + k, np.arange(width)] for k in (-1, 0, 1))
    bend = np.minimum(before - 2 * middle + after, -1e-9)
    exact = (shifts[inner] + np.clip(0.5 * (before - after) / bend, -0.7, 0.7)) / multiple
    weight = np.maximum(best, 0) ** 2 * np.roll(seen, 0) + 1e-9
    return float(weight.sum() / (weight / exact).sum())


def _blur_ring(profile: Profile, window: int) -> Profile:
    """Moving mean of a cyclic profile."""
    pad = min(window, len(profile))
    ring = np.concatenate([profile[-pad:], profile, profile[:pad]])
    total = np.cumsum(np.concatenate([[0.0], ring]))
    half = window // 2
    at = np.arange(len(profile)) + pad
    low, high = np.maximum(at - half, 0), np.minimum(at + half + 1, len(ring))
    return np.asarray((total[high] - total[low]) / (high - low), np.float64)
