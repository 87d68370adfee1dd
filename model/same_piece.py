"""Lines, border and the photo that shows most, from the readings of several photos of one piece."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any

import numpy as np

from model.facts import Border, Light, Line, Place, Retake, Sector, Trim

METALS = ("gold", "platinum", "metal")
PLACES: tuple[Place, ...] = ("edge", "verge")
LEAST_SEEN = 0.5  # a line is there if at least half of the photos that could look show it


def pool_lines(looked: Sequence[tuple[Line, ...] | None], trim: Trim) -> tuple[Line, ...] | None:
    """The lines that at least half of the photos show, under the name most of them give.

    ``None`` photos could not look. A line that most call metal takes the metal of the pooled trim.
    """
    told = [lines for lines in looked if lines is not None]
    if not told:
        return None
    found = []
    for place in PLACES:
        seen = [line for lines in told for line in lines if line.place == place]
        if not seen or len(seen) < LEAST_SEEN * len(told):
            continue
        metal = [line for line in seen if line.colour in METALS]
        if 2 * len(metal) > len(seen):
            colour = trim.metal or Counter(line.colour for line in metal).most_common(1)[0][0]
        else:
            painted = [line.colour for line in seen if line.colour not in METALS]
            colour = Counter(painted).most_common(1)[0][0]
        widths = [line.width_mm for line in seen if line.width_mm is not None]
        found.append(Line(place, colour, float(np.median(widths)) if widths else None))
    return tuple(found)


def pool_border(borders: Sequence[Border | None]) -> Border | None:
    """The border as most photos count it; a photo that counted goes before one that did not."""
    known = [border for border in borders if border is not None]
    if not known:
        return None
    shown = [border for border in known if border.layout != "none"]
    if 2 * len(shown) < len(known):
        return next(border for border in known if border.layout == "none")
    counted = [border for border in shown if border.repeats is not None]
    if not counted:
        return shown[0]
    usual = Counter(border.repeats for border in counted).most_common(1)[0][0]
    return next(border for border in counted if border.repeats == usual)


def find_fullest(visible_shares: Sequence[float | None]) -> int:
    """Number of the photo that shows most of the lip; the first of equals."""
    return int(np.argmax([-1.0 if share is None else share for share in visible_shares]))


def trim_from_json(data: dict[str, Any]) -> Trim:
    """A trim from its public form."""
    sectors, retake = data["sectors"], data["retake"]
    return Trim(
        verdict=data["verdict"],
        metal=data["metal"],
        probabilities=data["probabilities"],
        worn_probability=data["worn_probability"],
        remaining_share=data["remaining_share"],
        sectors=None if sectors is None else tuple(Sector(**sector) for sector in sectors),
        reasons=tuple(data["reasons"]),
        retake=None if retake is None else Retake(**retake),
    )


def light_from_json(data: dict[str, Any] | None) -> Light | None:
    """A light from its public form."""
    if data is None:
        return None
    red, green, blue = data["white_rgb"]
    return Light((red, green, blue), data["uncertainty_deg"], tuple(data["evidence"]))


def lines_from_json(data: list[dict[str, Any]] | None) -> tuple[Line, ...] | None:
    """Lines from their public form; what only other versions say of them is left out."""
    if data is None:
        return None
    return tuple(Line(line["place"], line["colour"], line["width_mm"]) for line in data)


def border_from_json(data: dict[str, Any] | None) -> Border | None:
    """A border from its public form."""
    if data is None:
        return None
    return Border(data["layout"], data["repeats"], data["repeat_mm"], data["symmetry"])
