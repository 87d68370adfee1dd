"""What the printed pixels of a region of the rim say about metal: plain physical measures, each named.

A metal reflects only at its surface: pixel = reflectance x what it mirrors. So its colour is measured against
the light and against the glaze beside it, over many positions round the rim, in unclipped pixels away from
the print's edges (which mix with glaze), and together with how its brightness changes from place to place.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from model.colour import angle_deg, log_chromaticity, luminance
from model.facts import Light
from model.rim_band import RimStrip
from model.surroundings import MIN_GREEN, SceneColours
from model.trim_mirrors import compare_scene, look_round, sum_blocks, weigh_metals
from model.trim_print import Print
from model.trim_regions import KINDS, TrimRegion
from model.wear import measure_repeat

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

MIN_CORE_PIXELS = 40  # fewer say nothing of a spread
STRENGTH_SHARE = 0.4  # of the region's strong print: weaker departures may be shading of the glaze
BLOCK_DEG = 10.0
BLOCK_CAP, LEAST_BLOCK_CAP = 1.5, 60  # pixels a block may bring, times the middle block's, and at least
PURE_SHARE = 0.35  # of a block's pixels
LEAST_COVER = 0.4  # thinner print is not extrapolated further: noise would be
MAX_PIXELS = 40000  # a regular subset is enough for every quantile


@dataclass(frozen=True, eq=False)
class _Core:
    """Unclipped interior print pixels: linear sRGB, glaze beside it, rim block of each.

    ``strength`` is the distance from the glaze, ``cover`` how much of each pixel is print, by the width
    of the stroke against the blur.
    """

    pixels: Array
    glaze: Array
    block: npt.NDArray[np.int64]
    strength: Array
    cover: Array
    depth_px: float
    clipped_share: float
    count: int


def measure_region(
    strip: RimStrip, found: Print, light: Light, around: SceneColours | None, region: TrimRegion
) -> dict[str, float] | None:
    """Measure one region.

    Returns
    -------
    dict or None
        Feature name to value; nan where a feature could not be measured. None where under 40 sound
        pixels are left. Colours are ln ratios: ``rg`` ln(R/G), ``bg`` ln(B/G), relative to the light
        unless the name says otherwise.
    """
    core = _take_core(strip, found, region)
    if core.count < MIN_CORE_PIXELS:
        return None
    white = log_chromaticity(light.white_rgb)
    colour = log_chromaticity(core.pixels) - white
    glaze = log_chromaticity(core.glaze) - white
    bright = np.log(luminance(core.pixels) / np.maximum(luminance(core.glaze), MIN_GREEN))
    features: dict[str, float] = {}
    features |= _colour_spread(colour, glaze)
    features |= _brightness_spread(bright)
    features |= _highlight_hue(core.pixels, colour, bright)
    pure = _purest(core)
    blocks = sum_blocks(*pure)
    features |= _pure_spread(pure, white)
    features |= look_round(blocks, white)
    features |= weigh_metals(blocks, white, around)
    features |= _colour_lines(core, np.asarray(light.white_rgb))
    features |= _mixing_line(core, np.asarray(light.white_rgb))
    features |= _circumstances(strip, light, region, core, glaze)
    features |= compare_scene(around, white, features)
    features |= _glaze_spread(strip, found)
    return features | region.says


def _take_core(strip: RimStrip, found: Print, region: TrimRegion) -> _Core:
    """Interior, unclipped, not too dark pixels of the print that clearly differ from the glaze."""
    rows = slice(max(0, region.row0 - 1), region.row1 + 1)  # with the unprinted rows beside it
    mask, strength, rgb = region.mask[rows], found.strength[rows], strip.linear_rgb[rows]
    glaze = found.glaze_linear_rgb[rows]
    strong = np.quantile(strength[mask][:: max(1, int(mask.sum()) // 5000)], 0.8)
    mask = mask & (strength >= STRENGTH_SHARE * strong)
    depth = cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 3)
    printed = depth[mask]
    reach = float(np.clip(np.quantile(printed, 0.6), 1.0, 1.0 + strip.blur_px)) if printed.size else 1.0
    clipped = strip.clipped_mask[rows] & mask
    near_clipped = cv2.dilate(clipped.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    keep = mask & (depth >= reach) & ~near_clipped
    index = np.flatnonzero(keep)
    index = index[_is_bright_enough(rgb.reshape(-1, 3)[index])]
    count = len(index)
    index = index[:: max(1, count // MAX_PIXELS)]
    index = _even_out(index, (strip.column_deg[index % mask.shape[1]] // BLOCK_DEG).astype(np.int64))
    columns = index % mask.shape[1]
    return _Core(
        rgb.reshape(-1, 3)[index].astype(np.float64),
        np.maximum(glaze.reshape(-1, 3)[index].astype(np.float64), 1e-4),
        (strip.column_deg[columns] // BLOCK_DEG).astype(np.int64),
        strength.reshape(-1)[index].astype(np.float64),
        _cover_of(depth.reshape(-1)[index].astype(np.float64), strip.blur_px),
        float(np.quantile(printed, 0.9)) if printed.size else 0.0,
        float(clipped.sum() / max(mask.sum(), 1)),
        count,
    )


def _is_bright_enough(rgb: npt.NDArray[np.float32]) -> Mask:
    """Which of (n, 3) linear pixels are bright enough for ratios, in every channel."""
    return np.asarray((rgb[:, 1] > MIN_GREEN) & (rgb.min(axis=1) > MIN_GREEN / 8))


def _cover_of(depth_px: Array, blur_px: float) -> Array:
    """Share of print in a pixel that lies so deep in a stroke, for an edge blurred by that sigma.

    The tangent hyperbolic stands in for the error function (within .02).
    """
    cover = np.tanh(1.2 * depth_px / (np.sqrt(2) * max(blur_px, 0.4)))
    return np.asarray(np.clip(cover, LEAST_COVER, 1.0))


def _purest(core: _Core) -> tuple[Array, Array, npt.NDArray[np.int64]]:
    """Of each rim block the pixels that differ most from the glaze, with the glaze's share taken out."""
    order = np.lexsort((core.strength, core.block))
    count = np.bincount(core.block)
    rank = np.arange(len(order)) - np.concatenate([[0], np.cumsum(count)])[core.block[order]]
    best = np.sort(order[rank >= (1 - PURE_SHARE) * count[core.block[order]]])
    glaze, cover = core.glaze[best], core.cover[best, None]
    print_rgb = np.maximum(glaze + (core.pixels[best] - glaze) / cover, MIN_GREEN / 4)
    return print_rgb, glaze, core.block[best]


