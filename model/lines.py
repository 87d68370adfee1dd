"""Edge and verge lines: which metal, or which named colour, and how wide."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from model.bands import Band, Bands
from model.facts import Light, Line, Place, Trim
from model.label_rows import load_recipe
from model.line_colour import measure_line_lab, name_colour
from model.line_width import measure_line_width_px
from model.rim_band import RimStrip
from model.strip_labels import MATERIALS, ROLES, StripLabels
from model.trim_fusion import JudgedRegion

PLACES: dict[str, Place] = {"edge line": "edge", "verge line": "verge"}
UNTOLD_METAL = "metal"
MOST_ODDS = 4.0
SMALL = 0.02  # chance; no cells are surer of a material than that


def name_lines(
    strip: RimStrip | None,
    bands: Bands | None,
    light: Light | None,
    trim: Trim,
    labels: StripLabels | None,
    judged: Sequence[JudgedRegion] = (),
) -> tuple[Line, ...] | None:
    """Name the edge and verge lines.

    Parameters
    ----------
    strip, bands, light
        As found, the bands with their lines; None means that nothing could be looked at.
    trim
        The verdict: a line judged to be metal takes its metal; "metal" where that was not told.
    labels
        What the strip's cells are; None where they could not be labelled.
    judged
        The printed regions as the trim judged them.

    Returns
    -------
    tuple of facts.Line or None
        Empty: looked and found none. None: could not look. ``width_mm`` is None without a scale.
    """
    if strip is None or bands is None or light is None or labels is None:
        return None
    found = []
    for band in bands.lines:
        colour = _metal_name(band, labels, trim, judged)
        if colour is None:
            lab = measure_line_lab(strip, bands, light, labels, band)
            colour = None if lab is None else name_colour(lab)
        if colour is not None:
            found.append(Line(PLACES[band.kind], colour, _width_mm(strip, bands, band)))
    return tuple(found)


def _width_mm(strip: RimStrip, bands: Bands, band: Band) -> float | None:
    """By its own pixels where glaze lies on both sides, else by its labels; None without a scale."""
    if strip.mm_per_px is None:
        return None
    width_px = None if PLACES[band.kind] == "edge" else measure_line_width_px(strip, bands, band)
    width_px = band.width_px if width_px is None else width_px
    return (band.row1 - band.row0 if width_px is None else width_px) * strip.mm_per_px


def _metal_name(band: Band, labels: StripLabels, trim: Trim, judged: Sequence[JudgedRegion]) -> str | None:
    """The line's metal, or None where it is painted."""
    judge = load_recipe().judges["metal line"]
    chance = judge.chance(tell_material(band.kind, labels, judged))
    if trim.verdict == "no metal" or chance < judge.least_chance:
        return None
    return trim.metal or UNTOLD_METAL


def tell_material(kind: str, labels: StripLabels, judged: Sequence[JudgedRegion]) -> dict[str, float]:
    """Facts on whether a line is metal: log-odds of its own print, of the whole rim by the labels.

    Where too little of the print was sure to be judged, the labels of its cells speak for it.
    """
    own = [j.metal_log_odds for j in judged if j.region.kind == kind and j.features is not None]
    gold, platinum, none = (float(logit) for logit in labels.verdict)
    return {
        "region": clip_odds(own[0] if own else _weigh_cells(kind, labels)),
        "rim": clip_odds(np.logaddexp(gold, platinum) - none),
    }


def _weigh_cells(kind: str, labels: StripLabels) -> float:
    """Log of metal to paint in the line's cells."""
    own = labels.roles[ROLES.index(kind)] * labels.seen
    share = (labels.materials * own).sum(axis=(1, 2)) / max(float(own.sum()), 1e-6)
    metal = share[MATERIALS.index("gold")] + share[MATERIALS.index("platinum")]
    return float(np.log((metal + SMALL) / (share[MATERIALS.index("paint")] + SMALL)))


def clip_odds(log_odds: float) -> float:
    """Log-odds no surer than MOST_ODDS."""
    return float(np.clip(log_odds, -MOST_ODDS, MOST_ODDS))
