"""What the witness looks at: windows that cover the strip, against its glaze and the light; circumstances.

Colours are natural logarithms of ratios, so that a brighter photo or another balance only shifts them; the
network sees single pixels with their neighbours, not means over a region that may be no print at all.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from model.colour import LUMINANCE_WEIGHTS, log_chromaticity
from model.facts import Light
from model.rim_band import RimStrip
from model.surroundings import SceneColours

Map = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]

ROWS, COLUMNS, MOST_WINDOWS = 160, 192, 18  # px of a window; as many as the strip is long, at most so many
LIP_AT = 8  # row of a window where the lip lies
GLAZE_STEP = 8  # the glaze is smooth: one sample in so many px
LEAST_SEEN = 0.1  # share of a window that must be seen
DARKEST = 0.002  # linear; below it 8-bit steps are larger than any ratio
LARGEST_LOG = 4.0
PLANES = ("brightness", "rg", "bg", "glaze rg", "glaze bg", "glaze level", "clipped", "seen", "depth")
CONTEXT = (
    *("light rg", "light bg", "light doubt", "paper", "highlights"),
    *("ring rg", "ring bg", "ring known", "scene rg", "scene bg", "scene known"),
    *("blur", "size", "shrunk", "closed"),
)


@dataclass(frozen=True, eq=False)
class WitnessWindows:
    """Windows of a strip, (k, ROWS, COLUMNS) each, k from 0 to MOST_WINDOWS.

    ``linear_rgb`` and ``glaze_linear_rgb`` have a last axis of 3, the glaze at one sample in GLAZE_STEP px;
    ``scale`` is window px per strip px, ``reach_px`` the window rows from the lip to the strip's last row.
    """

    linear_rgb: Map
    glaze_linear_rgb: Map
    seen_mask: Mask
    clipped_mask: Mask
    scale: float
    reach_px: float


@dataclass(frozen=True)
class WindowPlaces:
    """Where the windows of a strip lie: their first columns after scaling, and how the strip is scaled."""

    starts: tuple[int, ...]
    scale: float
    size: tuple[int, int]
    lip_row: int


def place_windows(strip: RimStrip) -> WindowPlaces:
    """Windows side by side over a strip, shrunk to ROWS rows if higher; those that see something.

    A strip longer than MOST_WINDOWS of them is looked at in places, evenly spread.
    """
    height, width = strip.seen_mask.shape
    scale = min(1.0, (ROWS - LIP_AT) / (height - strip.lip_row))
    size = (max(1, round(height * scale)), max(1, round(width * scale)))
    seen = cv2.resize(strip.seen_mask.mean(axis=0, dtype=np.float32)[None], (size[1], 1))[0]
    count = min(MOST_WINDOWS, -(-size[1] // COLUMNS))
    first = np.linspace(0, max(0, size[1] - COLUMNS), count).round().astype(int)
    total = np.concatenate([[0.0], np.cumsum(seen)])
    share = (total[np.minimum(first + COLUMNS, size[1])] - total[first]) / min(COLUMNS, size[1])
    kept = tuple(int(place) for place in first[share >= LEAST_SEEN])
    return WindowPlaces(kept, scale, size, round(strip.lip_row * scale))


def cut_plane(plane: npt.NDArray[Any], places: WindowPlaces) -> npt.NDArray[Any]:
    """The windows (k, ROWS, COLUMNS[, c]) of a strip-sized array; 0 where they reach beyond the strip."""
    flags = cv2.INTER_AREA if places.scale < 1 else cv2.INTER_NEAREST
    small = plane if places.scale == 1 else cv2.resize(plane, places.size[::-1], interpolation=flags)
    out = np.zeros((len(places.starts), ROWS, COLUMNS, *plane.shape[2:]), plane.dtype)
    above = max(0, places.lip_row - LIP_AT)
    part = small[above : above + ROWS]
    down = max(0, LIP_AT - places.lip_row)
    for window, start in zip(out, places.starts, strict=True):
        cut = part[: ROWS - down, start : start + COLUMNS]
        window[down : down + len(cut), : cut.shape[1]] = cut
    return out


def cut_windows(strip: RimStrip, glaze_linear_rgb: Map, places: WindowPlaces) -> WitnessWindows:
    """Cut a strip and its glaze (h, w, 3)."""
    glaze = cut_plane(glaze_linear_rgb, places).astype(np.float32)
    small = [
        cv2.resize(g, (COLUMNS // GLAZE_STEP, ROWS // GLAZE_STEP), interpolation=cv2.INTER_AREA)
        for g in glaze
    ]
    return WitnessWindows(
        linear_rgb=cut_plane(strip.linear_rgb, places).astype(np.float32),
        glaze_linear_rgb=np.asarray(
            np.stack(small) if small else glaze[:, ::GLAZE_STEP, ::GLAZE_STEP], np.float32
        ),
        seen_mask=cut_plane(strip.seen_mask.astype(np.float32), places) > 0.5,
        clipped_mask=cut_plane(strip.clipped_mask.astype(np.float32), places) > 0.3,
        scale=places.scale,
        reach_px=(strip.seen_mask.shape[0] - strip.lip_row) * places.scale,
    )


def lay_planes(windows: WitnessWindows, white: npt.NDArray[np.float64]) -> Map:
    """The network's planes (k, len(PLANES), ROWS, COLUMNS), float32; ``white`` (2,) ln R/G and B/G."""
    count = len(windows.linear_rgb)
    planes = np.zeros((count, len(PLANES), ROWS, COLUMNS), np.float32)
    for out, rgb, glaze, seen, clipped in zip(
        planes,
        windows.linear_rgb,
        windows.glaze_linear_rgb,
        windows.seen_mask,
        windows.clipped_mask,
        strict=True,
    ):
        level, rg, bg = _log_parts(rgb, white)
        under = cv2.resize(
            np.stack(_log_parts(glaze, white), -1), (COLUMNS, ROWS), interpolation=cv2.INTER_LINEAR
        )
        out[0], out[1], out[2] = level - under[..., 0], rg, bg
        out[3], out[4], out[5] = under[..., 1], under[..., 2], under[..., 0]
        np.clip(out[:6], -LARGEST_LOG, LARGEST_LOG, out=out[:6])
        out[:6] *= seen
        out[6], out[7] = clipped, seen
        out[8] = ((np.arange(ROWS, dtype=np.float32) - LIP_AT) / np.float32(windows.reach_px))[:, None]
    return planes


