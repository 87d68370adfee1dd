"""The colour word of a painted line: its own pixels, the light taken off, against named centres."""

from __future__ import annotations

from math import erf, hypot, sqrt

import cv2
import numpy as np
import numpy.typing as npt

from model.bands import Band, Bands
from model.colour import ciede2000, decode_srgb, lab_from_linear_rgb, log_chromaticity, luminance
from model.facts import Light
from model.rim_band import CLIPPED_HIGH, RimStrip
from model.strip_labels import ROLES, StripLabels

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

# Centres of the trade's colour words, sRGB bytes; own choice, several to a word, no source.
NAMED_CENTRES: tuple[tuple[str, tuple[int, int, int]], ...] = (
    ("red", (178, 34, 34)),
    ("red", (150, 30, 45)),
    ("red", (200, 60, 50)),
    ("red", (150, 62, 45)),
    ("orange", (222, 122, 48)),
    ("yellow", (228, 196, 70)),
    ("yellow", (240, 220, 120)),
    ("ochre", (190, 140, 60)),
    ("brown", (105, 65, 40)),
    ("brown", (140, 90, 55)),
    ("brown", (118, 100, 80)),
    ("green", (40, 110, 65)),
    ("green", (90, 150, 95)),
    ("green", (120, 135, 60)),
    ("turquoise", (60, 160, 160)),
    ("blue", (35, 60, 145)),
    ("blue", (80, 120, 190)),
    ("blue", (25, 35, 85)),
    ("blue", (75, 80, 135)),
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
ROWS_BESIDE = 6  # strip px beside a line's rows: it sways a little
LIP_PX = -3  # of the lip's rows, beyond which lies the background: the lip is found a little off
# Of a column's greatest chance, where the line's middle is; of the usual column's, where it shows at all.
MIDDLE_SHARE, SHOWN_SHARE = 0.97, 0.7
LEAST_PIXELS, LEAST_UNCLIPPED = 12, 0.25
# Strip px (one sigma): of the resampling and of labels that lie a little beside the line (of .5 to 3 the best
# for the names of 218 painted lines); a photo's own blur beyond which it is no guide.
PIXEL_BLUR, MOST_BLUR = 1.5, 3.0
DARKEST_SHARE = 0.02  # of the glaze's light that any paint sends back
LEAST_COVER = 0.5  # a line's middle is never taken to be less than half the line's own colour


def measure_line_lab(
    strip: RimStrip, bands: Bands, light: Light, labels: StripLabels, band: Band
) -> Array | None:
    """(3,) Lab of a painted line in white light, brought to the level of its glaze; None where nothing shows.

    The middle of a line hardly wider than the blur is partly glaze: that part is taken off.
    """
    rows = slice(max(0, band.row0 - ROWS_BESIDE), min(band.row1 + ROWS_BESIDE, strip.seen_mask.shape[0]))
    own = find_own_pixels(strip, labels, band, rows)
    if own is None:
        return None
    white = np.asarray(light.white_rgb)
    colour = np.median(strip.linear_rgb[rows][own].astype(np.float64), axis=0) / white
    glaze = np.maximum(np.median(bands.glaze_linear_rgb[rows][own].astype(np.float64), axis=0) / white, 1e-3)
    colour = _take_glaze_off(colour, glaze, share_of_middle(strip, band))
    level = guess_glaze_luminance(glaze) / float(luminance(glaze))
    return np.asarray(lab_from_linear_rgb(np.clip(colour * level, 0, 1.2)))


def _take_glaze_off(colour: Array, glaze: Array, share: float) -> Array:
    """The colour (3,) of which ``share`` and the rest of glaze make what is seen; never darker than black."""
    away = colour - glaze
    room = np.where(away < 0, (glaze - DARKEST_SHARE * glaze.max()) / np.maximum(-away, 1e-9), np.inf)
    return np.asarray(glaze + away * max(1.0, min(1 / share, float(room.min()))))


def find_own_pixels(strip: RimStrip, labels: StripLabels, band: Band, rows: slice) -> Mask | None:
    """(n, w) bool over the rows: the middle of the line, column by column; None where too little shows."""
    chance = spread_over_pixels(labels, labels.roles[ROLES.index(band.kind)], rows, strip.seen_mask.shape[1])
    sound = strip.seen_mask[rows].copy()
    sound[: max(0, strip.lip_row + LIP_PX - rows.start)] = False
    most = np.where(sound, chance, 0).max(axis=0, initial=0.0)
    if not (most > 0).any():
        return None
    shown = most >= SHOWN_SHARE * np.quantile(most[most > 0], 0.8)
    own = sound & (chance >= MIDDLE_SHARE * most) & shown
    # A black line is clipped too, and still black; a white one may be clipped throughout.
    unclipped = own & (strip.encoded[rows].max(axis=2) < CLIPPED_HIGH)
    own = unclipped if unclipped.sum() >= LEAST_UNCLIPPED * own.sum() else own
    return own if own.sum() >= LEAST_PIXELS else None


def share_of_middle(strip: RimStrip, band: Band) -> float:
    """How much of a line's middle is the line's own colour in a photo as blurred as this one."""
    blur = min(strip.blur_px, MOST_BLUR) if np.isfinite(strip.blur_px) else 1.0
    width = band.row1 - band.row0 if band.width_px is None else band.width_px
    return max(LEAST_COVER, erf(width / (2 * sqrt(2) * hypot(blur, PIXEL_BLUR))))


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
