"""The colour word of a painted line: its own pixels, the light taken off, against named centres."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from model.bands import Band, Bands
from model.colour import ciede2000, decode_srgb, lab_from_linear_rgb, log_chromaticity, luminance
from model.facts import Light
from model.rim_band import RimStrip
from model.strip_labels import MATERIALS, ROLES, StripLabels

Array = npt.NDArray[np.float64]

# Centres of the trade's colour words, sRGB bytes; own choice, several to a word, no source.
NAMED_CENTRES: tuple[tuple[str, tuple[int, int, int]], ...] = (
    ("red", (178, 34, 34)),
    ("red", (150, 30, 45)),
    ("red", (200, 60, 50)),
    ("orange", (222, 122, 48)),
    ("yellow", (228, 196, 70)),
    ("yellow", (240, 220, 120)),
    ("ochre", (190, 140, 60)),
    ("brown", (105, 65, 40)),
    ("brown", (140, 90, 55)),
    ("green", (40, 110, 65)),
    ("green", (90, 150, 95)),
    ("green", (120, 135, 60)),
    ("turquoise", (60, 160, 160)),
    ("blue", (35, 60, 145)),
    ("blue", (80, 120, 190)),
    ("blue", (25, 35, 85)),
    ("purple", (110, 60, 130)),
    ("pink", (225, 130, 150)),
    ("pink", (235, 175, 180)),
    ("black", (20, 20, 22)),
    ("black", (45, 42, 42)),
    ("grey", (110, 110, 112)),
    ("grey", (150, 151, 153)),
    ("white", (238, 238, 236)),
)
# Fired glazes as (ln R/G, ln B/G) in white light and luminance against a perfect white; own choice after
# the usual colours of tableware, no source. A deep glaze is dark, and must not count as a white one in shade.
GLAZES = (
    ((0.00, -0.02), 0.84),
    ((0.08, -0.25), 0.78),
    ((0.15, -0.80), 0.72),
    ((-0.25, 0.18), 0.66),
    ((0.50, 0.00), 0.56),
    ((-0.68, -0.60), 0.38),
    ((-1.55, 0.05), 0.36),
    ((-0.95, 2.00), 0.03),
)
GLAZE_WIDTH = 0.25  # of a glaze's colours, in ln units
SURE_SHARE = 0.7  # of the surest cells' chance: pixels that are the line's own
LEAST_PIXELS = 12


def measure_line_lab(strip: RimStrip, bands: Bands, light: Light, labels: StripLabels, band: Band) -> Array | None:
    """(3,) Lab of a painted line in white light, brought to the level of its glaze; None where nothing shows."""
    rows = slice(max(0, band.row0 - 2), band.row1 + 2)
    chance = spread_over_pixels(labels, labels.roles[ROLES.index(band.kind)], rows, strip.seen_mask.shape[1])
    paint = spread_over_pixels(labels, labels.materials[MATERIALS.index("paint")], rows, strip.seen_mask.shape[1])
    sure = chance * (0.1 + paint)
    sound = strip.seen_mask[rows] & ~strip.clipped_mask[rows]
    if sound.sum() < LEAST_PIXELS:
        return None
    own = sound & (sure >= SURE_SHARE * np.quantile(sure[sound], 0.95))
    white = np.asarray(light.white_rgb)
    colour = np.median(strip.linear_rgb[rows][own].astype(np.float64), axis=0) / white
    glaze = np.median(bands.glaze_linear_rgb[rows][own].astype(np.float64), axis=0) / white
    level = guess_glaze_luminance(glaze) / max(float(luminance(glaze)), 1e-3)
    return np.asarray(lab_from_linear_rgb(np.clip(colour * level, 0, 1.2)))


def guess_glaze_luminance(linear_rgb: Array) -> float:
    """Luminance against a perfect white of a glaze of that colour (3,) in white light."""
    at = log_chromaticity(np.maximum(linear_rgb, 1e-4))
    apart = np.array([((at - np.array(colour)) ** 2).sum() for colour, _ in GLAZES]) / GLAZE_WIDTH**2
    weight = np.exp(-(apart - apart.min()) / 2)
    return float((weight * [level for _, level in GLAZES]).sum() / weight.sum())


def spread_over_pixels(labels: StripLabels, cells: npt.NDArray[np.float32], rows: slice, width: int) -> Array:
    """Cells (h, w) laid over the strip's pixels in ``rows``, between cells evenly."""
    y = (np.arange(rows.start, rows.stop) + 0.5 - labels.first_row_px) / labels.step_px - 0.5
    x = (np.arange(width) + 0.5) / labels.step_px - 0.5
    map_x, map_y = np.meshgrid(x.astype(np.float32), y.astype(np.float32))
    laid = cv2.remap(cells, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(laid, np.float64)


def name_colour(lab: npt.ArrayLike) -> str:
    """Word whose centre is nearest by CIEDE2000 to ``lab`` (3,)."""
    centres = lab_from_linear_rgb(decode_srgb(np.array([rgb for _, rgb in NAMED_CENTRES]) / 255))
    nearest = int(np.argmin(ciede2000(np.asarray(lab), centres)))
    return NAMED_CENTRES[nearest][0]