def _pure_spread(pure: tuple[Array, Array, npt.NDArray[np.int64]], white: Array) -> dict[str, float]:
    print_rgb, glaze, _ = pure
    colour = log_chromaticity(print_rgb) - white
    bright = np.log(luminance(print_rgb) / np.maximum(luminance(glaze), MIN_GREEN))
    out = _quantiles("pure_rg", colour[:, 0], (0.25, 0.5, 0.75))
    out |= _quantiles("pure_bg", colour[:, 1], (0.1, 0.25, 0.5, 0.75, 0.9))
    return out | _quantiles("pure_bright", bright, (0.1, 0.5, 0.9))


def _even_out(index: npt.NDArray[np.int64], block: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Thin out crowded rim blocks: a shadow or highlight in one place must not outvote the rest."""
    if len(index) == 0:
        return index
    count = np.bincount(block)
    most = max(LEAST_BLOCK_CAP, BLOCK_CAP * float(np.median(count[count > 0])))
    order = np.argsort(block, kind="stable")
    rank = np.arange(len(index)) - np.concatenate([[0], np.cumsum(count)])[block[order]]
    step = np.maximum(count[block[order]] / most, 1.0)
    return np.sort(index[order[np.floor(rank % step) == 0]])


def _quantiles(prefix: str, values: Array, shares: tuple[float, ...]) -> dict[str, float]:
    found = np.quantile(values, shares)
    return {f"{prefix}_q{round(100 * s):02d}": float(v) for s, v in zip(shares, found, strict=True)}


def _colour_spread(colour: Array, glaze: Array) -> dict[str, float]:
    ratio = colour - glaze
    out = _quantiles("rg", colour[:, 0], (0.1, 0.5, 0.9))
    out |= _quantiles("bg", colour[:, 1], (0.05, 0.25, 0.5, 0.75, 0.95))
    out |= _quantiles("rg_to_glaze", ratio[:, 0], (0.1, 0.5, 0.9))
    out |= _quantiles("bg_to_glaze", ratio[:, 1], (0.1, 0.5, 0.9))
    return out


def _brightness_spread(bright: Array) -> dict[str, float]:
    out = _quantiles("bright", bright, (0.05, 0.25, 0.5, 0.75, 0.95))
    out["bright_sd"] = float(bright.std())
    out["brighter_share"] = float((bright > 0.05).mean())
    out["much_brighter_share"] = float((bright > 0.4).mean())
    out["dark_share"] = float((bright < -0.7).mean())
    return out


def _highlight_hue(pixels: Array, colour: Array, bright: Array) -> dict[str, float]:
    """Hue kept into the brightest pixels (metal) or bent to the light's (paint under glaze)."""
    level = luminance(pixels)
    top, low = level >= np.quantile(level, 0.85), level <= np.quantile(level, 0.25)
    highlight, shade = np.median(colour[top], axis=0), np.median(colour[low], axis=0)
    together = (
        np.corrcoef(bright, colour[:, 1])[0, 1] if min(bright.std(), colour[:, 1].std()) > 1e-6 else np.nan
    )
    return {
        "rg_highlight": float(highlight[0]),
        "bg_highlight": float(highlight[1]),
        "rg_highlight_shift": float(highlight[0] - shade[0]),
        "bg_highlight_shift": float(highlight[1] - shade[1]),
        "bright_bg_correlation": float(together),
    }


def _colour_lines(core: _Core, white: Array) -> dict[str, float]:
    """Slope of the colour line through the origin, how far pixels fan out from it, and its angle to white."""
    balanced = core.pixels / white
    slope = balanced.sum(0)
    norm = np.linalg.norm(balanced, axis=1)
    fan = angle_deg(balanced, slope)
    return {
        "angle_from_white": float(angle_deg(slope, np.ones(3))),
        "angle_from_glaze": float(angle_deg(core.pixels.sum(0), core.glaze.sum(0))),
        "fan_deg": float(np.sqrt((norm * fan**2).sum() / norm.sum())),
        "rg_line": float(np.log(slope[0] / slope[1])),
        "bg_line": float(np.log(max(slope[2], 1e-6) / slope[1])),
    }


def _mixing_line(core: _Core, white: Array) -> dict[str, float]:
    """Where the print pulls the glaze's colour: the direction is the same however much glaze is mixed in.

    Per block the mean difference from the glaze, by the glaze (``_g``) and by the light (``_w``).
    ``yellow``: how much more blue is taken away than red and green; ``red``: more green than red. The
    ``turn`` pair is divided by the length of the difference, so that a thin line counts like a broad one.
    """
    out: dict[str, float] = {}
    level = luminance(core.glaze)[:, None] * white / luminance(white)
    for name, unit in (("g", core.glaze), ("w", level)):
        pull = (core.pixels - core.glaze) / unit
        yellow = (pull[:, 0] + pull[:, 1]) / 2 - pull[:, 2]
        red = pull[:, 0] - pull[:, 1]
        length = np.maximum(np.linalg.norm(pull, axis=1), 0.02)
        out |= _quantiles(f"yellow_{name}", yellow, (0.1, 0.5, 0.9))
        out |= _quantiles(f"yellow_turn_{name}", yellow / length, (0.1, 0.5, 0.9))
        out |= _quantiles(f"red_turn_{name}", red / length, (0.1, 0.5, 0.9))
    return out


def _glaze_spread(strip: RimStrip, found: Print) -> dict[str, float]:
    """How much the glaze looks like that of one even rim: handles, wells and tables make it uneven."""
    sound = strip.seen_mask[::4, ::4].copy()
    sound[: strip.lip_row // 4 + 1] = False
    glaze = found.glaze_linear_rgb[::4, ::4][sound].astype(np.float64)
    if len(glaze) < MIN_CORE_PIXELS:
        return {}
    level = np.log(np.maximum(luminance(glaze), MIN_GREEN))
    low, high = np.quantile(np.column_stack([level, log_chromaticity(glaze)]), (0.1, 0.9), axis=0)
    return {
        "glaze_level_spread": float(high[0] - low[0]),
        "glaze_tint_spread": float(np.hypot(*(high[1:] - low[1:]))),
        "seen_share": float(sound.mean()),
    }


def _circumstances(
    strip: RimStrip, light: Light, region: TrimRegion, core: _Core, glaze: Array
) -> dict[str, float]:
    rows = np.flatnonzero(region.mask.any(axis=1))
    height = int(np.ptp(rows)) + 1
    part = region.mask[rows[0] : rows[-1] + 1]
    seen = strip.seen_mask[rows[0] : rows[-1] + 1].any(axis=0)
    return {
        "cover_share": float(part.any(axis=0).sum() / max(seen.sum(), 1)),
        "repeat_strength": measure_repeat(part)[1],
        "blur_px": strip.blur_px,
        "kind": float(KINDS.index(region.kind)),
        "height_px": float(height),
        "fill_share": float(region.mask.sum() / (height * region.mask.shape[1])),
        "depth_px": core.depth_px,
        "depth_to_blur": core.depth_px / max(strip.blur_px, 0.3),
        "core_count_log": float(np.log10(core.count)),
        "clipped_share": core.clipped_share,
        "light_uncertainty": light.uncertainty_deg,
        "light_rg": float(np.log(light.white_rgb[0])),
        "light_bg": float(np.log(light.white_rgb[2])),
        "has_paper": float("paper" in light.evidence or "point" in light.evidence),
        "has_highlights": float("highlights" in light.evidence),
        "glaze_rg": float(np.median(glaze[:, 0])),
        "glaze_bg": float(np.median(glaze[:, 1])),
        "glaze_level": float(np.log(np.median(luminance(core.glaze)))),
    }
