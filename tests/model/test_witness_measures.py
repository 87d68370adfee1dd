"""Plain measures of labelled cells, and the fusion of the network with the regions."""

from __future__ import annotations

import numpy as np
import pytest

from model.colour import GOLD_LINEAR_RGB, PLATINUM_LINEAR_RGB, srgb_bytes
from model.rim_band import RimStrip, strip_from_rgb
from model.strip_labels import MATERIALS, ROLES, join_windows
from model.trim import choose_verdict
from model.trim_fusion import JudgedRegion, photo_features, trust_features
from model.trim_recipe import load_recipe
from model.trim_regions import TrimRegion
from model.witness import Answer, Heard
from model.witness_input import COLUMNS, ROWS, cut_windows, place_windows

GLAZE = np.array([0.6, 0.6, 0.6])
LINES = {"edge line": (20, 30), "verge line": (80, 90)}


def striped_strip(edge_rgb: object, verge_rgb: object) -> RimStrip:
    """White glaze with a line under the lip and one far below, in even white light."""
    linear = np.tile(GLAZE, (120, 900, 1))
    for colour, (first, last) in zip((edge_rgb, verge_rgb), LINES.values(), strict=True):
        linear[first:last] = 0.5 * np.asarray(colour)
    return strip_from_rgb(srgb_bytes(linear), lip_row=10)


