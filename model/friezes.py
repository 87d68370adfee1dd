"""The frieze group of a border's repeat: which reflections, turns and glides leave it as it is."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from model.facts import Symmetry

Map = npt.NDArray[np.float32]

ROWS, COLUMNS = 48, 96
FINE_PX, COARSE_PX = 0.6, 4.0
# Likeness from which vertical mirror, level mirror, half-turn and glide hold, and how far from it an answer
# is sure. Set on 440 rendered closed strips: nine in ten real symmetries lie above (mirror, turn and glide
# across the rows are let off, as rows drift) and nine in ten false ones below.
HOLDS_ABOVE = (0.93, 0.77, 0.80, 0.64)
SURE_SPAN = (0.06, 0.12, 0.10, 0.15)
# A tile less reliable than this says nothing about its symmetry.
LEAST_RELIABILITY = 0.5
# Border rows may be cut a little off: up to this share of the height a mirror line may lie off the middle.
ROW_SLACK_SHARE = 0.10


def frieze_group(tile: npt.NDArray[np.floating], reliability: float = 1.0) -> tuple[Symmetry, float]:
    """Name the frieze group of the smallest repeat.

    Parameters
    ----------
    tile
        (h, w) print strength of one repeat; joins itself left to right.
    reliability
        Share of the tile's variance that is print and not noise, 0..1.

    Returns
    -------
    (group, fit)
        ``fit`` 0..1: 1 where every deciding operation clearly holds or clearly fails, 0 where one lies on
        the border line. The caller withholds the group where the fit is poor.

    References
    ----------
    International Tables for Crystallography, vol. E: the seven frieze groups; vertical mirror, then
    horizontal mirror, half-turn and glide decide.
    """
    likeness = measure_symmetries(tile, reliability)
    sure = [_sureness(*item) for item in zip(likeness, HOLDS_ABOVE, SURE_SPAN, strict=True)]
    group, asked = _decide(*sure)
    return group, float(np.clip(min(abs(sure) for sure in asked), 0, 1))


def measure_symmetries(tile: npt.NDArray[np.floating], reliability: float = 1.0) -> list[float]:
    """Likeness of a tile to its image under vertical mirror, level mirror, half-turn and glide.

    In that order, as shares of what noise leaves possible.
    """
    small = prepare_tile(tile)
    over, across = small[::-1], small[:, ::-1]
    found = [
        _likeness(small, across, any_shift=True),
        _likeness(small, over, any_shift=False),
        _likeness(small, over[:, ::-1], any_shift=True),
        _likeness(small, np.roll(over, COLUMNS // 2, axis=1), any_shift=False),
    ]
    return [likeness / max(reliability, LEAST_RELIABILITY) for likeness in found]


def _decide(v: float, h: float, r: float, g: float) -> tuple[Symmetry, list[float]]:
    """Group and the sureness of every operation that was asked."""
    if v > 0:
        if h > 0:
            return "p2mm", [v, h]
        return ("p2mg", [v, h, r]) if r > 0 else ("p1m1", [v, h, r])
    if h > 0:
        return "p11m", [v, h]
    if r > 0:
        return "p2", [v, h, r]
    return ("p11g", [v, h, r, g]) if g > 0 else ("p1", [v, h, r, g])


def prepare_tile(tile: npt.NDArray[np.floating]) -> Map:
    """Fixed size (48, 96), its slow parts taken off: shapes decide, not where much of the ink lies."""
    image = np.asarray(tile, np.float32)
    shrink = image.shape[1] > COLUMNS
    small = cv2.resize(image, (COLUMNS, ROWS), interpolation=cv2.INTER_AREA if shrink else cv2.INTER_LINEAR)
    ring = cv2.copyMakeBorder(small, 0, 0, 16, 16, cv2.BORDER_WRAP)
    fine = cv2.GaussianBlur(ring, (0, 0), FINE_PX) - cv2.GaussianBlur(ring, (0, 0), COARSE_PX)
    return np.asarray(fine[:, 16:-16], np.float32)


def correlate(a: Map, b: Map) -> float:
    """Correlation of two maps of one shape, 0 where it is negative."""
    x, y = a - a.mean(), b - b.mean()
    return max(0.0, float((x * y).sum() / np.sqrt(max(float((x * x).sum() * (y * y).sum()), 1e-9))))


def correlate_shifted(a: npt.NDArray[np.floating], b: npt.NDArray[np.floating]) -> float:
    """Greatest correlation of two tiles over small shifts along the border, both made ready as one is."""
    x, y = prepare_tile(a), prepare_tile(b)
    reach = COLUMNS // 10
    return max(correlate(x, np.roll(y, shift, axis=1)) for shift in range(-reach, reach + 1))


def _sureness(likeness: float, holds_above: float, span: float) -> float:
    """-1 fails surely ... 0 open ... 1 holds surely."""
    return float(np.clip((likeness - holds_above) / span, -1, 1))


def _likeness(a: Map, b: Map, any_shift: bool) -> float:
    """Greatest correlation of two tiles over small row shifts and, where told, all column shifts."""
    slack = max(1, round(ROW_SLACK_SHARE * ROWS))
    best = -1.0
    for shift in range(-slack, slack + 1):
        x = a[max(0, shift) : ROWS + min(0, shift)]
        y = b[max(0, -shift) : ROWS + min(0, -shift)]
        x, y = x - x.mean(), y - y.mean()
        scale = float(np.sqrt(max(float((x * x).sum() * (y * y).sum()), 1e-12)))
        if any_shift:
            spectrum = (np.fft.rfft(x, axis=1) * np.fft.rfft(y, axis=1).conj()).sum(axis=0)
            best = max(best, float(np.fft.irfft(spectrum, COLUMNS).max()) / scale)
        else:
            near = [float((x * np.roll(y, k, axis=1)).sum()) for k in (-1, 0, 1)]
            best = max(best, max(near) / scale)
    return best
