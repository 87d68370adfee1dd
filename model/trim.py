"""Gold, platinum, worn lustre, no metal, or cannot tell: the verdict on the metal trim, with its evidence.

A small network labels the cells of the strip (`model.witness`); each printed region (edge line, border, verge
line) is measured where it sees print and judged by small boosted trees over physical features; trees weigh
regions and network for the whole photo. The numbers are fitted on path-traced pictures and live in
`weights/trim.json`; the verdict is withheld where the fitted model errs too often.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from model.facts import Light, Metal, Sector, Trim, Verdict
from model.rim_band import RimStrip
from model.strip_labels import StripLabels
from model.surroundings import SceneColours
from model.trim_features import measure_region
from model.trim_fusion import JudgedRegion, describe_photo, photo_features
from model.trim_print import Print
from model.trim_reasons import Finding, choose_retake, explain, look_reason
from model.trim_recipe import TrimRecipe, load_recipe
from model.trim_regions import find_regions
from model.wear import SECTORS, measure_wear
from model.witness import Heard
from model.worn import WearJudgement, judge_wear

__all__ = [
    "JudgedRegion",
    "Judgement",
    "choose_verdict",
    "is_surely_metal",
    "judge_regions",
    "judge_trim",
    "visible_deg",
    "weigh_photo",
]

MIN_VISIBLE_DEG = 8.0  # less of the rim is one spot, not a spread


@dataclass(frozen=True, eq=False)
class Judgement:
    """Chances of gold, platinum and no metal; ``trust`` in the likelier metal; the wear if it is metal; the
    photo's features by name."""

    chances: dict[str, float]
    trust: float
    wear: WearJudgement | None
    features: dict[str, float]


def judge_trim(
    strip: RimStrip | None,
    light: Light | None,
    heard: Heard | None,
    judged: list[JudgedRegion],
    *,
    reason: str | None = None,
) -> Trim:
    """Judge the metal trim of the rim.

    Parameters
    ----------
    strip
        The unrolled rim; None where none could be isolated (then ``reason`` says why).
    light
        White point with its uncertainty; None counts as cannot tell.
    heard
        The network's labels (`model.witness.hear_witness`); None counts as cannot tell.
    judged
        The regions (`judge_regions`).
    reason
        Why there is no strip, in words for the user.

    Returns
    -------
    facts.Trim
        "cannot tell" always with a retake; what could not be measured is None and ``reasons`` says why.
    """
    if strip is None or light is None:
        return _no_look(reason or "No rim could be isolated in this photo.")
    if heard is None or visible_deg(strip) < MIN_VISIBLE_DEG:
        return _no_look("Too little of the rim is in view to compare places on it.")
    recipe = load_recipe()
    return _conclude(light, judged, weigh_photo(strip, light, heard, judged, recipe), recipe)


def judge_regions(
    strip: RimStrip,
    found: Print,
    light: Light,
    around: SceneColours | None,
    labels: StripLabels,
    recipe: TrimRecipe | None = None,
) -> list[JudgedRegion]:
    """Measure every printed region and give it its log-odds of metal, and of gold if metal."""
    recipe = load_recipe() if recipe is None else recipe
    judged = []
    for region in find_regions(strip, labels):
        features = measure_region(strip, found, light, around, region)
        if features is None:
            judged.append(JudgedRegion(region, None, 0.0, 0.0))
        else:
            odds = recipe.metal.score(features), recipe.gold.score(features)
            judged.append(JudgedRegion(region, features, *odds))
    return judged


def weigh_photo(
    strip: RimStrip, light: Light, heard: Heard, judged: list[JudgedRegion], recipe: TrimRecipe
) -> Judgement:
    """What regions and network together say of the photo, and the wear if the trim is metal."""
    features = photo_features(judged, heard.measures() | describe_photo(strip, light))
    wear = judge_wear(measure_wear(strip, heard.labels), features, recipe.wear)
    chances = recipe.fusion.chances(features)
    return Judgement(chances, recipe.fusion.trust_in(features, chances), wear, features)


