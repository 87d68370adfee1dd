"""Border, edge line and verge line of a strip by its labels: rows, finer than the labels' own cells.

A label says for one cell what it likely is; print keeps its rows all round the rim, so that means over the
columns in view say it far more surely. Whether anything is there at all is told by fitted logistic sums of a
few plain facts.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from model.bands import Band, Bands, Kind
from model.border_span import find_border_span
from model.line_span import find_line_span
from model.rim_band import RimStrip
from model.strip_labels import StripLabels
from model.trees import probability

RECIPE = Path(__file__).parent / "weights" / "rows.json"
LEAST_WIDTH = 0.3  # cells
LINES: tuple[Kind, ...] = ("edge line", "verge line")


@dataclass(frozen=True)
class Logistic:
    """A logistic sum: ``weights`` by the names of facts, ``shift``, the least chance that is claimed."""

    weights: Mapping[str, float]
    shift: float
    least_chance: float = 0.5

    @classmethod
    def from_recipe(cls, recipe: Mapping[str, Any]) -> Logistic:
        """Read the plain form."""
        return cls(recipe["weights"], float(recipe["shift"]), float(recipe.get("least_chance", 0.5)))

    def chance(self, facts: Mapping[str, float]) -> float:
        """0..1; a fact that is missing counts as 0."""
        return probability(self.shift + sum(w * facts.get(name, 0.0) for name, w in self.weights.items()))


@dataclass(frozen=True)
class RowRecipe:
    """The fitted numbers: judges by what they judge; ``widths``, factor and shift (cells) by kind of line."""

    judges: Mapping[str, Logistic]
    widths: Mapping[str, tuple[float, float]]


@lru_cache(maxsize=1)
def load_recipe() -> RowRecipe:
    """Read the fitted numbers shipped beside the model."""
    data = json.loads(RECIPE.read_text(encoding="utf-8"))
    judges = {name: Logistic.from_recipe(part) for name, part in data["judges"].items()}
    return RowRecipe(judges, {kind: (float(a), float(b)) for kind, (a, b) in data["widths"].items()})


def lay_rows(strip: RimStrip, bands: Bands, labels: StripLabels | None) -> Bands:
    """The bands with their border and lines, as far as the labels show them; none without labels.

    Parameters
    ----------
    strip
        The strip that was labelled, (h, w).
    bands
        Its glaze and print, of `model.bands.separate_print`.
    labels
        What its cells are; None where nothing could be labelled.
    """
    if labels is None:
        return bands
    recipe = load_recipe()
    judges, found = recipe.judges, []
    span = find_border_span(labels)
    border = None
    if span is not None and judges["border"].chance(span.facts) >= judges["border"].least_chance:
        border = _lay_band(strip, labels, (span.first, span.last), "border")
    for kind in LINES:
        line = find_line_span(labels, kind)
        if line is not None and judges[kind].chance(line.facts) >= judges[kind].least_chance:
            band = _lay_band(strip, labels, (line.first, line.last), kind)
            factor, shift = recipe.widths[kind]
            width = max(factor * line.width + shift, LEAST_WIDTH)
            found.append(replace(band, width_px=width * labels.step_px))
    return replace(bands, lines=tuple(sorted(found, key=lambda band: band.row0)), border=border)


def _lay_band(strip: RimStrip, labels: StripLabels, cells: tuple[float, float], kind: Kind) -> Band:
    """Whole rows of the strip, at least one."""
    height = strip.seen_mask.shape[0]
    first, last = labels.rows_px(cells)
    row0 = int(np.clip(round(first), 0, height - 1))
    return Band(row0, int(np.clip(round(last), row0 + 1, height)), kind)
