"""What the pixels that the witness calls metal say in plain measures; the photo's verdict rests on them.

The same physics as `model.trim_features`, on other pixels: not a region's print, but what the network labels.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from model.colour import LUMINANCE_WEIGHTS
from model.witness_input import COLUMNS, DARKEST, ROWS, WitnessWindows

Map = npt.NDArray[np.float32]
Array = npt.NDArray[np.float64]

METAL_FROM, SURE_FROM = 0.4, 0.8
LEAST_PIXELS = 20
COVERED_CHANCE = 1e-3
LEAST_COVER = 0.4  # thinner print is not extrapolated further: noise would be
BLOCKS = 4  # parts of a window along the rim: each mirrors another part of the room
SHARES = (0.1, 0.25, 0.5, 0.75, 0.9)


def measure_labelled(
    windows: WitnessWindows, labels: Map, verdict: Map, white: npt.NDArray[np.float64]
) -> dict[str, float]:
    """Measures by name; those that need metal pixels are absent where there are too few.

    Parameters
    ----------
    labels
        (k, 4, ROWS / 2, COLUMNS / 2) chances of bare, gold, platinum and paint.
    verdict
        (3,) logits of gold, platinum, no metal.
    white
        (2,) ln R/G and B/G of the light.
    """
    gold, platinum, paint = labels[:, 1], labels[:, 2], labels[:, 3]
    metal = gold + platinum
    odds = np.log((gold + COVERED_CHANCE) / (platinum + COVERED_CHANCE))
    out = {
        "said_gold": float(verdict[0] - verdict[1]),
        "said_metal": float(np.logaddexp(verdict[0], verdict[1]) - verdict[2]),
    }
    out |= _measure_areas(metal, paint, odds)
    core = metal > METAL_FROM
    if core.sum() < LEAST_PIXELS:
        return out
    out |= _quantiles("cell_odds", odds[core])
    out["cell_gold_share"] = float((odds[core] > 0).mean())
    out |= _measure_blocks(metal, odds)
    return out | _measure_colour(windows, metal, white)


def _measure_areas(metal: Map, paint: Map, odds: Map) -> dict[str, float]:
    total = float(metal.sum())
    return {
        "metal_area": float(np.log10(metal.mean() + 1e-5)),
        "paint_area": float(np.log10(paint.mean() + 1e-5)),
        "sure_metal_area": float(np.log10((metal > SURE_FROM).mean() + 1e-5)),
        "sure_paint_area": float(np.log10((paint > SURE_FROM).mean() + 1e-5)),
        "metal_to_paint": float(np.log((total + 1.0) / (paint.sum() + 1.0))),
        "metal_most": float(np.sort(metal.ravel())[-LEAST_PIXELS]),
        "paint_most": float(np.sort(paint.ravel())[-LEAST_PIXELS]),
        "odds_mean": float((odds * metal).sum() / (total + 1.0)),
        "odds_sure": float((odds * metal**4).sum() / ((metal**4).sum() + 1.0)),
    }


def _measure_blocks(metal: Map, odds: Map) -> dict[str, float]:
    """Odds from part to part round the rim."""
    count, _, columns = metal.shape
    wide = columns // BLOCKS
    cut = (count, metal.shape[1], BLOCKS, wide)
    weight = metal.reshape(cut).sum(axis=(1, 3)).ravel()
    value = (metal * odds).reshape(cut).sum(axis=(1, 3)).ravel()
    kept = weight > LEAST_PIXELS / 2
    if kept.sum() < 2:
        return {}
    parts = value[kept] / weight[kept]
    return {
        "block_odds_low": float(np.quantile(parts, 0.1)),
        "block_odds_middle": float(np.median(parts)),
        "block_odds_high": float(np.quantile(parts, 0.9)),
        "block_gold_share": float((parts > 0).mean()),
        "block_odds_sd": float(parts.std()),
    }


def _measure_colour(windows: WitnessWindows, metal: Map, white: npt.NDArray[np.float64]) -> dict[str, float]:
    """Colour and brightness of the full-size pixels in cells called metal, against light and glaze."""
    fine = np.stack([cv2.resize(m, (COLUMNS, ROWS), interpolation=cv2.INTER_LINEAR) for m in metal])
    chosen = (fine > METAL_FROM) & windows.seen_mask
    out = {"metal_clipped": float(windows.clipped_mask[chosen].mean()) if chosen.any() else 0.0}
    chosen &= ~windows.clipped_mask
    if chosen.sum() < LEAST_PIXELS:
        return out
    glaze = np.stack(
        [cv2.resize(g, (COLUMNS, ROWS), interpolation=cv2.INTER_LINEAR) for g in windows.glaze_linear_rgb]
    )
    pixels = np.maximum(windows.linear_rgb[chosen].astype(np.float64), DARKEST)
    under = np.maximum(glaze[chosen].astype(np.float64), DARKEST)
    colour, beside = _log_ratios(pixels) - white, _log_ratios(under) - white
    level = pixels @ LUMINANCE_WEIGHTS
    bright = np.log(level / (under @ LUMINANCE_WEIGHTS))
    top, low = level >= np.quantile(level, 0.8), level <= np.quantile(level, 0.2)
    out |= _quantiles("metal_rg", colour[:, 0]) | _quantiles("metal_bg", colour[:, 1])
    out |= _quantiles("metal_bright", bright)
    out |= _quantiles("metal_bg_to_glaze", (colour - beside)[:, 1])
    for name, part in (("top", top), ("low", low)):
        red, blue = np.median(colour[part], axis=0)
        out |= {f"metal_rg_{name}": float(red), f"metal_bg_{name}": float(blue)}
    out |= _measure_pull(pixels, under, fine[chosen], white)
    total = np.log(pixels.sum(axis=0))
    red, blue = np.median(beside, axis=0)
    return out | {
        "metal_rg_line": float(total[0] - total[1] - white[0]),
        "metal_bg_line": float(total[2] - total[1] - white[1]),
        "metal_glaze_rg": float(red),
        "metal_glaze_bg": float(blue),
        "metal_pixels": float(np.log10(len(pixels))),
    }


def _measure_pull(
    pixels: Array, under: Array, chance: Map, white: npt.NDArray[np.float64]
) -> dict[str, float]:
    """Colour of the metal with the glaze taken out, and where it pulls the glaze's colour, mixed in or not.

    The chance stands for the cover: both fall towards the edge of a stroke.
    """
    cover = np.clip(chance.astype(np.float64), LEAST_COVER, 1.0)[:, None]
    pure = _log_ratios(np.maximum(under + (pixels - under) / cover, DARKEST / 4)) - white
    out = _quantiles("pure_rg", pure[:, 0]) | _quantiles("pure_bg", pure[:, 1])
    pull = (pixels - under) / under
    yellow, red = (pull[:, 0] + pull[:, 1]) / 2 - pull[:, 2], pull[:, 0] - pull[:, 1]
    length = np.maximum(np.linalg.norm(pull, axis=1), 0.02)
    return out | _quantiles("yellow_turn", yellow / length) | _quantiles("red_turn", red / length)


def _log_ratios(rgb: Array) -> Array:
    logs = np.log(rgb)
    return np.stack([logs[:, 0] - logs[:, 1], logs[:, 2] - logs[:, 1]], axis=-1)


def _quantiles(name: str, values: npt.NDArray[np.floating]) -> dict[str, float]:
    found = np.quantile(values, SHARES)
    return {f"{name}_q{round(100 * share):02d}": float(v) for share, v in zip(SHARES, found, strict=True)}
