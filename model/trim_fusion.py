"""Gold, platinum or no metal for the whole photo: what the regions say and what the witness saw, together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from model.facts import Light
from model.rim_band import RimStrip
from model.trees import Trees, probability
from model.trim_regions import TrimRegion

# Of the most metallic region; the rest of its measures is in its own log-odds.
FROM_REGION = (
    *("glaze_rg", "glaze_bg", "glaze_level", "glaze_level_spread", "glaze_tint_spread"),
    *("clipped_share", "depth_to_blur", "repeat_strength", "ring_bg", "scene_bg"),
)


# How much a region's colour counts: print with a role over print without one.
SMALL = 1e-4  # no chance is taken to be nearer to 0 or 1
KIND_WEIGHTS = {"edge line": 1.0, "verge line": 1.0, "border": 1.0, "stray": 0.4}


@dataclass(frozen=True, eq=False)
class JudgedRegion:
    """A region with its features and log-odds; None where too few sound pixels."""

    region: TrimRegion
    features: dict[str, float] | None
    metal_log_odds: float
    gold_log_odds: float


# What speaks for the likelier metal or against it, by its name where gold is meant; turned where it is not.
TOWARD_GOLD = (
    *("region_gold", "said_gold", "part_odds_middle", "edge_line_odds", "border_odds", "verge_line_odds"),
    *("odds_sure", "yellow_turn_q50"),
)
TRUSTED_BY = (
    *("region_metal", "said_metal", "cell_metal_q10", "cell_metal_q50", "doubtful_print", "metal_area"),
    *("paint_area", "metal_clipped", "part_odds_sd", "role_odds_apart", "role_metal_least"),
    *("metal_bright_q10", "metal_bright_q90", "metal_glaze_rg", "metal_glaze_bg", "glaze_level"),
    *("glaze_tint_spread", "light_uncertainty", "light_rg", "light_bg", "has_paper", "blur_px", "strip_seen"),
)


@dataclass(frozen=True, eq=False)
class Fusion:
    """Fitted trees over the photo's features, with the scaling that makes their chances hold; ``trust`` gives
    the chance that the likelier metal is the right one."""

    metal: Trees
    gold: Trees
    trust: Trees

    @classmethod
    def from_recipe(cls, recipe: dict[str, Any]) -> Fusion:
        """Read the recipe's part."""
        return cls(*(Trees.from_recipe(recipe[name]) for name in ("metal", "gold", "trust")))

    def chances(self, features: dict[str, float]) -> dict[str, float]:
        """Chances of gold, platinum and no metal."""
        metal, gold = probability(self.metal.score(features)), probability(self.gold.score(features))
        return {"gold": metal * gold, "platinum": metal * (1 - gold), "no metal": 1 - metal}

    def trust_in(self, features: dict[str, float], chances: dict[str, float]) -> float:
        """Chance that the likelier metal is the piece's, circumstances weighed."""
        return probability(self.trust.score(trust_features(features, chances)))


def trust_features(features: dict[str, float], chances: dict[str, float]) -> dict[str, float]:
    """What the trust in the likelier metal rests on, by name."""
    gold = log_odds(chances["gold"] / max(chances["gold"] + chances["platinum"], SMALL))
    sign = 1.0 if gold >= 0 else -1.0
    out = {name: features[name] for name in TRUSTED_BY if name in features}
    out |= {f"{name}_toward": sign * features[name] for name in TOWARD_GOLD if name in features}
    return out | {"is_gold": sign, "odds_metal": log_odds(1 - chances["no metal"]), "odds_named": abs(gold)}


def log_odds(chance: float) -> float:
    """Log-odds of a chance, bounded."""
    bounded = float(np.clip(chance, SMALL, 1 - SMALL))
    return float(np.log(bounded / (1 - bounded)))


def pool_gold_odds(known: Sequence[JudgedRegion]) -> float:
    """Log-odds of gold of readable regions together: the most metallic speak."""
    weights = np.array([probability(j.metal_log_odds) ** 2 * KIND_WEIGHTS[j.region.kind] for j in known])
    return float((weights * [j.gold_log_odds for j in known]).sum() / weights.sum())


def odds_of_regions(regions: Sequence[JudgedRegion]) -> tuple[float, float]:
    """Log-odds of metal of the most metallic region, and of gold of all together; without regions, none."""
    known = [j for j in regions if j.features is not None]
    return (max(j.metal_log_odds for j in known), pool_gold_odds(known)) if known else (-np.inf, 0.0)


def describe_photo(strip: RimStrip, light: Light) -> dict[str, float]:
    """Circumstances of the photo, by name."""
    red, _, blue = np.log(light.white_rgb)
    return {
        "has_paper": float("paper" in light.evidence or "point" in light.evidence),
        "has_highlights": float("highlights" in light.evidence),
        "light_uncertainty": light.uncertainty_deg,
        "light_rg": float(red),
        "light_bg": float(blue),
        "blur_px": strip.blur_px,
        "strip_height": float(strip.seen_mask.shape[0]),
        "strip_seen": float(strip.seen_mask.mean()),
    }


def photo_features(regions: Sequence[JudgedRegion], measures: dict[str, float]) -> dict[str, float]:
    """The regions' odds pooled, the best region's circumstances, and the photo's measures, by name."""
    out = dict(measures)
    known = [j for j in regions if j.features is not None]
    if not known:
        return out
    best = max(known, key=lambda j: j.metal_log_odds)
    assert best.features is not None
    out |= {"region_metal": best.metal_log_odds, "region_gold": pool_gold_odds(known)}
    for place in ("edge line", "verge line", "border"):
        found = [j for j in known if j.region.kind == place]
        if found:
            name = place.replace(" ", "_")
            out |= {f"{name}_metal": found[0].metal_log_odds, f"{name}_gold": found[0].gold_log_odds}
    return out | {name: best.features[name] for name in FROM_REGION if name in best.features}
