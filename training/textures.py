"""Views of printed cloth drawn from the motif art: turned, near and far, creased, under changing light.

Nothing like a border, and never shown by the product: a share of such families keeps the network's filters
from fitting the renderer's borders only, and teaches what a camera's distance and turn do to any print.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from model.motif import WINDOW_HEIGHT, WINDOW_WIDTH, draw_channels
from training.art.motif_art import Motif
from training.quick_strip import photograph, smooth_noise

Map = npt.NDArray[np.float32]

# Height of a stamp, in window px at the middle distance, and how far the distance varies (ln scale).
STAMP_PX = (16.0, 60.0)
DISTANCE_SPREAD = 0.55
MOST_TURN_RAD = np.pi
LARGEST_SHEET_PX = 480  # width of a stamp
# All own choice, wider than a careful photo. Change of scale across a window; creases, of a quarter of its
# height.
PERSPECTIVE, CREASE_SHARE = 0.12, 0.12
INK_LEVELS = (0.35, 1.6)  # ln units between ink and cloth, palest and strongest
MOST_SHADING, MOST_WEAVE = 0.3, 0.25  # ln units


@dataclass(frozen=True, eq=False)
class Cloth:
    """One repeat of a cloth (h, w) as ln luminance; look-alikes share its layout, not their stamp."""

    repeat: Map

    @classmethod
    def print_with(cls, motif: Motif, layout: npt.NDArray[np.float64]) -> Cloth:
        """The cloth of a motif. ``layout`` (6,) in 0..1: size, two gaps, offset of rows, ink, weave."""
        size, gap_x, gap_y, offset, ink, weave = (float(value) for value in layout)
        height = STAMP_PX[0] * (STAMP_PX[1] / STAMP_PX[0]) ** size
        scale = height / motif.tile.shape[0]
        width = min(LARGEST_SHEET_PX, max(4, round(motif.tile.shape[1] * scale)))
        stamp = cv2.resize(motif.tile, (width, round(height)), interpolation=cv2.INTER_AREA)
        stamp = np.pad(stamp, ((0, round(0.8 * gap_y * height)), (0, round(0.8 * gap_x * height))))
        rows = np.concatenate([stamp, np.roll(stamp, round(offset * stamp.shape[1]), axis=1)])
        level = INK_LEVELS[0] * (INK_LEVELS[1] / INK_LEVELS[0]) ** abs(2 * ink - 1) * np.sign(ink - 0.5)
        y, x = np.mgrid[: rows.shape[0], : rows.shape[1]]
        threads = np.sin(2 * np.pi * x / 4) * np.sin(2 * np.pi * y / 4)
        return cls(np.asarray(level * rows + MOST_WEAVE * weave**2 * threads, np.float32))


def draw_cloth_windows(cloth: Cloth, rng: np.random.Generator, count: int) -> npt.NDArray[np.float32]:
    """Windows (count, 3, 96, 320) of one photo of the cloth, each from another place of it."""
    distance = float(np.exp(rng.uniform(-DISTANCE_SPREAD, DISTANCE_SPREAD)))
    turn = rng.uniform(-MOST_TURN_RAD, MOST_TURN_RAD)
    soft = cv2.GaussianBlur(cloth.repeat, (0, 0), max(0.3, 0.5 * distance), borderType=cv2.BORDER_REFLECT)
    windows = []
    for _ in range(count):
        log_luminance = _look_at(soft, distance, turn, rng)
        photo = photograph(np.exp(log_luminance), WINDOW_HEIGHT // 2, rng)
        contrast = np.log(photo)
        contrast -= np.float32(np.median(contrast))
        windows.append(draw_channels(contrast.astype(np.float32), np.ones(contrast.shape, bool)))
    return np.stack(windows)


def _look_at(repeat: Map, distance: float, turn: float, rng: np.random.Generator) -> Map:
    """ln luminance (96, 320) of the cloth laid out without end, from one place, creased and shaded."""
    shape = (WINDOW_HEIGHT, WINDOW_WIDTH)
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    x, y = x - shape[1] / 2, y - shape[0] / 2
    far = 1 + PERSPECTIVE * (rng.uniform(-1, 1) * x + rng.uniform(-1, 1) * y) / shape[1]
    crease = rng.random() * CREASE_SHARE * shape[0] / 4
    x = distance * far * x + crease * smooth_noise(shape, (40, 40), rng)
    y = distance * far * y + crease * smooth_noise(shape, (40, 40), rng)
    start = rng.random(2) * repeat.shape
    across = np.cos(turn) * x - np.sin(turn) * y + start[1]
    down = np.sin(turn) * x + np.cos(turn) * y + start[0]
    seen = cv2.remap(
        repeat,
        np.mod(across, repeat.shape[1]).astype(np.float32),
        np.mod(down, repeat.shape[0]).astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_WRAP,
    )
    shading = rng.random() * MOST_SHADING * smooth_noise(shape, (60, 90), rng)
    return np.asarray(seen + shading, np.float32)
