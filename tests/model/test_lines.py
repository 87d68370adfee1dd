"""Edge and verge lines are found, named and measured."""

from __future__ import annotations

import numpy as np
import pytest

from model import colour
from model.bands import Band, Bands
from model.facts import Light, Trim
from model.lines import name_colour, name_lines
from model.rim_band import strip_from_rgb

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
NO_METAL = Trim(
    "no metal", None, {"gold": 0.0, "platinum": 0.0, "no metal": 1.0}, None, None, None, ("paint",)
)


@pytest.mark.parametrize("name", sorted(KEYWORDS))
def test_published_colour_keywords_get_the_trade_s_word(name: str) -> None:
    lab = colour.lab_from_linear_rgb(colour.decode_srgb(np.array(KEYWORDS[name]) / 255))
    assert name_colour(lab) == name


def lined_strip(rgb: tuple[int, int, int], cast: tuple[float, float, float], mm_per_px: float | None):
    picture = np.full((60, 600, 3), 0.62) * cast
    picture[8:14] = colour.decode_srgb(np.array(rgb) / 255) * 0.62 / 0.75 * cast
    strip = strip_from_rgb(colour.srgb_bytes(picture), lip_row=4, mm_per_px=mm_per_px)
    glaze = np.broadcast_to(np.float32(0.62) * np.array(cast, np.float32), picture.shape).copy()
    mask = np.zeros((60, 600), bool)
    mask[8:14] = True
    contrast = np.where(mask, -1.0, 0.0).astype(np.float32)
    band = Band(8, 14, "edge line")
    bands = Bands(
        glaze_linear_rgb=glaze,
        contrast=contrast,
        chroma_shift=np.abs(contrast),
        print_mask=mask,
        lines=(band,),
        border=None,
    )
    return strip, bands


@pytest.mark.parametrize("cast", [(1.0, 1.0, 1.0), (1.3, 1.0, 0.6)], ids=["white light", "lamp light"])
@pytest.mark.parametrize("name", ["red", "blue", "green", "black"])
def test_a_painted_line_keeps_its_name_under_a_lamp(name: str, cast: tuple[float, float, float]) -> None:
    strip, bands = lined_strip(KEYWORDS[name], cast, None)
    found = name_lines(strip, bands, Light(cast, 2.0, ("paper",)), NO_METAL)
    assert found is not None
    (line,) = found
    assert (line.place, line.colour, line.width_mm) == ("edge", name, None)


def test_the_width_needs_a_scale() -> None:
    strip, bands = lined_strip(KEYWORDS["red"], (1.0, 1.0, 1.0), 0.25)
    found = name_lines(strip, bands, Light((1.0, 1.0, 1.0), 2.0, ()), NO_METAL)
    assert found is not None and found[0].width_mm == pytest.approx(1.5)


def test_nothing_looked_at_is_none_and_no_line_is_empty() -> None:
    assert name_lines(None, None, None, NO_METAL) is None
    strip, bands = lined_strip(KEYWORDS["red"], (1.0, 1.0, 1.0), None)
    bare = Bands(bands.glaze_linear_rgb, bands.contrast, bands.chroma_shift, bands.print_mask, (), None)
    assert name_lines(strip, bare, Light((1.0, 1.0, 1.0), 2.0, ()), NO_METAL) == ()


def test_a_place_has_at_most_one_line_the_fullest() -> None:
    from model.bands import Band, Bands
    from model.lines import choose_lines
    from model.rim_band import strip_from_rgb

    strip = strip_from_rgb(np.full((60, 200, 3), 200, np.uint8))
    mask = np.zeros((60, 200), bool)
    mask[20:23, ::3] = True
    mask[40:43] = True
    thin, full = Band(20, 23, "verge line"), Band(40, 43, "verge line")
    shape = strip.linear_rgb.shape
    flat = np.zeros(shape[:2], np.float32)
    bands = Bands(np.ones(shape, np.float32), flat, flat, mask, (thin, full, Band(2, 4, "line")), None)
    assert choose_lines(strip, bands) == [full]
