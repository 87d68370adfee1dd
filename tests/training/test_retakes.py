"""Retakes: the step is applied to the same scene, and what it is worth is counted."""

from dataclasses import asdict, replace

import pytest

from model.trim_reasons import STEPS
from training.evaluate_retakes import summarise
from training.render.manifest import make_manifest, plan_of
from training.render.meshes import Mesh
from training.render.motif_source import find_motif
from training.render.retakes import apply_step, list_retakes
from training.render.stage import build_stage

# a scene that every step changes: not sharp, seen at a slant, flat
ROW = next(
    row
    for row in make_manifest("exam-2", 60)
    if row["told"]["phone"] != "steady" and row["told"]["shape"] == "rimmed plate" and row["role"] == "query"
)


@pytest.mark.parametrize("step", list(STEPS))
def test_every_step_the_product_names_can_be_applied_and_leaves_piece_and_metal(step):
    before, after = asdict(plan_of(ROW)), asdict(plan_of(apply_step(ROW, step)))
    assert before != after
    for name in ("seed", "shape", "metal", "motif_id", "glaze", "wear", "alloy", "table"):
        assert before[name] == after[name]


def test_a_step_without_meaning_is_refused():
    with pytest.raises(ValueError, match="expected one of"):
        apply_step(ROW, "dance")


def test_only_photos_that_could_not_be_told_are_taken_again():
    photos = [
        {"photo": "exam-2-00001", "verdict": "cannot tell", "step": "closer"},
        {"photo": "exam-2-00002", "verdict": "gold", "step": None},
    ]
    (row,) = list_retakes(photos)
    assert row["id"] == "exam-2-retake-00001" and row["told"]["framing"] == "close-up"
    assert list_retakes(photos[1:]) == []


def test_a_held_sheet_stands_behind_the_piece_and_a_turned_piece_is_turned():
    plan = plan_of(ROW)
    motifs = {plan.motif_id: find_motif(plan.motif_id)}
    plain = build_stage(plan, motifs, (200, 150))
    held = build_stage(replace(plan, held_paper=True, turn_deg=90.0), motifs, (200, 150))
    assert plain.held_paper is None and isinstance(held.held_paper, Mesh)
    assert held.held_paper.vertices[:2, 1].min() > held.piece.lip_points[:, 1].max()
    one, other = plain.piece.lip_points[0], held.piece.lip_points[0]
    assert other[:2] == pytest.approx([-one[1], one[0]], abs=1e-6)


def test_right_wrong_and_untold_retakes_are_counted(make_reading):
    readings = [make_reading("gold", "gold"), make_reading("gold", "platinum"), make_reading("gold", None)]
    table = summarise(readings, 3)
    assert [table[name]["share"] for name in ("now right", "now wrong", "still not told")] == [0.3333] * 3
    assert table["by step"]["closer"]["now right"]["n"] == 3


@pytest.fixture
def make_reading():
    from types import SimpleNamespace

    def make(truth, read):
        trim = {"verdict": read or "cannot tell", "metal": read}
        return SimpleNamespace(truth={"metal": truth, "step": "closer"}, reading={"trim": trim})

    return make
