"""What the labelled cells of a strip say in plain measures, by name; the photo's verdict rests on them.

The same physics as `model.trim_features`, but over the whole strip: how much is called what, how surely, by
role and from part to part of the rim; the colours of what is called metal are in `model.witness_colours`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from model.strip_labels import MATERIALS, ROLES, StripLabels
from model.witness_colours import measure_colours
from model.witness_input import WitnessWindows

if TYPE_CHECKING:
    from model.witness import Answer

Map = npt.NDArray[np.float32]
Array = npt.NDArray[np.float64]

GOLD, PLATINUM, PAINT = (MATERIALS.index(name) for name in ("gold", "platinum", "paint"))
METAL_FROM, SURE_FROM = 0.4, 0.8
LEAST_CELLS = 20
COVERED_CHANCE = 1e-3
LEAST_AREA = 1e-5  # share of the strip, under the logarithm of an area
PART_CELLS = 24  # columns of a part of the rim: each mirrors another part of the room
SHARES = (0.1, 0.25, 0.5, 0.75, 0.9)


def measure_labelled(
    windows: WitnessWindows, labels: StripLabels, answer: Answer, white: npt.NDArray[np.float64]
) -> dict[str, float]:
    """Measures by name; those that need metal cells are absent where there are too few.

    Parameters
    ----------
    windows, answer
        What the network looked at, and its answer.
    labels
        The answer on one grid of the strip.
    white
        (2,) ln R/G and B/G of the light.
    """
    gold, platinum = labels.materials[GOLD], labels.materials[PLATINUM]
    metal, paint = gold + platinum, labels.materials[PAINT]
    odds = np.log((gold + COVERED_CHANCE) / (platinum + COVERED_CHANCE))
    out = _told(labels)
    out |= _measure_areas(metal, paint, odds, labels)
    out |= _measure_certainty(metal, paint)
    out |= _measure_roles(metal, paint, odds, labels)
    core = metal > METAL_FROM
    if core.sum() < LEAST_CELLS:
        return out
    out |= quantiles("cell_odds", odds[core])
    out["cell_gold_share"] = float((odds[core] > 0).mean())
    out |= _measure_parts(metal, odds, "part")
    out |= _measure_parts(metal + paint, np.log((metal + 0.01) / (paint + 0.01)), "part_metal")
    return out | measure_colours(windows, answer.cells, white)


def _told(labels: StripLabels) -> dict[str, float]:
    """What the network says of the whole photo."""
    gold, platinum, none = (float(v) for v in labels.verdict)
    return {
        "said_gold": gold - platinum,
        "said_metal": float(np.logaddexp(gold, platinum)) - none,
        "said_remaining": labels.remaining_share,
        "said_worn": labels.worn_chance,
    }


def _measure_areas(metal: Map, paint: Map, odds: Map, labels: StripLabels) -> dict[str, float]:
    seen = float(labels.seen.sum()) + 1.0
    total = float(metal.sum())
    return {
        "metal_area": float(np.log10(total / seen + LEAST_AREA)),
        "paint_area": float(np.log10(paint.sum() / seen + LEAST_AREA)),
        "sure_metal_area": float(np.log10((metal > SURE_FROM).sum() / seen + LEAST_AREA)),
        "sure_paint_area": float(np.log10((paint > SURE_FROM).sum() / seen + LEAST_AREA)),
        "seen_cells": float(np.log10(seen)),
        "metal_to_paint": float(np.log((total + 1.0) / (paint.sum() + 1.0))),
        "metal_most": float(np.sort(metal.ravel())[-LEAST_CELLS]),
        "paint_most": float(np.sort(paint.ravel())[-LEAST_CELLS]),
        "odds_mean": float((odds * metal).sum() / (total + 1.0)),
        "odds_sure": float((odds * metal**4).sum() / ((metal**4).sum() + 1.0)),
    }


def _measure_certainty(metal: Map, paint: Map) -> dict[str, float]:
    """How surely print is metal or paint, over the cells that are surely print."""
    printed = metal + paint
    core = printed > 0.6
    if core.sum() < LEAST_CELLS:
        return {}
    ratio = np.log((metal[core] + 0.01) / (paint[core] + 0.01))
    doubt = (printed > 0.2) & (printed < 0.6)
    return quantiles("cell_metal", ratio) | {"doubtful_print": float(doubt.sum() / core.sum())}


def _measure_roles(metal: Map, paint: Map, odds: Map, labels: StripLabels) -> dict[str, float]:
    """Area, metal against paint and gold against platinum of each role; how far the roles agree."""
    out: dict[str, float] = {}
    golden, metallic = [], []
    seen = float(labels.seen.sum()) + 1.0
    for role, chance in zip(ROLES[1:], labels.roles[1:], strict=True):
        name = role.replace(" ", "_")
        out[f"{name}_stamped"] = float(np.log10(chance.sum() / seen + LEAST_AREA))
        own_metal, own_paint = float((metal * chance).sum()), float((paint * chance).sum())
        if own_metal + own_paint < LEAST_CELLS / 2:
            continue
        out[f"{name}_left"] = (own_metal + own_paint) / float(chance.sum() + 1e-6)
        out[f"{name}_metal_to_paint"] = float(np.log((own_metal + 1.0) / (own_paint + 1.0)))
        metallic.append(out[f"{name}_metal_to_paint"])
        if own_metal >= LEAST_CELLS / 2:
            weight = chance * metal**2
            out[f"{name}_odds"] = float((odds * weight).sum() / (weight.sum() + 1e-6))
            golden.append(out[f"{name}_odds"])
    if metallic:
        out |= {"role_metal_most": max(metallic), "role_metal_least": min(metallic)}
    if golden:
        out |= {"role_odds_high": max(golden), "role_odds_low": min(golden)}
        out["role_odds_apart"] = max(golden) - min(golden)
    return out


def _measure_parts(weight: Map, odds: Map, name: str) -> dict[str, float]:
    """Odds from part to part round the rim."""
    part = np.arange(weight.shape[1]) // PART_CELLS
    total = np.bincount(part, weight.sum(axis=0))
    value = np.bincount(part, (weight * odds).sum(axis=0))
    kept = total > LEAST_CELLS / 2
    if kept.sum() < 2:
        return {}
    parts = value[kept] / total[kept]
    return {
        f"{name}_odds_low": float(np.quantile(parts, 0.1)),
        f"{name}_odds_middle": float(np.median(parts)),
        f"{name}_odds_high": float(np.quantile(parts, 0.9)),
        f"{name}_share": float((parts > 0).mean()),
        f"{name}_odds_sd": float(parts.std()),
        f"{name}_count": float(np.log10(kept.sum())),
    }


def quantiles(name: str, values: npt.NDArray[np.floating]) -> dict[str, float]:
    """Quantiles of values at SHARES, by name."""
    found = np.quantile(values, SHARES)
    return {f"{name}_q{round(100 * share):02d}": float(v) for share, v in zip(SHARES, found, strict=True)}
