"""Small boosted trees as plain numbers: read from a recipe, evaluated with numpy.

Fitted elsewhere with scikit-learn; reading never imports it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


DECIMALS = (
    4  # features are rounded alike for fitting and reading, so that no value sits on a rounded threshold
)


@dataclass(frozen=True, eq=False)
class Trees:
    """Boosted trees over named features; the score is their sum, a log-odds or a value.

    ``features`` names the columns; ``nodes`` one dict of equally long lists per tree: ``feature`` (index,
    -1 in a leaf), ``threshold``, ``left``, ``right`` (node indices), ``missing_left`` (where nan goes) and
    ``value``.
    ``scale`` and ``shift`` map the sum to the calibrated score.
    """

    features: tuple[str, ...]
    baseline: float
    nodes: tuple[dict[str, Array], ...]
    scale: float
    shift: float

    @classmethod
    def from_recipe(cls, recipe: dict[str, Any]) -> Trees:
        """Read the plain lists of a recipe."""
        nodes = tuple({key: np.asarray(values) for key, values in tree.items()} for tree in recipe["trees"])
        return cls(
            tuple(recipe["features"]), float(recipe["baseline"]), nodes, recipe["scale"], recipe["shift"]
        )

    def score(self, features: dict[str, float]) -> float:
        """Calibrated score of one set of named features; absent ones count as nan."""
        row = np.array([[features.get(name, np.nan) for name in self.features]])
        return float(self.scale * self.raw_scores(np.round(row, DECIMALS))[0] + self.shift)

    def raw_scores(self, rows: Array) -> Array:
        """Sum of the trees for rows (n, f), before scale and shift."""
        total = np.full(len(rows), self.baseline)
        for tree in self.nodes:
            total += _walk(tree, rows)
        return total


def _walk(tree: dict[str, Array], rows: Array) -> Array:
    """Value of the leaf each row falls into."""
    at = np.zeros(len(rows), dtype=np.int64)
    each = np.arange(len(rows))
    while True:
        feature = tree["feature"][at].astype(np.int64)
        inner = feature >= 0
        if not inner.any():
            return np.asarray(tree["value"][at], dtype=np.float64)
        x = rows[each, np.maximum(feature, 0)]
        goes_left = np.where(np.isnan(x), tree["missing_left"][at] > 0, x <= tree["threshold"][at])
        step = np.where(goes_left, tree["left"][at], tree["right"][at])
        at = np.where(inner, step, at).astype(np.int64)


def probability(log_odds: float) -> float:
    """Logistic function, safe at both ends."""
    return float(1 / (1 + np.exp(-np.clip(log_odds, -40, 40))))