def visible_deg(strip: RimStrip) -> float:
    """How much of the rim is in view in degrees."""
    per_column = 360.0 / len(strip.column_deg) if strip.closed else _open_step(strip)
    return float(strip.seen_mask.any(axis=0).sum() * per_column)


def _open_step(strip: RimStrip) -> float:
    turn = np.diff(np.unwrap(np.radians(strip.column_deg.astype(np.float64))))
    return float(np.degrees(np.abs(turn).mean())) if turn.size else 0.0


def _conclude(light: Light, judged: list[JudgedRegion], found: Judgement, recipe: TrimRecipe) -> Trim:
    """Turn probabilities and wear into the verdict and say why."""
    chances, wear = found.chances, found.wear
    worn_chance = None if wear is None else wear.worn_chance
    verdict, metal = choose_verdict(chances, worn_chance, recipe.thresholds, found.trust)
    if not is_surely_metal(chances, recipe.thresholds):
        wear, worn_chance = None, None  # a share of what is not known to be metal says nothing
    best = max((j for j in judged if j.features), key=lambda j: j.metal_log_odds, default=None)
    finding = Finding(
        verdict=verdict,
        metal=metal,
        chances=chances,
        worn_chance=worn_chance,
        remaining_share=None if wear is None else wear.remaining_share,
        features=None if best is None else best.features,
        light=light,
        kind=best.region.kind if best else judged[0].region.kind if judged else None,
        measures=found.features,
    )
    return Trim(
        verdict=verdict,
        metal=metal,
        probabilities=_tidy(chances),
        worn_probability=worn_chance,
        remaining_share=finding.remaining_share,
        sectors=None if wear is None else _list_sectors(wear.sector_shares),
        reasons=tuple(explain(finding)),
        retake=choose_retake(finding) if verdict == "cannot tell" else None,
    )


def is_surely_metal(chances: dict[str, float], thresholds: dict[str, float]) -> bool:
    """Whether the trim is metal surely enough to speak of its wear."""
    return 1 - chances["no metal"] >= thresholds["worn_metal"]


def choose_verdict(
    chances: dict[str, float],
    worn_chance: float | None,
    thresholds: dict[str, float],
    trust: float | None = None,
) -> tuple[Verdict, Metal | None]:
    """The verdict where it is sure enough, else "cannot tell"; the remains' metal only where that is sure.

    A metal is named where ``trust`` in it is high enough; without one (several photos together) where it is
    surely metal, and surely that one if it is. Worn lustre needs a metal, not which one.
    """
    if chances["no metal"] >= thresholds["no_metal"]:
        return "no metal", None
    p_metal = 1 - chances["no metal"]
    names: tuple[Metal, Metal] = ("gold", "platinum")
    metal = max(names, key=lambda name: chances[name])
    if trust is None:
        sure = p_metal >= thresholds["named_metal"] and chances[metal] >= p_metal * thresholds[metal]
    else:
        sure = trust >= thresholds["trust"]
    if worn_chance is not None and is_surely_metal(chances, thresholds) and worn_chance >= thresholds["worn"]:
        return "worn lustre", metal if sure else None
    return (metal, metal) if sure else ("cannot tell", None)


def _tidy(chances: dict[str, float]) -> dict[str, float]:
    """Rounded to five places, still summing to 1."""
    gold, platinum = round(chances["gold"], 5), round(chances["platinum"], 5)
    return {"gold": gold, "platinum": platinum, "no metal": round(1 - gold - platinum, 5)}


def _list_sectors(shares: np.ndarray) -> tuple[Sector, ...]:
    step, known = 360 // SECTORS, [None if np.isnan(share) else float(share) for share in shares]
    return tuple(Sector(k * step, (k + 1) * step, share) for k, share in enumerate(known))


def _no_look(reason: str) -> Trim:
    return Trim("cannot tell", None, None, None, None, None, (reason,), look_reason())
