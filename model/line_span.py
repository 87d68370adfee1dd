"""The rows of an edge or verge line by the labels, its width finer than the labels' cells, its material.

The sum of a line's chances down the rows is its width, however thin it is and however its rows sway.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from model.strip_labels import ROLES, StripLabels

Array = npt.NDArray[np.float64]

BLOCKS = 24
LEAST_BLOCK_SEEN = 0.3  # of a block's cells in the rows that may hold a line
FOOT = 0.12  # of the highest row's chance, where a line ends
REACH = 10  # cells: no line is wider, sway included
LEAST_BLOCKS = 2
SMALL = 1e-3


@dataclass(frozen=True)
class LineSpan:
    """Cell rows (half-open, finer than cells) of a line's middle half, its width in cells, named facts."""

    first: float
    last: float
    width: float
    facts: dict[str, float]


def find_line_span(labels: StripLabels, kind: str) -> LineSpan | None:
    """The likeliest rows of a line of this kind (of ROLES); None where too little is seen to ask."""
    chance = labels.roles[ROLES.index(kind)].astype(np.float64)
    counts = labels.seen.sum(axis=1)
    if counts.max(initial=0.0) <= 0:
        return None
    profile = _average(chance, labels.seen)
    usual = float(np.median(profile[counts > 0]))  # of rows that show no line
    profile = np.maximum(profile - usual, 0)
    smooth = np.convolve(profile, [0.25, 0.5, 0.25], mode="same")
    peak = int(smooth.argmax())
    first, last = find_foot(smooth, peak)
    masses = np.maximum(sum_blocks(chance, labels.seen, first, last) - usual * (last - first), 0)
    if len(masses) < LEAST_BLOCKS:
        return None
    width = float(np.median(masses))
    inside = profile[first:last].sum()
    middle = float((profile[first:last] * (np.arange(first, last) + 0.5)).sum() / max(inside, SMALL))
    facts = {
        "peak": _odds(smooth[peak]),
        "width": float(np.log(width + 0.05)),
        "low": float(np.log(np.quantile(masses, 0.2) + 0.05)),
        "elsewhere": float(np.log(max(profile.sum() - inside, 0.0) + 0.05)),
        "rows": float(np.log(last - first)),
    } | _look_around(labels, kind, slice(first, last))
    half = max(width, 0.5) / 2
    return LineSpan(middle - half, middle + half, width, facts)


def _look_around(labels: StripLabels, kind: str, rows: slice) -> dict[str, float]:
    """Facts about what lies in the line's rows now, and about other print of the rim."""
    own = labels.roles[ROLES.index(kind), rows] * labels.seen[rows]
    bare = (labels.materials[0, rows] * own).sum() / max(float(own.sum()), SMALL)
    other = next(ROLES.index(name) for name in ("edge line", "verge line") if name != kind)
    border = (labels.roles[ROLES.index("border")] * labels.seen).sum() / max(float(labels.seen.sum()), SMALL)
    return {
        "bare": _odds(float(bare)),
        "other line": _odds(float(_average(labels.roles[other].astype(np.float64), labels.seen).max())),
        "border": float(np.log(border + 0.02)),
    }


def find_foot(profile: Array, peak: int) -> tuple[int, int]:
    """Rows (half-open) about the peak that stay above its foot."""
    low = np.flatnonzero(profile <= FOOT * profile[peak])
    first = max(int(low[low < peak].max(initial=-1)) + 1, peak - REACH)
    last = min(int(low[low > peak].min(initial=len(profile))), peak + REACH + 1)
    return first, max(last, first + 1)


def sum_blocks(chance: Array, seen: npt.NDArray[np.float32], first: int, last: int) -> Array:
    """The line's width in cells in each block of columns that is in view."""
    found = []
    for part, view in zip(
        np.array_split(chance[first:last], BLOCKS, axis=1),
        np.array_split(seen[first:last], BLOCKS, axis=1),
        strict=True,
    ):
        if view.size and view.mean() >= LEAST_BLOCK_SEEN:
            weight = np.maximum(view.sum(axis=1), SMALL)
            found.append(float(((part * view).sum(axis=1) / weight).sum()))
    return np.array(found)


def _average(chance: Array, seen: npt.NDArray[np.float32]) -> Array:
    """(h,) mean over the cells in view; rows hardly seen count as empty."""
    counts = seen.sum(axis=1)
    mean = (chance * seen).sum(axis=1) / np.maximum(counts, SMALL)
    return np.asarray(np.where(counts > 0.1 * counts.max(), mean, 0.0))


def _odds(share: float) -> float:
    held = float(np.clip(share, SMALL, 1 - SMALL))
    return float(np.log(held / (1 - held)))
