"""Intervals for shares and for differences of shares measured on the same queries."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

Z_95 = 1.959964
BOOTSTRAP_ROUNDS = 2000


def wilson_interval(hits: int, total: int) -> tuple[float, float]:
    """95 % interval of a share.

    References
    ----------
    E. B. Wilson, "Probable Inference, the Law of Succession, and Statistical Inference", JASA 22, 1927.
    """
    if total == 0:
        return 0.0, 1.0
    share, z2 = hits / total, Z_95**2
    middle = (share + z2 / (2 * total)) / (1 + z2 / total)
    half = Z_95 / (1 + z2 / total) * math.sqrt(share * (1 - share) / total + z2 / (4 * total**2))
    return max(0.0, middle - half), min(1.0, middle + half)


def describe_share(hits: npt.ArrayLike) -> dict[str, float | int | list[float]]:
    """Share of true values with n and its interval, rounded for a result file."""
    found = np.asarray(hits, bool)
    low, high = wilson_interval(int(found.sum()), len(found))
    share = float(found.mean()) if len(found) else float("nan")
    return {"share": round(share, 4), "n": len(found), "interval_95": [round(low, 4), round(high, 4)]}


def bootstrap_difference(
    first: npt.ArrayLike, second: npt.ArrayLike, groups: npt.ArrayLike, seed: int = 0
) -> dict[str, float | list[float]]:
    """Mean difference of two measures on the same queries, resampled by group (the motif); 95 %."""
    difference = np.asarray(first, float) - np.asarray(second, float)
    names, number = np.unique(np.asarray(groups), return_inverse=True)
    sums = np.bincount(number, difference, len(names))
    counts = np.bincount(number, minlength=len(names))
    rng = np.random.default_rng(seed)
    drawn = rng.integers(len(names), size=(BOOTSTRAP_ROUNDS, len(names)))
    means = sums[drawn].sum(axis=1) / counts[drawn].sum(axis=1)
    low, high = np.percentile(means, [2.5, 97.5])
    return {"difference": round(float(difference.mean()), 4), "interval_95": [round(low, 4), round(high, 4)]}


def area_under_curve(positive: npt.ArrayLike, negative: npt.ArrayLike) -> float:
    """Chance that a positive scores above a negative, ties counted half (the ROC curve's area)."""
    high, low = np.sort(np.asarray(positive, float)), np.asarray(negative, float)
    below = np.searchsorted(high, low, side="left")
    level = np.searchsorted(high, low, side="right") - below
    return float(((len(high) - below - level) + 0.5 * level).mean() / len(high))
