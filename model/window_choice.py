"""Where along the border to cut: windows well seen, well printed and apart from each other."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float32]

# Starts are tried every so many ribbon pixels; chosen ones keep this apart (two thirds overlap at most).
START_STEP_PX = 16
LEAST_SPACING_PX = 112
# A window seen for less than this share is not worth a vector.
LEAST_SEEN_SHARE = 0.35
# Nor one that holds so much less than the best: the gap between spaced stamps.
LEAST_OF_BEST = 0.3
# Mean print strength of a border that is barely there.
LEAST_PRINT_SHARE = 0.02


def choose_starts(
    seen_mask: FloatArray, edges: FloatArray, window_px: int, limit: int, closed: bool
) -> tuple[list[int], list[float]]:
    """Starts (ribbon px) and weights of the best windows, apart from each other, best first.

    Parameters
    ----------
    seen_mask, edges
        (h, n) float32 in 0..1 of the whole ribbon: what was seen, and the strength of its edges.
    window_px
        Width of a window.
    limit
        Greatest number of windows.
    closed
        The ribbon is cyclic.
    """
    width = edges.shape[1]
    # Edges, not strength: a highlight has much strength and no edge.
    seen, printed = seen_mask.mean(axis=0), edges.mean(axis=0)
    centred = np.hanning(window_px + 2)[1:-1].astype(np.float32)
    starts = np.arange(0, width if closed else max(1, width - window_px + 1), START_STEP_PX)
    seen_share = _slide(seen, np.ones(window_px, np.float32), starts, closed)
    print_share = _slide(printed, centred, starts, closed)
    usual = max(float(np.percentile(print_share, 75)), LEAST_PRINT_SHARE)
    # Levels off: a smear or a glint of twice the usual print must not outrank the motif by far.
    weights = seen_share * print_share / (print_share + 0.5 * usual)
    weights[(seen_share < LEAST_SEEN_SHARE) | (weights < LEAST_OF_BEST * weights.max())] = 0
    return _spread(starts, weights, limit, width if closed else None)


def _slide(
    profile: FloatArray, kernel: FloatArray, starts: npt.NDArray[np.int_], closed: bool
) -> npt.NDArray[np.float64]:
    """Kernel-weighted mean of a column profile for the window at each start."""
    tail = np.resize(profile, len(kernel)) if closed else np.zeros(len(kernel), np.float32)
    long = np.concatenate([profile, tail])
    means = np.correlate(long, kernel / kernel.sum(), mode="valid")
    return means[starts].astype(np.float64)


def _spread(
    starts: npt.NDArray[np.int_], weights: npt.NDArray[np.float64], limit: int, turn_px: int | None
) -> tuple[list[int], list[float]]:
    """Greedy choice of the greatest weights with a least spacing, cyclic where ``turn_px`` is given."""
    chosen: list[int] = []
    left = weights.copy()
    while len(chosen) < limit and left.max(initial=0) > 0:
        best = int(left.argmax())
        chosen.append(best)
        apart = np.abs(starts - starts[best])
        if turn_px is not None:
            apart = np.minimum(apart, turn_px - apart)
        left[apart < LEAST_SPACING_PX] = 0
    return [int(starts[index]) for index in chosen], [float(weights[index]) for index in chosen]
