"""Edge and verge lines: which metal, or which named colour, and how wide."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from model.bands import Band, Bands
from model.colour import ciede2000, decode_srgb, lab_from_linear_rgb, luminance
from model.facts import Light, Line, Place, Trim
from model.line_width import measure_line_width_px
from model.rim_band import RimStrip
from model.surroundings import Surroundings
from model.trim import JudgedRegion, judge_regions

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
GLAZE_LEVEL = 0.75  # luminance of a fired white glaze against a perfect white, about (no source)
DARKEST_GLAZE_SHARE = 0.25  # of the scene's bright level: a darker glaze is coloured, not in shade
SURE_PIXELS_SHARE = (
    0.35  # the part of the line's pixels that differ most from the glaze: the line's own colour
)
PLACES: dict[str, Place] = {"edge line": "edge", "verge line": "verge"}
UNTOLD_METAL = "metal"
# Log-odds from which a line is called metal where the trim was not told: of -.5 to 2.2 the best balance of
# metal and paint (405 lines of path-traced pictures that the odds' fit never saw: .75; at 2.2, .60).
SURE_METAL = 0.6


def name_lines(
    strip: RimStrip | None,
    bands: Bands | None,
    light: Light | None,
    trim: Trim,
    around: Surroundings | None = None,
    *,
    judged: list[JudgedRegion] | None = None,
) -> tuple[Line, ...] | None:
    """Name the edge and verge lines.

    Parameters
    ----------
    strip, bands, light
        As found; None means that nothing could be looked at.
    trim
        The verdict: a line judged to be metal takes its metal; "metal" where that was not told.
    around
        Surroundings, as given to the verdict.
    judged
        The regions if judged already.

    Returns
    -------
    tuple of facts.Line or None
        Empty: looked and found none. None: could not look. ``width_mm`` is None without a scale.
    """
    if strip is None or bands is None or light is None:
        return None
    if not strip.seen_mask.any():
        return None
    known = judge_regions(strip, bands, light, around) if judged is None else judged
    by_rows = {id_of(j): j for j in known}
    found, bright = [], None
    for band in choose_lines(strip, bands):
        region = by_rows.get((band.kind, band.row0, band.row1))
        colour = _metal_name(region, trim) if region is not None else None
        if colour is None:
            bright = find_bright_level(strip) if bright is None else bright
            colour = name_colour(measure_line_lab(strip, bands, light, band, bright))
        found.append(Line(PLACES[band.kind], colour, _width_mm(strip, bands, band)))
    return tuple(found)


def _width_mm(strip: RimStrip, bands: Bands, band: Band) -> float | None:
    """By the print of a line that has glaze on both sides, an edge line by its rows; None without scale."""
    if strip.mm_per_px is None:
        return None
    width_px = None if PLACES[band.kind] == "edge" else measure_line_width_px(strip, bands, band)
    return (band.row1 - band.row0 if width_px is None else width_px) * strip.mm_per_px


def choose_lines(strip: RimStrip, bands: Bands) -> list[Band]:
    """At most one band a place: the one that most of its own rows' print fills."""
    best: dict[str, tuple[float, Band]] = {}
    for band in bands.lines:
        if band.kind not in PLACES:
            continue
        rows = slice(band.row0, band.row1)
        seen = strip.seen_mask[rows]
        filled = float(bands.print_mask[rows][seen].mean()) if seen.any() else 0.0
        if band.kind not in best or filled > best[band.kind][0]:
            best[band.kind] = (filled, band)
    return [best[kind][1] for kind in PLACES if kind in best]


def id_of(judged: JudgedRegion) -> tuple[str, int, int]:
    """Kind and rows of the band a region was made from."""
    return judged.region.kind, judged.region.row0, judged.region.row1


def _metal_name(judged: JudgedRegion, trim: Trim) -> str | None:
    """The line's metal, or None where it is painted."""
    if judged.features is None or judged.metal_log_odds <= 0 or trim.verdict == "no metal":
        return None
    if trim.metal is None and judged.metal_log_odds < SURE_METAL:
        return None
    return trim.metal or UNTOLD_METAL


def find_bright_level(strip: RimStrip) -> float:
    """Luminance that a twentieth of the seen strip exceeds."""
    return float(np.quantile(luminance(strip.linear_rgb[strip.seen_mask]), 0.95))


def measure_line_lab(
    strip: RimStrip, bands: Bands, light: Light, band: Band, bright: float | None = None
) -> Array:
    """(3,) Lab of the line, balanced for the light and brought to the level of a white glaze of .75."""
    rows = slice(band.row0, band.row1)
    seen = strip.seen_mask[rows] & ~strip.clipped_mask[rows]
    mask = seen & bands.print_mask[rows]
    mask = mask if mask.any() else seen
    if not mask.any():
        mask = np.ones_like(seen)
    pixels = strip.linear_rgb[rows][mask].astype(np.float64)
    glaze = bands.glaze_linear_rgb[rows][mask].astype(np.float64)
    difference = np.abs(pixels - glaze).sum(1)
    own = difference >= np.quantile(difference, 1 - SURE_PIXELS_SHARE)
    bright = find_bright_level(strip) if bright is None else bright
    level = max(float(np.median(luminance(glaze))), DARKEST_GLAZE_SHARE * bright, 1e-3)
    balanced = np.median(pixels[own], axis=0) / np.asarray(light.white_rgb)
    return np.asarray(lab_from_linear_rgb(np.clip(balanced * GLAZE_LEVEL / level, 0, 1.2)))


def name_colour(lab: npt.ArrayLike) -> str:
    """Word whose centre is nearest by CIEDE2000 to ``lab`` (3,)."""
    centres = lab_from_linear_rgb(decode_srgb(np.array([rgb for _, rgb in NAMED_CENTRES]) / 255))
    nearest = int(np.argmin(ciede2000(np.asarray(lab), centres)))
    return NAMED_CENTRES[nearest][0]
