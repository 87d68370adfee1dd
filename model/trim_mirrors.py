"""What the trim mirrors: its colour from block to block round the rim, against the light, glaze and table."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from model.colour import GOLD_LINEAR_RGB, PLATINUM_LINEAR_RGB, log_chromaticity, luminance
from model.surroundings import SceneColours

Array = npt.NDArray[np.float64]

MIN_BLOCK_PIXELS = 6
ANYTHING_MEAN = np.array([0.05, -0.2])  # rooms are on the whole warmer than white paper (no source)
BLOCK_NAMES = (
    *("rg_block_low", "rg_block_high", "bg_block_low", "bg_block_high", "bg_block_sd", "bright_block_sd"),
    *("glaze_rg_sd", "glaze_bg_sd"),
    *("rg_local", "bg_local_low", "bg_local", "bg_local_high", "block_count"),
)


def sum_blocks(pixels: Array, glaze: Array, block: npt.NDArray[np.int64]) -> tuple[Array, Array] | None:
    """Mean linear sRGB of trim and of the glaze beside it, (k, 3) each, for every well filled rim block.

    ``pixels`` and ``glaze`` are (n, 3) linear, ``block`` (n,) the rim block of each.
    """
    size = int(block.max()) + 1
    count = np.bincount(block, minlength=size)
    full = count >= MIN_BLOCK_PIXELS
    if full.sum() < 2:
        return None
    sums = [
        np.stack([np.bincount(block, values[:, c], size) for c in range(3)], axis=-1)
        for values in (pixels, glaze)
    ]
    return sums[0][full] / count[full, None], sums[1][full] / count[full, None]


def look_round(blocks: tuple[Array, Array] | None, white: Array) -> dict[str, float]:
    """Colour and brightness block by block: each block mirrors another part of the room.

    ``local`` colours take out how the light itself changes round the rim, as the glaze shows it.
    """
    if blocks is None:
        return dict.fromkeys(BLOCK_NAMES, float("nan"))
    trim, under = blocks
    colour, glaze = log_chromaticity(trim) - white, log_chromaticity(under)
    bright = np.log(luminance(trim) / luminance(under))
    local = colour - (glaze - np.median(glaze, axis=0))
    low, high = np.quantile(colour, 0.1, axis=0), np.quantile(colour, 0.9, axis=0)
    found = (
        *(low[0], high[0], low[1], high[1], colour[:, 1].std(), bright.std()),
        *(glaze[:, 0].std(), glaze[:, 1].std()),
        *(np.median(local[:, 0]), *np.quantile(local[:, 1], (0.1, 0.5, 0.9)), len(colour)),
    )
    return {name: float(value) for name, value in zip(BLOCK_NAMES, found, strict=True)}


def weigh_metals(
    blocks: tuple[Array, Array] | None, white: Array, around: SceneColours | None
) -> dict[str, float]:
    """Log-likelihood ratio of gold against platinum of each block, whatever plausible thing it mirrors.

    What is mirrored is white, or has the colour of the table beside the piece, or is anything at all.
    """
    if blocks is None:
        return dict.fromkeys(("metal_ratio_mean", "metal_ratio_low", "metal_ratio_high"), float("nan"))
    colour = log_chromaticity(blocks[0]) - white
    ring = None if around is None else around.ring
    table = ANYTHING_MEAN if ring is None else ring - white
    mirrored = ((np.zeros(2), 0.15, 0.5), (table, 0.25, 0.3), (ANYTHING_MEAN, 0.6, 0.2))

    def likelihood(metal_rgb: Array) -> Array:
        away = colour - log_chromaticity(metal_rgb)
        terms = [
            share / spread**2 * np.exp(-0.5 * ((away - mean) ** 2).sum(1) / spread**2)
            for mean, spread, share in mirrored
        ]
        return np.asarray(np.log(np.sum(terms, axis=0) + 1e-9))

    ratio = likelihood(GOLD_LINEAR_RGB) - likelihood(PLATINUM_LINEAR_RGB)
    return {
        "metal_ratio_mean": float(ratio.mean()),
        "metal_ratio_low": float(np.quantile(ratio, 0.1)),
        "metal_ratio_high": float(np.quantile(ratio, 0.9)),
    }


def compare_scene(around: SceneColours | None, white: Array, features: dict[str, float]) -> dict[str, float]:
    """Colour of what can be mirrored: the table beside the piece, the scene; and the trim against it."""
    ring = None if around is None else around.ring
    scene = None if around is None else around.scene
    none = np.full(2, np.nan)
    ring_colour = none if ring is None else ring - white
    scene_colour = none if scene is None else scene - white
    return {
        "ring_rg": float(ring_colour[0]),
        "ring_bg": float(ring_colour[1]),
        "scene_rg": float(scene_colour[0]),
        "scene_bg": float(scene_colour[1]),
        "bg_to_ring": float(features["bg_q50"] - ring_colour[1]),
        "bg_to_scene": float(features["bg_line"] - scene_colour[1]),
    }
