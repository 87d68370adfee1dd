"""Why the verdict is what it is, and the one step that would settle it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from model.facts import Light
from model.trim_reasons import STEPS, Finding, choose_retake, explain

CLEAR = {
    "depth_px": 6.0,
    "core_count_log": 4.0,
    "depth_to_blur": 6.0,
    "clipped_share": 0.0,
    "has_paper": 1.0,
    "angle_from_white": 25.0,
    "bg_line": -0.6,
    "bright_q05": -0.8,
    "bright_q95": 0.4,
    "brighter_share": 0.3,
}
GOLD = Finding(
    verdict="gold",
    metal="gold",
    chances={"gold": 0.97, "platinum": 0.02, "no metal": 0.01},
    worn_chance=0.1,
    remaining_share=0.96,
    features=CLEAR,
    light=Light((1.0, 1.0, 1.0), 2.0, ("paper",)),
    kind="border",
    measures={"part_share": 1.0},
)
UNSURE = replace(
    GOLD, verdict="cannot tell", metal=None, chances={"gold": 0.5, "platinum": 0.48, "no metal": 0.02}
)


def test_a_gold_border_is_explained_by_its_colour_its_places_and_what_is_left() -> None:
    said = " ".join(explain(GOLD))
    assert "25 degrees from white" in said and "looks like gold" in said and "96 %" in said


def test_places_that_disagree_are_said_to() -> None:
    said = " ".join(explain(replace(GOLD, measures={"part_share": 0.7})))
    assert "70 % of the places look like gold" in said
    said = " ".join(explain(replace(GOLD, measures={"part_share": 0.3})))
    assert "Most places round the rim look like platinum" in said and "together like gold" in said
    painted = replace(GOLD, chances={"gold": 0.1, "platinum": 0.1, "no metal": 0.8})
    assert "places" not in " ".join(explain(replace(painted, remaining_share=None)))


def test_wear_that_is_not_told_is_said_not_to_be() -> None:
    assert any("not measured" in sentence for sentence in explain(replace(UNSURE, remaining_share=None)))
    assert any("96 %" in sentence for sentence in explain(UNSURE))


def test_a_rim_without_print_says_so_and_asks_for_the_whole_piece() -> None:
    bare = replace(UNSURE, features=None, kind=None, remaining_share=None)
    assert explain(bare) == ["No print or line was found on the rim in view."]
    assert choose_retake(bare).step == "whole piece"


@pytest.mark.parametrize(
    ("changed", "step"),
    [
        ({"depth_px": 1.0}, "closer"),
        ({"depth_to_blur": 1.0}, "sharper"),
        ({"clipped_share": 0.5}, "lamps off"),
        ({}, "paper in the trim"),
    ],
)
def test_the_step_is_the_one_whose_evidence_is_missing(changed: dict[str, float], step: str) -> None:
    assert choose_retake(replace(UNSURE, features=CLEAR | changed)).step == step
    assert step in STEPS


def test_without_a_sheet_an_unsure_light_asks_for_paper() -> None:
    dim = replace(UNSURE, features=CLEAR | {"has_paper": 0.0}, light=Light((1.0, 1.0, 1.0), 7.0, ("glaze",)))
    assert choose_retake(dim).step == "paper beside it"
