"""The arithmetic of the exams on hand-made readings, whose scores are known."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from training import exam_causes
from training.evaluate_rim import count_causes, group_shares, row_of, score_diameters
from training.evaluate_trim import choose_for_grey, describe_photo, summarise
from training.exam_curves import draw_curves
from training.exam_light import score_light
from training.exam_readings import PhotoReading
from training.exam_tables import (
    calibration_error,
    describe_calibration,
    describe_errors,
    round_numbers,
    upper_bound,
)
from training.exam_trim import (
    score_identity,
    score_lines,
    score_paint,
    score_pairs,
    score_plain_rules,
    score_wear,
)

CIRCLE = [[100 + 50 * np.cos(t), 80 + 50 * np.sin(t)] for t in np.linspace(0, 2 * np.pi, 90)[:-1]]


def make(number: int, metal: str, verdict: str, gold: float, **more) -> PhotoReading:
    truth = {
        "metal": metal,
        "trim": more.get("trim", "border"),
        "paint": more.get("paint"),
        "glaze": "white",
        "piece": more.get("piece", "rimmed plate"),
        "state": more.get("state", "sound"),
        "remaining_share": 1.0 if metal != "none" else None,
        "sectors": [{"from_deg": 0, "to_deg": 180, "remaining_share": 0.5}],
        "lights": [{"illuminant": "A", "share": 1.0}],
        "lines": [{"place": "edge", "colour": "gold"}],
        "white_rgb": [1.2, 1.0, 0.6],
        "plan": {"wear": "sound", "framing": "whole", "tilt_deg": 10.0, "table": "wood"},
        "rim": {"curve": CIRCLE, "visible_share": 1.0},
        "role": more.get("role", "trim"),
        "diameter_mm": 250.0,
        "paper": {"corners": None},
    }
    none = 0.9 if verdict == "no metal" else 0.02
    reading = {
        "piece": {
            "status": "found",
            "rim": {"curve": CIRCLE, "visible_share": 1.0},
            "size": {"diameter_mm": 255.0, "low_mm": 240.0, "high_mm": 260.0, "from": "paper"},
        },
        "light": {"white_rgb": [1.2, 1.0, 0.6], "uncertainty_deg": 2.0},
        "trim": {
            "verdict": verdict,
            "metal": verdict if verdict in ("gold", "platinum") else None,
            "probabilities": {
                "gold": gold * (1 - none),
                "platinum": (1 - gold) * (1 - none),
                "no metal": none,
            },
            "worn_probability": 0.2,
            "remaining_share": 0.9 if metal != "none" else None,
            "sectors": [{"from_deg": 0, "to_deg": 180, "remaining_share": 0.4}],
            "retake": {"step": "closer"} if verdict == "cannot tell" else None,
        },
        "lines": more.get("lines", [{"place": "edge", "colour": "gold"}]),
        "strip_first_column_deg": 0.0,
        "timing_ms": {},
        "border": None,
    }
    empty = np.zeros((0, 0), np.float32)
    statistics = {"scene_mean_rg": 0.0, "scene_mean_bg": 0.0, "greyest_rg": 0.0, "greyest_bg": 0.0}
    regions = [
        {"kind": "border", "features": {"bg_line": -0.1, "bg_to_glaze_q50": -1.0}, "metal_log_odds": 1.0}
    ]
    return PhotoReading(
        f"exam-2-{number:05d}",
        truth,
        reading,
        None,
        b"",
        (0,),
        empty[0:0],
        empty,
        statistics,
        None,
        regions,
        1.0,
    )


READINGS = [
    make(0, "gold", "gold", 0.98),
    make(1, "gold", "platinum", 0.3, role="flip"),
    make(2, "platinum", "platinum", 0.02),
    make(3, "platinum", "cannot tell", 0.5),
    make(4, "none", "no metal", 0.5, trim="paint", paint="ochre"),
    make(5, "none", "gold", 0.9, trim="paint", paint="yellow"),
]


def test_answers_and_wrong_ones_are_counted_over_metal_pieces_only():
    table = score_identity(READINGS)
    assert table["answered"]["share"] == 0.75 and table["answered"]["n"] == 4
    assert table["wrong among answered"]["share"] == pytest.approx(1 / 3, abs=1e-4)
    assert table["steps named where it cannot tell"] == {"closer": 1}
    assert table["risk and coverage"][0] == {"answered": 0.5, "wrong": 0.0}
    assert set(table["by"]["light"]) == {"A"}


def test_a_pair_that_names_two_metals_is_a_flip():
    table = score_pairs(READINGS)
    assert table["pairs"] == 1 and table["flips among both answered"]["share"] == 1.0


def test_paint_called_gold_is_a_false_claim_and_the_grey_photos_are_scored_apart():
    table = score_paint(READINGS, [])
    assert table["metal claimed without any"]["share"] == 0.5
    assert table["metal claimed by paint of the border"]["yellow"]["share"] == 1.0
    assert table["metal against paint AUROC"]["n"] == [4, 2] and table["with hue removed AUROC"] == {
        "n": [0, 0]
    }
    assert choose_for_grey(READINGS)[:2] == ["exam-2-00004", "exam-2-00005"]


def test_wear_is_scored_in_points_over_all_and_by_sector():
    table = score_wear(READINGS)
    assert table["remaining share error"]["mean"] == pytest.approx(0.1)
    assert table["sector error"]["mean"] == pytest.approx(0.1)
    assert table["sound found"]["share"] == 1.0 and table["worn found"]["n"] == 0


def test_lines_are_scored_by_place_and_metal():
    missing = [make(6, "gold", "gold", 0.9, lines=[])]
    untold = [make(7, "gold", "cannot tell", 0.5, lines=[{"place": "edge", "colour": "metal"}])]
    table = score_lines(READINGS + missing + untold)
    assert table["edge"]["found"]["share"] == pytest.approx(7 / 8, abs=1e-4)
    assert table["metal or paint right"]["share"] == 1.0


def test_the_light_of_a_right_reading_has_no_error_and_the_plain_rules_have():
    table = score_light(READINGS)["all"]
    assert table["read"]["median"] == pytest.approx(0.0, abs=1e-6)
    assert table["stated doubt covers the error"]["share"] == 1.0
    # angle between (1.2, 1, .6) and (1, 1, 1): cos = 2.8 / sqrt(2.8 * 3), worked by hand: 14.96 degrees
    assert table["grey world"]["median"] == pytest.approx(14.96, abs=0.01)


def test_plain_rules_judge_by_one_threshold():
    assert score_plain_rules(READINGS)["metal divided by glaze"]["share"] == 0.5


def test_each_error_has_one_cause_the_first_that_holds():
    wrong = READINGS[1]
    assert exam_causes.name_cause(wrong) == "what is mirrored"
    features = wrong.regions[0]["features"]
    clipped = replace(wrong, regions=[{**wrong.regions[0], "features": features | {"clipped_share": 0.5}}])
    assert exam_causes.name_cause(clipped) == "clipped"
    lit = {**wrong.truth, "white_rgb": [0.6, 1.0, 1.6]}
    assert exam_causes.name_cause(replace(clipped, truth=lit)) == "light judged wrongly"
    assert exam_causes.name_cause(replace(wrong, reading=None)) == "no rim isolated"
    causes = exam_causes.count_causes(READINGS)
    assert causes["named wrongly"]["n"] == 1
    assert causes["not told"]["n"] == 1
    assert causes["metal named on none"] == {"n": 1, "what is mirrored": 1}


def test_the_curves_are_drawn_and_told_in_words(tmp_path: Path):
    result = summarise(READINGS, [])
    draw_curves(result, tmp_path / "curves.svg")
    root = ElementTree.parse(tmp_path / "curves.svg").getroot()
    shown = {part.tag.rpartition("}")[2] for part in root}
    assert {"title", "desc", "circle", "path", "text"} <= shown
    bins = len(result["calibration"]["reliability"])
    coverages = len(result["gold against platinum"]["risk and coverage"])
    assert sum(part.tag.endswith("circle") for part in root) == bins + coverages + 1  # and the target


def test_the_rim_exam_groups_and_names_causes():
    rows = [row for r in READINGS if (row := row_of(r, Path("x"))) is not None]
    rows.append(row_of(replace(READINGS[0], reading=None, failure="no photo"), Path("x")))
    shares = group_shares(rows)
    assert shares["flatware, whole"]["IoU >= 0.9"]["n"] == 7
    assert shares["all"]["IoU >= 0.8"]["share"] == pytest.approx(6 / 7, abs=1e-4)
    assert count_causes(rows)["paper beside it"]["failures"] == 1
    assert score_diameters(rows)["within 3 %"]["share"] == 1.0


def test_every_table_is_made_and_can_be_written():
    tables = round_numbers(summarise(READINGS, READINGS))
    assert tables["calibration"]["n"] == 6
    assert describe_photo(READINGS[1])["wrong"] is True


def test_bounds_and_calibration_agree_with_known_numbers():
    # exact binomial: 0 wrong of 299 gives a one-sided 95 % bound of 1 % (1 - .05 ** (1 / 299))
    assert upper_bound(0, 299) == pytest.approx(1 - 0.05 ** (1 / 299), abs=1e-5)
    rng = np.random.default_rng(3)
    said = rng.uniform(0.5, 1.0, 4000)
    assert calibration_error(said, rng.random(4000) < said) < 0.03
    assert calibration_error(said, np.zeros(4000, bool)) == pytest.approx(said.mean(), abs=1e-9)
    sure = np.tile([0.7, 0.2, 0.1], (1000, 1))
    table = describe_calibration(sure, (np.arange(1000) % 10 >= 7).astype(int))
    assert table["expected calibration error"] < 0.02  # bins of 66 or 67 cannot all hold 70 % exactly
    assert table["brier"] == pytest.approx(0.7 * (0.09 + 0.04 + 0.01) + 0.3 * (0.49 + 0.64 + 0.01), abs=1e-4)


def test_errors_have_their_median_mean_and_worst_quarter():
    table = describe_errors([1, 2, 3, 4])
    assert (table["median"], table["mean"], table["worst quarter"]) == (2.5, 2.5, 4.0)
    assert describe_errors([]) == {"n": 0}
