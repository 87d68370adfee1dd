"""Gold, platinum, worn lustre, no metal, or cannot tell: the verdict on the metal trim, with its evidence.

Each printed region (edge line, border, verge line) is measured and judged on its own by small boosted trees
over physical features; a small network labels pixels beside them (`model.witness`); trees weigh both. The
numbers are fitted on path-traced pictures and live in `weights/trim.json`; the verdict is withheld where the
fitted model errs too often.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from model.bands import Bands
from model.errors import RecipeError
from model.facts import Border, Light, Metal, Sector, Trim, Verdict
from model.rim_band import RimStrip
from model.surroundings import Surroundings
from model.trees import Trees, probability
from model.trim_features import measure_region
from model.trim_fusion import Fusion, JudgedRegion, odds_of_regions, photo_features
from model.trim_print import Print, find_print, list_regions
from model.trim_reasons import Finding, choose_retake, explain, look_reason
from model.wear import SECTORS, Wear, measure_wear
from model.witness import consult_witness

__all__ = ["JudgedRegion", "TrimRecipe", "judge_regions", "judge_trim", "load_recipe", "pool_regions"]

RECIPE = Path(__file__).parent / "weights" / "trim.json"
WORN_SHARE = 0.75  # "less than .75 of the stamped metal area remains": the definition of worn lustre
MIN_VISIBLE_DEG = 8.0  # less of the rim is one spot, not a spread
# Height of the repeat's autocorrelation from which the remaining share follows the truth (correlation .57 on
# path-traced photos, .2 and less below it).
CLEAR_REPEAT = 0.45


@dataclass(frozen=True, eq=False)
class TrimRecipe:
    """The fitted numbers: trees, pooling, thresholds; ``fusion`` judges where the witness was heard."""

    metal: Trees
    gold: Trees
    worn: Trees
    remaining_knots: tuple[tuple[float, ...], tuple[float, ...]]
    numbers: dict[str, Any]
    fusion: Fusion | None = None


def judge_trim(
    strip: RimStrip | None,
    bands: Bands | None,
    light: Light | None,
    around: Surroundings | None = None,
    *,
    border: Border | None = None,
    reason: str | None = None,
    judged: list[JudgedRegion] | None = None,
    measures: dict[str, float] | None = None,
) -> Trim:
    """Judge the metal trim of the rim.

    Parameters
    ----------
    strip, bands
        The unrolled rim and its print; None where none could be isolated (then ``reason`` says why).
    light
        White point with its uncertainty; None counts as cannot tell.
    around
        What the metal may mirror; None leaves those features out.
    border
        Counted repeats, if known: they tell wear from the gaps of the motif.
    reason
        Why there is no strip, in words for the user.
    judged
        The regions if judged already (`judge_regions`); the lines need them too.
    measures
        What the witness measured if it was heard already (`hear_witness`).

    Returns
    -------
    facts.Trim
        "cannot tell" always with a retake; what could not be measured is None and ``reasons`` says why.
    """
    if strip is None or bands is None or light is None:
        return _no_look(reason or "No rim could be isolated in this photo.")
    if visible_deg(strip) < MIN_VISIBLE_DEG:
        return _no_look("Too little of the rim is in view to compare places on it.")
    recipe = load_recipe()
    if judged is None or measures is None:
        found = find_print(strip, bands)
        judged = judge_regions(strip, bands, light, around, recipe, found) if judged is None else judged
        measures = hear_witness(strip, found, light, around) if measures is None else measures
    chances = pool_regions(judged, recipe, measures)
    if not judged:
        return _plain_rim(chances, recipe)
    metal = [j.region for j in judged if j.metal_log_odds > 0 and shows_repeat(j.region.kind, j.features)]
    wear = measure_wear(strip, metal, border.repeats if border else None) if metal else None
    return _conclude(strip, light, judged, chances, wear, recipe)


def shows_repeat(kind: str, features: dict[str, float] | None) -> bool:
    """Whether the border repeats clearly enough to tell what was stamped, and so what is gone."""
    return kind == "border" and features is not None and features["repeat_strength"] >= CLEAR_REPEAT


def judge_regions(
    strip: RimStrip,
    bands: Bands,
    light: Light,
    around: Surroundings | None = None,
    recipe: TrimRecipe | None = None,
    found: Print | None = None,
) -> list[JudgedRegion]:
    """Measure every printed region and give it its log-odds of metal, and of gold if metal."""
    recipe = load_recipe() if recipe is None else recipe
    judged = []
    found = find_print(strip, bands) if found is None else found
    for region in list_regions(strip, bands, found):
        features = measure_region(strip, found, light, around.colours if around else None, region)
        if features is None:
            judged.append(JudgedRegion(region, None, 0.0, 0.0))
            continue
        judged.append(
            JudgedRegion(region, features, recipe.metal.score(features), recipe.gold.score(features))
        )
    return judged


def hear_witness(
    strip: RimStrip, found: Print, light: Light, around: Surroundings | None = None
) -> dict[str, float]:
    """What the network's labels say, by name; empty where it is not installed or sees nothing of the rim."""
    return consult_witness(strip, found.glaze_linear_rgb, light, around.colours if around else None)


