"""The fits of the trim judgement: trees read back alike, intervals and calibration as published."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from model.trees import Trees
from training.choose_answers import bound_wrong, choose_named, choose_trusted, lowest_certainty
from training.fit_light import describe_offsets
from training.fit_trees import Sample, Shape, fit_classifier
from training.trim_scores import interval
from training.trim_truth import main_light, read_truth


def noisy_samples(count: int = 400) -> list[Sample]:
    """Two useful features, one of them missing now and then, and one of noise; pairs share a group."""
    rng = np.random.default_rng(0)
    samples = []
    for index in range(count):
        a, b, c = rng.normal(size=3)
        seen_b = b if rng.random() > 0.1 else float("nan")
        samples.append(
            Sample({"a": a, "b": seen_b, "c": c}, float(a + b / 2 + rng.normal() / 2 > 0), str(index // 2))
        )
    return samples


def test_exported_trees_give_the_held_out_order_and_obey_their_direction() -> None:
    fit = fit_classifier(noisy_samples(), ["a", "b", "c"], (), ("a",), Shape(leaves=4, iterations=40))
    trees = Trees.from_recipe(json.loads(json.dumps(fit)))
    scores = [trees.score({"a": a, "b": 0.1, "c": 0.0}) for a in np.linspace(-2, 2, 41)]
    assert all(np.diff(scores) >= -1e-9)
    assert scores[-1] - scores[0] > 1
    right = [(trees.score(s.features) > 0) == (s.target > 0.5) for s in noisy_samples()]
    assert np.mean(right) > 0.8
    assert np.isfinite(trees.score({"a": 0.5, "b": float("nan"), "c": 0.0}))
    assert trees.score({"a": 0.5}) == pytest.approx(
        trees.score({"a": 0.5, "b": float("nan"), "c": float("nan")})
    )


def test_exported_trees_agree_with_the_library_that_fitted_them() -> None:
    from training.fit_trees import _classifier, _columns, _export

    rows, target, weight, _ = _columns(noisy_samples(), ["a", "b", "c"])
    model = _classifier([0, 0, 0], Shape(iterations=30)).fit(rows, target, sample_weight=weight)
    recipe = _export(model, ["a", "b", "c"], float(model._baseline_prediction.ravel()[0]), 1.0, 0.0)
    assert Trees.from_recipe(recipe).raw_scores(rows) == pytest.approx(
        model.decision_function(rows), abs=2e-3
    )


@pytest.mark.parametrize(("errors", "n"), [(0, 368), (1, 555), (3, 874)])
def test_photos_needed_for_one_percent_wrong(errors: int, n: int) -> None:
    """Exact binomial, two-sided 95 %: at most 1 % wrong needs 368, 555, 874 photos for 0, 1, 3 errors."""
    assert interval(errors, n)[1] <= 0.01005
    assert interval(errors, n - 8)[1] > 0.01


def test_the_threshold_is_the_lowest_that_keeps_wrong_answers_rare() -> None:
    chance = np.linspace(0.99, 0.5, 200)
    right = np.ones(200, bool)
    right[150:] = False
    limit = lowest_certainty(chance, right, 0.01)
    assert chance[151] <= limit <= chance[149]
    assert lowest_certainty(chance, np.zeros(200, bool), 0.01) == 0.9999


def test_metals_are_named_as_often_as_few_wrong_ones_allow() -> None:
    rng = np.random.default_rng(2)
    truth = rng.choice(["gold", "platinum", "none"], 4000, p=[0.4, 0.4, 0.2])
    metal = np.where(truth == "none", 0.3, 0.9) + rng.normal(0, 0.08, 4000)
    gold = np.where(truth == "gold", 0.9, 0.1) + rng.normal(0, 0.2, 4000)
    limits = choose_named(metal, gold, truth)
    sure = metal >= limits["named_metal"]
    as_gold, as_platinum = sure & (gold >= limits["gold"]), sure & (1 - gold >= limits["platinum"])
    named = int(as_gold.sum() + as_platinum.sum())
    wrong = int((as_gold & (truth != "gold")).sum() + (as_platinum & (truth != "platinum")).sum())
    assert named > 1500 and wrong <= 0.01 * named
    blind = choose_named(np.full(50, 0.9), np.full(50, 0.9), np.array(["gold", "platinum"] * 25))
    assert min(blind.values()) > 0.999  # nothing is named where half would be wrong


def test_the_one_sided_bound_is_the_published_one() -> None:
    """Clopper & Pearson 1934: no failure in n leaves at most 1 - .05 ** (1 / n) (rule of three)."""
    assert bound_wrong(0, 300) == pytest.approx(1 - 0.05 ** (1 / 300))
    assert bound_wrong(0, 0) == 1.0


def test_offsets_are_described_without_their_outliers() -> None:
    rng = np.random.default_rng(1)
    offsets = rng.normal([0.1, -0.2], 0.05, (200, 2))
    offsets[:20] += 2.0
    found = describe_offsets(offsets)
    assert found["bias"] == pytest.approx([0.1, -0.2], abs=0.02)
    assert found["outlier_share"] == pytest.approx(0.1, abs=0.04)


def test_the_truth_of_a_rendered_photo_is_read(tmp_path: Path) -> None:
    truth = {
        "seed": 5,
        "metal": "gold",
        "motif_id": "demo/marram/reduced",
        "border": {"colour": "gold"},
        "lines": [{"place": "edge", "colour": "ochre", "width_mm": 1.5}],
        "remaining_share": 0.6,
        "dull_share": 0.1,
        "sectors": [{"from_deg": 10 * k, "to_deg": 10 * k + 10, "remaining_share": 0.6} for k in range(36)],
        "lights": [{"illuminant": "A", "share": 0.5}, {"illuminant": "D65", "share": 0.5}],
        "glaze": "ivory",
        "paper": None,
        "piece": "bowl",
        "white_rgb": [1.1, 1.0, 0.8],
    }
    (tmp_path / "a.json").write_text(json.dumps(truth), encoding="utf-8")
    found = read_truth(tmp_path / "a.json")
    assert (found.group, found.metal, found.worn, found.light) == ("demo/marram", "gold", True, "mixed")
    assert [found.label_of(kind) for kind in ("border", "edge line", "verge line")] == ["gold", "paint", None]
    assert main_light([{"illuminant": "A", "share": 0.3}, {"illuminant": "A", "share": 0.4}]) == "A"


def test_trust_is_asked_for_as_much_as_few_wrong_names_need() -> None:
    trust = np.linspace(0.99, 0.5, 1000)
    right = np.ones(1000, bool)
    right[400:] = np.arange(600) % 4 > 0
    least = choose_trusted(trust, right)
    named = trust >= least
    assert 300 <= named.sum() <= 700 and (~right[named]).sum() + 1 <= 0.01 * named.sum()
    assert choose_trusted(trust, np.zeros(1000, bool)) > 0.999
