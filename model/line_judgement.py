"""Is there an edge line, a verge line? Fitted trees over plain facts of the likeliest places."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
import numpy.typing as npt

from model.line_rows import LinePlace, find_unit_px, propose_edge, propose_verge
from model.trees import DECIMALS, Trees, probability

Map = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]
Span = tuple[int, int]

RECIPE = Path(__file__).parent / "weights" / "lines.json"
PLACES = ("edge", "verge")


@dataclass(frozen=True, eq=False)
class LineRecipe:
    """Trees by place, and the chance from which a line is claimed there."""

    trees: dict[str, Trees]
    least_chance: dict[str, float]


@lru_cache(maxsize=1)
def load_recipe() -> LineRecipe:
    """Read the fitted numbers shipped beside the model."""
    data = json.loads(RECIPE.read_text(encoding="utf-8"))
    return LineRecipe(
        {place: Trees.from_recipe(data[place]) for place in PLACES},
        {place: float(data[place]["least_chance"]) for place in PLACES},
    )


def find_named_lines(
    planes: Map,
    inside: Mask,
    lip_row: int,
    px_per_diameter: float,
    blur_px: float,
    border: Span | None,
) -> dict[str, Span]:
    """Rows of the edge line and of the verge line, where they are likely there.

    Parameters
    ----------
    planes
        (3, h, w) float32 ln Y, ln R/G, ln B/G less those of the glaze.
    inside
        (h, w) bool, seen and on the piece.
    border
        Rows of the border, or None.
    """
    recipe = load_recipe()
    found: dict[str, Span] = {}
    for place, likely in propose_lines(planes, inside, lip_row, px_per_diameter, blur_px, border).items():
        if not likely:
            continue
        trees = recipe.trees[place]
        rows = [[one.facts.get(name, np.nan) for name in trees.features] for one in likely]
        chances = [probability(score) for score in trees.raw_scores(np.round(np.array(rows), DECIMALS))]
        best = int(np.argmax(chances))
        if chances[best] >= recipe.least_chance[place]:
            found[place] = likely[best].row0, likely[best].row1
    return found


def propose_lines(
    planes: Map,
    inside: Mask,
    lip_row: int,
    px_per_diameter: float,
    blur_px: float,
    border: Span | None,
) -> dict[str, list[LinePlace]]:
    """The likeliest places by place, with facts, those about the border among them."""
    unit = find_unit_px(planes.shape[1], lip_row, px_per_diameter)
    edge = propose_edge(planes, inside, lip_row, unit, blur_px)
    found = {
        "edge": [] if edge is None else [edge],
        "verge": propose_verge(planes, inside, lip_row, unit, blur_px),
    }
    for place in found:
        found[place] = [_beside_border(one, border, lip_row, unit) for one in found[place]]
    return found


def _beside_border(place: LinePlace, border: Span | None, lip_row: int, unit: float) -> LinePlace:
    facts = place.facts | {"border": float(border is not None)}
    if border is not None:
        both = max(0, min(place.row1, border[1]) - max(place.row0, border[0]))
        facts["from border"] = (place.row0 - border[1]) / unit
        facts["in border"] = both / (place.row1 - place.row0)
        facts["border top"] = (border[0] - lip_row) / unit
    return LinePlace(place.row0, place.row1, facts)
