"""Remaining share, whole and by sector, and the chance of worn lustre, from counted cells and the network."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from model.trees import Trees, probability
from model.wear import Wear

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


@dataclass(frozen=True, eq=False)
class WearRecipe:
    """Fitted trees for the remaining share and for worn lustre; the map from a sector's seen share to the
    true one; how much of a sector's share is the whole's, cells counting against ``sector_cells``."""

    share: Trees
    worn: Trees
    sector_knots: tuple[tuple[float, ...], tuple[float, ...]]
    sector_cells: float

    @classmethod
    def from_recipe(cls, recipe: dict[str, Any]) -> WearRecipe:
        """Read the recipe's part."""
        seen, true = recipe["sector_knots"]
        return cls(
            Trees.from_recipe(recipe["share"]),
            Trees.from_recipe(recipe["worn"]),
            (tuple(seen), tuple(true)),
            float(recipe["sector_cells"]),
        )


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
    share = float(np.clip(recipe.share.score(features), 0, 1))
    worn = probability(recipe.worn.score(features | {"judged_share": share}))
    return WearJudgement(share, judge_sectors(wear, share, recipe), worn)


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


def judge_sectors(wear: Wear, share: float, recipe: WearRecipe) -> Array:
    """Shares (36,) of the sectors: the seen ones through the fitted map, few cells drawn to the whole's."""
    seen, true = recipe.sector_knots
    own = np.interp(wear.sector_shares, seen, true, left=np.nan, right=np.nan)
    trust = wear.soft_expected / (wear.soft_expected + recipe.sector_cells)
    return np.asarray(np.clip(trust * own + (1 - trust) * share, 0, 1))
