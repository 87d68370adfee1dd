"""Edge and verge lines: which metal, or which named colour, and how wide."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from model.bands import Band, Bands
from model.facts import Light, Line, Place, Trim
from model.label_rows import load_recipe
from model.line_colour import measure_line_lab, name_colour
from model.rim_band import RimStrip
from model.strip_labels import MATERIALS, ROLES, StripLabels

PLACES: dict[str, Place] = {"edge line": "edge", "verge line": "verge"}
UNTOLD_METAL = "metal"
SMALL = 0.02  # chance; no material is surer or less sure than that
MOST_ODDS = 4.0


def name_lines(
    strip: RimStrip | None, bands: Bands | None, light: Light | None, trim: Trim, labels: StripLabels | None
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

    Returns
    -------
    tuple of facts.Line or None
        Empty: looked and found none. None: could not look. ``width_mm`` is None without a scale.
    """
    if strip is None or bands is None or light is None or labels is None:
        return None
    found = []
    for band in bands.lines:
        colour = _metal_name(band, labels, trim)
        if colour is None:
            lab = measure_line_lab(strip, bands, light, labels, band)
            colour = None if lab is None else name_colour(lab)
        if colour is not None:
            found.append(Line(PLACES[band.kind], colour, _width_mm(strip, band)))
    return tuple(found)


def _width_mm(strip: RimStrip, band: Band) -> float | None:
    if strip.mm_per_px is None:
        return None
    width_px = band.row1 - band.row0 if band.width_px is None else band.width_px
    return width_px * strip.mm_per_px


def _metal_name(band: Band, labels: StripLabels, trim: Trim) -> str | None:
    """The line's metal, or None where it is painted."""
    judge = load_recipe().judges["metal line"]
    if trim.verdict == "no metal" or judge.chance(tell_material(band.kind, labels)) < judge.least_chance:
        return None
    return trim.metal or UNTOLD_METAL


def tell_material(kind: str, labels: StripLabels) -> dict[str, float]:
    """Facts on whether a line is metal: its own cells, all printed cells, the verdict on the whole rim."""
    own = labels.roles[ROLES.index(kind)] * labels.seen
    printed = (1 - labels.roles[0]) * labels.seen
    gold, platinum, none = (float(logit) for logit in labels.verdict)
    return {
        "own": _metal_odds(labels, own),
        "all": _metal_odds(labels, printed),
        "verdict": float(np.clip(np.logaddexp(gold, platinum) - none, -MOST_ODDS, MOST_ODDS)),
    }


def _metal_odds(labels: StripLabels, weight: npt.NDArray[np.float32]) -> float:
    """Log of metal to paint over weighted cells."""
    share = (labels.materials * weight).sum(axis=(1, 2)) / max(float(weight.sum()), 1e-6)
    metal = share[MATERIALS.index("gold")] + share[MATERIALS.index("platinum")]
    return float(np.log((metal + SMALL) / (share[MATERIALS.index("paint")] + SMALL)))
