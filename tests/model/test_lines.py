"""Edge and verge lines are found, named and measured."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from model import colour
from model.bands import Band, Bands
from model.facts import Light, Retake, Trim
from model.label_rows import load_recipe
from model.line_colour import name_colour
from model.lines import name_lines, tell_material
from model.rim_band import RimStrip, strip_from_rgb
from model.strip_labels import StripLabels
from model.trim_fusion import JudgedRegion
from model.trim_regions import TrimRegion

# Colour keywords of CSS Color Module Level 4 (W3C), whose names are those of the trade's words.
KEYWORDS = {
    "red": (178, 34, 34),  # firebrick
    "blue": (65, 105, 225),  # royalblue
    "green": (46, 139, 87),  # seagreen
    "black": (0, 0, 0),
    "white": (255, 255, 255),
    "grey": (128, 128, 128),
    "pink": (255, 182, 193),  # lightpink
    "brown": (139, 69, 19),  # saddlebrown
    "purple": (128, 0, 128),
    "turquoise": (64, 224, 208),
    "yellow": (255, 215, 0),  # gold as a paint
}
WHITE = (1.0, 1.0, 1.0)
NO_METAL = Trim(
    "no metal", None, {"gold": 0.0, "platinum": 0.0, "no metal": 1.0}, None, None, None, ("paint",)
)


@pytest.mark.parametrize("name", sorted(KEYWORDS))
def test_published_colour_keywords_get_the_trade_s_word(name: str) -> None:
    lab = colour.lab_from_linear_rgb(colour.decode_srgb(np.array(KEYWORDS[name]) / 255))
    assert name_colour(lab) == name


def lined_strip(
    rgb: tuple[int, int, int], cast: tuple[float, float, float], mm_per_px: float | None, metal: bool = False
) -> tuple[RimStrip, Bands, StripLabels]:
    """A white glaze with one line on rows 8 to 14, under a light, with the labels of a sure witness."""
    picture = np.full((60, 600, 3), 0.62) * cast
    picture[8:14] = colour.decode_srgb(np.array(rgb) / 255) * 0.62 / 0.84 * cast
    strip = strip_from_rgb(colour.srgb_bytes(picture), lip_row=4, mm_per_px=mm_per_px)
    glaze = np.broadcast_to(np.float32(0.62) * np.array(cast, np.float32), picture.shape).copy()
    mask = np.zeros((60, 600), bool)
    mask[8:14] = True
    contrast = np.where(mask, -1.0, 0.0).astype(np.float32)
    band = Band(8, 14, "edge line", 6.0)
    bands = Bands(glaze, contrast, np.abs(contrast), mask, (band,), None)
    return strip, bands, _labels_of(mask, metal)


def judged_line(bands: Bands, metal_log_odds: float) -> JudgedRegion:
    """The edge line's print with a judgement."""
    region = TrimRegion("edge line", bands.print_mask, 8, 14, bands.print_mask, {})
    return JudgedRegion(region, {}, metal_log_odds, 0.0)


def _labels_of(mask: np.ndarray, metal: bool) -> StripLabels:
    cells = mask.reshape(30, 2, 300, 2).mean(axis=(1, 3)).astype(np.float32) * 0.9 + 0.03
    nothing = np.zeros_like(cells)
    material = [1 - cells, cells, nothing, nothing] if metal else [1 - cells, nothing, nothing, cells]
    return StripLabels(
        materials=np.stack(material),
        roles=np.stack([1 - cells, cells, nothing, nothing]),
        band=nothing,
        seen=np.ones_like(cells),
        step_px=2.0,
        first_row_px=0.0,
        verdict=np.array([4, -4, -4] if metal else [-4, -4, 4], np.float32),
        remaining_share=1.0,
        worn_chance=0.0,
    )


@pytest.mark.parametrize("cast", [(1.0, 1.0, 1.0), (1.3, 1.0, 0.6)], ids=["white light", "lamp light"])
@pytest.mark.parametrize("name", ["red", "blue", "green", "black"])
def test_a_painted_line_keeps_its_name_under_a_lamp(name: str, cast: tuple[float, float, float]) -> None:
    strip, bands, labels = lined_strip(KEYWORDS[name], cast, None)
    found = name_lines(strip, bands, Light(cast, 2.0, ("paper",)), NO_METAL, labels)
    assert found is not None
    (line,) = found
    assert (line.place, line.colour, line.width_mm) == ("edge", name, None)


def test_the_width_needs_a_scale() -> None:
    strip, bands, labels = lined_strip(KEYWORDS["red"], WHITE, 0.25)
    found = name_lines(strip, bands, Light(WHITE, 2.0, ()), NO_METAL, labels)
    assert found is not None and found[0].width_mm == pytest.approx(1.5)


def test_nothing_looked_at_is_none_and_no_line_is_empty() -> None:
    assert name_lines(None, None, None, NO_METAL, None) is None
    strip, bands, labels = lined_strip(KEYWORDS["red"], WHITE, None)
    light = Light(WHITE, 2.0, ())
    assert name_lines(strip, bands, light, NO_METAL, None) is None
    assert name_lines(strip, replace(bands, lines=()), light, NO_METAL, labels) == ()


def test_a_line_of_metal_takes_the_metal_of_the_trim_or_says_that_it_is_some() -> None:
    strip, bands, labels = lined_strip((200, 160, 90), WHITE, None, metal=True)
    untold = replace(NO_METAL, verdict="cannot tell", retake=Retake("paper", "Lay white paper beside it."))
    for trim, name in ((replace(NO_METAL, verdict="gold", metal="gold"), "gold"), (untold, "metal")):
        judged = [judged_line(bands, 3.0)]
        found = name_lines(strip, bands, Light(WHITE, 2.0, ()), trim, labels, judged)
        assert found is not None and found[0].colour == name


def test_what_is_not_metal_has_no_line_of_metal() -> None:
    strip, bands, labels = lined_strip((190, 140, 60), WHITE, None, metal=True)
    found = name_lines(strip, bands, Light(WHITE, 2.0, ()), NO_METAL, labels)
    assert found is not None and found[0].colour == "ochre"


def test_the_more_metallic_its_print_is_judged_the_likelier_a_line_is_metal() -> None:
    _, bands, labels = lined_strip((190, 140, 60), WHITE, None, metal=True)
    judge, chances = load_recipe().judges["metal line"], []
    for odds in np.linspace(-3, 3, 7):
        chances.append(judge.chance(tell_material("edge line", labels, [judged_line(bands, odds)])))
    assert np.all(np.diff(chances) > 0)
    by_cells = tell_material("edge line", labels, [])["region"]
    painted = lined_strip((190, 140, 60), WHITE, None, metal=False)[2]
    assert by_cells > 1 and tell_material("edge line", painted, [])["region"] < -1


def test_a_deep_glaze_is_not_taken_for_a_white_one_in_shade() -> None:
    strip, bands, labels = lined_strip((60, 60, 62), WHITE, None)
    deep = np.broadcast_to(np.float32([0.010, 0.025, 0.17]), bands.glaze_linear_rgb.shape).copy()
    linear = strip.linear_rgb.copy()
    linear[~bands.print_mask] = deep[0, 0]
    linear[bands.print_mask] = 0.85 * 0.8  # a white line beside a cobalt glaze
    found = name_lines(
        replace(strip, linear_rgb=linear),
        replace(bands, glaze_linear_rgb=deep),
        Light(WHITE, 2.0, ()),
        NO_METAL,
        labels,
    )
    assert found is not None and found[0].colour == "white"
