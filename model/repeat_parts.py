"""Is a repeat really several, or half of one: parts of it compared by what noise allows.

Parts of all repeats are sorted into groups, each group averaged over its even and its odd members. Where the
groups are the same print, averages of different groups are as alike as two averages of one group are.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from model.period import Map, Profile
from model.repeat_phase import columns_at

ROWS, COLUMNS = 24, 24
# Parts may lie so many rows and columns off each other: the rim sways, and a repeat is not evenly wide.
ROW_SLACK, COLUMN_SLACK = 2, 2
FINE_PX, COARSE_PX = 0.6, 4.0


@dataclass(frozen=True)
class Likeness:
    """Correlations: averages of one group, of different groups as a share of it (mean and least)."""

    within: float
    between_share: float
    least_share: float


def compare_parts(strength: Map, share: Map, columns: Profile, parts: int, groups: int) -> Likeness | None:
    """Compare the ``parts`` of a cyclic ribbon that differ by their number modulo ``groups``.

    Parameters
    ----------
    strength, share
        (48, n) print strength and share seen.
    columns
        As `model.repeat_phase.Followed` has them; they are divided into ``parts``.

    Returns
    -------
    Likeness or None
        None where a group has too few members to be halved.
    """
    if parts < 2 * groups:
        return None
    at = np.interp(
        np.arange(parts * COLUMNS) * (len(columns) / (parts * COLUMNS)),
        np.arange(len(columns) + 1),
        np.append(columns, columns[0] + strength.shape[1]),
    )
    size = (strength.shape[1], ROWS)
    ink, seen = (
        columns_at(cv2.resize(plane, size, interpolation=cv2.INTER_AREA), at).reshape(ROWS, parts, COLUMNS)
        for plane in (strength, share)
    )
    number = np.arange(parts)
    means = {}
    for group in range(groups):
        for half in (0, 1):
            chosen = (number % groups == group) & (number // groups % 2 == half)
            weight = seen[:, chosen].sum(axis=1) + 1e-3
            means[group, half] = _sharpen((ink[:, chosen] * seen[:, chosen]).sum(axis=1) / weight)
    within = float(np.mean([_correlate(means[g, 0], means[g, 1]) for g in range(groups)]))
    pairs = [(0, 1)] if groups == 2 else [(g, (g + 1) % groups) for g in range(groups)]
    between = np.array(
        [
            0.5 * (_correlate(means[a, 0], means[b, 1]) + _correlate(means[b, 0], means[a, 1]))
            for a, b in pairs
        ]
    )
    between /= max(within, 0.05)
    return Likeness(within, float(between.mean()), float(between.min()))


def _sharpen(part: npt.NDArray[np.floating]) -> Map:
    """A part (24, 24) less its slow changes."""
    ring = cv2.copyMakeBorder(part.astype(np.float32), 0, 0, 6, 6, cv2.BORDER_WRAP)
    fine = cv2.GaussianBlur(ring, (0, 0), FINE_PX) - cv2.GaussianBlur(ring, (0, 0), COARSE_PX)
    return np.asarray(fine[:, 6:-6], np.float32)


def _correlate(one: Map, other: Map) -> float:
    """Greatest correlation of two parts over small shifts."""
    best = -1.0
    for down in range(-ROW_SLACK, ROW_SLACK + 1):
        a = one[max(0, down) : ROWS + min(0, down)]
        b = other[max(0, -down) : ROWS + min(0, -down)]
        a = a - a.mean()
        b = b - b.mean()
        scale = float(np.sqrt(max(float((a * a).sum() * (b * b).sum()), 1e-9)))
        products = [
            float((a * np.roll(b, along, axis=1)).sum()) for along in range(-COLUMN_SLACK, COLUMN_SLACK + 1)
        ]
        best = max(best, max(products) / scale)
    return best
