"""Fit how much is left and whether that is worn lustre, on photos of metal trim."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from sklearn.isotonic import IsotonicRegression
from sklearn.model_selection import GroupKFold

from model.trees import Trees, probability
from model.wear import Wear
from model.worn import WearJudgement, WearRecipe, judge_sectors, wear_features
from training.fit_trees import Sample, Shape, fit_classifier, fit_regression, scale_odds
from training.fit_trim import score_all
from training.trim_features_table import PhotoRow

Array = npt.NDArray[np.float64]

FOLDS, SEED = 5, 7
SHARE_SHAPE = Shape(leaves=5, iterations=120, rate=0.05, least_in_leaf=25, penalty=5.0)
WORN_SHAPE = Shape(leaves=4, iterations=90, rate=0.05, least_in_leaf=25, penalty=5.0)
# More that is left may only raise the share and lower the chance of worn lustre.
LEFT = (
    "left_share",
    "left_soft",
    "left_sector_low",
    "left_sector_middle",
    "left_sector_high",
    "said_remaining",
)
KNOTS = 11
SECTOR_CELLS = (1.0, 3.0, 6.0, 12.0, 24.0, 48.0, 96.0, 200.0)


@dataclass(frozen=True, eq=False)
class WearSample:
    """Counted cells of a photo with its measures; the truth where it is known."""

    wear: Wear
    features: dict[str, float]
    row: PhotoRow

    @property
    def is_known(self) -> bool:
        """Whether metal was laid and it is known how much is left."""
        return self.row.truth["metal"] != "none" and self.row.truth["remaining_share"] is not None


def sample_wear(row: PhotoRow, measures: dict[str, float]) -> WearSample | None:
    """The photo as the wear's fit sees it; None where no role is metal."""
    wear = row.seen_wear()
    if wear is None or wear.remaining_share is None:
        return None
    return WearSample(wear, wear_features(wear, measures), row)


def fit_wear(samples: list[WearSample]) -> tuple[dict[str, Any], list[WearJudgement]]:
    """The recipe's part, and every sample's judgement by folds that never saw its scene or motif."""
    known = [s for s in samples if s.is_known]
    recipe = _fit_all(known)
    judged: list[WearJudgement | None] = [None] * len(samples)
    groups = [s.row.truth["group"] for s in samples]
    for fit_on, hold in GroupKFold(FOLDS, shuffle=True, random_state=SEED).split(samples, groups=groups):
        part = WearRecipe.from_recipe(_fit_all([samples[i] for i in fit_on if samples[i].is_known]))
        for i in hold:
            judged[i] = _judge(samples[i], part)
    return recipe, [one for one in judged if one is not None]


def _judge(sample: WearSample, recipe: WearRecipe) -> WearJudgement:
    share = float(np.clip(recipe.share.score(sample.features), 0, 1))
    worn = probability(recipe.worn.score(sample.features | {"judged_share": share}))
    return WearJudgement(share, judge_sectors(sample.wear, share, recipe), worn)


def _fit_all(known: list[WearSample]) -> dict[str, Any]:
    """Share, sectors, worn; the later ones on shares that were judged without the photo."""
    names = sorted({name for s in known for name in s.features})
    shares = [Sample(s.features, float(s.row.truth["remaining_share"]), s.row.truth["group"]) for s in known]
    share = fit_regression(shares, names, [n for n in names if n in LEFT], SHARE_SHAPE)
    judged = np.clip(share.held_out, 0, 1)
    worn = [
        Sample(s.features | {"judged_share": float(j)}, float(s.row.truth["worn"]), s.row.truth["group"])
        for s, j in zip(known, judged, strict=True)
    ]
    worn_names = [*names, "judged_share"]
    falling = [n for n in worn_names if n in (*LEFT, "judged_share")]
    knots = fit_sector_knots(known)
    return {
        "share": share.recipe,
        "worn": _fit_worn(worn, worn_names, falling),
        "sector_knots": knots,
        "sector_cells": _choose_sector_cells(known, judged, knots),
    }


def _fit_worn(samples: list[Sample], names: list[str], falling: list[str]) -> dict[str, Any]:
    """The classifier with its log-odds scaled so that those of photos held out hold true."""
    odds = np.zeros(len(samples))
    groups = [s.group for s in samples]
    for fit_on, hold in GroupKFold(FOLDS, shuffle=True, random_state=SEED).split(samples, groups=groups):
        part = Trees.from_recipe(
            fit_classifier([samples[i] for i in fit_on], names, falling, ("said_worn",), WORN_SHAPE)
        )
        odds[hold] = score_all(part, [samples[i].features for i in hold])
    scale, shift = scale_odds(odds, np.array([s.target > 0.5 for s in samples]))
    recipe = fit_classifier(samples, names, falling, ("said_worn",), WORN_SHAPE)
    return recipe | {"scale": scale, "shift": shift}


def fit_sector_knots(known: list[WearSample]) -> list[list[float]]:
    """Isotonic map from a sector's seen share to its true one, smoothed to a few knots."""
    pairs = [
        (seen, true, expected)
        for s in known
        for seen, true, expected in zip(
            s.wear.sector_shares, s.row.truth["sectors"], s.wear.soft_expected, strict=True
        )
        if np.isfinite(seen) and true is not None
    ]
    seen, true, expected = np.array(pairs, dtype=np.float64).T
    weight = np.minimum(expected, 100.0)
    fit = IsotonicRegression(out_of_bounds="clip").fit(seen, true, sample_weight=weight)
    knots = np.linspace(0, 1, KNOTS)
    level = fit.predict(knots)
    smooth = np.maximum.accumulate(np.convolve(np.pad(level, 1, mode="edge"), [0.25, 0.5, 0.25], "valid"))
    return [[round(float(k), 3) for k in knots], [round(float(v), 4) for v in smooth]]


def _choose_sector_cells(known: list[WearSample], judged: Array, knots: list[list[float]]) -> float:
    """How many cells a sector needs for half the trust: the value with the least mean error."""
    errors = []
    for cells in SECTOR_CELLS:
        recipe = WearRecipe(*(None, None), (tuple(knots[0]), tuple(knots[1])), cells)  # type: ignore[arg-type]
        away = [
            abs(a - b)
            for s, share in zip(known, judged, strict=True)
            for a, b in zip(judge_sectors(s.wear, float(share), recipe), s.row.truth["sectors"], strict=True)
            if np.isfinite(a) and b is not None
        ]
        errors.append(float(np.mean(away)))
    return SECTOR_CELLS[int(np.argmin(errors))]
