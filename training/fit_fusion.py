"""Fit the trees that weigh regions and witness for a whole photo, calibrated on photos they never saw."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from sklearn.model_selection import GroupKFold

from model.trees import Trees, probability
from model.trim_fusion import trust_features
from training.fit_trees import Sample, Shape, fit_classifier, scale_odds
from training.fit_trim import score_all
from training.trim_features_table import PhotoRow

Array = npt.NDArray[np.float64]

FOLDS, SEED = 5, 7
SHAPE = Shape(leaves=4, iterations=120, rate=0.05, least_in_leaf=20, penalty=8.0)
TRUST_SHAPE = Shape(leaves=24, iterations=40, rate=0.1, least_in_leaf=20, penalty=5.0)
TRUST_SEED = 3
TRUST_RISES = (
    "odds_metal",
    "odds_named",
    "said_metal",
    "region_metal",
    "said_gold_toward",
    "region_gold_toward",
)
LEAST_KNOWN = 0.1  # share of photos in which a feature must be known
PLACES = ("edge_line_", "verge_line_", "border_")
# More that speaks for gold may only raise the odds of gold; likewise for metal.
GOLD_RISES = (
    *("said_gold", "odds_", "cell_odds", "cell_gold", "part_odds", "part_share", "region_gold"),
    *("role_odds_high", "role_odds_low", "yellow_turn", "part_yellow_low", "part_yellow_middle"),
    *(f"{place}{word}" for place in PLACES for word in ("gold", "odds", "yellow")),
)
GOLD_FALLS = ("metal_bg", "pure_bg", "part_bg_low", "part_bg_middle", *(f"{place}bg" for place in PLACES))
NOT_GOLD = ("part_odds_sd",)  # begins like one that rises
METAL_RISES = (
    *("said_metal", "metal_area", "sure_metal", "metal_to_paint", "metal_most", "region_metal"),
    *("cell_metal", "part_metal_odds_low", "part_metal_odds_middle", "role_metal"),
    *(f"{place}metal" for place in PLACES),
)
PARTS: dict[str, tuple[str, ...]] = {  # what a rival by one part alone may use
    "regions": (
        *("region_", "has_", "light_", "glaze_", "blur", "clipped", "repeat"),
        *(f"{place}{word}" for place in PLACES for word in ("gold", "metal")),
    ),
    "network": ("said_",),
}


@dataclass(frozen=True)
class PhotoSample:
    """A photo's features, its metal (gold, platinum or none), its group, its row."""

    features: dict[str, float]
    metal: str
    group: str
    row: PhotoRow

    @property
    def final(self) -> bool:
        """Whether the network that labelled it is the one to be shipped, which never saw the photo."""
        return self.row.fold < 0


def fit_fusion(samples: list[PhotoSample]) -> tuple[dict[str, Any], list[dict[str, float]]]:
    """The recipe's part, and every photo's chances by folds that never saw its scene or motif."""
    held_out = {name: np.zeros(len(samples)) for name in ("metal", "gold")}
    groups = [sample.group for sample in samples]
    for fit_on, hold in GroupKFold(FOLDS, shuffle=True, random_state=SEED).split(samples, groups=groups):
        for name, odds in held_out.items():
            trees = Trees.from_recipe(fit_part(name, [samples[i] for i in fit_on]))
            odds[hold] = score_all(trees, [samples[i].features for i in hold])
    recipe: dict[str, Any] = {}
    chances: dict[str, list[float]] = {}
    for name, odds in held_out.items():
        known = [_target(name, sample) for sample in samples]
        at = [i for i, target in enumerate(known) if target is not None]
        scale, shift = scale_odds(odds[at], np.array([known[i] for i in at], dtype=bool))
        chances[name] = [probability(scale * v + shift) for v in odds]
        recipe[name] = fit_part(name, samples) | {"scale": scale, "shift": shift}
    pairs = zip(chances["metal"], chances["gold"], strict=True)
    return recipe, [
        {"gold": float(m * g), "platinum": float(m * (1 - g)), "no metal": float(1 - m)} for m, g in pairs
    ]


def fit_trust(
    samples: list[PhotoSample], chances: list[dict[str, float]]
) -> tuple[dict[str, Any], list[float]]:
    """The recipe's part "trust", and each photo's trust by folds that never saw its scene or motif."""
    rows = [_trust_sample(*both) for both in zip(samples, chances, strict=True)]
    names = sorted({name for row in rows for name in row.features})
    odds, groups = np.zeros(len(rows)), [row.group for row in rows]
    for fit_on, hold in GroupKFold(FOLDS, shuffle=True, random_state=TRUST_SEED).split(rows, groups=groups):
        part = fit_classifier([rows[i] for i in fit_on], names, (), TRUST_RISES, TRUST_SHAPE)
        odds[hold] = score_all(Trees.from_recipe(part), [rows[i].features for i in hold])
    scale, shift = scale_odds(odds, np.array([row.target > 0.5 for row in rows]))
    recipe = fit_classifier(rows, names, (), TRUST_RISES, TRUST_SHAPE) | {"scale": scale, "shift": shift}
    return recipe, [probability(scale * v + shift) for v in odds]


def _trust_sample(sample: PhotoSample, chances: dict[str, float]) -> Sample:
    likelier = "gold" if chances["gold"] >= chances["platinum"] else "platinum"
    return Sample(trust_features(sample.features, chances), float(sample.metal == likelier), sample.group)


def fit_part(name: str, samples: list[PhotoSample]) -> dict[str, Any]:
    """Trees for metal against none, or gold against platinum."""
    chosen = [(s, target) for s in samples if (target := _target(name, s)) is not None]
    names = sorted({key for s, _ in chosen for key in s.features})
    least = LEAST_KNOWN * len(chosen)
    names = [n for n in names if sum(np.isfinite(s.features.get(n, np.nan)) for s, _ in chosen) > least]
    rising, falling = (GOLD_RISES, GOLD_FALLS) if name == "gold" else (METAL_RISES, ())
    return fit_classifier(
        [Sample(s.features, target, s.group) for s, target in chosen],
        names,
        [n for n in names if falling and n.startswith(falling)],
        [n for n in names if n.startswith(rising) and n not in NOT_GOLD],
        SHAPE,
    )


def _target(name: str, sample: PhotoSample) -> float | None:
    if name == "metal":
        return float(sample.metal != "none")
    return None if sample.metal == "none" else float(sample.metal == "gold")


def keep_part(samples: list[PhotoSample], part: str) -> list[PhotoSample]:
    """The samples with the features of one part only, for the comparison."""
    heads = PARTS[part]
    return [
        replace(s, features={n: v for n, v in s.features.items() if n.startswith(heads)}) for s in samples
    ]