def hear_lines(strip: RimStrip, edge: tuple[float, ...], verge: tuple[float, ...]) -> Heard:
    """A witness that sees the two lines, with chances of gold, platinum and paint for each."""
    places = place_windows(strip)
    glaze = np.broadcast_to(GLAZE.astype(np.float32), strip.linear_rgb.shape).copy()
    windows = cut_windows(strip, glaze, places)
    cells = np.zeros(
        (len(places.starts), len(MATERIALS) + len(ROLES) + 1, ROWS // 2, COLUMNS // 2), np.float32
    )
    cells[:, 0] = cells[:, len(MATERIALS)] = 1.0
    for (role, (first, last)), chances in zip(LINES.items(), (edge, verge), strict=True):
        rows = slice((first - 2) // 2, (last - 2) // 2)  # the lip lies at row 8 of a window
        cells[:, :4, rows] = np.array([1 - sum(chances), *chances], np.float32)[:, None, None]
        cells[:, len(MATERIALS), rows] = 0
        cells[:, len(MATERIALS) + ROLES.index(role), rows] = 1
    answer = Answer(np.array([1.0, 0.5, -1.0], np.float32), np.zeros(2, np.float32), cells)
    return Heard(
        windows, answer, np.zeros(2), join_windows(places, windows, cells, answer.verdict, (0.9, 0.2))
    )


def test_measures_of_gold_pixels_are_yellower_than_those_of_platinum() -> None:
    found = {}
    for name, metal in (("gold", GOLD_LINEAR_RGB), ("platinum", PLATINUM_LINEAR_RGB)):
        found[name] = hear_lines(striped_strip(metal, metal), (0.5, 0.5, 0.0), (0.5, 0.5, 0.0)).measures()
    assert found["gold"]["metal_bg_q50"] < found["platinum"]["metal_bg_q50"] - 0.4
    assert found["gold"]["yellow_turn_q50"] > found["platinum"]["yellow_turn_q50"]
    assert found["gold"]["edge_line_bg"] < found["platinum"]["edge_line_bg"] - 0.4
    assert found["gold"]["cell_odds_q50"] == pytest.approx(0.0, abs=1e-5)
    assert found["gold"]["said_remaining"] == 0.9 and found["gold"]["said_worn"] == 0.2


def test_roles_are_measured_apart_and_their_disagreement_is_seen() -> None:
    strip = striped_strip(GOLD_LINEAR_RGB, GOLD_LINEAR_RGB)
    alike = hear_lines(strip, (0.9, 0.05, 0.0), (0.9, 0.05, 0.0)).measures()
    apart = hear_lines(strip, (0.9, 0.05, 0.0), (0.05, 0.9, 0.0)).measures()
    assert alike["role_odds_apart"] < 0.01 < 3 < apart["role_odds_apart"]
    assert apart["edge_line_odds"] > 2 and apart["verge_line_odds"] < -2
    painted = hear_lines(strip, (0.9, 0.05, 0.0), (0.0, 0.05, 0.9)).measures()
    assert painted["edge_line_metal_to_paint"] > 2 and painted["verge_line_metal_to_paint"] < -2
    assert painted["role_metal_least"] == painted["verge_line_metal_to_paint"]


def test_measures_without_metal_leave_its_colours_out() -> None:
    strip = striped_strip((0.2, 0.2, 0.9), (0.2, 0.2, 0.9))
    found = hear_lines(strip, (0.0, 0.0, 0.9), (0.0, 0.0, 0.9)).measures()
    assert "metal_bg_q50" not in found and "cell_odds_q50" not in found
    assert found["paint_area"] > found["metal_area"] + 2
    assert np.isfinite(list(found.values())).all()


def test_fused_chances_sum_to_one_and_use_regions_and_measures() -> None:
    recipe = load_recipe()
    region = TrimRegion("border", np.zeros((1, 1), bool), 0, 1, np.zeros((1, 1), bool), {})
    judged = [JudgedRegion(region, {"has_paper": 1.0}, 1.5, 0.8), JudgedRegion(region, None, 0.0, 0.0)]
    features = photo_features(judged, {"said_gold": 2.0})
    assert features["region_metal"] == 1.5 and features["border_gold"] == 0.8 and features["said_gold"] == 2.0
    chances = recipe.fusion.chances(features)
    assert sum(chances.values()) == pytest.approx(1.0)
    more = recipe.fusion.chances(features | {"said_gold": 4.0})
    assert more["gold"] / (1 - more["no metal"]) >= chances["gold"] / (1 - chances["no metal"])


def test_a_metal_is_named_only_where_it_is_surely_metal_and_surely_that_one() -> None:
    limits = {
        "gold": 0.9,
        "platinum": 0.95,
        "named_metal": 0.95,
        "no_metal": 0.99,
        "worn": 0.9,
        "worn_metal": 0.9,
    }
    sure = {"gold": 0.9, "platinum": 0.06, "no metal": 0.04}
    assert choose_verdict(sure, None, limits) == ("gold", "gold")
    assert choose_verdict({"gold": 0.06, "platinum": 0.9, "no metal": 0.04}, None, limits)[1] is None
    assert choose_verdict({"gold": 0.85, "platinum": 0.05, "no metal": 0.1}, None, limits)[1] is None
    assert choose_verdict({"gold": 0.8, "platinum": 0.16, "no metal": 0.04}, None, limits)[1] is None


def test_where_the_trust_in_a_metal_is_known_it_alone_decides_whether_that_is_named() -> None:
    limits = {"gold": 0.9, "platinum": 0.9, "named_metal": 0.9, "no_metal": 0.9, "trust": 0.95}
    limits |= {"worn": 0.5, "worn_metal": 0.7}
    unsure = {"gold": 0.6, "platinum": 0.15, "no metal": 0.25}
    sure = {"gold": 0.97, "platinum": 0.02, "no metal": 0.01}
    assert choose_verdict(unsure, None, limits) == ("cannot tell", None)
    assert choose_verdict(unsure, None, limits, 0.96) == ("gold", "gold")
    assert choose_verdict(sure, None, limits, 0.94) == ("cannot tell", None)
    assert choose_verdict(sure, 0.9, limits, 0.94) == ("worn lustre", None)
    assert choose_verdict(sure, 0.9, limits, 0.96) == ("worn lustre", "gold")


def test_what_speaks_for_the_likelier_metal_counts_alike_whichever_metal_that_is() -> None:
    gold = trust_features({"said_gold": 2.0}, {"gold": 0.7, "platinum": 0.2, "no metal": 0.1})
    platinum = trust_features({"said_gold": -2.0}, {"gold": 0.2, "platinum": 0.7, "no metal": 0.1})
    assert gold["said_gold_toward"] == platinum["said_gold_toward"] == 2.0
    assert gold["odds_named"] == pytest.approx(platinum["odds_named"])
    assert (gold["is_gold"], platinum["is_gold"]) == (1.0, -1.0)