def pool_regions(
    judged: list[JudgedRegion], recipe: TrimRecipe, measures: dict[str, float] | None = None
) -> dict[str, float]:
    """Probabilities of gold, platinum and no metal for the piece: regions and witness, or regions alone."""
    if recipe.fusion is not None and measures:
        return recipe.fusion.chances(photo_features(judged, measures))
    if all(j.features is None for j in judged):
        return dict(recipe.numbers["plain_rim" if not judged else "unreadable"])
    pooled, (metal, gold) = recipe.numbers["pool"], odds_of_regions(judged)
    p_metal = probability(pooled["metal_scale"] * metal + pooled["metal_shift"])
    p_gold = probability(pooled["gold_scale"] * gold + pooled["gold_shift"])
    return {"gold": p_metal * p_gold, "platinum": p_metal * (1 - p_gold), "no metal": 1 - p_metal}


def visible_deg(strip: RimStrip) -> float:
    """How much of the rim is in view in degrees."""
    per_column = 360.0 / len(strip.column_deg) if strip.closed else _open_step(strip)
    return float(strip.seen_mask.any(axis=0).sum() * per_column)


def _open_step(strip: RimStrip) -> float:
    turn = np.diff(np.unwrap(np.radians(strip.column_deg.astype(np.float64))))
    return float(np.degrees(np.abs(turn).mean())) if turn.size else 0.0


def _conclude(
    strip: RimStrip,
    light: Light,
    judged: list[JudgedRegion],
    chances: dict[str, float],
    wear: Wear | None,
    recipe: TrimRecipe,
) -> Trim:
    """Turn probabilities and wear into the verdict and say why."""
    best = max((j for j in judged if j.features), key=lambda j: j.metal_log_odds, default=judged[0])
    remaining, shares = calibrate_wear(wear, recipe)
    worn_chance = judge_worn(best.features, remaining, wear, recipe)
    verdict, metal = choose_verdict(
        chances, worn_chance, recipe.numbers["thresholds"], odds_of_regions(judged)
    )
    if verdict in ("no metal", "cannot tell"):  # a share of what is not known to be metal says nothing
        remaining, shares, worn_chance = None, None, None
    finding = Finding(verdict, metal, chances, worn_chance, remaining, best.features, light, best.region.kind)
    return Trim(
        verdict=verdict,
        metal=metal,
        probabilities=_tidy(chances),
        worn_probability=worn_chance,
        remaining_share=remaining,
        sectors=None if shares is None else _list_sectors(shares),
        reasons=tuple(explain(finding)),
        retake=choose_retake(finding) if verdict == "cannot tell" else None,
    )


def calibrate_wear(wear: Wear | None, recipe: TrimRecipe) -> tuple[float | None, np.ndarray | None]:
    """Remaining share and (36,) sector shares, through the fitted monotone map from seen to true."""
    if wear is None or wear.remaining_share is None:
        return None, None
    seen, true = recipe.remaining_knots
    total = float(np.interp(wear.remaining_share, seen, true))
    return total, np.interp(wear.sector_shares, seen, true, left=np.nan, right=np.nan)


def judge_worn(
    features: dict[str, float] | None, remaining: float | None, wear: Wear | None, recipe: TrimRecipe
) -> float | None:
    """Chance that the trim is worn lustre: little is left, or what is left is dull."""
    if features is None or wear is None or remaining is None:
        return None
    return probability(recipe.worn.score(worn_features(features, wear)))


