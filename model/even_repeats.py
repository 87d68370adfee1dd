"""Even out repeats that are wider here and narrower there: a map of the ribbon on which they are alike.

A border that does not lie in the plane of the lip is seen shifted along the rim; its repeats look wider on
one side. The local period is followed round the rim, slowly changing, and the ribbon is stretched to a
constant one.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from model.period import LEAST_PERIOD_PX, Map, Profile, comb_likeness, self_likeness

# Windows in which a local period is looked for: so many round a whole rim or along an open strip, each of
# this share of it.
WINDOWS, WINDOW_SHARE, OPEN_WINDOW_SHARE = 12, 1 / 5, 1 / 3
# Steps of the local period's logarithm; from one window to the next it may move by a few.
LOG_STEP, MOST_STEPS, STEP_COST = 0.02, 6, 0.25
# A window must show this many periods.
LEAST_SHOWN = 2.2
# The path may not spread more than this (ln): beyond, windows follow different things.
GREATEST_SPREAD = 0.9
STANDING_CAP = 8.0


def find_even_map(features: Map, seen: npt.NDArray[np.bool_], closed: bool) -> Profile | None:
    """Columns (n,) to sample so that repeats become evenly wide; None where no local period can be followed.

    Parameters
    ----------
    features
        (rows, n), as for `model.period.find_period`.
    seen
        (n,) bool.
    closed
        The ribbon is cyclic; then so is the map.
    """
    width = features.shape[1]
    window = int(width * (WINDOW_SHARE if closed else OPEN_WINDOW_SHARE))
    logs = np.arange(np.log(LEAST_PERIOD_PX + 1), np.log(max(window / LEAST_SHOWN, 2)), LOG_STEP)
    if len(logs) < 2 * MOST_STEPS:
        return None
    centres = _window_centres(width, window, closed)
    scores = np.stack([_score_window(features, seen, centre, window, logs, closed) for centre in centres])
    if (scores.max(axis=1) > 0).mean() < 0.5:
        return None
    path = _follow(scores, closed)
    if np.ptp(logs[path]) > GREATEST_SPREAD:
        return None
    return _integrate(centres, np.exp(logs[path]), width, closed)


def _window_centres(width: int, window: int, closed: bool) -> Profile:
    if closed:
        return np.asarray(np.arange(WINDOWS) * (width / WINDOWS), np.float64)
    return np.asarray(np.linspace(window / 2, width - window / 2, WINDOWS), np.float64)


def _score_window(
    features: Map, seen: npt.NDArray[np.bool_], centre: float, window: int, logs: Profile, closed: bool
) -> Profile:
    """How far each period (ln) stands out in one window, 0 where hardly seen."""
    columns = np.arange(int(centre) - window // 2, int(centre) - window // 2 + window)
    columns = columns % features.shape[1] if closed else np.clip(columns, 0, features.shape[1] - 1)
    if seen[columns].mean() < 0.4:
        return np.zeros(len(logs))
    likeness = self_likeness(features[:, columns], seen[columns], closed=False)
    if likeness is None:
        return np.zeros(len(logs))
    comb = comb_likeness(likeness, int(np.exp(logs[-1])) + 2, closed=False)
    # Up to the first dip a ribbon is like itself whatever its period.
    below = np.flatnonzero(likeness[: len(comb)] < 0.3)
    comb[: int(below[0]) if len(below) else 0] = 0
    middle = float(np.median(comb))
    deviation = 1.4826 * float(np.median(np.abs(comb - middle))) + 0.01
    standing = np.clip((comb - middle) / deviation, 0, STANDING_CAP)
    return np.asarray(np.interp(np.exp(logs), np.arange(len(comb)), standing), np.float64)


def _follow(scores: Profile, closed: bool) -> npt.NDArray[np.int_]:
    """Indices (windows,) of the smooth path with the greatest sum of scores (Viterbi); cyclic if closed."""
    table = np.concatenate([scores, scores, scores]) if closed else scores
    count, states = table.shape
    total, back = table[0].copy(), np.zeros((count, states), np.int_)
    offsets = np.arange(-MOST_STEPS, MOST_STEPS + 1)
    cost = STEP_COST * np.abs(offsets)
    for row in range(1, count):
        padded = np.pad(total, MOST_STEPS, constant_values=-np.inf)
        options = (
            np.stack([padded[MOST_STEPS + k : MOST_STEPS + k + states] for k in offsets]) - cost[:, None]
        )
        pick = options.argmax(axis=0)
        back[row] = np.clip(np.arange(states) + offsets[pick], 0, states - 1)
        total = options[pick, np.arange(states)] + table[row]
    path = np.zeros(count, np.int_)
    path[-1] = int(total.argmax())
    for row in range(count - 1, 0, -1):
        path[row - 1] = back[row, path[row]]
    return path[len(scores) : 2 * len(scores)] if closed else path


def _integrate(centres: Profile, periods: Profile, width: int, closed: bool) -> Profile:
    """Map of n columns: repeats passed, as a function of the column, turned round."""
    columns = np.arange(width + 1, dtype=np.float64)
    if closed:
        rate = np.interp(columns, centres, 1 / periods, period=width)
    else:
        rate = np.interp(columns, centres, 1 / periods)
    passed = np.concatenate([[0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]))])
    return np.asarray(np.interp(np.arange(width) * (passed[-1] / width), passed, columns))
