"""Fit what single regions say: metal or not, gold or platinum; trees over physical features."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from model.trees import DECIMALS, Trees
from model.trim_fusion import JudgedRegion
from model.trim_regions import TrimRegion
from training.fit_trees import Sample, Shape, fit_classifier
from training.trim_features_table import PhotoRow

METAL_SHAPE = Shape(leaves=4, iterations=110, least_in_leaf=25, penalty=5.0)
GOLD_SHAPE = Shape(leaves=4, iterations=110, least_in_leaf=25, penalty=5.0)
# Yellower light never is a sign of platinum: more gold in the mix may only raise the odds of gold.
GOLD_FALLS_WITH = (
    *(f"bg_q{q}" for q in ("05", "25", "50", "75", "95")),
    *(f"bg_to_glaze_q{q}" for q in (10, 50, 90)),
    *("bg_highlight", "bg_block_low", "bg_block_high", "bg_line"),
    *(f"pure_bg_q{q}" for q in (10, 25, 50, 75, 90)),
    *("bg_local_low", "bg_local", "bg_local_high", "bg_to_ring", "bg_to_scene"),
)
GOLD_RISES_WITH = (
    *("cell_gold", "cell_gold_to_platinum", "metal_ratio_mean", "metal_ratio_low", "metal_ratio_high"),
    *(f"yellow_{unit}_q{q}" for unit in ("g", "w", "turn_g", "turn_w") for q in (10, 50, 90)),
    *(f"red_turn_{unit}_q{q}" for unit in ("g", "w") for q in (10, 50, 90)),
    *("rg_q10", "rg_q50", "rg_q90", "rg_to_glaze_q10", "rg_to_glaze_q50", "rg_to_glaze_q90"),
    *("pure_rg_q25", "pure_rg_q50", "pure_rg_q75", "rg_highlight", "rg_line", "rg_local"),
    *("rg_block_low", "rg_block_high"),
)
METAL_RISES_WITH = ("cell_metal", "cell_metal_to_paint")
# Unsigned or two-sided measures of colour: with them more gold could lower the odds of gold.
NOT_FOR_GOLD = (
    *("angle_from_white", "angle_from_glaze", "fan_deg", "bg_block_sd"),
    *("rg_highlight_shift", "bg_highlight_shift", "bright_bg_correlation"),
)
# Not physics but how the exam pictures happen to be laid out; a fit would learn them by heart.
LEFT_OUT = ("height_px", "fill_share", "core_count_log", "block_count", "ring_rg", "scene_rg", "depth_px")
NO_MASK = np.zeros((1, 1), bool)
METALS = ("gold", "platinum")
LEAST_KNOWN = 0.05  # share of regions in which a feature must be known


def fit_regions(rows: list[PhotoRow]) -> dict[str, Any]:
    """The recipe's part "metal" and "gold", fitted to all labelled regions of the rows."""
    names = known_names(rows)
    metal = _samples(rows, lambda label: float(label in METALS))
    gold = _samples(rows, lambda label: float(label == "gold") if label in METALS else None)
    gold_names = [name for name in names if name not in NOT_FOR_GOLD]
    return {
        "metal": fit_classifier(metal, names, (), METAL_RISES_WITH, METAL_SHAPE),
        "gold": fit_classifier(gold, gold_names, GOLD_FALLS_WITH, GOLD_RISES_WITH, GOLD_SHAPE),
    }


def known_names(rows: list[PhotoRow]) -> list[str]:
    """Features measured in at least a twentieth of the regions, less those left out on purpose."""
    measured = [r["features"] for row in rows for r in row.regions if r["features"] is not None]
    names = {name for features in measured for name in features} - set(LEFT_OUT)
    least = LEAST_KNOWN * len(measured)
    return sorted(
        name for name in names if np.isfinite([f.get(name, np.nan) for f in measured]).sum() > least
    )


def _samples(rows: list[PhotoRow], target_of: Callable[[str], float | None]) -> list[Sample]:
    samples = []
    for row in rows:
        for region in row.regions:
            if region["features"] is None or region["label"] is None:
                continue
            target = target_of(region["label"])
            if target is not None:
                samples.append(Sample(region["features"], target, row.truth["group"]))
    return samples


def judge_rows(rows: list[PhotoRow], recipe: dict[str, Any]) -> list[list[JudgedRegion]]:
    """The regions of each row with their log-odds of metal and gold, as `model.trim.judge_regions`."""
    measured = [r["features"] for row in rows for r in row.regions if r["features"] is not None]
    parts = [Trees.from_recipe(recipe[name]) for name in ("metal", "gold")]
    odds = iter(np.stack([score_all(trees, measured) for trees in parts], axis=1))
    judged = []
    for row in rows:
        found = []
        for region in row.regions:
            features = region["features"]
            metal, gold = (0.0, 0.0) if features is None else (float(v) for v in next(odds))
            kind = TrimRegion(region["kind"], NO_MASK, 0, 1, NO_MASK, {})
            found.append(JudgedRegion(kind, features, metal, gold))
        judged.append(found)
    return judged


def score_all(trees: Trees, measured: Sequence[dict[str, float]]) -> npt.NDArray[np.float64]:
    """Scores (n,) of sets of named features, as `Trees.score` of each."""
    table = np.array([[f.get(name, np.nan) for name in trees.features] for f in measured], np.float64)
    table = table.reshape(len(measured), len(trees.features))
    return np.asarray(trees.scale * trees.raw_scores(np.round(table, DECIMALS)) + trees.shift)
