"""Naming thresholds of the fusion."""

from __future__ import annotations

import numpy as np
import pytest

from training.fit_fusion import NEVER, bound_wrong, choose_named


def test_a_metal_is_named_as_often_as_few_enough_names_are_wrong() -> None:
    """Exact one-sided binomial bound: none wrong of 298 is under 1 %, 95 % certain (1 - .05^(1/298))."""
    assert bound_wrong(0, 298) == pytest.approx(1 - 0.05 ** (1 / 298))
    rng = np.random.default_rng(0)
    gold = rng.uniform(0, 1, 800)
    truth = np.where(rng.random(800) < gold, "gold", "platinum")
    truth[(gold > 0.9) | (gold < 0.1)] = np.where(gold > 0.5, "gold", "platinum")[(gold > 0.9) | (gold < 0.1)]
    odds = np.column_stack([np.full(800, 2.0), np.log(gold / (1 - gold))])
    chosen = choose_named(np.full(800, 0.99), gold, odds, truth)
    assert 0.8 <= chosen["if_metal"] <= 0.94
    never = choose_named(np.full(800, 0.99), gold, odds, np.full(800, "none"))
    assert never["named_metal"] == NEVER
