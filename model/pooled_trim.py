"""Several photos of one piece: what they say of its trim together.

Each photo's log-odds, less the prior, are evidence. Photos of one piece are not independent: they share the
room, the light and whatever the fit is wrong about. So ``n`` photos count as ``n_eff`` of them,

    n_eff = n^2 / sum of the correlations of all pairs (a photo with itself 1),

the size of an average of equally noisy, correlated measurements, with one correlation for photos in the same
light and a lower one for photos in different light. The numbers are fitted (`weights/pooling.json`).

References
----------
L. Kish, Survey Sampling, 1965, section 5.4: design effect and effective sample size.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from model.colour import angle_deg
from model.errors import RecipeError
from model.facts import Light, Trim
from model.trees import probability
from model.trim import choose_verdict, is_surely_metal
from model.trim_reasons import take_again
from model.trim_recipe import load_recipe as load_trim

RECIPE = Path(__file__).parent / "weights" / "pooling.json"
LEAST_CHANCE = 1e-4
ONE_PHOTO_WEAR = "% of the stamped area"  # a reason that only holds of its own photo
CONFLICT_CHANCE = 0.8  # two photos so sure of different metals are perhaps not of one piece (own choice)


@dataclass(frozen=True, eq=False)
class TrimView:
    """One photo's judgement of the trim, with its light."""

    trim: Trim
    light: Light | None


@dataclass(frozen=True)
class PoolingRecipe:
    """Shares of metal, of gold among metal and of worn among metal that each photo's chances start from;
    correlations of photos in the same light and in different light, and of looked-up motifs; a limit."""

    metal_prior: float
    gold_prior: float
    worn_prior: float
    same_light_correlation: float
    other_light_correlation: float
    motif_correlation: float
    most_sure: float


@lru_cache(maxsize=1)
def load_pooling() -> PoolingRecipe:
    """The fitted numbers.

    Raises
    ------
    RecipeError
        The file is missing or not what this code expects.
    """
    try:
        data: dict[str, Any] = json.loads(RECIPE.read_text(encoding="utf-8"))
        return PoolingRecipe(**{name: float(data[name]) for name in PoolingRecipe.__dataclass_fields__})
    except (OSError, ValueError, KeyError) as error:
        raise RecipeError(f"pooling recipe {RECIPE.name} cannot be read: reinstall rimlight") from error


def pool_trims(views: Sequence[TrimView]) -> Trim:
    """Judge the trim from several photos of the piece.

    Parameters
    ----------
    views
        At least one; photos whose trim could not be judged say nothing.

    Returns
    -------
    facts.Trim
        Sectors are those of the photo that shows most: the angles of turned photos do not agree.

    Raises
    ------
    ValueError
        There is no view.
    """
    if not views:
        raise ValueError("at least one view of the piece is needed")
    known = [view for view in views if view.trim.probabilities is not None]
    if len(known) < 2:
        return known[0].trim if known else views[0].trim
    recipe = load_pooling()
    count = count_effective([view.light for view in known], recipe)
    chances = pool_chances([view.trim.probabilities or {} for view in known], count, recipe)
    worn = _pool_worn(known, count, recipe)
    thresholds = load_trim().thresholds
    verdict, metal = choose_verdict(chances, worn, thresholds)
    told = is_surely_metal(chances, thresholds)
    fullest = max(known, key=_count_sectors)
    return Trim(
        verdict=verdict,
        metal=metal,
        probabilities=chances,
        worn_probability=worn if told else None,
        remaining_share=_pool_share(known) if told else None,
        sectors=fullest.trim.sectors if told else None,
        reasons=tuple(_explain(views, known, chances)),
        retake=take_again(_choose_step(views)) if verdict == "cannot tell" else None,
    )


def count_effective(lights: Sequence[Light | None], recipe: PoolingRecipe) -> float:
    """How many independent photos these are worth, from 1 to their number."""
    total = 0.0
    for i, one in enumerate(lights):
        for j, other in enumerate(lights):
            if i == j:
                total += 1.0
            elif is_same_light(one, other):
                total += recipe.same_light_correlation
            else:
                total += recipe.other_light_correlation
    return len(lights) ** 2 / total


def is_same_light(one: Light | None, other: Light | None) -> bool:
    """Whether the two white points agree within the lesser of their uncertainties; unknown counts as same."""
    if one is None or other is None:
        return True
    apart = float(angle_deg(np.asarray(one.white_rgb), np.asarray(other.white_rgb)))
    return apart <= min(one.uncertainty_deg, other.uncertainty_deg)


