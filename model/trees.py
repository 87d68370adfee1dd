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

    ``features`` names the columns. The other arrays are (trees, nodes), short trees padded: ``feature``
    (index, -1 in a leaf), ``threshold``, ``left``, ``right`` (node indices), ``missing_left`` (where nan
    goes), ``value``. ``scale`` and ``shift`` map the sum to the score.
    """

    features: tuple[str, ...]
    baseline: float
    feature: npt.NDArray[np.int64]
    threshold: Array
    left: npt.NDArray[np.int64]
    right: npt.NDArray[np.int64]
    missing_left: npt.NDArray[np.bool_]
    value: Array
    scale: float
    shift: float

    @classmethod
    def from_recipe(cls, recipe: dict[str, Any]) -> Trees:
        """Read the plain lists of a recipe: ``trees`` is a list of dicts of equally long lists."""
        trees = recipe["trees"]
        most = max(len(tree["value"]) for tree in trees)

        def stack(key: str, fill: float) -> Array:
            return np.array([tree[key] + [fill] * (most - len(tree[key])) for tree in trees])

        return cls(
            features=tuple(recipe["features"]),
            baseline=float(recipe["baseline"]),
            feature=stack("feature", -1).astype(np.int64),
            threshold=stack("threshold", 0.0),
            left=stack("left", 0).astype(np.int64),
            right=stack("right", 0).astype(np.int64),
            missing_left=stack("missing_left", 0) > 0,
            value=stack("value", 0.0),
            scale=float(recipe["scale"]),
            shift=float(recipe["shift"]),
        )

    def score(self, features: dict[str, float]) -> float:
        """Score of one set of named features; absent ones count as nan."""
        row = np.array([[features.get(name, np.nan) for name in self.features]])
        return float(self.scale * self.raw_scores(np.round(row, DECIMALS))[0] + self.shift)

    def raw_scores(self, rows: Array) -> Array:
        """Sum of the trees for rows (n, f), before scale and shift; all trees walked at once."""
        tree = np.arange(len(self.value))
        at = np.zeros((len(rows), len(tree)), dtype=np.int64)
        each = np.arange(len(rows))[:, None]
        while True:
            feature = self.feature[tree, at]
            inner = feature >= 0
            if not inner.any():
                return np.asarray(self.baseline + self.value[tree, at].sum(axis=1))
            x = rows[each, np.maximum(feature, 0)]
            goes_left = np.where(np.isnan(x), self.missing_left[tree, at], x <= self.threshold[tree, at])
            at = np.where(inner, np.where(goes_left, self.left[tree, at], self.right[tree, at]), at)


def probability(log_odds: float) -> float:
    """Logistic function, safe at both ends."""
    return float(1 / (1 + np.exp(-np.clip(log_odds, -40, 40))))
