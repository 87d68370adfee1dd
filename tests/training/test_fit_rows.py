"""The fit of what rows of labels mean, on labels that were drawn: yes where something is, no where not."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from model.strip_labels import MATERIALS, ROLES, StripLabels
from training.fit_rows import Case, describe_picture, fit_judge, fit_width, overlap_of, write_recipe

ROWS, COLUMNS = 80, 96
PLACES = {"border": (22, 48), "edge line": (4, 7), "verge line": (60, 62)}


def draw_labels(kinds: tuple[str, ...], paint: bool, doubt: float, seed: int) -> StripLabels:
    """Labels with these kinds in their places; ``doubt`` 0 is the truth."""
    rng = np.random.default_rng(seed)
    roles = np.zeros((len(ROLES), ROWS, COLUMNS), np.float32)
    for kind in kinds:
        roles[ROLES.index(kind), slice(*PLACES[kind])] = 1 if kind != "border" else np.arange(COLUMNS) % 8 < 4
    band = np.zeros((ROWS, COLUMNS), np.float32)
    band[slice(*PLACES["border"])] = float("border" in kinds)
    if doubt:
        roles = np.clip(roles * (1 - 2 * doubt) + rng.uniform(0, doubt, roles.shape), 0, 1).astype(np.float32)
        band = np.clip(band * (1 - 2 * doubt) + rng.uniform(0, doubt, band.shape), 0, 1).astype(np.float32)
    roles[0] = np.clip(1 - roles[1:].sum(axis=0), 0, 1)
    materials = np.zeros((len(MATERIALS), ROWS, COLUMNS), np.float32)
    materials[0], materials[MATERIALS.index("paint" if paint else "gold")] = roles[0], 1 - roles[0]
    verdict = np.array([-2, -2, 2] if paint else [2, -2, -2], np.float32)
    return StripLabels(materials, roles, band, np.ones_like(band), 2.0, -16.0, verdict, 1.0, 0.0)


def draw_cases(count: int) -> list[Case]:
    cases = []
    for seed in range(count):
        rng = np.random.default_rng(seed)
        kinds = tuple(kind for kind in PLACES if rng.random() < 0.5)
        paint = bool(rng.random() < 0.5)
        colour = "ochre" if paint else "gold"
        told = {
            "border": {"layout": "continuous" if "border" in kinds else "none"},
            "lines": [{"place": k.split()[0], "colour": colour} for k in kinds if k != "border"],
        }
        seen, true = (draw_labels(kinds, paint, doubt, seed) for doubt in (0.15, 0.0))
        cases += describe_picture(f"picture {seed}", seen, true, told)
        odds = {"region": float(rng.normal(-2 if paint else 2)), "rim": float(rng.normal())}
        cases.append(Case(f"picture {seed}", "metal line", odds, not paint, not paint))
    return cases


def test_a_picture_is_asked_for_its_border_and_both_lines() -> None:
    told = {"border": {"layout": "none"}, "lines": [{"place": "edge", "colour": "gold"}]}
    seen, true = (draw_labels(("edge line",), False, doubt, 1) for doubt in (0.1, 0.0))
    cases = {case.judge: case for case in describe_picture("one", seen, true, told)}
    assert set(cases) == {"border", "edge line", "verge line"}
    assert cases["edge line"].right
    assert not cases["border"].present and not cases["verge line"].right


def test_what_is_drawn_is_found_and_what_is_not_is_not_claimed(tmp_path: Path) -> None:
    write_recipe(draw_cases(60), tmp_path / "rows.json")
    recipe = json.loads((tmp_path / "rows.json").read_text(encoding="utf-8"))
    assert all(part["rendered"]["balanced"] > 0.9 for part in recipe["judges"].values())
    assert recipe["rows"]["border_overlap_over_0.8"]["share"] > 0.95
    assert recipe["pictures"] == 60


def test_facts_that_say_nothing_give_a_judge_no_better_than_chance() -> None:
    rng = np.random.default_rng(5)
    cases = [
        Case(f"picture {k}", "border", {"peak": float(rng.normal())}, k % 2 == 0, k % 2 == 0)
        for k in range(200)
    ]
    assert fit_judge(cases)["rendered"]["balanced"] < 0.65


def test_widths_are_brought_to_scale() -> None:
    found = np.linspace(1, 5, 60)
    cases = [
        Case("p", "edge line", {}, True, True, (0.0, float(w)), (0.0, float(1.2 * w - 0.3))) for w in found
    ]
    assert fit_width(cases) == pytest.approx([1.2, -0.3], abs=1e-3)
    assert fit_width(cases[:5]) == [1.0, 0.0]


def test_the_overlap_of_rows_is_intersection_over_union() -> None:
    assert overlap_of((10, 20), (15, 25)) == pytest.approx(5 / 15)
    assert overlap_of((0, 5), (6, 9)) == 0
