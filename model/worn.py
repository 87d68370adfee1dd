"""Remaining share, whole and by sector, and the chance of worn lustre, from counted cells and the network."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from model.trees import DECIMALS, Trees, probability
from model.wear import SECTORS, Wear

Array = npt.NDArray[np.float64]

# Of the photo's measures, those that tell how far the counted cells can be trusted.
CIRCUMSTANCES = (
    "said_remaining",
    "said_worn",
    "metal_pixels",
    "metal_clipped",
    "doubtful_print",
    "metal_most",
)
# ... and bright metal from dull: it mirrors dark and light things, a dulled film scatters.
MIRRORING = (
    "metal_bright_q10",
    "metal_bright_q50",
    "metal_bright_q90",
    "metal_dark_share",
    "metal_brighter_share",
)


SECTOR_FEATURES = ("sector_share", "whole_share", "to_whole", "beside_to_whole", "sector_cells")
LEAST_SHARE = 0.02  # in a denominator

Knots = tuple[tuple[float, ...], tuple[float, ...]]


@dataclass(frozen=True, eq=False)
class WearRecipe:
    """Fitted trees for the remaining share, for that of a sector and for worn lustre.

    ``share_knots`` and ``sector_knots`` map the trees' mean to the median of the true shares: most trim is
    sound, and a mean lies between sound and worn where neither is likely.
    """

    share: Trees
    share_knots: Knots
    sector: Trees
    sector_knots: Knots
    worn: Trees

    @classmethod
    def from_recipe(cls, recipe: dict[str, Any]) -> WearRecipe:
        """Read the recipe's part."""
        trees = {name: Trees.from_recipe(recipe[name]) for name in ("share", "sector", "worn")}
        knots = {name: tuple(map(tuple, recipe[name])) for name in ("share_knots", "sector_knots")}
        return cls(**trees, **knots)  # type: ignore[arg-type]


@dataclass(frozen=True, eq=False)
class WearJudgement:
    """``remaining_share`` 0..1, ``sector_shares`` (36,) with nan where nothing was stamped or seen, and
    ``worn_chance`` 0..1, all of metal trim."""

    remaining_share: float
    sector_shares: Array
    worn_chance: float


def judge_wear(wear: Wear | None, measures: dict[str, float], recipe: WearRecipe) -> WearJudgement | None:
    """Judge the wear of trim taken for metal; None where no metal was stamped in view."""
    if wear is None or wear.remaining_share is None:
        return None
    features = wear_features(wear, measures)
    mean = float(np.clip(recipe.share.score(features), 0, 1))
    worn = probability(recipe.worn.score(features | {"judged_share": mean}))
    rows = sector_features(wear, mean)
    sectors = np.interp(recipe.sector.raw_scores(np.round(rows, DECIMALS)), *recipe.sector_knots)
    sectors[np.isnan(rows[:, 0])] = np.nan
    return WearJudgement(float(np.interp(mean, *recipe.share_knots)), np.clip(sectors, 0, 1), worn)


def wear_features(wear: Wear, measures: dict[str, float]) -> dict[str, float]:
    """Plain measures of what is left, with the circumstances beside them."""
    shares = wear.sector_shares
    known = shares[np.isfinite(shares)]
    low, middle, high = np.quantile(known, (0.1, 0.5, 0.9)) if known.size else (np.nan,) * 3
    told = {name: measures[name] for name in (*CIRCUMSTANCES, *MIRRORING) if name in measures}
    return told | {
        "left_share": _known(wear.remaining_share),
        "left_soft": _known(wear.soft_share),
        "left_sector_low": float(low),
        "left_sector_middle": float(middle),
        "left_sector_high": float(high),
        "stamped_cells": float(np.log10(wear.expected.sum() + 1)),
        "repeat_strength": wear.repeat_strength,
    }


def _known(value: float | None) -> float:
    return float("nan") if value is None else value


def sector_features(wear: Wear, mean_share: float) -> Array:
    """SECTOR_FEATURES (36, 5) of every sector; the first is nan where nothing was stamped or seen."""
    shares = wear.sector_shares
    whole = max(_known(wear.soft_share), LEAST_SHARE)
    beside = np.stack([np.roll(shares, 1), shares, np.roll(shares, -1)])
    known = np.isfinite(beside)
    near = np.where(known, beside, 0).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
    columns = (
        *(shares, np.full(SECTORS, mean_share), shares / whole, near / whole),
        np.log10(wear.soft_expected + 1),
    )
    return np.stack(columns, axis=1)
