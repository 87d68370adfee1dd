"""The frieze group of a clean drawn tile, by trying each symmetry operation at every shift."""

from __future__ import annotations

import cv2
import numpy as np

from training.art.ink import Ink

# A drawn symmetry lacks only what resampling blurs; a drawing without it differs by whole shapes.
SAME_ABOVE, DIFFERENT_BELOW = 0.99, 0.94
ROWS = 48
LEAST_PERIOD_PX = 6


def shortest_period(tile: Ink) -> int:
    """Width of the smallest repeat within a cyclic tile, in tile columns (a whole part of its width)."""
    width = int(tile.shape[1])
    flat = cv2.resize(tile, (width, ROWS), interpolation=cv2.INTER_AREA)
    for parts in range(min(16, width // LEAST_PERIOD_PX), 1, -1):
        if width % parts == 0 and _likeness(flat, np.roll(flat, width // parts, axis=1)) > 0.99:
            return width // parts
    return width


def frieze_of(tile: Ink) -> str | None:
    """Frieze group of a cyclic tile (one smallest repeat), or None where an operation is in between.

    References
    ----------
    International Tables for Crystallography, vol. E: vertical mirror, then horizontal mirror, half-turn,
    glide, decide among the seven groups.
    """
    flat = cv2.resize(tile, (tile.shape[1], ROWS), interpolation=cv2.INTER_AREA)
    flat = cv2.GaussianBlur(flat, (0, 0), 0.8)
    vertical = _decide(_best_shift(flat, flat[:, ::-1]))
    half_turn = _decide(_best_shift(flat, flat[::-1, ::-1]))
    level = _decide(_likeness(flat, flat[::-1]))
    half = tile.shape[1] // 2
    glide = _decide(
        max(_likeness(flat, np.roll(flat[::-1], shift, axis=1)) for shift in (half, half + tile.shape[1] % 2))
    )
    return _group(vertical, level, half_turn, glide)


def _group(v: bool | None, h: bool | None, r: bool | None, g: bool | None) -> str | None:
    if v is None or h is None:
        return None
    if v:
        if h:
            return "p2mm"
        return None if r is None else ("p2mg" if r else "p1m1")
    if h:
        return "p11m"
    if r is None:
        return None
    if r:
        return "p2"
    return None if g is None else ("p11g" if g else "p1")


def _decide(likeness: float) -> bool | None:
    if likeness > SAME_ABOVE:
        return True
    return False if likeness < DIFFERENT_BELOW else None


def _likeness(a: Ink, b: Ink) -> float:
    """1 for equal drawings, 0 for unrelated ones: correlation of the two."""
    x, y = a - a.mean(), b - b.mean()
    return float((x * y).sum() / np.sqrt(max(float((x * x).sum() * (y * y).sum()), 1e-12)))


def _best_shift(a: Ink, b: Ink) -> float:
    """Greatest correlation of ``a`` with any cyclic shift of ``b`` along the columns."""
    x, y = a - a.mean(), b - b.mean()
    spectrum = np.fft.rfft(x, axis=1) * np.conj(np.fft.rfft(y, axis=1))
    shifts = np.fft.irfft(spectrum.sum(0), a.shape[1])
    return float(shifts.max() / np.sqrt(max(float((x * x).sum() * (y * y).sum()), 1e-12)))
