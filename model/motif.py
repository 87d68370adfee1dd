"""What the network sees: overlapping windows of the printed border, blind to the colour of the metal.

The only definition of the network's input; training and reading both call ``cut_windows``.
A window has a fixed height, the border's rows with a margin scaled to it, and keeps the aspect.
Channel 0 is print strength, the size of the luminance contrast to the local glaze, scaled by what is
usual nearby: metal mirrors its surroundings, so it is brighter than the glaze here and darker there.
Channel 1 says which pixels were seen. Channel 2 is the edge strength of the signed contrast, which
survives where the metal happens to be as bright as the glaze. The size of the shift in chromaticity counts in
both: some metal differs in nothing else.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import cv2
import numpy as np
import numpy.typing as npt

from model.window_choice import choose_starts

if TYPE_CHECKING:
    from model.bands import Bands
    from model.facts import Border
    from model.rim_band import RimStrip

FloatArray = npt.NDArray[np.float32]

WINDOW_HEIGHT = 96
WINDOW_WIDTH = 320
CHANNELS = 3
# Raise it when a change here alters the pixels of any window: stored vectors become stale.
WINDOWING_VERSION = 2
# Likewise for a change of the unrolling (model/rim_band.py) or of the bands (model/bands.py) that moves
# rows or columns of the strip.
STRIP_VERSION = 6
# Share of the border's height added above and below, so that a border row or two missed costs no print.
MARGIN_SHARE = 0.12
# A border lower than this many strip pixels shows no shapes, only that something is there.
LEAST_BORDER_PX = 5
# The usual strength nearby is the 90th percentile of a column, the greatest within one window height.
STRENGTH_PERCENTILE = 0.90
# The glaze's own contrast nearby: histograms of ln(Y/Yglaze) over blocks of so many columns (of a quarter of
# the ribbon's scale) and their neighbours. Within the trusted range the bands' glaze is taken at its word,
# and counts so much more that a border must cover over two thirds of the rows to be taken for glaze.
GLAZE_RANGE, GLAZE_STEP, GLAZE_BLOCK, GLAZE_REACH = 3.0, 0.06, 10, 3
GLAZE_TRUST, GLAZE_TRUST_WEIGHT = 0.1, 2.5
# ln(Y/Yglaze) below which contrast is noise of the sensor and the glaze estimate, whatever is nearby.
LEAST_STRENGTH = 0.05
# Strength is measured above this many times the median |contrast| of the unprinted glaze.
NOISE_FACTOR = 1.2
# What a shift in chromaticity (ln R/G, ln B/G, above its median) counts beside one in ln Y. Metal as bright
# as the glaze still differs in colour; how it differs stays unknown to the network, only that it does.
TINT_WEIGHT = 0.5


@dataclass(frozen=True)
class Window:
    """One view of the border.

    Attributes
    ----------
    pixels
        (3, 96, 320) float32 in 0..1: print strength, seen, edge strength; rows lip first.
    rect
        ``(x0, y0, x1, y1)`` in strip pixels, half-open; x1 may exceed the strip's width on a closed strip.
    phase
        Start of the window as a share of the repeat (0..1), or of the strip where no repeat is known.
    mirrored
        The pixels were mirrored left to right after cutting.
    weight
        Confidence for pooling, 0..1: seen, printed and sharp.
    """

    pixels: FloatArray
    rect: tuple[float, float, float, float]
    phase: float
    mirrored: bool
    weight: float


def cut_windows(
    strip: RimStrip, bands: Bands, border: Border | None = None, limit: int = 12
) -> tuple[Window, ...]:
    """Cut the best windows along the border, best first.

    Parameters
    ----------
    strip
        The unrolled rim, (h, w).
    bands
        Its bands; ``bands.border`` gives the rows, ``bands.contrast`` the signed ln(Y/Yglaze), (h, w).
    border
        Repeats, when counted; used for the phase only.
    limit
        Greatest number of windows.

    Returns
    -------
    tuple of Window
        Empty where there is no border or nothing of it is seen.
    """
    rows = border_rows(bands)
    if rows is None or limit < 1:
        return ()
    ribbon, seen, x_scale = cut_ribbon(strip, bands, rows)
    if not seen.any():
        return ()
    tint = resample_ribbon(bands.chroma_shift, strip.seen_mask, rows)[0]
    pixels = draw_channels(ribbon, seen, tint)
    starts, weights = choose_starts(pixels[1], pixels[2], WINDOW_WIDTH, limit, strip.closed)
    repeat_px = _repeat_px(border, pixels.shape[2])
    if strip.closed:
        pixels = np.concatenate([pixels, pixels[:, :, :WINDOW_WIDTH]], axis=2)
    sharpness = _sharpness_share(strip.blur_px / x_scale)
    return tuple(
        Window(
            pixels=_window_at(pixels, start),
            rect=(start * x_scale, rows[0], (start + WINDOW_WIDTH) * x_scale, rows[1]),
            phase=float(start % repeat_px / repeat_px),
            mirrored=False,
            weight=float(weight * sharpness),
        )
        for start, weight in zip(starts, weights, strict=True)
    )


def border_rows(bands: Bands) -> tuple[float, float] | None:
    """First and last strip row of a window, the border with its margin; None without a readable border."""
    band = bands.border
    if band is None or band.row1 - band.row0 < LEAST_BORDER_PX:
        return None
    margin_px = MARGIN_SHARE * (band.row1 - band.row0)
    return band.row0 - margin_px, band.row1 + margin_px


def mirror(window: Window) -> Window:
    """The window as a stamp cut the other way round would show it."""
    return replace(
        window, pixels=np.ascontiguousarray(window.pixels[:, :, ::-1]), mirrored=not window.mirrored
    )


def turn_over(window: Window) -> Window:
    """The window turned by half a turn, as a border printed upside down would show it."""
    return replace(window, pixels=np.ascontiguousarray(window.pixels[:, ::-1, ::-1]))


def cut_ribbon(
    strip: RimStrip, bands: Bands, rows: tuple[float, float]
) -> tuple[FloatArray, npt.NDArray[np.bool_], float]:
    """Signed contrast (96, n) and seen mask (96, n) of the border's rows, and strip px per ribbon px.

    ``rows`` are the first and last strip row, as ``border_rows`` gives them.
    """
    return resample_ribbon(bands.contrast, strip.seen_mask, rows)


def resample_ribbon(
    contrast: FloatArray, seen_mask: npt.NDArray[np.bool_], rows: tuple[float, float]
) -> tuple[FloatArray, npt.NDArray[np.bool_], float]:
    """``cut_ribbon`` for signed contrast (h, w) and what was seen of it (h, w)."""
    scale = WINDOW_HEIGHT / (rows[1] - rows[0])
    width = max(8, round(contrast.shape[1] * scale))
    x_scale = contrast.shape[1] / width
    resample = _shrink if scale < 1 else _enlarge
    ribbon = resample(np.where(seen_mask, contrast, 0).astype(np.float32), rows, width)
    seen_share = resample(seen_mask.astype(np.float32), rows, width)
    whole = np.asarray(ribbon / np.maximum(seen_share, 0.5), np.float32)
    return whole, seen_share > 0.5, float(x_scale)


def _shrink(image: FloatArray, rows: tuple[float, float], width: int) -> FloatArray:
    """Rows of an image area-averaged to the window height; rows outside the image are zero."""
    return _enlarge(cv2.resize(image, (width, image.shape[0]), interpolation=cv2.INTER_AREA), rows, width)


def _enlarge(image: FloatArray, rows: tuple[float, float], width: int) -> FloatArray:
    """Rows of an image interpolated to (96, width); rows outside the image are zero."""
    y_step = (rows[1] - rows[0]) / WINDOW_HEIGHT
    x_step = image.shape[1] / width
    if y_step > 1:
        image = cv2.blur(image, (1, int(y_step) | 1))
    sampling = np.array([[x_step, 0, 0.5 * x_step - 0.5], [0, y_step, rows[0] + 0.5 * y_step - 0.5]])
    out: FloatArray = cv2.warpAffine(
        image,
        sampling,
        (width, WINDOW_HEIGHT),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_CONSTANT,
    )
    return out


def draw_channels(
    ribbon: FloatArray, seen: npt.NDArray[np.bool_], tint: FloatArray | None = None
) -> FloatArray:
    """Print strength, seen mask and edge strength of a ribbon, (3, 96, n) float32 in 0..1.

    ``ribbon`` (96, n) is signed luminance contrast, ``tint`` (96, n) the size of the shift in chromaticity.
    """
    ribbon = ribbon - _local_glaze(ribbon, seen)
    strength = cv2.GaussianBlur(np.abs(ribbon), (0, 0), 0.7)
    edge = _slope(cv2.GaussianBlur(ribbon, (0, 0), 1.2))
    if tint is not None and seen.any():
        tint = TINT_WEIGHT * np.maximum(tint - np.median(tint[seen]), 0) * seen
        tint = cv2.GaussianBlur(tint.astype(np.float32), (0, 0), 1.2)
        strength, edge = cv2.magnitude(strength, tint), cv2.magnitude(edge, _slope(tint))
    # Where the mask ends, contrast ends too: no edge of the piece's.
    inside = cv2.erode(seen.astype(np.uint8), np.ones((3, 3), np.uint8))
    pixels = np.empty((CHANNELS, *ribbon.shape), dtype=np.float32)
    pixels[0] = _scale_to_nearby(strength * seen, _noise_floor(strength, seen), LEAST_STRENGTH)
    pixels[1] = seen
    pixels[2] = _scale_to_nearby(edge * inside, _noise_floor(edge, seen), LEAST_STRENGTH)
    return pixels


def _slope(smooth: FloatArray) -> FloatArray:
    """Size of the gradient of a map (h, w)."""
    across = cv2.Scharr(smooth, cv2.CV_32F, 1, 0, scale=1 / 16)
    return np.asarray(cv2.magnitude(across, cv2.Scharr(smooth, cv2.CV_32F, 0, 1, scale=1 / 16)), np.float32)


def _local_glaze(ribbon: FloatArray, seen: npt.NDArray[np.bool_]) -> FloatArray:
    """Contrast of the bare glaze along a ribbon, (1, n): the commonest value nearby, zero where in doubt.

    The bands' glaze is an estimate: under a highlight, or on a dark glaze, it can be off by a constant
    over a stretch, which would show as print. Metal varies; bare glaze does not, so it is the mode.
    """
    rows, columns = 24, max(1, ribbon.shape[1] // 4)
    small = cv2.resize(ribbon, (columns, rows), interpolation=cv2.INTER_AREA)
    known = cv2.resize(seen.astype(np.uint8), (columns, rows), interpolation=cv2.INTER_NEAREST) > 0
    level = np.rint(np.clip(small, -GLAZE_RANGE, GLAZE_RANGE) / GLAZE_STEP).astype(np.intp)
    levels = 2 * round(GLAZE_RANGE / GLAZE_STEP) + 1
    block = np.broadcast_to(np.arange(columns) // GLAZE_BLOCK, small.shape)
    blocks = int(block[0, -1]) + 1
    flat = (block * levels + level + levels // 2)[known]
    counts = np.bincount(flat, minlength=blocks * levels).reshape(blocks, levels).astype(np.float32)
    # Neighbouring blocks and levels count too, cyclic or not makes no difference worth the code.
    counts = cv2.blur(
        cv2.GaussianBlur(counts, (5, 1), 1.0), (1, GLAZE_REACH), borderType=cv2.BORDER_REPLICATE
    )
    value = (np.arange(levels) - levels // 2) * GLAZE_STEP
    mode = value[(counts * np.where(np.abs(value) <= GLAZE_TRUST, GLAZE_TRUST_WEIGHT, 1)).argmax(axis=1)]
    mode = np.where(np.abs(mode) <= GLAZE_TRUST, 0, mode).astype(np.float32)
    glaze = cv2.resize(mode[None, :], (ribbon.shape[1], 1), interpolation=cv2.INTER_LINEAR)
    return np.asarray(glaze, np.float32)


def _noise_floor(strength: FloatArray, seen: npt.NDArray[np.bool_]) -> float:
    """Strength that the bare glaze shows, kept low where print covers most of it."""
    sample = strength[::4, ::4][seen[::4, ::4]]
    return min(NOISE_FACTOR * float(np.median(sample)), 0.5 * LEAST_STRENGTH) if sample.size else 0.0


def _scale_to_nearby(strength: FloatArray, floor: float, least: float) -> FloatArray:
    """Divide by what is usual within a window height along the strip; clipped to 0..1."""
    small = cv2.resize(strength, (max(1, strength.shape[1] // 4), 24), interpolation=cv2.INTER_AREA)
    rank = round(STRENGTH_PERCENTILE * (small.shape[0] - 1))
    usual = np.partition(small, rank, axis=0)[rank][None, :]
    span = WINDOW_HEIGHT // 4
    # A running maximum of a running mean: one narrow glint does not set the scale.
    usual = cv2.dilate(cv2.blur(usual, (5, 1)), np.ones((1, 2 * span + 1), np.uint8))
    usual = cv2.blur(usual, (span + 1 - span % 2, 1))
    usual = cv2.resize(np.maximum(usual, least), (strength.shape[1], 1), interpolation=cv2.INTER_LINEAR)
    share: FloatArray = np.clip((strength - floor) / (1.1 * usual - floor), 0, 1, dtype=np.float32)
    return share


def _window_at(pixels: FloatArray, start: int) -> FloatArray:
    """(3, 96, 320) of a ribbon, zero and unseen beyond its end."""
    part = pixels[:, :, start : start + WINDOW_WIDTH]
    window = np.zeros((CHANNELS, WINDOW_HEIGHT, WINDOW_WIDTH), dtype=np.float32)
    window[:, :, : part.shape[2]] = part
    return window


def _repeat_px(border: Border | None, width: int) -> float:
    """Repeat length in ribbon px, or the whole ribbon where the count is unknown."""
    return width / border.repeats if border is not None and border.repeats else float(width)


def _sharpness_share(blur_px: float) -> float:
    """1 for a sharp ribbon, falling with its blur in window pixels; 1 where the blur is unknown."""
    return float(1 / (1 + (blur_px / 6) ** 2)) if np.isfinite(blur_px) else 1.0
