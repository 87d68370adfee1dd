"""From which chances on an answer is given: as many answers as may be, few enough of them wrong."""

from __future__ import annotations

from itertools import product

import numpy as np
import numpy.typing as npt
from scipy.stats import beta  # type: ignore[import-untyped]

from training.judged_photo import Judged

Array = npt.NDArray[np.float64]

MOST_WRONG, HIGHEST_BOUND = 0.01, 0.03  # of the photos whose metal is named; and of its one-sided 95 % bound
MOST_WRONG_NONE = 0.01  # of the answers "no metal"
MOST_WRONG_WEAR = 0.02  # of the photos whose wear is told, those without metal
MOST_WRONG_WORN = 0.05  # of the answers "worn lustre"
# Chances of metal, and of gold or platinum if it is metal, that are tried as thresholds.
METAL_STEPS = (0.7, 0.75, 0.8, 0.84, 0.87, 0.9, 0.92, 0.94, 0.95, 0.96, 0.97, 0.98)
IF_METAL_STEPS = (0.75, 0.8, 0.85, 0.88, 0.9, 0.92, 0.93, 0.94, 0.95, 0.96, 0.97, 0.98, 0.985, 0.99)
NEVER = 0.9999  # a threshold that nothing reaches


def choose_thresholds(judged: list[Judged]) -> dict[str, float]:
    """All thresholds, from photos judged by fits that never saw them."""
    metal = np.array([1 - j.chances["no metal"] for j in judged])
    gold = np.array([j.chances["gold"] for j in judged]) / np.maximum(metal, 1e-9)
    truth = np.array([str(j.row.truth["metal"]) for j in judged])
    chosen = choose_named(metal, gold, truth)
    trust = np.array([0.0 if j.trust is None else j.trust for j in judged])
    chosen["trust"] = choose_trusted(trust, np.where(gold >= 0.5, "gold", "platinum") == truth)
    chosen["no_metal"] = lowest_certainty(1 - metal, truth == "none", MOST_WRONG_NONE)
    chosen["worn_metal"] = lowest_certainty(metal, truth != "none", MOST_WRONG_WEAR)
    told = [j for j, m in zip(judged, metal, strict=True) if j.wear is not None and m >= chosen["worn_metal"]]
    chances = np.array([j.wear.worn_chance for j in told if j.wear is not None])
    chosen["worn"] = lowest_certainty(
        chances, np.array([bool(j.row.truth["worn"]) for j in told]), MOST_WRONG_WORN
    )
    return chosen


def choose_named(metal: Array, gold: Array, truth: npt.NDArray[np.str_]) -> dict[str, float]:
    """Thresholds under which the most photos get a metal named, and few enough of those wrongly.

    Parameters
    ----------
    metal, gold
        Chances (n,) of metal, and of gold if it is metal, of photos held out.
    truth
        (n,) gold, platinum or none; paint named a metal is wrong like a metal named the other.
    """
    best: tuple[int, tuple[float, float, float]] = (0, (NEVER, NEVER, NEVER))
    for least, golden, white in product(METAL_STEPS, IF_METAL_STEPS, IF_METAL_STEPS):
        sure = metal >= least
        named = _count(sure & (gold >= golden), sure & (1 - gold >= white), truth, best[0])
        if named > best[0]:
            best = (named, (least, golden, white))
    return dict(zip(("named_metal", "gold", "platinum"), best[1], strict=True))


def choose_trusted(trust: Array, right: npt.NDArray[np.bool_]) -> float:
    """Least trust from which on one in a hundred named metals is wrong, one more than were counted.

    The one more makes up for choosing where the count happens to be low: thresholds chosen so on other
    photos kept the share.
    """
    order = np.argsort(-trust, kind="stable")
    count = np.arange(1, len(order) + 1)
    wrong = np.cumsum(~right[order]) + 1
    good = np.flatnonzero((wrong <= MOST_WRONG * count) & (trust[order] >= 0.5))
    return NEVER if len(good) == 0 else float(np.floor(trust[order][good[-1]] * 1e4) / 1e4)


def _count(
    as_gold: npt.NDArray[np.bool_],
    as_platinum: npt.NDArray[np.bool_],
    truth: npt.NDArray[np.str_],
    least: int,
) -> int:
    """How many are named, 0 where too many of them are wrong (or no more than ``least`` are named)."""
    named = int(as_gold.sum() + as_platinum.sum())
    if named <= least:
        return 0
    wrong = int((as_gold & (truth != "gold")).sum() + (as_platinum & (truth != "platinum")).sum())
    return named if wrong <= MOST_WRONG * named and bound_wrong(wrong, named) <= HIGHEST_BOUND else 0


def bound_wrong(wrong: int, n: int, level: float = 0.95) -> float:
    """One-sided upper bound of the share of wrong answers (Clopper & Pearson 1934)."""
    return 1.0 if n == 0 or wrong >= n else float(beta.ppf(level, wrong + 1, n - wrong))


def lowest_certainty(chance: Array, right: npt.NDArray[np.bool_], most_wrong: float) -> float:
    """Least threshold from which on the share of wrong answers stays within the limit; at least .5."""
    if len(chance) == 0:
        return NEVER
    order = np.argsort(-chance)
    wrong = np.cumsum(~right[order]) / np.arange(1, len(order) + 1)
    good = np.flatnonzero((wrong <= most_wrong) & (chance[order] >= 0.5))
    if len(good) == 0:
        return NEVER
    return round(float(min(max(chance[order][good[-1]], 0.5), NEVER)), 4)
