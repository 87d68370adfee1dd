"""Colour statistics of the whole scene, each a cheap guess at the light; a fitted model weighs them.

None is right alone: a grey world fails on a wooden table, bright pixels on a lamp, near-neutral ones
where the balance is far off. Clipped and very dark pixels are left out of all.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from model.colour import log_chromaticity, luminance
from model.surroundings import Surroundings

Array = npt.NDArray[np.float64]
Image = npt.NDArray[np.float32]

GREY_SHARE = 0.005  # the greyest pixels used, of those with contrast
BRIGHT_SHARE = 0.1
NEAR_NEUTRAL = (0.25, 0.12)  # spread in ln ratios of what counts as near grey
MIN_PIXELS = 60
MAX_PIXELS = 40000
NAMES = (
    *(
        "scene_mean",
        "scene_bright_mean",
        "outside_mean",
        "outside_bright_mean",
        "piece_mean",
        "piece_bright_mean",
    ),
    *(
        "edge_strong",
        "edge_mean",
        "greyest",
        "brightest",
        "middle",
        "near_neutral_wide",
        "near_neutral_narrow",
    ),
)
STATISTICS = tuple(f"{name}_{channel}" for name in NAMES for channel in ("rg", "bg"))


def measure_scene(around: Surroundings) -> dict[str, float]:
    """Log chromaticities by each statistic, named as in STATISTICS; nan where one cannot be taken.

    References
    ----------
    Finlayson & Trezzi, Shades of gray and colour constancy, CIC 2004 (power means); van de Weijer et al.,
    Edge-based color constancy, IEEE TIP 16(9), 2007 (edges). Our choice of powers, 1 and 6, and 5.
    """
    rgb = around.linear_rgb
    inside, outside = around.piece_mask & around.usable_mask, around.outside_mask
    usable = _thin(rgb[around.usable_mask])
    found = [power_mean(usable, 1), power_mean(usable, 6)]
    for part in (outside, inside):
        pixels = _thin(rgb[part])
        found += [power_mean(pixels, 1), power_mean(pixels, 6)]
    found += _edge_colours(rgb, around.usable_mask)
    found.append(find_greyest(around))
    found += _bright_and_neutral(usable)
    values = np.concatenate(found)
    return {name: float(value) for name, value in zip(STATISTICS, values, strict=True)}


def _thin(pixels: Image) -> Array:
    return pixels[:: max(1, len(pixels) // MAX_PIXELS)].astype(np.float64)


def _raise(values: Array, power: int) -> Array:
    """Whole power by products, several times quicker than the general one."""
    product = values
    for _ in range(power - 1):
        product = product * values
    return product


def power_mean(pixels: Array, power: int) -> Array:
    """Log chromaticity (2,) of the power mean of (n, 3) linear pixels; nan under MIN_PIXELS or all black."""
    if len(pixels) < MIN_PIXELS or pixels.max() <= 0:
        return np.full(2, np.nan)
    level = float(pixels.max())
    mean = _raise(np.maximum(pixels / level, 0), power).mean(axis=0) ** (1 / power)
    return log_chromaticity(mean)


def _edge_colours(rgb: Image, usable: npt.NDArray[np.bool_]) -> list[Array]:
    """Colour of strong and of all edges."""
    smooth = cv2.GaussianBlur(rgb, (0, 0), 1.5)
    across, down = cv2.Sobel(smooth, cv2.CV_32F, 1, 0), cv2.Sobel(smooth, cv2.CV_32F, 0, 1)
    sound = cv2.erode(usable.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    edges = _thin(np.hypot(across, down)[sound])
    return [power_mean(edges, 5), power_mean(edges, 1)]


def _bright_and_neutral(pixels: Array) -> list[Array]:
    """Colour of the brightest pixels, of the middle pixel, and of those near grey, brightness-weighted."""
    if len(pixels) < MIN_PIXELS:
        return [np.full(2, np.nan)] * (2 + len(NEAR_NEUTRAL))
    bright, colours = luminance(pixels), log_chromaticity(pixels)
    brightest = np.median(colours[bright >= np.quantile(bright, 1 - BRIGHT_SHARE)], axis=0)
    found = [brightest, np.median(colours, axis=0)]
    for spread in NEAR_NEUTRAL:
        weight = bright * np.exp(-0.5 * (colours**2).sum(axis=1) / spread**2)
        found.append((colours * weight[:, None]).sum(axis=0) / max(float(weight.sum()), 1e-9))
    return found


def find_greyest(around: Surroundings) -> Array:
    """Mean colour of the pixels whose local contrast is most alike in all three channels; nan if too few.

    References
    ----------
    Y. Qian et al., On finding gray pixels, CVPR 2019, eqs 9-11; we drop clipped and dark pixels.
    """
    red, green, blue = cv2.split(np.log(np.maximum(around.linear_rgb, 1e-4)))
    level = (red + green + blue) / np.float32(3)
    lively = np.abs(_contrast(level)) > 0.01
    index = cv2.blur(cv2.magnitude(_contrast(red - level), _contrast(blue - level)), (7, 7))
    mask = around.usable_mask & lively
    if mask.sum() < 10 * MIN_PIXELS:
        return np.full(2, np.nan)
    greyest = mask & (index <= np.quantile(index[mask], GREY_SHARE))
    return log_chromaticity(around.linear_rgb[greyest].mean(0))


def _contrast(channel: Image) -> Image:
    """Laplacian of Gaussian, sigma .5 px."""
    blurred = cv2.GaussianBlur(channel, (5, 5), 0.5)
    return np.asarray(cv2.Laplacian(blurred, cv2.CV_32F, ksize=3))
