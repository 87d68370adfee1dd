"""Fit how much is left and whether that is worn lustre, on photos of metal trim."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from sklearn.isotonic import IsotonicRegression
from sklearn.model_selection import GroupKFold

from model.trees import Trees
from model.wear import Wear
from model.worn import (
    SECTOR_FEATURES,
    WearJudgement,
    WearRecipe,
    judge_wear,
    sector_features,
    wear_features,
)
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
SECTOR_RISES = ("sector_share", "whole_share", "to_whole", "beside_to_whole")
SECTOR_SHAPE = Shape(leaves=6, iterations=60, rate=0.1, least_in_leaf=200, penalty=5.0)
KNOTS = 21
NEAR_PHOTOS, NEAR_SECTORS, LEAST_NEAR = 120, 1500, 5  # of which a running median is taken


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
            judged[i] = judge_wear(samples[i].wear, samples[i].features, part)
    return recipe, [one for one in judged if one is not None]


def _fit_all(known: list[WearSample]) -> dict[str, Any]:
    """Share, sectors, worn; the later ones on shares that were judged without the photo."""
    names = sorted({name for s in known for name in s.features})
    truth = np.array([float(s.row.truth["remaining_share"]) for s in known])
    shares = [Sample(s.features, t, s.row.truth["group"]) for s, t in zip(known, truth, strict=True)]
    share = fit_regression(shares, names, [n for n in names if n in LEFT], SHARE_SHAPE)
    means = np.clip(share.held_out, 0, 1)
    worn = [
        Sample(s.features | {"judged_share": float(m)}, float(s.row.truth["worn"]), s.row.truth["group"])
        for s, m in zip(known, means, strict=True)
    ]
    worn_names = [*names, "judged_share"]
    falling = [n for n in worn_names if n in (*LEFT, "judged_share")]
    return {
        "share": share.recipe,
        "share_knots": fit_medians(means, truth, NEAR_PHOTOS),
        "worn": _fit_worn(worn, worn_names, falling),
        **_fit_sectors(known, means),
    }


def _fit_sectors(known: list[WearSample], means: Array) -> dict[str, Any]:
    """Trees for a sector's share, with their map to medians."""
    samples = []
    for sample, mean in zip(known, means, strict=True):
        rows = sector_features(sample.wear, float(mean))
        for row, true in zip(rows, sample.row.truth["sectors"], strict=True):
            if np.isfinite(row[0]) and true is not None:
                named = dict(zip(SECTOR_FEATURES, row.tolist(), strict=True))
                samples.append(Sample(named, float(true), sample.row.truth["group"]))
    fit = fit_regression(samples, SECTOR_FEATURES, SECTOR_RISES, SECTOR_SHAPE)
    truth = np.array([s.target for s in samples])
    return {"sector": fit.recipe, "sector_knots": fit_medians(fit.held_out, truth, NEAR_SECTORS)}


def fit_medians(mean: Array, truth: Array, near: int) -> list[list[float]]:
    """Monotone map from a mean to the median of the truth beside it, as a few knots."""
    order = np.argsort(mean, kind="stable")
    near = max(1, min(near, len(order) // 4))
    centres = np.arange(0, len(order), max(1, near // 6))
    reach = np.clip(np.minimum(centres, len(order) - 1 - centres), LEAST_NEAR, near // 2)  # less at the ends
    medians = [
        float(np.median(truth[order[max(0, c - k) : c + k + 1]])) for c, k in zip(centres, reach, strict=True)
    ]
    knots = np.linspace(0, 1, KNOTS)
    level = IsotonicRegression(out_of_bounds="clip").fit(mean[order[centres]], medians).predict(knots)
    return [[round(float(k), 3) for k in knots], [round(float(v), 4) for v in level]]


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
