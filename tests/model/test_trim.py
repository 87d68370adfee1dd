"""The trim verdict: rules of its fields, and how it must move when the strip changes."""

from __future__ import annotations

import itertools
import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from model import colour, trim
from model.bands import Band, Bands
from model.errors import RecipeError
from model.facts import Light
from model.rim_band import RimStrip, strip_from_rgb
from model.trim import choose_verdict, judge_regions, judge_trim, load_recipe, pool_regions
from model.trim_features import measure_region
from model.trim_print import TrimRegion, find_print, list_regions
from model.trim_reasons import STEPS
from model.wear import measure_wear

LIGHT = Light((1.0, 1.0, 1.0), 3.0, ("paper", "glaze"))
HEIGHT, WIDTH, REPEATS = 72, 1200, 20
ROWS = (20, 56)


def wave(rng: np.random.Generator, cell: int) -> np.ndarray:
    """Smooth cyclic noise along the rim."""
    knots = rng.standard_normal(WIDTH // cell + 1)
    knots[-1] = knots[0]
    return np.interp(np.linspace(0, len(knots) - 1, WIDTH), np.arange(len(knots)), knots)


def motif_mask() -> np.ndarray:
    """Rings joined by a bar, REPEATS times."""
    pitch = WIDTH // REPEATS
    y, x = np.mgrid[0 : ROWS[1] - ROWS[0], 0:pitch]
    radius = np.hypot((x - pitch / 2) / pitch * 2, (y - 18) / 18)
    tile = ((radius < 0.85) & (radius > 0.3)) | (np.abs(y - 18) < 3)
    mask = np.zeros((HEIGHT, WIDTH), np.float32)
    mask[ROWS[0] : ROWS[1]] = np.tile(tile, (1, REPEATS))
    return mask


def paint_strip(
    metal_rgb: np.ndarray, seed: int = 1, left: float = 1.0, mirrored: bool = True
) -> tuple[RimStrip, Bands]:
    """A strip with a border of that reflectance; metal mirrors a room, paint is lit evenly.

    ``left``: share of the print that remains, broken in patches that only grow as it falls.
    """
    rng = np.random.default_rng(seed)
    shade = np.exp(0.15 * wave(rng, 150))[None, :, None] * 0.65
    glaze = np.broadcast_to(np.array([0.86, 0.85, 0.82]) * shade, (HEIGHT, WIDTH, 3))
    room = np.exp(0.8 * wave(rng, 25))[:, None] * np.exp(
        0.12 * np.stack([wave(rng, 80) for _ in range(3)], axis=-1)
    )
    surface = metal_rgb * (0.5 * room[None] if mirrored else shade)
    mask = motif_mask()
    field = cv2.GaussianBlur(rng.standard_normal((HEIGHT, WIDTH)), (0, 0), 4)
    if left < 1:
        mask = mask * (field <= np.quantile(field[mask > 0.5], left))
    picture = glaze + mask[..., None] * (surface - glaze)
    picture = cv2.GaussianBlur(picture, (0, 0), 0.7) + rng.normal(0, 0.004, picture.shape)
    strip = strip_from_rgb(colour.srgb_bytes(np.clip(picture, 0, 0.93)), blur_px=0.8)
    return strip, bands_of(strip, glaze.astype(np.float32))


def bands_of(strip: RimStrip, glaze: np.ndarray) -> Bands:
    bright = np.log(np.maximum(colour.luminance(strip.linear_rgb), 1e-3) / colour.luminance(glaze))
    shift = np.linalg.norm(
        colour.log_chromaticity(strip.linear_rgb) - colour.log_chromaticity(glaze), axis=-1
    )
    return Bands(
        glaze_linear_rgb=glaze,
        contrast=bright.astype(np.float32),
        chroma_shift=shift.astype(np.float32),
        print_mask=np.hypot(bright, shift) > 0.15,
        lines=(),
        border=Band(*ROWS, "border"),
    )


def chances(
    metal_rgb: np.ndarray, seed: int = 1, left: float = 1.0, mirrored: bool = True
) -> dict[str, float]:
    strip, bands = paint_strip(metal_rgb, seed, left, mirrored)
    return pool_regions(judge_regions(strip, bands, LIGHT, None, load_recipe()), load_recipe())


def test_nothing_isolated_is_cannot_tell_with_a_reason_and_a_step() -> None:
    found = judge_trim(None, None, None, reason="The rim is hidden.")
    assert found.verdict == "cannot tell"
    assert found.metal is found.probabilities is found.remaining_share is found.sectors is None
    assert found.reasons == ("The rim is hidden.",)
    assert found.retake is not None and found.retake.step in STEPS


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_gold_in_a_neutral_room_is_likelier_gold_and_platinum_platinum(seed: int) -> None:
    gold, platinum = chances(colour.GOLD_LINEAR_RGB, seed), chances(colour.PLATINUM_LINEAR_RGB, seed)
    assert gold["gold"] > gold["platinum"]
    assert platinum["platinum"] > platinum["gold"]


@pytest.mark.parametrize("paint", [(0.47, 0.23, 0.033), (0.26, 0.27, 0.29)], ids=["ochre", "grey"])
def test_even_paint_is_less_metallic_than_mirroring_metal(paint: tuple[float, float, float]) -> None:
    painted = chances(np.array(paint), mirrored=False)
    metal = chances(colour.GOLD_LINEAR_RGB)
    assert painted["no metal"] > metal["no metal"]


def test_more_gold_in_the_mix_never_lowers_the_odds_of_gold_against_platinum() -> None:
    odds = []
    for share in np.linspace(0, 1, 9):
        found = chances(share * colour.GOLD_LINEAR_RGB + (1 - share) * colour.PLATINUM_LINEAR_RGB, seed=4)
        odds.append(found["gold"] / (found["gold"] + found["platinum"]))
    assert odds[-1] > odds[0]
    assert all(after >= before - 0.02 for before, after in itertools.pairwise(odds)), odds


def test_more_wear_drawn_is_more_wear_read() -> None:
    shares = []
    for left in (1.0, 0.9, 0.75, 0.6, 0.45, 0.3, 0.15):
        strip, bands = paint_strip(colour.GOLD_LINEAR_RGB, seed=5, left=left)
        wear = measure_wear(strip, regions_of(strip, bands), REPEATS)
        assert wear.remaining_share is not None
        shares.append(wear.remaining_share)
    assert all(after < before for before, after in itertools.pairwise(shares)), shares
    assert shares[0] > 0.9 and shares[-1] < 0.4


def test_the_gaps_of_a_motif_are_not_wear() -> None:
    strip, bands = paint_strip(colour.GOLD_LINEAR_RGB, seed=6)
    counted = measure_wear(strip, regions_of(strip, bands), REPEATS)
    looked_for = measure_wear(strip, regions_of(strip, bands))
    assert counted.remaining_share == pytest.approx(looked_for.remaining_share, abs=0.02)
    assert counted.remaining_share is not None and counted.remaining_share > 0.9


def test_a_turned_plate_gives_the_same_wear_turned() -> None:
    strip, bands = paint_strip(colour.GOLD_LINEAR_RGB, seed=7)
    rubbed = np.zeros_like(bands.print_mask)
    rubbed[:, 100:300] = np.random.default_rng(0).random((HEIGHT, 200)) < 0.7
    worn = np.where(rubbed[..., None], bands.glaze_linear_rgb, strip.linear_rgb)
    strip = replace(strip, linear_rgb=worn)
    shares = wear_of(strip, bands)
    by = WIDTH // 4
    names = ("encoded", "linear_rgb", "seen_mask", "clipped_mask")
    turned = wear_of(
        replace(strip, **{name: np.roll(getattr(strip, name), by, axis=1) for name in names}),
        replace(bands, glaze_linear_rgb=np.roll(bands.glaze_linear_rgb, by, axis=1)),
    )
    assert np.nanmax(np.abs(np.roll(shares, 9) - turned)) < 0.06
    assert np.nanmin(shares[4:9]) < 0.5 < np.nanmin(shares[12:])


def regions_of(strip: RimStrip, bands: Bands) -> list[TrimRegion]:
    return list_regions(strip, bands, find_print(strip, bands))


def wear_of(strip: RimStrip, bands: Bands) -> np.ndarray:
    return measure_wear(strip, regions_of(strip, bands), REPEATS).sector_shares


def test_covered_columns_are_neither_worn_nor_sound() -> None:
    strip, bands = paint_strip(colour.GOLD_LINEAR_RGB, seed=8)
    seen = strip.seen_mask.copy()
    seen[:, 300:600] = False
    shares = wear_of(replace(strip, seen_mask=seen), bands)
    assert np.isnan(shares[9:18]).all()
    assert (shares[20:] > 0.75).all()


def test_the_answer_keeps_the_rules_of_its_fields() -> None:
    for left in (1.0, 0.3):
        strip, bands = paint_strip(colour.GOLD_LINEAR_RGB, seed=9, left=left)
        found = judge_trim(strip, bands, LIGHT)
        assert found.probabilities is not None
        assert sum(found.probabilities.values()) == pytest.approx(1, abs=1e-9)
        assert found.reasons
        assert (found.retake is not None) or found.verdict != "cannot tell"
        if found.verdict == "no metal":
            assert found.metal is found.remaining_share is found.worn_probability is None


def test_a_plain_rim_has_no_print_and_no_wear() -> None:
    strip, bands = paint_strip(colour.GOLD_LINEAR_RGB)
    bare = replace(strip, linear_rgb=bands.glaze_linear_rgb)
    found = judge_trim(bare, replace(bands, border=None), LIGHT)
    assert found.remaining_share is None and found.metal is None
    assert found.verdict in ("no metal", "cannot tell")


def test_clipped_pixels_are_left_out_of_the_colour() -> None:
    strip, bands = paint_strip(colour.GOLD_LINEAR_RGB, seed=10)
    (region,) = regions_of(strip, bands)
    before = measure_region(strip, find_print(strip, bands), LIGHT, None, region)
    burnt = strip.linear_rgb.copy()
    spot = np.zeros_like(strip.clipped_mask)
    spot[:, 500:560] = True
    burnt[spot] = 1.0
    spoilt = replace(strip, linear_rgb=burnt, clipped_mask=strip.clipped_mask | spot)
    after = measure_region(spoilt, find_print(spoilt, bands), LIGHT, None, region)
    assert before is not None and after is not None
    assert after["bg_q50"] == pytest.approx(before["bg_q50"], abs=0.03)
    assert after["clipped_share"] > before["clipped_share"]


def test_the_verdict_is_withheld_between_the_thresholds() -> None:
    limits = {"gold": 0.9, "platinum": 0.9, "no_metal": 0.9, "worn": 0.5, "worn_metal": 0.7}
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


def test_a_missing_or_foreign_recipe_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for text in ("", json.dumps({"format": 99})):
        path = tmp_path / "trim.json"
        path.write_text(text, encoding="utf-8")
        monkeypatch.setattr(trim, "RECIPE", path)
        load_recipe.cache_clear()
        with pytest.raises(RecipeError, match="trim recipe"):
            load_recipe()
    monkeypatch.undo()
    load_recipe.cache_clear()
