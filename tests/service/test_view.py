"""Words of the answer page: never surer than the numbers, and nothing said that was not measured."""

from __future__ import annotations

from typing import Any

import pytest

from service import view, view_answer, view_difference, view_owned, view_wear
from service.register.owned import suggest_wear


def make_facts(**changed: Any) -> dict[str, Any]:
    """A reading with a likely motif in gold."""
    trim = {
        "verdict": "gold",
        "metal": "gold",
        "probabilities": {"gold": 0.81, "platinum": 0.1, "no metal": 0.09},
        "remaining_share": 0.9,
        "sectors": [],
        "reasons": ["It is yellower than neutral.", "the light is known well"],
        "retake": None,
    }
    facts = {
        "id": "abc",
        "photo": {"width": 400, "height": 300, "sha256": "0" * 64, "taken_at": None},
        "piece": {
            "status": "found",
            "outline": None,
            "rim": {"curve": [[100, 50], [300, 250]]},
            "size": None,
        },
        "light": None,
        "trim": trim,
        "lines": [{"place": "edge", "colour": "red", "width_mm": 1.24}],
        "border": {"layout": "continuous", "repeats": 24, "repeat_mm": None, "symmetry": None},
        "candidates": [
            {"motif": "Marram", "variant": "full", "probability": 0.75, "gallery_id": "g1"},
            {"motif": "Pip Row", "variant": None, "probability": 0.06, "gallery_id": "g2"},
            {"motif": "Weir Lattice", "variant": None, "probability": 0.01, "gallery_id": "g3"},
        ],
        "not_in_gallery_probability": 0.18,
        "strip_first_column_deg": 0.0,
    }
    return facts | changed


@pytest.mark.parametrize(
    ("probability", "said"),
    [(0.95, "Very likely Marram"), (0.75, "Likely Marram"), (0.4, "Perhaps Marram"), (0.2, "No clear motif")],
)
def test_the_sentence_is_as_sure_as_the_number(probability: float, said: str) -> None:
    facts = make_facts()
    facts["candidates"][0]["probability"] = probability
    assert view_answer.say_answer(facts).startswith(said)


def test_a_motif_that_is_likely_not_in_the_gallery_is_not_named_first() -> None:
    facts = make_facts(not_in_gallery_probability=0.7)
    assert view_answer.say_answer(facts).startswith("Probably not a motif of your gallery;")
    assert view_answer.choose_next_step(facts) == "name"


def test_a_missed_rim_comes_before_everything_else() -> None:
    facts = make_facts(strip_first_column_deg=None, border=None, candidates=[])
    assert view_answer.choose_next_step(facts) == "trace"
    assert view_answer.say_motif(facts) == "The rim was not found"


def test_where_nothing_can_be_told_the_reason_is_what_stands_in_the_way() -> None:
    facts = make_facts()
    assert view_answer.say_why_trim(facts["trim"]) == "It is yellower than neutral."
    facts["trim"]["verdict"] = "cannot tell"
    assert view_answer.say_why_trim(facts["trim"]) == "The light is known well."


@pytest.mark.parametrize(
    ("metal", "said"), [("gold", "worn lustre that looks gold"), (None, "the lustre is worn")]
)
def test_worn_lustre_says_what_is_left_only_where_it_is_known(metal: str | None, said: str) -> None:
    assert view_answer.say_trim({"verdict": "worn lustre", "metal": metal}) == said


def test_unlikely_candidates_are_apart_and_the_first_is_always_shown() -> None:
    shown = view.reading(make_facts(), {}, {}, None)
    assert [c["motif"] for c in shown["candidates"]] == ["Marram", "Pip Row"]
    assert [c["motif"] for c in shown["unlikely"]] == ["Weir Lattice"]
    facts = make_facts()
    for candidate in facts["candidates"]:
        candidate["probability"] = 0.001
    assert [c["motif"] for c in view.reading(facts, {}, {}, None)["candidates"]] == ["Marram"]


def test_one_tap_keeps_the_motif_and_what_the_photo_says_of_the_metal() -> None:
    labels = view.reading(make_facts(), {}, {}, None)["candidates"][0]["labels"]
    assert labels == {"motif": "Marram", "variant": "full", "metal": "gold", "state": "sound"}


def test_differences_name_both_sides_and_leave_out_what_one_does_not_know() -> None:
    item = {"metal": "platinum", "state": None}
    other = make_facts(
        border={"layout": "spaced", "repeats": None, "symmetry": None},
        lines=[{"place": "edge", "colour": "red", "width_mm": None}],
    )
    differ, agree = view_difference.say_differences(make_facts(), other, item)
    assert any(said.startswith("Metal: yours gold, the gallery’s platinum.") for said in differ)
    assert any(said.startswith("Layout: yours continuous, the gallery’s spaced.") for said in differ)
    assert not any("Repeats" in said or "State" in said for said in differ + agree)
    assert "Edge line: red" in agree


def test_a_line_that_nobody_looked_for_is_not_called_none() -> None:
    differ, agree = view_difference.say_differences(
        make_facts(lines=None), make_facts(), {"metal": None, "state": None}
    )
    assert not any("line" in said for said in differ + agree)


def test_the_picture_is_cut_to_the_piece_and_stays_in_the_photo() -> None:
    x, y, width, height = map(float, view.frame_piece(make_facts()).split())
    assert 0 <= x < 100
    assert 0 <= y < 50
    assert x + width <= 400
    assert y + height <= 300
    nothing = make_facts(piece={"status": "not found", "outline": None, "rim": None, "size": None})
    assert view.frame_piece(nothing) == "0 0 400 300"


def test_an_unknown_colour_has_a_swatch_of_its_own_and_its_name() -> None:
    lines = view.list_lines([{"place": "edge", "colour": "aubergine", "width_mm": 1.24}])
    assert lines == [
        {"place": "edge", "colour": "aubergine", "width_mm": 1.24, "swatch": "other", "width": "1.2\u00a0mm"}
    ]


def test_the_wear_table_has_twelve_hours_from_the_top_and_says_what_was_not_seen() -> None:
    sectors = [
        {
            "from_deg": d,
            "to_deg": d + 10,
            "remaining_share": None if 70 <= d < 130 else 0.1 if d < 15 else 0.95,
        }
        for d in range(0, 360, 10)
    ]
    rows = view_wear.tabulate_wear(sectors)
    assert [row["hour"] for row in rows] == [12, *range(1, 12)]
    assert rows[0]["said"] != "sound"
    assert rows[6]["said"] == "sound"
    assert "not seen" in {row["share"] for row in rows}
    assert view_wear.tabulate_wear([{"from_deg": 0, "to_deg": 360, "remaining_share": 0.4}]) == []


def test_wear_to_take_over_is_said_hours_of_one_score_together() -> None:
    said = view_owned.say_scores(
        [{"clock": 1, "score": 0}, {"clock": 2, "score": 3}, {"clock": 3, "score": 0}]
    )
    assert said == "trim wear by the clock: none at 1, 3; breaks at 2"


def test_an_hour_that_was_not_seen_is_left_out_of_the_wear_to_take_over() -> None:
    sectors = [
        {"from_deg": 80, "to_deg": 100, "remaining_share": None},
        {"from_deg": 170, "to_deg": 190, "remaining_share": 0.95},
    ]
    assert suggest_wear(sectors) == [{"clock": 6, "score": 2}]
