"""Fit the trees that weigh regions and witness for a whole photo, calibrated on photos they never saw."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import product
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.stats import beta  # type: ignore[import-untyped]
from sklearn.linear_model import LogisticRegression
from sklearn.model_selection import GroupKFold

from model.trees import DECIMALS, Trees, probability
from model.trim import choose_verdict
from model.trim_fusion import JudgedRegion, photo_features
from model.trim_print import TrimRegion
from training.fit_trees import Sample, Shape, fit_classifier
from training.fit_trim import DUMMY_MASK, Judged
from training.trim_features_table import PhotoRow

Array = npt.NDArray[np.float64]

FOLDS, SEED = 5, 7
MOST_WRONG = 0.01  # of the photos whose metal is named
METAL_STEPS = (0.8, 0.85, 0.88, 0.9, 0.92, 0.93, 0.94, 0.95, 0.96, 0.97)
IF_METAL_STEPS = (0.8, 0.85, 0.9, 0.92, 0.94, 0.96, 0.97, 0.98)
REGION_METAL_STEPS, REGION_GOLD_STEPS = (-9.0, 0.0, 1.0, 1.5, 2.0, 2.5, 3.0), (0.0, 0.3, 0.6, 0.9, 1.2, 1.5)
NEVER = 0.9999
SHAPE = Shape(leaves=4, iterations=110, rate=0.05, least_in_leaf=20, penalty=8.0)
LEAST_KNOWN = 0.1  # share of photos in which a feature must be known
# More that speaks for gold may only raise the odds of gold; likewise for metal.
GOLD_RISES = (
    "said_gold",
    "odds_",
    "cell_odds",
    "cell_gold",
    "block_odds_low",
    "block_odds_middle",
    "region_gold",
)
GOLD_RISES_ALSO = (
    "block_odds_high",
    "block_gold",
    "border_gold",
    "edge_line_gold",
    "verge_line_gold",
    "yellow_turn",
)
GOLD_FALLS = ("metal_bg", "pure_bg")
METAL_RISES = ("said_metal", "metal_area", "sure_metal", "metal_to_paint", "metal_most", "region_metal")
METAL_RISES_ALSO = ("border_metal", "edge_line_metal", "verge_line_metal")
PARTS: dict[str, tuple[str, ...]] = {  # which features a rival without the other half may use
    "regions": (
        "region_",
        "border_",
        "edge_line_",
        "verge_line_",
        "has_",
        "light_",
        "glaze_",
        "blur",
        "clipped",
        "repeat",
    ),
    "network": ("said_",),
}


@dataclass(frozen=True)
class PhotoSample:
    """A photo's features, its metal (gold, platinum or none), its group, its row.

    ``final``: the witness that was heard is the one to be shipped, which never saw the photo.
    """

    features: dict[str, float]
    metal: str
    group: str
    row: PhotoRow
    final: bool = False


def regions_of(row: PhotoRow, odds: Callable[[dict[str, float]], tuple[float, float]]) -> list[JudgedRegion]:
    """The regions of the whole view with their log-odds of metal and gold."""
    found = []
    for region in row.views[0]["regions"] if row.views else []:
        features = region["features"]
        metal, gold = odds(features) if features else (0.0, 0.0)
        kind = TrimRegion(region["kind"], DUMMY_MASK, DUMMY_MASK, 0, 1)
        found.append(JudgedRegion(kind, features, metal, gold))
    return found


def sample_of(row: PhotoRow, recipe: Any, measures: dict[str, float], final: bool = False) -> PhotoSample:
    """The photo as the fusion sees it, its regions judged by a recipe."""
    regions = regions_of(row, lambda f: (recipe.metal.score(f), recipe.gold.score(f)))
    return PhotoSample(photo_features(regions, measures), row.truth["metal"], row.truth["group"], row, final)


def fit_fusion(samples: list[PhotoSample]) -> tuple[dict[str, Any], list[dict[str, float]]]:
    """The recipe's part, and every photo's chances by folds that never saw its scene or motif.

    The networks of the folds (``final`` False) saw fewer photos than the one that is shipped: their odds are
    scaled apart; the shipped one's scaling goes into the recipe.
    """
    held_out = {name: np.zeros(len(samples)) for name in ("metal", "gold")}
    groups = [sample.group for sample in samples]
    split = GroupKFold(FOLDS, shuffle=True, random_state=SEED).split(samples, groups=groups)
    for fit_on, hold in split:
        for name, odds in held_out.items():
            trees = Trees.from_recipe(fit_part(name, [samples[i] for i in fit_on]))
            table = [[samples[i].features.get(n, np.nan) for n in trees.features] for i in hold]
            odds[hold] = trees.raw_scores(np.asarray(np.round(np.array(table), DECIMALS), np.float64))
    recipe: dict[str, Any] = {}
    chances = {name: np.zeros(len(samples)) for name in held_out}
    final = np.array([sample.final for sample in samples])
    for name, odds in held_out.items():
        known = [_target(name, sample) for sample in samples]
        for kind in sorted(set(final.tolist())):
            at = [i for i, target in enumerate(known) if target is not None and final[i] == kind]
            scale, shift = scale_odds(odds[at], np.array([known[i] for i in at], dtype=bool))
            chances[name][final == kind] = [probability(scale * v + shift) for v in odds[final == kind]]
        recipe[name] = fit_part(name, samples) | {"scale": scale, "shift": shift}
    pairs = zip(chances["metal"], chances["gold"], strict=True)
    return recipe, [
        {"gold": float(m * g), "platinum": float(m * (1 - g)), "no metal": float(1 - m)} for m, g in pairs
    ]


def fit_part(name: str, samples: list[PhotoSample]) -> dict[str, Any]:
    """Trees for metal against none, or gold against platinum."""
    chosen = [(s, target) for s in samples if (target := _target(name, s)) is not None]
    names = sorted({key for s, _ in chosen for key in s.features})
    least = LEAST_KNOWN * len(chosen)
    names = [n for n in names if sum(np.isfinite(s.features.get(n, np.nan)) for s, _ in chosen) > least]
    rising, falling = (
        (GOLD_RISES + GOLD_RISES_ALSO, GOLD_FALLS)
        if name == "gold"
        else (
            METAL_RISES + METAL_RISES_ALSO,
            (),
        )
    )
    return fit_classifier(
        [Sample(s.features, target, s.group) for s, target in chosen],
        names,
        [n for n in names if falling and n.startswith(falling)],
        [n for n in names if n.startswith(rising)],
        SHAPE,
    )


def _target(name: str, sample: PhotoSample) -> float | None:
    if name == "metal":
        return float(sample.metal != "none")
    return None if sample.metal == "none" else float(sample.metal == "gold")


def keep_part(samples: list[PhotoSample], part: str) -> list[PhotoSample]:
    """The samples with the features of one half only, for the comparison."""
    heads = PARTS[part]
    return [
        replace(s, features={n: v for n, v in s.features.items() if n.startswith(heads)}) for s in samples
    ]


def scale_odds(odds: Array, true: npt.NDArray[np.bool_]) -> tuple[float, float]:
    """Scale and shift after which the log-odds of held-out photos hold true (Platt 1999)."""
    fit = LogisticRegression(C=10.0).fit(odds[:, None], true)
    return round(float(np.clip(fit.coef_[0, 0], 0.1, 3.0)), 4), round(float(fit.intercept_[0]), 4)


def judge_fused(base: Judged, chances: dict[str, float]) -> Judged:
    """What the regions' judgement becomes with the fused chances; the verdict is chosen later."""
    return Judged(**{**base.__dict__, "chances": chances, "plain": False})


