"""The fitted numbers of the trim judgement, read from ``weights/trim.json``."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from model.errors import RecipeError
from model.trees import Trees
from model.trim_fusion import Fusion
from model.worn import WearRecipe

RECIPE = Path(__file__).parent / "weights" / "trim.json"
FORMAT = 2


@dataclass(frozen=True, eq=False)
class TrimRecipe:
    """Trees that give a region its log-odds of metal and of gold; what weighs the photo; what judges wear;
    ``thresholds`` from which an answer is given."""

    metal: Trees
    gold: Trees
    fusion: Fusion
    wear: WearRecipe
    thresholds: dict[str, float]


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
    if data.get("format") != FORMAT:
        raise RecipeError(
            f"trim recipe: expected format {FORMAT}, got {data.get('format')}: reinstall rimlight"
        )
    return read_recipe(data)


def read_recipe(data: dict[str, Any]) -> TrimRecipe:
    """Build the recipe from its plain form."""
    return TrimRecipe(
        metal=Trees.from_recipe(data["metal"]),
        gold=Trees.from_recipe(data["gold"]),
        fusion=Fusion.from_recipe(data["photo"]),
        wear=WearRecipe.from_recipe(data["wear"]),
        thresholds={name: float(value) for name, value in data["thresholds"].items()},
    )
