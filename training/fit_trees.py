"""Fit small boosted trees with scikit-learn and write them as plain numbers for `model.trees`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from sklearn.ensemble import HistGradientBoostingClassifier, HistGradientBoostingRegressor
from sklearn.linear_model import LogisticRegression
from sklearn.model_selection import GroupKFold

from model.trees import DECIMALS

Array = npt.NDArray[np.float64]
FOLDS = 5
PLACES = 4  # of the numbers that are shipped


@dataclass(frozen=True)
class Shape:
    """How large the trees may grow; small, as the scenes are few."""

    leaves: int = 6
    iterations: int = 120
    rate: float = 0.06
    least_in_leaf: int = 15
    penalty: float = 2.0


@dataclass(frozen=True)
class Sample:
    """A row to fit on: named features, target, group (never split), weight."""

    features: dict[str, float]
    target: float
    group: str
    weight: float = 1.0


@dataclass(frozen=True)
class Fit:
    """The recipe part, and the held-out value of each sample."""

    recipe: dict[str, Any]
    held_out: Array


def fit_classifier(
    samples: Sequence[Sample],
    names: Sequence[str],
    falling: Sequence[str],
    rising: Sequence[str],
    shape: Shape,
) -> dict[str, Any]:
    """Boosted log-odds, monotone where named, as a recipe part; calibrated later, on what it never saw.

    Parameters
    ----------
    names
        Features to use, in order.
    falling, rising
        Names along which the score may only fall or only rise.
    """
    rows, target, weight, _groups = _columns(samples, names)
    monotone = [(-1 if name in falling else 1 if name in rising else 0) for name in names]
    model = _classifier(monotone, shape).fit(rows, target, sample_weight=weight)
    return _export(model, names, float(model._baseline_prediction.ravel()[0]), 1.0, 0.0)


def fit_regression(
    samples: Sequence[Sample], names: Sequence[str], rising: Sequence[str], shape: Shape
) -> Fit:
    """Boosted value, monotone rising where named."""
    rows, target, weight, groups = _columns(samples, names)
    monotone = [1 if name in rising else 0 for name in names]
    held_out = np.full(len(samples), np.nan)
    for fit_on, hold in GroupKFold(FOLDS, shuffle=True, random_state=7).split(rows, target, groups):
        model = _regressor(monotone, shape).fit(rows[fit_on], target[fit_on], sample_weight=weight[fit_on])
        held_out[hold] = model.predict(rows[hold])
    model = _regressor(monotone, shape).fit(rows, target, sample_weight=weight)
    return Fit(_export(model, names, float(model._baseline_prediction.ravel()[0]), 1.0, 0.0), held_out)


def scale_odds(odds: Array, true: npt.NDArray[np.bool_]) -> tuple[float, float]:
    """Scale and shift after which the log-odds of held-out photos hold true (Platt 1999)."""
    fit = LogisticRegression(C=10.0).fit(odds[:, None], true)
    return round(float(np.clip(fit.coef_[0, 0], 0.1, 3.0)), 4), round(float(fit.intercept_[0]), 4)


def _columns(samples: Sequence[Sample], names: Sequence[str]) -> tuple[Array, Array, Array, list[str]]:
    rows = np.array([[s.features.get(name, np.nan) for name in names] for s in samples], dtype=np.float64)
    rows = np.round(rows, DECIMALS)
    target = np.array([s.target for s in samples], dtype=np.float64)
    return rows, target, np.array([s.weight for s in samples]), [s.group for s in samples]


def _classifier(monotone: list[int], shape: Shape) -> HistGradientBoostingClassifier:
    return HistGradientBoostingClassifier(**_settings(monotone, shape))


def _regressor(monotone: list[int], shape: Shape) -> HistGradientBoostingRegressor:
    return HistGradientBoostingRegressor(**_settings(monotone, shape))


def _settings(monotone: list[int], shape: Shape) -> dict[str, Any]:
    return {
        "max_leaf_nodes": shape.leaves,
        "learning_rate": shape.rate,
        "max_iter": shape.iterations,
        "min_samples_leaf": shape.least_in_leaf,
        "l2_regularization": shape.penalty,
        "monotonic_cst": monotone,
        "max_features": 0.4,
        "max_bins": 63,
        "early_stopping": False,
        "random_state": 7,
    }


def _export(model: Any, names: Sequence[str], baseline: float, scale: float, shift: float) -> dict[str, Any]:
    """Plain lists of every tree's nodes."""
    trees = []
    for (predictor,) in model._predictors:
        nodes = predictor.nodes
        inner = nodes["is_leaf"] == 0
        trees.append(
            {
                "feature": [int(f) if i else -1 for f, i in zip(nodes["feature_idx"], inner, strict=True)],
                "threshold": [
                    round(float(t), PLACES) if i else 0.0
                    for t, i in zip(nodes["num_threshold"], inner, strict=True)
                ],
                "left": [int(v) for v in nodes["left"]],
                "right": [int(v) for v in nodes["right"]],
                "missing_left": [int(v) for v in nodes["missing_go_to_left"]],
                "value": [round(float(v), PLACES) for v in nodes["value"]],
            }
        )
    return {
        "features": list(names),
        "baseline": round(baseline, 6),
        "scale": round(scale, 6),
        "shift": round(shift, 6),
        "trees": trees,
    }
