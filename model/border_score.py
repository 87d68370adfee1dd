"""How well a span of rows would fit the border: a fitted estimate of their overlap from plain facts."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
import numpy.typing as npt

from model.trees import DECIMALS, Trees

RECIPE = Path(__file__).parent / "weights" / "borders.json"
TINY = 1e-5


@dataclass(frozen=True)
class SpanFacts:
    """What was measured about a span of rows.

    ``activity``, ``quiet``, ``rise_above``, ``rise_below``, ``first_rows``, ``last_rows``, ``along``,
    ``across`` and ``noise`` are steps of ln Y; ``share_of_all`` the part of the strip's activity that lies in
    the span; ``rhythm`` 0..1; ``gathered`` the part of the activity in the two busiest of sixteen sectors;
    the rest places and sizes as shares of the rows below the lip, and ``height_px``.
    """

    activity: float
    quiet: float
    noise: float
    share_of_all: float
    rise_above: float
    rise_below: float
    first_rows: float
    last_rows: float
    along: float
    across: float
    rhythm: float
    gathered: float
    top_share: float
    height_share: float
    line_share: float
    height_px: float

    def features(self) -> dict[str, float]:
        """Named inputs of the score: logarithms and ratios, so that contrast itself matters little."""
        activity = max(self.activity, TINY)
        return {
            "log activity": float(np.log(activity)),
            "activity to noise": float(np.log(activity / self.noise)),
            "quiet to activity": max(self.quiet, 0.0) / activity,
            "log noise": float(np.log(self.noise)),
            "share of all": self.share_of_all,
            "rise above": float(np.clip(self.rise_above / activity, -3, 3)),
            "rise below": float(np.clip(self.rise_below / activity, -3, 3)),
            "first rows": self.first_rows / activity,
            "last rows": self.last_rows / activity,
            "along to across": float(np.log(max(self.along, TINY) / max(self.across, TINY))),
            "rhythm": self.rhythm,
            "gathered": self.gathered,
            "top share": self.top_share,
            "height share": self.height_share,
            "line share": self.line_share,
            "height px": self.height_px,
        }


@dataclass(frozen=True, eq=False)
class BorderRecipe:
    """The fitted trees, and the estimated overlap from which a border is claimed."""

    trees: Trees
    least_overlap: float


@lru_cache(maxsize=1)
def load_recipe() -> BorderRecipe:
    """Read the fitted numbers shipped beside the model."""
    data = json.loads(RECIPE.read_text(encoding="utf-8"))
    return BorderRecipe(Trees.from_recipe(data), float(data["least_overlap"]))


def estimate_overlaps(spans: Sequence[SpanFacts], trees: Trees) -> npt.NDArray[np.float64]:
    """Estimated overlap (intersection over union of rows, (n,)) of spans with the true border."""
    rows = [[facts.features()[name] for name in trees.features] for facts in spans]
    return trees.raw_scores(np.round(np.array(rows), DECIMALS))