def _log_parts(rgb: Map, white: npt.NDArray[np.float64]) -> tuple[Map, Map, Map]:
    safe = np.maximum(rgb, np.float32(DARKEST))
    red, green, blue = (np.log(safe[..., c]) for c in range(3))
    level = np.log(safe @ LUMINANCE_WEIGHTS.astype(np.float32))
    return level, red - green - np.float32(white[0]), blue - green - np.float32(white[1])


def describe_context(strip: RimStrip, light: Light, around: SceneColours | None, scale: float) -> Map:
    """Circumstances (len(CONTEXT),) float32: light and its doubt, what can be mirrored, sharpness, size."""
    white = log_chromaticity(light.white_rgb)
    ring = None if around is None else around.ring
    scene = None if around is None else around.scene
    reach = (strip.seen_mask.shape[0] - strip.lip_row) * scale
    found = (
        *(white[0], white[1], light.uncertainty_deg / 10),
        *(
            float("paper" in light.evidence or "point" in light.evidence),
            float("highlights" in light.evidence),
        ),
        *((0.0, 0.0, 0.0) if ring is None else (*(ring - white), 1.0)),
        *((0.0, 0.0, 0.0) if scene is None else (*(scene - white), 1.0)),
        *(strip.blur_px * scale / 2, reach / ROWS, np.log(scale), float(strip.closed)),
    )
    return np.clip(np.asarray(found, np.float32), -LARGEST_LOG, LARGEST_LOG)
