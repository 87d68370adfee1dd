"""What the rows of a strip look like, part by part along the rim, and how alike the parts are."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

Map = npt.NDArray[np.float32]
Profile = npt.NDArray[np.float64]

# Steps of ln light beyond which more says no more: along the strip, and of a row's mean.
GREATEST_STEP, GREATEST_ROW_STEP = 1.5, 1.0
# Rows (sigma) over which a profile is smoothed, and over which its slow part is taken off.
FINE_SIGMA, SLOW_SIGMA = 1.2, 10.0
LEAST_LENGTH_SHARE = 0.4  # of the usual strength that a part must have to count fully
LEAST_SEEN_SHARE = 0.5
_DARK = 0.02  # added to encoded light before the logarithm


def describe_rows(
    grey: npt.NDArray[np.uint8], seen: npt.NDArray[np.bool_], blocks: int
) -> tuple[Map, Profile]:
    """Profiles (3, h, blocks) of a small strip (h, w) cut into blocks, and each block's seen share.

    Lines (steps of the row's mean), and how much the light changes along and across.
    """
    h, w = grey.shape
    wide = w // blocks
    light = cv2.log(grey[:, : wide * blocks].astype(np.float32) * np.float32(1 / 255) + np.float32(_DARK))
    cut = (h, blocks, wide)
    level = np.ascontiguousarray(light.reshape(cut).mean(axis=2))
    steps = [np.minimum(np.abs(cv2.Sobel(light, cv2.CV_32F, *way, ksize=3)), GREATEST_STEP)
             for way in ((1, 0), (0, 1))]  # fmt: skip
    lines = np.minimum(np.abs(cv2.Sobel(level, cv2.CV_32F, 0, 1, ksize=3)), GREATEST_ROW_STEP)
    parts = [lines, *(step.reshape(cut).mean(axis=2) for step in steps)]
    share = seen[:, : wide * blocks].reshape(cut).mean(axis=(0, 2))
    return np.stack([normalise_profile(part, FINE_SIGMA, SLOW_SIGMA) for part in parts]), share


def normalise_profile(part: Map, fine_sigma: float, slow_sigma: float) -> Map:
    """Each block's profile (rows, blocks), its slow part off, length 1 unless it shows nothing."""
    part = np.ascontiguousarray(part, np.float32)
    fine = cv2.GaussianBlur(part, (1, 0), sigmaX=0.1, sigmaY=fine_sigma)
    fine -= cv2.GaussianBlur(part, (1, 0), sigmaX=0.1, sigmaY=slow_sigma)
    length = np.linalg.norm(fine, axis=0, keepdims=True)
    least = LEAST_LENGTH_SHARE * float(np.median(length)) + 1e-6
    return np.asarray(fine / np.maximum(length, least), np.float32)


def measure_likeness(profiles: Map, seen: Profile) -> float:
    """Mean correlation of the seen blocks of profiles (k, rows, blocks) with the mean of the others."""
    weight = (seen > LEAST_SEEN_SHARE).astype(np.float64)
    total = (profiles * weight).sum(axis=2, keepdims=True)
    others = total - profiles * weight
    scale = np.maximum(np.linalg.norm(others, axis=1), 1e-6)
    likeness = ((profiles * others).sum(axis=1) / scale).mean(axis=0)
    return float((likeness * weight).sum() / max(float(weight.sum()), 1.0))


# Evenness: columns (sigma) over which print is smoothed and its slow part and its usual strength are taken.
EVEN_FINE, EVEN_SLOW, EVEN_USUAL, EVEN_MOST = 1.5, 40.0, 60.0, 2.5
EVEN_CYCLES = (9, 220)  # of a whole rim that repeats may show; slower is light
EVEN_ROWS = 5


def measure_evenness(grey: npt.NDArray[np.uint8], seen: npt.NDArray[np.bool_]) -> float:
    """How evenly what is printed on a small strip (h, w) repeats along it, 0..1.

    The greatest share of the power of any few rows that one frequency holds: repeats that are spaced evenly
    gather it in one line of the spectrum, a wrong pose spreads it.
    """
    light = cv2.log(grey.astype(np.float32) * np.float32(1 / 255) + np.float32(_DARK))
    fine = cv2.GaussianBlur(light, (0, 0), sigmaX=EVEN_FINE, sigmaY=0.8)
    fine -= cv2.GaussianBlur(light, (0, 0), sigmaX=EVEN_SLOW, sigmaY=0.8)
    usual = cv2.GaussianBlur(np.abs(fine), (0, 0), sigmaX=EVEN_USUAL, sigmaY=3) + np.float32(0.01)
    level = np.clip(fine / usual, -EVEN_MOST, EVEN_MOST) * seen
    power = np.abs(np.fft.rfft(level, axis=1))[:, : EVEN_CYCLES[1]] ** 2
    power[:, : EVEN_CYCLES[0]] = 0
    best = 0.0
    for row in range(0, len(power) - EVEN_ROWS + 1, 2):
        few = power[row : row + EVEN_ROWS].sum(axis=0)
        best = max(best, float((few[:-2] + few[1:-1] + few[2:]).max() / (few.sum() + 1e-9)))
    return best
