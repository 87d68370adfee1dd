"""The trim verdict: rules of its fields, and how it must move when the strip changes."""

from __future__ import annotations

import itertools
import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from model import colour, trim_recipe
from model.errors import RecipeError
from model.facts import Light
from model.rim_band import RimStrip, strip_from_rgb
from model.strip_labels import CELL, MATERIALS, ROLES, StripLabels, join_windows
from model.trim import choose_verdict, judge_regions, judge_trim, weigh_photo
from model.trim_features import measure_region
from model.trim_print import Print
from model.trim_reasons import STEPS
from model.trim_recipe import load_recipe
from model.trim_regions import find_regions
from model.wear import Wear, measure_wear
from model.witness import Answer, Heard
from model.witness_input import COLUMNS, ROWS, cut_plane, cut_windows, place_windows
from model.worn import judge_wear

LIGHT = Light((1.0, 1.0, 1.0), 3.0, ("paper", "glaze"))
HEIGHT, WIDTH, REPEATS = 72, 1200, 20
BORDER = (20, 56)


def wave(rng: np.random.Generator, cell: int) -> np.ndarray:
    """Smooth cyclic noise along the rim."""
    knots = rng.standard_normal(WIDTH // cell + 1)
    knots[-1] = knots[0]
    return np.interp(np.linspace(0, len(knots) - 1, WIDTH), np.arange(len(knots)), knots)


def motif_mask() -> np.ndarray:
    """Rings joined by a bar, REPEATS times."""
    pitch = WIDTH // REPEATS
    y, x = np.mgrid[0 : BORDER[1] - BORDER[0], 0:pitch]
    radius = np.hypot((x - pitch / 2) / pitch * 2, (y - 18) / 18)
    tile = ((radius < 0.85) & (radius > 0.3)) | (np.abs(y - 18) < 3)
    mask = np.zeros((HEIGHT, WIDTH), np.float32)
    mask[BORDER[0] : BORDER[1]] = np.tile(tile, (1, REPEATS))
    return mask


def paint_strip(
    print_rgb: np.ndarray, seed: int = 1, left: float = 1.0, mirrored: bool = True
) -> tuple[RimStrip, Print, np.ndarray]:
    """A strip with a border of that reflectance, its glaze, and where print is now.

    Metal mirrors a room, paint is lit evenly. ``left``: share of the print that remains, broken in patches
    that only grow as it falls.
    """
    rng = np.random.default_rng(seed)
    shade = np.exp(0.15 * wave(rng, 150))[None, :, None] * 0.65
    glaze = np.broadcast_to(np.array([0.86, 0.85, 0.82]) * shade, (HEIGHT, WIDTH, 3))
    room = np.exp(0.8 * wave(rng, 25))[:, None] * np.exp(
        0.12 * np.stack([wave(rng, 80) for _ in range(3)], axis=-1)
    )
    surface = print_rgb * (0.5 * room[None] if mirrored else shade)
    mask = motif_mask()
    field = cv2.GaussianBlur(rng.standard_normal((HEIGHT, WIDTH)), (0, 0), 4)
    if left < 1:
        mask = mask * (field <= np.quantile(field[mask > 0.5], left))
    picture = glaze + mask[..., None] * (surface - glaze)
    picture = cv2.GaussianBlur(picture, (0, 0), 0.7) + rng.normal(0, 0.004, picture.shape)
    strip = strip_from_rgb(colour.srgb_bytes(np.clip(picture, 0, 0.93)), blur_px=0.8)
    return strip, print_of(strip, glaze.astype(np.float32)), mask


def print_of(strip: RimStrip, glaze: np.ndarray) -> Print:
    bright = np.log(np.maximum(colour.luminance(strip.linear_rgb), 1e-3) / colour.luminance(glaze))
    shift = np.linalg.norm(
        colour.log_chromaticity(strip.linear_rgb) - colour.log_chromaticity(glaze), axis=-1
    )
    return Print(glaze, np.hypot(bright, shift).astype(np.float32))


def hear(
    strip: RimStrip, found: Print, now: np.ndarray, chances: tuple[float, float, float], role: str = "border"
) -> Heard:
    """What a witness says that sees the motif wherever it was stamped, and what is left of it ``now``.

    ``chances``: of gold, platinum and paint where print is.
    """
    planes = np.zeros((HEIGHT, WIDTH, len(MATERIALS) + len(ROLES) + 1), np.float32)
    planes[..., 1:4] = now[..., None] * np.array(chances, np.float32)
    planes[..., 0] = 1 - planes[..., 1:4].sum(axis=-1)
    planes[..., len(MATERIALS) + ROLES.index(role)] = motif_mask()
    planes[..., len(MATERIALS)] = 1 - motif_mask()
    places = place_windows(strip)
    cut = np.stack(
        [cut_plane(np.ascontiguousarray(planes[..., k]), places) for k in range(planes.shape[-1])], axis=1
    )
    cells = cut.reshape(*cut.shape[:2], ROWS // CELL, CELL, COLUMNS // CELL, CELL).mean(axis=(3, 5))
    odds = np.log(np.array([*chances[:2], chances[2] + 1e-3]) + 1e-2).astype(np.float32)
    windows = cut_windows(strip, found.glaze_linear_rgb, places)
    answer = Answer(odds, np.zeros(2, np.float32), cells)
    labels = join_windows(places, windows, answer.cells, answer.verdict, (0.5, 0.5))
    return Heard(windows, answer, np.zeros(2), labels)


def labels_of(
    strip: RimStrip, found: Print, now: np.ndarray, chances: tuple[float, float, float] = (1.0, 0.0, 0.0)
) -> StripLabels:
    return hear(strip, found, now, chances).labels


def wear_of(strip: RimStrip, found: Print, now: np.ndarray) -> Wear:
    wear = measure_wear(strip, labels_of(strip, found, now))
    assert wear is not None
    return wear


def region_odds(print_rgb: np.ndarray, seed: int = 1, mirrored: bool = True) -> tuple[float, float]:
    """Log-odds of metal and of gold of the border, the witness seeing print but not which."""
    strip, found, now = paint_strip(print_rgb, seed, mirrored=mirrored)
    labels = labels_of(strip, found, now, (0.3, 0.3, 0.3))
    (judged,) = judge_regions(strip, found, LIGHT, None, labels)
    return judged.metal_log_odds, judged.gold_log_odds


def test_nothing_isolated_is_cannot_tell_with_a_reason_and_a_step() -> None:
    found = judge_trim(None, None, None, [], reason="The rim is hidden.")
    assert found.verdict == "cannot tell"
    assert found.metal is found.probabilities is found.remaining_share is found.sectors is None
    assert found.reasons == ("The rim is hidden.",)
    assert found.retake is not None and found.retake.step in STEPS


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_region_of_gold_in_a_neutral_room_is_likelier_gold_than_one_of_platinum(seed: int) -> None:
    gold, platinum = region_odds(colour.GOLD_LINEAR_RGB, seed), region_odds(colour.PLATINUM_LINEAR_RGB, seed)
    assert gold[1] > platinum[1] + 0.5


@pytest.mark.parametrize("paint", [(0.47, 0.23, 0.033), (0.26, 0.27, 0.29)], ids=["ochre", "grey"])
def test_even_paint_is_less_metallic_than_mirroring_metal(paint: tuple[float, float, float]) -> None:
    painted = region_odds(np.array(paint), mirrored=False)
    assert painted[0] < region_odds(colour.GOLD_LINEAR_RGB)[0]


def test_more_gold_in_the_mix_never_lowers_the_odds_of_gold_against_platinum() -> None:
    odds = []
    for share in np.linspace(0, 1, 9):
        mix = share * colour.GOLD_LINEAR_RGB + (1 - share) * colour.PLATINUM_LINEAR_RGB
        odds.append(region_odds(mix, seed=4)[1])
    assert odds[-1] > odds[0]
    assert all(after >= before - 0.05 for before, after in itertools.pairwise(odds)), odds


def test_what_the_witness_calls_gold_more_surely_is_never_less_likely_gold() -> None:
    strip, found, now = paint_strip(colour.GOLD_LINEAR_RGB, seed=3)
    parts = []
    for share in (0.1, 0.3, 0.5, 0.7, 0.9):
        heard = hear(strip, found, now, (share, 1 - share, 0.0))
        chances = weigh_photo(strip, LIGHT, heard, [], load_recipe()).chances
        parts.append(chances["gold"] / (chances["gold"] + chances["platinum"]))
    assert all(after >= before for before, after in itertools.pairwise(parts)), parts


def test_regions_hold_the_print_that_is_sure_and_carry_the_role_s_name() -> None:
    strip, found, now = paint_strip(colour.GOLD_LINEAR_RGB, seed=2, left=0.6)
    for role in ROLES[1:]:
        (region,) = find_regions(strip, hear(strip, found, now, (0.6, 0.3, 0.0), role).labels)
        assert region.kind == role
        overlap = (region.mask & (now > 0.5)).sum() / (region.mask | (now > 0.5)).sum()
        assert overlap > 0.8
        assert region.says["cell_gold"] > 0 < region.says["cell_metal"]
    nothing = np.zeros_like(now)
    assert find_regions(strip, labels_of(strip, found, nothing)) == []


def test_print_without_a_role_is_stray() -> None:
    strip, found, now = paint_strip(colour.GOLD_LINEAR_RGB, seed=2)
    labels = labels_of(strip, found, now)
    roles = np.zeros_like(labels.roles)
    roles[0] = 1.0
    (region,) = find_regions(strip, replace(labels, roles=roles))
    assert region.kind == "stray"


def test_more_wear_drawn_is_more_wear_read_and_judged() -> None:
    shares, judged, worn = [], [], []
    for left in (1.0, 0.9, 0.75, 0.6, 0.45, 0.3, 0.15):
        wear = wear_of(*paint_strip(colour.GOLD_LINEAR_RGB, seed=5, left=left))
        told = judge_wear(wear, {}, load_recipe().wear)
        assert wear.remaining_share is not None and told is not None
        shares.append(wear.remaining_share)
        judged.append(told.remaining_share)
        worn.append(told.worn_chance)
    assert all(after < before for before, after in itertools.pairwise(shares)), shares
    assert shares[0] > 0.9 and shares[-1] < 0.4
    assert judged == pytest.approx(sorted(judged, reverse=True), abs=0.03) and judged[0] > judged[-1]
    assert worn[0] < worn[-1]


def test_the_gaps_of_a_motif_are_not_wear() -> None:
    wear = wear_of(*paint_strip(colour.GOLD_LINEAR_RGB, seed=6))
    assert wear.remaining_share is not None and wear.remaining_share > 0.9
    assert wear.repeat_strength > 0.5


def test_print_worn_away_without_a_trace_is_missed_by_its_repeats() -> None:
    strip, found, now = paint_strip(colour.GOLD_LINEAR_RGB, seed=6)
    pitch = WIDTH // REPEATS
    gone = now.copy()
    gone[:, 4 * pitch : 7 * pitch] = 0
    labels = labels_of(strip, found, gone)
    roles = labels.roles.copy()
    roles[ROLES.index("border"), :, 2 * pitch : 7 * pitch // 2] = 0  # nor is it seen that any was there
    wear = measure_wear(strip, replace(labels, roles=roles))
    assert wear is not None
    assert wear.present[8:12].sum() < 0.2 * wear.expected[8:12].sum()  # repeats 4 to 7 of 20 lie there
    sound = wear_of(strip, found, now).remaining_share
    assert wear.remaining_share is not None and sound is not None
    assert wear.remaining_share / sound == pytest.approx(17 / 20, abs=0.02)


def test_paint_is_no_metal_that_wears() -> None:
    strip, found, now = paint_strip(np.array([0.2, 0.2, 0.3]), seed=6)
    assert measure_wear(strip, labels_of(strip, found, now, (0.1, 0.1, 0.8))) is None


def test_a_turned_plate_gives_the_same_wear_turned() -> None:
    strip, found, now = paint_strip(colour.GOLD_LINEAR_RGB, seed=7)
    now[:, 100:300] *= np.random.default_rng(0).random((HEIGHT, 200)) < 0.3
    by = WIDTH // 4
    shares = wear_of(strip, found, now).sector_shares
    turned = wear_of(strip, found, np.roll(now, by, axis=1)).sector_shares
    assert np.nanmax(np.abs(np.roll(shares, 9) - turned)) < 0.06
    assert np.nanmin(shares[4:9]) < 0.5 < np.nanmin(shares[12:])


def test_covered_columns_are_neither_worn_nor_sound() -> None:
    strip, found, now = paint_strip(colour.GOLD_LINEAR_RGB, seed=8)
    seen = strip.seen_mask.copy()
    seen[:, 300:600] = False
    shares = wear_of(replace(strip, seen_mask=seen), found, now).sector_shares
    assert np.isnan(shares[9:18]).all()
    assert (shares[20:] > 0.75).all()


def test_the_answer_keeps_the_rules_of_its_fields() -> None:
    for chances in ((0.98, 0.01, 0.01), (0.4, 0.4, 0.2), (0.02, 0.03, 0.95)):
        strip, found, now = paint_strip(colour.GOLD_LINEAR_RGB, seed=9, left=0.6)
        heard = hear(strip, found, now, chances)
        told = judge_trim(strip, LIGHT, heard, judge_regions(strip, found, LIGHT, None, heard.labels))
        assert told.probabilities is not None
        assert sum(told.probabilities.values()) == pytest.approx(1, abs=1e-9)
        assert told.reasons
        assert (told.retake is not None) or told.verdict != "cannot tell"
        if told.verdict == "no metal":
            assert told.metal is told.remaining_share is told.worn_probability is None


def test_a_plain_rim_has_no_print_and_no_wear() -> None:
    strip, found, now = paint_strip(colour.GOLD_LINEAR_RGB)
    heard = hear(strip, found, np.zeros_like(now), (1.0, 0.0, 0.0))
    bare = replace(heard.labels, roles=np.zeros_like(heard.labels.roles))
    told = judge_trim(strip, LIGHT, replace(heard, labels=bare), [])
    assert told.remaining_share is None and told.metal is None
    assert told.verdict in ("no metal", "cannot tell")
    assert "No print" in told.reasons[0]


def test_clipped_pixels_are_left_out_of_the_colour() -> None:
    strip, found, now = paint_strip(colour.GOLD_LINEAR_RGB, seed=10)
    (region,) = find_regions(strip, labels_of(strip, found, now))
    before = measure_region(strip, found, LIGHT, None, region)
    burnt = strip.linear_rgb.copy()
    spot = np.zeros_like(strip.clipped_mask)
    spot[:, 500:560] = True
    burnt[spot] = 1.0
    spoilt = replace(strip, linear_rgb=burnt, clipped_mask=strip.clipped_mask | spot)
    after = measure_region(spoilt, found, LIGHT, None, region)
    assert before is not None and after is not None
    assert after["bg_q50"] == pytest.approx(before["bg_q50"], abs=0.03)
    assert after["clipped_share"] > before["clipped_share"]


def test_the_verdict_is_withheld_between_the_thresholds() -> None:
    limits = {"gold": 0.9, "platinum": 0.9, "named_metal": 0.9}
    limits |= {"no_metal": 0.9, "worn": 0.5, "worn_metal": 0.7}
    assert choose_verdict({"gold": 0.95, "platinum": 0.03, "no metal": 0.02}, 0.1, limits) == ("gold", "gold")
    assert choose_verdict({"gold": 0.55, "platinum": 0.43, "no metal": 0.02}, 0.1, limits) == (
        "cannot tell",
        None,
    )
    assert choose_verdict({"gold": 0.02, "platinum": 0.03, "no metal": 0.95}, 0.9, limits) == (
        "no metal",
        None,
    )
    assert choose_verdict({"gold": 0.95, "platinum": 0.03, "no metal": 0.02}, 0.9, limits) == (
        "worn lustre",
        "gold",
    )
    assert choose_verdict({"gold": 0.5, "platinum": 0.48, "no metal": 0.02}, 0.9, limits) == (
        "worn lustre",
        None,
    )
    unsure = {"gold": 0.6, "platinum": 0.01, "no metal": 0.39}
    assert choose_verdict(unsure, 0.9, limits) == ("cannot tell", None)


def test_a_missing_or_foreign_recipe_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for text in ("", json.dumps({"format": 99})):
        path = tmp_path / "trim.json"
        path.write_text(text, encoding="utf-8")
        monkeypatch.setattr(trim_recipe, "RECIPE", path)
        load_recipe.cache_clear()
        with pytest.raises(RecipeError, match="trim recipe"):
            load_recipe()
    monkeypatch.undo()
    load_recipe.cache_clear()
