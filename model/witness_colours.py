"""Colours of the pixels in cells that the witness calls metal, against the light and the near glaze."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from model.colour import LUMINANCE_WEIGHTS
from model.strip_labels import MATERIALS, ROLES
from model.witness_input import COLUMNS, DARKEST, ROWS, WitnessWindows

Map = npt.NDArray[np.float32]
Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

METAL_FROM = 0.4
LEAST_PIXELS = 20
MOST_PIXELS = 40000  # a regular subset is enough for every quantile
LEAST_COVER = 0.4  # thinner print is not extrapolated further: noise would be
PART_COLUMNS = 48  # of a window: each part of the rim mirrors another part of the room
SHARES = (0.1, 0.25, 0.5, 0.75, 0.9)


def measure_colours(windows: WitnessWindows, cells: Map, white: npt.NDArray[np.float64]) -> dict[str, float]:
    """Colour and brightness of the full-size pixels in cells called metal, by name.

    Parameters
    ----------
    cells
        (k, 9, ROWS / 2, COLUMNS / 2) chances of materials, roles and the border's rows.
    white
        (2,) ln R/G and B/G of the light.
    """
    metal = cells[:, MATERIALS.index("gold")] + cells[:, MATERIALS.index("platinum")]
    fine = np.stack([cv2.resize(m, (COLUMNS, ROWS), interpolation=cv2.INTER_LINEAR) for m in metal])
    chosen = (fine > METAL_FROM) & windows.seen_mask
    out = {"metal_clipped": float(windows.clipped_mask[chosen].mean()) if chosen.any() else 0.0}
    chosen &= ~windows.clipped_mask
    index = np.flatnonzero(chosen)
    if len(index) < LEAST_PIXELS:
        return out
    out["metal_pixels"] = float(np.log10(len(index)))
    index = index[:: max(1, len(index) // MOST_PIXELS)]
    pixels = np.maximum(windows.linear_rgb.reshape(-1, 3)[index].astype(np.float64), DARKEST)
    under = np.maximum(_take_glaze(windows, index), DARKEST)
    cover = fine.ravel()[index]
    colour, beside = _log_ratios(pixels) - white, _log_ratios(under) - white
    out |= _spread(pixels, under, colour, beside)
    yellow, red, pure = _pull(pixels, under, cover, white)
    out |= _quantiles("pure_rg", pure[:, 0]) | _quantiles("pure_bg", pure[:, 1])
    out |= _quantiles("yellow_turn", yellow) | _quantiles("red_turn", red)
    total = np.log(pixels.sum(axis=0))
    out |= {
        "metal_rg_line": float(total[0] - total[1] - white[0]),
        "metal_bg_line": float(total[2] - total[1] - white[1]),
    }
    out |= _by_part(index, yellow, pure[:, 1])
    return out | _by_role(cells, index, yellow, pure[:, 1], cover)


def _take_glaze(windows: WitnessWindows, index: npt.NDArray[np.int64]) -> Array:
    """Near glaze (n, 3) under pixels of the windows, from its coarse samples."""
    coarse = windows.glaze_linear_rgb
    number, place = np.divmod(index, ROWS * COLUMNS)
    row, column = np.divmod(place, COLUMNS)
    high, wide = ROWS // coarse.shape[1], COLUMNS // coarse.shape[2]
    return np.asarray(coarse[number, row // high, column // wide], np.float64)


def _spread(pixels: Array, under: Array, colour: Array, beside: Array) -> dict[str, float]:
    level = pixels @ LUMINANCE_WEIGHTS
    bright = np.log(level / (under @ LUMINANCE_WEIGHTS))
    top, low = level >= np.quantile(level, 0.8), level <= np.quantile(level, 0.2)
    out = _quantiles("metal_rg", colour[:, 0]) | _quantiles("metal_bg", colour[:, 1])
    out |= _quantiles("metal_bright", bright)
    out |= _quantiles("metal_bg_to_glaze", (colour - beside)[:, 1])
    for name, part in (("top", top), ("low", low)):
        red, blue = np.median(colour[part], axis=0)
        out |= {f"metal_rg_{name}": float(red), f"metal_bg_{name}": float(blue)}
    red, blue = np.median(beside, axis=0)
    return out | {
        "metal_glaze_rg": float(red),
        "metal_glaze_bg": float(blue),
        "metal_level": float(np.log(np.median(level))),
        "metal_dark_share": float((bright < -0.7).mean()),
        "metal_brighter_share": float((bright > 0.1).mean()),
    }


def _pull(
    pixels: Array, under: Array, chance: Map, white: npt.NDArray[np.float64]
) -> tuple[Array, Array, Array]:
    """How far the metal pulls the glaze's colour to yellow and to red, (n,) each, mixed in or not; and its
    own colour (n, 2) with the glaze taken out.

    The chance stands for the cover: both fall towards the edge of a stroke.
    """
    cover = np.clip(chance.astype(np.float64), LEAST_COVER, 1.0)[:, None]
    pure = _log_ratios(np.maximum(under + (pixels - under) / cover, DARKEST / 4)) - white
    pull = (pixels - under) / under
    yellow, red = (pull[:, 0] + pull[:, 1]) / 2 - pull[:, 2], pull[:, 0] - pull[:, 1]
    length = np.maximum(np.linalg.norm(pull, axis=1), 0.02)
    return yellow / length, red / length, pure


def _by_part(index: npt.NDArray[np.int64], yellow: Array, blue: Array) -> dict[str, float]:
    """Spread round the rim of each part's middle colour."""
    number, place = np.divmod(index, ROWS * COLUMNS)
    part = number * (COLUMNS // PART_COLUMNS) + place % COLUMNS // PART_COLUMNS
    found = [
        (np.median(yellow[part == p]), np.median(blue[part == p]))
        for p in np.flatnonzero(np.bincount(part) >= LEAST_PIXELS)
    ]
    if len(found) < 2:
        return {}
    turns, blues = np.array(found).T
    out = {"part_yellow_sd": float(turns.std()), "part_bg_sd": float(blues.std())}
    for name, values in (("part_yellow", turns), ("part_bg", blues)):
        out |= {
            f"{name}_{word}": float(np.quantile(values, share))
            for word, share in (("low", 0.1), ("middle", 0.5), ("high", 0.9))
        }
    return out


def _by_role(
    cells: Map, index: npt.NDArray[np.int64], yellow: Array, blue: Array, cover: Map
) -> dict[str, float]:
    """Middle colour of the metal of each role, the sure middle of strokes counting most."""
    number, place = np.divmod(index, ROWS * COLUMNS)
    row, column = np.divmod(place, COLUMNS)
    roles = cells[number, len(MATERIALS) + 1 : len(MATERIALS) + len(ROLES), row // 2, column // 2]
    out: dict[str, float] = {}
    for role, chance in zip(ROLES[1:], roles.T, strict=True):
        own = (chance > 0.5) & (cover > 0.6)
        if own.sum() >= LEAST_PIXELS:
            name = role.replace(" ", "_")
            out[f"{name}_yellow"] = float(np.median(yellow[own]))
            out[f"{name}_bg"] = float(np.median(blue[own]))
    return out


def _log_ratios(rgb: Array) -> Array:
    logs = np.log(rgb)
    return np.stack([logs[:, 0] - logs[:, 1], logs[:, 2] - logs[:, 1]], axis=-1)


def _quantiles(name: str, values: npt.NDArray[np.floating]) -> dict[str, float]:
    found = np.quantile(values, SHARES)
    return {f"{name}_q{round(100 * share):02d}": float(v) for share, v in zip(SHARES, found, strict=True)}