def pool_chances(
    chances: Sequence[dict[str, float]], count: float, recipe: PoolingRecipe
) -> dict[str, float]:
    """Gold, platinum and no metal from those of several photos, worth ``count`` independent ones."""
    metal = [1 - one["no metal"] for one in chances]
    gold = [one["gold"] / max(one["gold"] + one["platinum"], LEAST_CHANCE) for one in chances]
    p_metal = pool_probability(metal, count, recipe.metal_prior, recipe.most_sure)
    # A photo that sees no metal says nothing of which metal it is.
    p_gold = pool_probability(gold, count, recipe.gold_prior, recipe.most_sure, weights=metal)
    tidy_gold, tidy_platinum = round(p_metal * p_gold, 5), round(p_metal * (1 - p_gold), 5)
    return {
        "gold": tidy_gold,
        "platinum": tidy_platinum,
        "no metal": round(1 - tidy_gold - tidy_platinum, 5),
    }


def pool_probability(
    chances: Sequence[float],
    count: float,
    prior: float,
    most_sure: float,
    weights: Sequence[float] | None = None,
) -> float:
    """One chance from several, as ``count`` times their mean evidence beyond the prior.

    Never surer than the limit, or than the surest photo alone.
    """
    start = _log_odds(prior)
    evidence = np.array([_log_odds(chance) - start for chance in chances])
    mean = float(np.average(evidence, weights=None if weights is None else np.maximum(weights, 1e-3)))
    limit = max(_log_odds(most_sure), float(np.abs(evidence + start).max()))
    return probability(float(np.clip(start + count * mean, -limit, limit)))


def _log_odds(chance: float) -> float:
    bounded = float(np.clip(chance, LEAST_CHANCE, 1 - LEAST_CHANCE))
    return float(np.log(bounded / (1 - bounded)))


def _pool_worn(known: Sequence[TrimView], count: float, recipe: PoolingRecipe) -> float | None:
    chances = [view.trim.worn_probability for view in known if view.trim.worn_probability is not None]
    if not chances:
        return None
    part = 1 + (count - 1) * (len(chances) - 1) / max(len(known) - 1, 1)
    return pool_probability(chances, part, recipe.worn_prior, recipe.most_sure)


def _count_sectors(view: TrimView) -> int:
    return sum(sector.remaining_share is not None for sector in view.trim.sectors or ())


def _pool_share(known: Sequence[TrimView]) -> float | None:
    """Mean remaining share, each photo counting by the sectors it shows."""
    told = [(view.trim.remaining_share, max(_count_sectors(view), 1)) for view in known]
    pairs = [(share, weight) for share, weight in told if share is not None]
    if not pairs:
        return None
    return float(np.average([share for share, _ in pairs], weights=[weight for _, weight in pairs]))


def _explain(views: Sequence[TrimView], known: Sequence[TrimView], chances: dict[str, float]) -> list[str]:
    said = [f"{len(views)} photos of the piece were taken together; {len(known)} of them could be judged."]
    if do_conflict(known):
        said.append("They speak for different metals: make sure that they show the same piece.")
    surest = max(known, key=lambda view: max((view.trim.probabilities or {}).values()))
    best = max(chances, key=lambda name: chances[name])
    alike = sum(_likeliest(view) == best for view in known)
    said.append(f"{alike} of {len(known)} speak for {best}.")
    return said + [sentence for sentence in surest.trim.reasons if ONE_PHOTO_WEAR not in sentence]


def _likeliest(view: TrimView) -> str:
    chances = view.trim.probabilities or {}
    return max(chances, key=lambda name: chances[name])


def do_conflict(known: Sequence[TrimView]) -> bool:
    """Whether two photos are each sure of something else."""
    sure = {
        name
        for view in known
        for name, chance in (view.trim.probabilities or {}).items()
        if chance >= CONFLICT_CHANCE
    }
    return len(sure) > 1


def _choose_step(views: Sequence[TrimView]) -> str:
    """The step most photos still ask for; what one of them shows already is not asked for again."""
    steps = Counter(view.trim.retake.step for view in views if view.trim.retake is not None)
    if any(view.light is not None and "paper" in view.light.evidence for view in views):
        steps.pop("paper beside it", None)
    return steps.most_common(1)[0][0] if steps else "paper in the trim"
