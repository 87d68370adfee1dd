"""The second exam and fit set: balanced from the first row on, disjoint from each other, the same again."""

from collections import Counter
from dataclasses import asdict
from itertools import pairwise
from pathlib import Path

import pytest

from training.json_lines import read_rows
from training.render.conditions import Deck
from training.render.exam_rows import KNOWN_FROM, STRANGERS_FROM
from training.render.freeze import hash_renderer
from training.render.manifest import make_manifest, plan_of
from training.render.spectra import LIGHT_NAMES

EXAM = Path(__file__).resolve().parents[2] / "training" / "exams" / "exam-2.jsonl.gz"


@pytest.fixture(scope="module")
def rows():
    return read_rows(EXAM)


def share_of(rows, fact):
    counts = Counter(fact(row) for row in rows)
    return {name: count / len(rows) for name, count in counts.items()}


def light_of(row):
    names = set(row["told"]["lights"])
    return names.pop() if len(names) == 1 else "mixed"


FACTS = {
    "light": light_of,
    "glaze": lambda row: row["told"]["glaze"],
    "metal": lambda row: row["told"]["metal"],
    "shape": lambda row: row["told"]["shape"],
    "role": lambda row: row["role"],
    "difficulty": lambda row: row["difficulty"],
    "table": lambda row: row["told"]["table"],
    "wear": lambda row: row["told"]["wear"],
    "framing": lambda row: row["told"]["framing"],
    "paper": lambda row: row["told"]["paper"] is not None,
}


@pytest.mark.parametrize("count", [300, 700, 1400])
@pytest.mark.parametrize("fact", list(FACTS))
def test_any_first_rows_are_a_balanced_sample_of_the_exam(rows, fact, count):
    whole, part = share_of(rows, FACTS[fact]), share_of(rows[:count], FACTS[fact])
    for name, share in whole.items():
        assert abs(part.get(name, 0.0) - share) < 0.05, (fact, name)


def test_the_exam_has_the_lights_shapes_and_motifs_it_must_have(rows):
    assert len(rows) >= 2000
    assert set(share_of(rows, light_of)) == {*LIGHT_NAMES, "mixed"}
    assert len(share_of(rows, FACTS["shape"])) == 11
    gallery = Counter(
        row["labels"]["motif"]
        for row in rows
        if row["role"] == "gallery" and row["labels"]["variant"] == "first"
    )
    assert sum(count == 3 for count in gallery.values()) >= 120
    metal = share_of(rows, FACTS["metal"])
    assert metal["none"] > 0.1 and abs(metal["gold"] - metal["platinum"]) < 0.02


def test_gallery_photos_of_a_motif_show_different_pieces_in_clear_conditions(rows):
    shapes = {}
    for row in rows:
        if row["role"] == "gallery":
            assert row["difficulty"] == "clear" and row["told"]["framing"] == "whole"
            shapes.setdefault(row["labels"]["motif"], []).append(row["told"]["shape"])
    assert all(len(set(held)) == len(held) for held in shapes.values())


def test_no_asked_motif_is_told_a_match_that_the_gallery_lacks(rows):
    shown = {row["told"]["motif_id"] for row in rows if row["role"] == "gallery"}
    strangers = {row["told"]["motif_id"] for row in rows if row["role"] in ("unknown", "look-alike")}
    assert not shown & strangers
    cut_short = rows[-1]["told"].get("motif_id")
    asked = {row["told"]["motif_id"] for row in rows if row["role"] == "query"} - {cut_short}
    assert asked <= shown


def test_exam_motifs_are_of_the_exam_split_and_used_by_no_other_exam(rows):
    first = read_rows(EXAM.with_name("exam-1.jsonl.gz"))
    earlier = {row["told"].get("motif_id") for row in first} | {f"exam-{n:05d}" for n in range(230)}
    used = {plan_of(row).motif_id for row in rows} - {None}
    known = {name for name in used if name.startswith("exam-") and int(name[5:10]) >= KNOWN_FROM}
    told = {row["told"]["motif_id"] for row in rows if row["told"].get("motif_id")}
    assert told <= known and not told & earlier
    assert KNOWN_FROM + len(rows) // 10 < STRANGERS_FROM


def test_exam_and_fit_share_no_seed_and_no_motif(rows):
    fit = make_manifest("fit-2", 600)
    assert not {row["seed"] for row in rows} & {row["seed"] for row in fit}
    assert not {plan_of(row).motif_id for row in rows} & {plan_of(row).motif_id for row in fit} - {None}


def test_the_frozen_exam_is_dealt_the_same_again(rows):
    again = make_manifest("exam-2", len(rows))
    for row, new in zip(rows, again, strict=True):
        assert {name: row[name] for name in new} == new
    for row, new in list(zip(rows, again, strict=True))[::97]:
        assert asdict(plan_of(row)) == asdict(plan_of(new))


def test_the_frozen_exam_names_the_renderer_that_is_here(rows):
    assert {row["renderer_hash"] for row in rows} == {hash_renderer()}


def test_a_pair_differs_in_the_colours_of_its_surroundings_only(rows):
    pairs = [(a, b) for a, b in pairwise(rows) if b["role"] == "flip"]
    assert len(pairs) >= 100
    for one, other in pairs[::10]:
        a, b = asdict(plan_of(one)), asdict(plan_of(other))
        assert {name for name in a if a[name] != b[name]} == {"table", "colours_seed"}


def test_three_rows_of_five_of_the_fit_show_one_scene_in_gold_platinum_and_paint():
    rows = make_manifest("fit-2", 100)
    for first in range(0, 100, 5):
        gold, platinum, paint = (asdict(plan_of(row)) for row in rows[first : first + 3])
        assert (gold["metal"], platinum["metal"], paint["metal"]) == ("gold", "platinum", "none")
        for other in (platinum, paint):
            changed = {name for name in gold if gold[name] != other[name]}
            assert changed <= {
                "metal",
                "trim",
                "wear",
                "border_colour",
                "edge_colour",
                "verge_colour",
                "alloy",
            }


def test_a_deck_is_dealt_to_its_end_before_it_is_shuffled_again():
    deck = Deck(5, "abcd")
    for _ in range(6):
        assert sorted(deck.deal() for _ in range(4)) == ["a", "b", "c", "d"]
