"""Fit the trim judgement: metal or not, gold or platinum, worn or sound, and how much is left."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from sklearn.isotonic import IsotonicRegression
from sklearn.linear_model import LogisticRegression

from model.facts import Metal, Verdict
from model.trim import (
    JudgedRegion,
    TrimRecipe,
    calibrate_wear,
    choose_verdict,
    judge_worn,
    pool_regions,
    read_recipe,
    shows_repeat,
    worn_features,
)
from model.trim_print import TrimRegion
from model.wear import Wear
from training.fit_trees import Sample, Shape, fit_classifier
from training.trim_features_table import PhotoRow, pooled_wear

Array = npt.NDArray[np.float64]

METAL_SHAPE = Shape(leaves=4, iterations=110, least_in_leaf=25, penalty=5.0)
GOLD_SHAPE = Shape(leaves=4, iterations=100, least_in_leaf=25, penalty=5.0)
WORN_SHAPE = Shape(leaves=4, iterations=60)
# A cut or rebalanced view is no new piece; a quick strip is no path-traced photo.
VIEW_WEIGHTS = {"whole": 1.0, "rebalanced": 0.4, "part": 0.4, "strip": 0.8}
FIRST_THRESHOLDS = {"gold": 0.95, "platinum": 0.95, "no_metal": 0.9, "worn": 0.5, "worn_metal": 0.7}
# Yellower light never is a sign of platinum: more gold in the mix may only raise the odds of gold.
GOLD_FALLS_WITH = (
    "bg_q05",
    "bg_q25",
    "bg_q50",
    "bg_q75",
    "bg_q95",
    "bg_to_glaze_q10",
    "bg_to_glaze_q50",
    "bg_to_glaze_q90",
    "bg_highlight",
    "bg_block_low",
    "bg_block_high",
    "bg_line",
    "pure_bg_q10",
    "pure_bg_q25",
    "pure_bg_q50",
    "pure_bg_q75",
    "pure_bg_q90",
    "bg_local_low",
    "bg_local",
    "bg_local_high",
    "bg_to_ring",
    "bg_to_scene",
)
GOLD_RISES_WITH = (
    *("metal_ratio_mean", "metal_ratio_low", "metal_ratio_high"),
    *(f"yellow_{unit}_q{q}" for unit in ("g", "w", "turn_g", "turn_w") for q in (10, 50, 90)),
    *(f"red_turn_{unit}_q{q}" for unit in ("g", "w") for q in (10, 50, 90)),
    *("rg_q10", "rg_q50", "rg_q90", "rg_to_glaze_q10", "rg_to_glaze_q50", "rg_to_glaze_q90"),
    *("pure_rg_q25", "pure_rg_q50", "pure_rg_q75", "rg_highlight", "rg_line", "rg_local"),
    *("rg_block_low", "rg_block_high"),
)
# Unsigned or two-sided measures of colour: with them more gold could lower the odds of gold.
NOT_FOR_GOLD = (
    *("angle_from_white", "angle_from_glaze", "fan_deg", "bg_block_sd"),
    *("rg_highlight_shift", "bg_highlight_shift", "bright_bg_correlation"),
)
WORN_ALSO = ("bright_sd", "bright_block_sd", "repeat_strength", "depth_to_blur", "cover_share")
WORN_FALLS_WITH = ("seen_share", "seen_sector_low", "seen_sector_middle")
# Not physics but how the exam pictures happen to be laid out; a fit would learn them by heart.
LEFT_OUT = ("height_px", "fill_share", "core_count_log", "block_count", "ring_rg", "scene_rg", "depth_px")
DUMMY_MASK = np.zeros((1, 1), bool)


@dataclass(frozen=True)
class Judged:
    """What a recipe says of one view of a photo."""

    row: PhotoRow
    chances: dict[str, float]
    worn_chance: float | None
    remaining_share: float | None
    sector_shares: Array | None
    verdict: Verdict
    metal: Metal | None
    plain: bool
    line_odds: dict[str, float]


def fit_trim(rows: list[PhotoRow]) -> dict[str, Any]:
    """The plain recipe fitted to all rows, with thresholds still at their first guess."""
    names = known_names(rows)
    metal = _samples(rows, lambda row, region: float(region["label"] in ("gold", "platinum")))
    gold = _samples(
        rows,
        lambda row, region: (
            float(region["label"] == "gold") if region["label"] in ("gold", "platinum") else None
        ),
    )
    metal_fit = fit_classifier(metal, names, (), (), METAL_SHAPE)
    gold_names = [name for name in names if name not in NOT_FOR_GOLD]
    gold_fit = fit_classifier(gold, gold_names, GOLD_FALLS_WITH, GOLD_RISES_WITH, GOLD_SHAPE)
    worn = _worn_samples(rows)
    worn_names = [*WORN_FALLS_WITH, *WORN_ALSO]
    worn_fit = fit_classifier(worn, worn_names, WORN_FALLS_WITH, (), WORN_SHAPE)
    numbers = {
        "plain_rim": _chances_without(rows, lambda regions: not regions),
        "unreadable": _chances_without(
            rows, lambda regions: regions and not any(r["features"] for r in regions)
        ),
        "pool": {"metal_scale": 1.0, "metal_shift": 0.0, "gold_scale": 1.0, "gold_shift": 0.0},
        "thresholds": dict(FIRST_THRESHOLDS),
    }
    return {
        "format": 1,
        "metal": metal_fit,
        "gold": gold_fit,
        "worn": worn_fit,
        "remaining_knots": _fit_remaining(rows),
        "numbers": numbers,
    }


def known_names(rows: list[PhotoRow]) -> list[str]:
    """Features measured in at least a twentieth of the regions, less those left out on purpose."""
    measured = [region["features"] for _, _, region in _regions(rows)]
    names = {name for features in measured for name in features} - set(LEFT_OUT)
    least = 0.05 * len(measured)
    return sorted(
        name for name in names if np.isfinite([f.get(name, np.nan) for f in measured]).sum() > least
    )


def _regions(rows: list[PhotoRow]) -> list[tuple[PhotoRow, str, dict[str, Any]]]:
    return [
        (row, view["name"], region)
        for row in rows
        for view in row.views
        for region in view["regions"]
        if region["features"] is not None
    ]


def _samples(rows: list[PhotoRow], target_of: Any) -> list[Sample]:
    samples = []
    for row, view, region in _regions(rows):
        target = target_of(row, region)
        if target is None or region["label"] is None:
            continue
        weight = VIEW_WEIGHTS[view]
        samples.append(Sample(region["features"], target, row.truth["group"], weight))
    return samples


def _readable_wear(row: PhotoRow) -> tuple[dict[str, Any], Wear] | None:
    """The first metal border whose repeat is clear, with its wear; None for the rest."""
    if row.truth["metal"] == "none" or not row.views or row.truth["remaining_share"] is None:
        return None
    for region in row.views[0]["regions"]:
        if region["label"] in ("gold", "platinum") and shows_repeat(region["kind"], region["features"]):
            wear = pooled_wear([region])
            if wear is not None and wear.remaining_share is not None:
                return region["features"], wear
    return None


def _worn_samples(rows: list[PhotoRow]) -> list[Sample]:
    samples = []
    for row in rows:
        found = _readable_wear(row)
        if found is not None:
            weight = VIEW_WEIGHTS[row.views[0]["name"]]
            features = worn_features(*found)
            samples.append(Sample(features, float(row.truth["worn"]), row.truth["group"], weight))
    return samples


def _fit_remaining(rows: list[PhotoRow]) -> list[list[float]]:
    """Isotonic map from the seen to the true remaining share, smoothed to a few knots."""
    pairs = []
    for row in rows:
        found = _readable_wear(row)
        if found is not None:
            weight = VIEW_WEIGHTS[row.views[0]["name"]]
            pairs.append((found[1].remaining_share, row.truth["remaining_share"], weight))
    seen, true, weights = np.array(pairs, dtype=np.float64).T
    fit = IsotonicRegression(out_of_bounds="clip").fit(seen, true, sample_weight=weights)
    knots = np.linspace(0, 1, 11)
    level = fit.predict(knots)
    smooth = np.maximum.accumulate(np.convolve(np.pad(level, 1, mode="edge"), [0.25, 0.5, 0.25], "valid"))
    return [[round(float(k), 3) for k in knots], [round(float(v), 4) for v in smooth]]


def _chances_without(rows: list[PhotoRow], condition: Any) -> dict[str, float]:
    """Shares of gold, platinum and no metal among photos that meet a condition, one of each added."""
    photos = [row for row in rows if row.views and row.views[0]["name"] == "whole"]
    metals = [row.truth["metal"] for row in photos if condition(row.views[0]["regions"])]
    counts = np.array([metals.count("gold"), metals.count("platinum"), metals.count("none")]) + 1.0
    gold, platinum, none = (counts / counts.sum()).round(4)
    return {"gold": float(gold), "platinum": float(platinum), "no metal": float(none)}


def judge_row(row: PhotoRow, recipe: TrimRecipe) -> Judged | None:
    """Judge the whole view of a measured photo as `model.trim` would; None where there was no strip."""
    if not row.views:
        return None
    regions = row.views[0]["regions"]
    judged = [
        JudgedRegion(
            TrimRegion(region["kind"], DUMMY_MASK, DUMMY_MASK, 0, 1),
            region["features"],
            recipe.metal.score(region["features"]) if region["features"] else 0.0,
            recipe.gold.score(region["features"]) if region["features"] else 0.0,
        )
        for region in regions
    ]
    chances = pool_regions(judged, recipe)
    metal = [
        r
        for r, j in zip(regions, judged, strict=True)
        if j.metal_log_odds > 0 and shows_repeat(r["kind"], j.features)
    ]
    wear = pooled_wear(metal)
    remaining, shares = calibrate_wear(wear, recipe)
    best = max((j for j in judged if j.features), key=lambda j: j.metal_log_odds, default=None)
    worn_chance = judge_worn(best.features if best else None, remaining, wear, recipe)
    verdict, name = choose_verdict(chances, worn_chance, recipe.numbers["thresholds"])
    odds = {r["kind"]: j.metal_log_odds for r, j in zip(regions, judged, strict=True) if j.features}
    return Judged(row, chances, worn_chance, remaining, shares, verdict, name, not regions, odds)


def calibrate_pool(recipe: dict[str, Any], judged: list[Judged]) -> None:
    """Scale the pooled log-odds so that the probabilities of photos held out hold true."""
    real = [j for j in judged if not j.plain]
    p_metal = np.clip([1 - j.chances["no metal"] for j in real], 1e-6, 1 - 1e-6)
    is_metal = np.array([j.row.truth["metal"] != "none" for j in real])
    recipe["numbers"]["pool"] |= _logistic("metal", p_metal, is_metal)
    metal = [j for j, m in zip(real, is_metal, strict=True) if m]
    gold = np.array([j.chances["gold"] / (j.chances["gold"] + j.chances["platinum"] + 1e-12) for j in metal])
    is_gold = np.array([j.row.truth["metal"] == "gold" for j in metal])
    recipe["numbers"]["pool"] |= _logistic("gold", np.clip(gold, 1e-6, 1 - 1e-6), is_gold)


def _logistic(name: str, chance: Array, true: Array) -> dict[str, float]:
    odds = np.log(chance / (1 - chance))
    fit = LogisticRegression(C=10.0).fit(odds[:, None], true)
    scale = float(np.clip(fit.coef_[0, 0], 0.1, 2.0))
    return {f"{name}_scale": round(scale, 4), f"{name}_shift": round(float(fit.intercept_[0]), 4)}


__all__ = ["Judged", "calibrate_pool", "fit_trim", "judge_row", "read_recipe"]