def odds_of(sample: PhotoSample) -> tuple[float, float]:
    """The regions' odds of metal and gold, as `model.trim_fusion.odds_of_regions`."""
    return sample.features.get("region_metal", -np.inf), sample.features.get("region_gold", 0.0)


def name_metal(judged: Judged, odds: tuple[float, float], thresholds: dict[str, float]) -> Judged:
    """The judgement with the verdict that its chances and odds give."""
    verdict, metal = choose_verdict(judged.chances, judged.worn_chance, thresholds, odds)
    return Judged(**{**judged.__dict__, "verdict": verdict, "metal": metal})


def bound_wrong(wrong: int, n: int, level: float = 0.95) -> float:
    """One-sided upper bound of the share of wrong answers (Clopper & Pearson 1934)."""
    return 1.0 if n == 0 or wrong >= n else float(beta.ppf(level, wrong + 1, n - wrong))


def choose_named(metal: Array, gold: Array, odds: Array, truth: npt.NDArray[np.str_]) -> dict[str, float]:
    """Thresholds under which the most photos get a metal named, and few enough of those wrongly.

    Parameters
    ----------
    metal, gold
        Chances (n,) of metal, and of gold if it is metal, of photos held out.
    odds
        (n, 2) what the regions alone say of metal and of gold: they must agree with the name.
    truth
        (n,) gold, platinum or none; paint named a metal is wrong like a metal named the other.
    """
    names = ("named_metal", "if_metal", "region_metal", "region_gold")
    best: tuple[int, tuple[float, ...]] = (0, (NEVER, NEVER, 0.0, 0.0))
    for limits in product(METAL_STEPS, IF_METAL_STEPS, REGION_METAL_STEPS, REGION_GOLD_STEPS):
        least, certain, metallic, golden = limits
        sure = (metal >= least) & (odds[:, 0] >= metallic)
        as_gold = sure & (gold >= certain) & (odds[:, 1] >= golden)
        as_platinum = sure & (1 - gold >= certain) & (-odds[:, 1] >= golden)
        wrong = int((as_gold & (truth != "gold")).sum() + (as_platinum & (truth != "platinum")).sum())
        named = int((as_gold | as_platinum).sum())
        if named > best[0] and wrong <= MOST_WRONG * named:
            best = (named, limits)
    return {name: round(float(value), 4) for name, value in zip(names, best[1], strict=True)}
