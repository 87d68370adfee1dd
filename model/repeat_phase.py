"""Follow a closed border round the rim, repeat by repeat, and say how surely none was gained or lost.

A rim that is hidden, worn or glaring over a stretch lets one repeat slip by unseen: the count then rests on
nothing. The border is laid on its own mean repeat window by window; the best way round that ends where it
began is set against the best ways that end a repeat earlier or later.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from model.period import Map, Profile

# Columns that a repeat is resampled to, and repeats a window covers.
PHASES, SPAN = 24, 2
WINDOWS_A_REPEAT, LEAST_WINDOWS, MOST_WINDOWS = 2, 12, 360
# From one window to the next the border may lie so many columns further on or back than expected; each costs.
MOST_STEP, STEP_COST = 4, 0.06
# Repeats that may have been gained or lost in the first guess.
MOST_SLIPS = 3
ROUNDS = 2
# The first mean repeat is taken from the clearest stretch of so many: errors have not added up within it.
FIRST_REPEATS = 6
LEAST_SEEN_SHARE = 0.25


@dataclass(frozen=True, eq=False)
class Followed:
    """A border followed round the rim.

    Attributes
    ----------
    count
        Repeats.
    likeness
        Mean likeness of the windows to the mean repeat on the best way, 0..1.
    margin
        By how much (sum of likeness over windows) that way beats every way with another count.
    columns
        (PHASES * count,) place in the ribbon, px, of each column of each repeat; cyclic.
    """

    count: int
    likeness: float
    margin: float
    columns: Profile


def follow_repeats(features: Map, seen: npt.NDArray[np.bool_], count: int) -> Followed:
    """Follow ``count`` repeats of a cyclic ribbon; the count comes back mended where another fits better.

    Parameters
    ----------
    features
        (rows, n), as for `model.period.find_period`.
    seen
        (n,) bool.
    count
        First guess, at least 1.
    """
    width = features.shape[1]
    columns: Profile = np.arange(PHASES * count) * (width / (PHASES * count))
    likeness = margin = 0.0
    for turn in range(ROUNDS):
        ribbon = columns_at(features, columns)
        visible = np.interp(columns, np.arange(width), seen.astype(np.float64), period=width) > 0.5
        mean = _clearest_repeat(ribbon, visible) if turn == 0 else _mean_repeat(ribbon, visible)
        windows = int(np.clip(WINDOWS_A_REPEAT * count, LEAST_WINDOWS, MOST_WINDOWS))
        scores = _score_windows(ribbon, visible, mean, windows)
        ways, first, path, slips = _find_ways(scores)
        columns = _move_columns(columns, width, path, first, count + slips)
        count = max(1, count + slips)
        ordered = np.sort(ways)
        likeness, margin = float(ordered[-1] / windows), float(ordered[-1] - ordered[-2])
    return Followed(count, likeness, margin, columns)


def columns_at(image: Map, x: npt.NDArray[np.floating]) -> Map:
    """Columns at fractional positions x (n,), linear between neighbours, cyclic."""
    left = np.floor(x).astype(int)
    share = (x - left).astype(np.float32)
    width = image.shape[1]
    return np.asarray(image[:, left % width] * (1 - share) + image[:, (left + 1) % width] * share, np.float32)


def _mean_repeat(ribbon: Map, visible: npt.NDArray[np.bool_]) -> Map:
    """(rows, PHASES) over all that is seen."""
    parts = (ribbon * visible).reshape(len(ribbon), -1, PHASES)
    times = visible.reshape(-1, PHASES).sum(axis=0)
    return np.asarray(parts.sum(axis=1) / np.maximum(times, 1), np.float32)


def _clearest_repeat(ribbon: Map, visible: npt.NDArray[np.bool_]) -> Map:
    """(rows, PHASES) over the few repeats in a row that vary most."""
    count = ribbon.shape[1] // PHASES
    some = min(count, FIRST_REPEATS)
    parts = (ribbon * visible).reshape(len(ribbon), count, PHASES)
    variety = parts.std(axis=0).sum(axis=1)
    strength = np.convolve(np.concatenate([variety, variety[: some - 1]]), np.ones(some), "valid")
    chosen = (int(strength.argmax()) + np.arange(some)) % count
    return np.asarray(parts[:, chosen].mean(axis=1), np.float32)


def _score_windows(ribbon: Map, visible: npt.NDArray[np.bool_], mean: Map, windows: int) -> Profile:
    """Likeness (windows, PHASES) of each window to the mean repeat at every phase; little where unseen."""
    width, length = ribbon.shape[1], SPAN * PHASES
    taper = np.hanning(length + 2)[1:-1].astype(np.float32)
    centres = (np.arange(windows) * (width / windows)).astype(int)
    at = (centres[:, None] + np.arange(length) - length // 2) % width
    parts = ribbon[:, at] * taper
    folded = np.zeros((windows, len(ribbon), PHASES), np.float32)
    row = np.arange(windows)
    for place in range(length):
        folded[row, :, at[:, place] % PHASES] += parts[:, :, place].T
    spectrum = np.fft.rfft(folded, axis=2).conj() * np.fft.rfft(mean, axis=1)
    product = np.fft.irfft(spectrum.sum(axis=1), PHASES, axis=1)
    energy = (parts**2 / np.maximum(taper, 1e-6)).sum(axis=(0, 2))
    scale = np.sqrt(np.maximum(energy * float((mean**2).sum()) * SPAN / 2, 1e-6))
    seen_share = (visible[at] * taper).sum(axis=1) / taper.sum()
    known = np.clip(1.5 * seen_share - LEAST_SEEN_SHARE, 0, 1)
    return np.asarray(product / scale[:, None] * known[:, None], np.float64)


def _find_ways(scores: Profile) -> tuple[Profile, int, npt.NDArray[np.int_], int]:
    """Sums of the best ways for each number of slips, the window begun at, the best way and its slips.

    The way (windows + 1,) is how many columns further on each window lies; it begins at the clearest window.
    """
    count = len(scores)
    first = int(scores.max(axis=1).argmax())
    reach = MOST_SLIPS + 1
    states = (2 * reach + 1) * PHASES
    start = int(scores[first].argmax())
    start += reach * PHASES - (PHASES if start >= PHASES // 2 else 0)
    table = np.tile(np.roll(scores, -first, axis=0), (1, 2 * reach + 1))
    offsets = np.arange(-MOST_STEP, MOST_STEP + 1)
    cost = STEP_COST * np.abs(offsets)
    total = np.full(states, -np.inf)
    total[start] = table[0, start]
    back = np.zeros((count + 1, states), np.int_)
    for row in range(1, count + 1):
        padded = np.pad(total, MOST_STEP, constant_values=-np.inf)
        options = np.stack([padded[MOST_STEP - k : MOST_STEP - k + states] for k in offsets]) - cost[:, None]
        pick = options.argmax(axis=0)
        back[row] = np.clip(np.arange(states) - offsets[pick], 0, states - 1)
        total = options[pick, np.arange(states)] + (table[row] if row < count else 0)
    slips = np.arange(-MOST_SLIPS, MOST_SLIPS + 1)
    ways = total[start + slips * PHASES]
    best = int(slips[ways.argmax()])
    path = np.zeros(count + 1, np.int_)
    path[-1] = start + best * PHASES
    for row in range(count, 0, -1):
        path[row - 1] = back[row, path[row]]
    return ways, first, path - reach * PHASES, best


def _move_columns(
    columns: Profile, width: int, path: npt.NDArray[np.int_], first: int, count: int
) -> Profile:
    """The columns on which repeats come out evenly wide, by the way found."""
    windows = len(path) - 1
    place = (np.arange(windows + 1) + first) * (len(columns) / windows)
    phase = np.maximum.accumulate(place + path + np.arange(windows + 1) * 1e-6)
    steps = PHASES * max(1, count)
    wanted = phase[0] + np.arange(steps) * ((phase[-1] - phase[0]) / steps)
    turned = np.concatenate([columns, columns + width, columns[:1] + 2 * width])
    return np.asarray(np.interp(np.interp(wanted, phase, place), np.arange(len(turned)), turned), np.float64)