def worn_features(features: dict[str, float], wear: Wear) -> dict[str, float]:
    """The region's features with the wear measures beside them."""
    shares = wear.sector_shares
    known = shares[np.isfinite(shares)]
    total = wear.remaining_share
    return features | {
        "seen_share": float("nan") if total is None else total,
        "seen_sector_low": float(np.quantile(known, 0.1)) if known.size else float("nan"),
        "seen_sector_middle": float(np.median(known)) if known.size else float("nan"),
    }


def choose_verdict(
    chances: dict[str, float],
    worn_chance: float | None,
    thresholds: dict[str, float],
    odds: tuple[float, float] | None = None,
) -> tuple[Verdict, Metal | None]:
    """The verdict where it is sure enough, else "cannot tell"; the remains' metal only where that is sure.

    A metal is named where it is surely metal, surely that one if it is, and the regions' own log-odds of
    metal and of gold (``odds``) agree.
    """
    if chances["no metal"] >= thresholds["no_metal"]:
        return "no metal", None
    p_metal = 1 - chances["no metal"]
    names: tuple[Metal, Metal] = ("gold", "platinum")
    metal = max(names, key=lambda name: chances[name])
    certain = max(thresholds[metal], p_metal * thresholds.get("if_metal", 0.0))
    sure = p_metal >= thresholds.get("named_metal", 0.0) and chances[metal] >= certain
    if odds is not None and "region_metal" in thresholds:
        toward = odds[1] if metal == "gold" else -odds[1]
        sure = sure and odds[0] >= thresholds["region_metal"] and toward >= thresholds["region_gold"]
    if worn_chance is not None and p_metal >= thresholds["worn_metal"]:
        if worn_chance >= thresholds["worn"]:
            return "worn lustre", metal if sure else None
        if worn_chance > 1 - thresholds["worn"] and not sure:
            return "cannot tell", None
    return (metal, metal) if sure else ("cannot tell", None)


def _tidy(chances: dict[str, float]) -> dict[str, float]:
    """Rounded to five places, still summing to 1."""
    gold, platinum = round(chances["gold"], 5), round(chances["platinum"], 5)
    return {"gold": gold, "platinum": platinum, "no metal": round(1 - gold - platinum, 5)}


def _list_sectors(shares: np.ndarray) -> tuple[Sector, ...]:
    step, known = 360 // SECTORS, [None if np.isnan(share) else float(share) for share in shares]
    return tuple(Sector(k * step, (k + 1) * step, share) for k, share in enumerate(known))


def _plain_rim(chances: dict[str, float], recipe: TrimRecipe) -> Trim:
    verdict, metal = choose_verdict(chances, None, recipe.numbers["thresholds"], odds_of_regions([]))
    step = choose_retake(Finding(verdict, metal, chances, None, None, None, None, None))
    reasons = ("No print or line was found on the rim in view.",)
    return Trim(
        verdict, metal, _tidy(chances), None, None, None, reasons, step if verdict == "cannot tell" else None
    )


def _no_look(reason: str) -> Trim:
    return Trim("cannot tell", None, None, None, None, None, (reason,), look_reason())


@lru_cache(maxsize=1)
def load_recipe() -> TrimRecipe:
    """The fitted numbers.

    Raises
    ------
    RecipeError
        The file is missing or not what this code expects.
    """
    try:
        data: dict[str, Any] = json.loads(RECIPE.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise RecipeError(f"trim recipe {RECIPE.name} cannot be read: reinstall rimlight") from error
    if data.get("format") != 1:
        raise RecipeError(f"trim recipe: expected format 1, got {data.get('format')}: reinstall rimlight")
    return read_recipe(data)


def read_recipe(data: dict[str, Any]) -> TrimRecipe:
    """Build the recipe from its plain form."""
    trees = {name: Trees.from_recipe(data[name]) for name in ("metal", "gold", "worn")}
    seen, true = data["remaining_knots"]
    fusion = Fusion.from_recipe(data["photo"]) if "photo" in data else None
    return TrimRecipe(
        **trees, remaining_knots=(tuple(seen), tuple(true)), numbers=data["numbers"], fusion=fusion
    )
