"""The whole number of repeats round a closed rim, told only where nothing speaks against it.

Thresholds were set on 350 closed strips of rendered photos with their true border rows and checked on 141 of
other motifs: see each constant.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from model.friezes import correlate, prepare_tile
from model.period import Map
from model.repeat_parts import Likeness, compare_parts
from model.repeat_phase import Followed, columns_at, follow_repeats

# A repeat slipped behind what is hidden costs PHASES * STEP_COST = 1.44 and no more: below, nothing tells the
# counts apart.
LEAST_MARGIN = 1.5
LEAST_LIKENESS = 0.36
LEAST_RELIABILITY, LEAST_WITHIN = 0.5, 0.3
# Scallops and waves of a rim come round with every few repeats, which then lie on themselves best: a repeat
# whose parts are as alike as this is that many repeats. Those that only nearly are so are left uncounted.
PARTS_TRIED, MOST_LOBES, MOST_PARTS = (6, 5, 4, 3, 2), 16, 120
LEAST_PART_SHARE, LEAST_WORST_SHARE, LEAST_FOLLOWED_SHARE, LEAST_PART_MARGIN = 0.75, 0.70, 0.80, 1.3
DOUBTFUL_PART_SHARE = 0.6
# Halves are often nearly alike within one print: they must be as alike as repeats are, and lie as well.
LEAST_HALF_SHARE, LEAST_HALF_FOLLOWED_SHARE = 0.95, 0.97
LEAST_PART_PX = 5.0
# Every second repeat is another print below the first (two make one repeat), and may be below the second.
UNLIKE_PAIRS, DOUBTFUL_PAIRS = 0.85, 0.92
TILE_COLUMNS = 96


@dataclass(frozen=True, eq=False)
class Count:
    """Repeats round the rim, whether that is sure, the mean repeat (48, 96) and how much of it is print."""

    repeats: int
    sure: bool
    tile: Map
    reliability: float


def settle_count(strength: Map, share: Map, features: Map, seen: npt.NDArray[np.bool_], guess: int) -> Count:
    """Follow the guessed number of repeats round a cyclic ribbon and settle on a number.

    Parameters
    ----------
    strength, share
        (48, n) print strength and share seen.
    features, seen
        (rows, n) and (n,), as for `model.period.find_period`.
    guess
        Repeats by the period, at least 1.
    """
    followed = follow_repeats(features, seen, guess)
    sure = followed.count == guess and _is_followed_surely(followed)
    parts = _find_parts(strength, share, features, seen, followed) if sure else followed
    sure, followed = sure and parts is not None, parts or followed
    repeats = followed.count
    pairs = compare_parts(strength, share, followed.columns, repeats, 2) if repeats % 2 == 0 else None
    if pairs is not None and pairs.within >= LEAST_WITHIN and pairs.between_share < DOUBTFUL_PAIRS:
        if pairs.between_share < UNLIKE_PAIRS:
            repeats //= 2
        else:
            sure = False
    tile, reliability = _average(strength, share, followed, repeats)
    return Count(repeats, sure and reliability >= LEAST_RELIABILITY, tile, reliability)


def _is_followed_surely(followed: Followed) -> bool:
    return followed.margin >= LEAST_MARGIN and followed.likeness >= LEAST_LIKENESS


def _find_parts(
    strength: Map, share: Map, features: Map, seen: npt.NDArray[np.bool_], whole: Followed
) -> Followed | None:
    """The border followed by parts of its repeats where these are repeats; None where that is in doubt."""
    if whole.count > MOST_LOBES:
        return whole
    doubtful = False
    for number in PARTS_TRIED:
        count = whole.count * number
        if count > MOST_PARTS or strength.shape[1] / count < LEAST_PART_PX:
            continue
        alike = compare_parts(strength, share, whole.columns, count, number)
        if alike is None or alike.between_share < DOUBTFUL_PART_SHARE - 0.1:
            continue
        parts = follow_repeats(features, seen, count)
        if parts.count != count or parts.likeness < LEAST_FOLLOWED_SHARE * whole.likeness:
            continue
        alike = compare_parts(strength, share, parts.columns, count, number)
        if alike is None or (number == 2 and not _are_halves(alike, parts, whole)):
            continue
        if _are_repeats(alike, parts):
            return parts
        doubtful |= alike.between_share >= DOUBTFUL_PART_SHARE
    return None if doubtful else whole


def _are_repeats(alike: Likeness, parts: Followed) -> bool:
    return (
        alike.within >= LEAST_WITHIN
        and alike.between_share >= LEAST_PART_SHARE
        and alike.least_share >= LEAST_WORST_SHARE
        and parts.margin >= LEAST_PART_MARGIN
    )


def _are_halves(alike: Likeness, parts: Followed, whole: Followed) -> bool:
    followed_share = parts.likeness / max(whole.likeness, 1e-6)
    return alike.between_share >= LEAST_HALF_SHARE and followed_share >= LEAST_HALF_FOLLOWED_SHARE


def _average(strength: Map, share: Map, followed: Followed, repeats: int) -> tuple[Map, float]:
    """Mean (48, 96) of the repeats and its reliability, by how alike odd and even repeats are on average."""
    steps = repeats * TILE_COLUMNS
    at = np.interp(
        np.arange(steps) * (len(followed.columns) / steps),
        np.arange(len(followed.columns) + 1),
        np.append(followed.columns, followed.columns[0] + strength.shape[1]),
    )
    ink, seen = (
        columns_at(plane, at).reshape(len(plane), repeats, TILE_COLUMNS) for plane in (strength, share)
    )

    def mean(chosen: slice) -> Map:
        weight = seen[:, chosen].sum(axis=1) + 1e-3
        return np.asarray((ink[:, chosen] * seen[:, chosen]).sum(axis=1) / weight, np.float32)

    if repeats < 2:
        return mean(slice(None)), 0.0
    agreement = correlate(prepare_tile(mean(slice(0, None, 2))), prepare_tile(mean(slice(1, None, 2))))
    return mean(slice(None)), float(np.clip(2 * agreement / (1 + agreement), 0.0, 1.0))
