"""Glaze and print of a strip: drawn strips with known rows, light and metal; how answers must move."""

from __future__ import annotations

import numpy as np
import pytest

from model.bands import separate_print
from model.rim_band import RimStrip, strip_from_rgb

ROWS, COLUMNS, LIP = 100, 800, 5


def draw_strip(
    *,
    border: tuple[int, int] | None = (30, 60),
    edge_rows: int = 0,
    glaze: tuple[float, float, float] = (0.7, 0.68, 0.6),
    ink: tuple[float, float, float] = (0.2, 0.17, 0.08),
    slope: float = 0.0,
    noise: float = 0.004,
    closed: bool = True,
) -> RimStrip:
    """A strip of glaze with stamped crosses (period 40), an edge line, a light that falls off along it."""
    rng = np.random.default_rng(0)
    y, x = np.mgrid[:ROWS, :COLUMNS]
    light = np.exp(slope * (np.cos(2 * np.pi * x / COLUMNS) + 0.5 * (y / ROWS)))[..., None]
    cover = np.zeros((ROWS, COLUMNS))
    if border is not None:
        middle, arm = (border[0] + border[1]) / 2, (border[1] - border[0]) / 2
        across, up = np.abs(x % 40 - 20), np.abs(y - middle + 0.5)
        cover[(np.minimum(across, up) < 4) & (np.maximum(across, up) < arm)] = 1
    cover[LIP : LIP + edge_rows] = 1
    linear = light * (np.asarray(glaze) * (1 - cover[..., None]) + np.asarray(ink) * cover[..., None])
    linear[:LIP] = 0.05
    linear = np.clip(linear + rng.normal(0, noise, linear.shape), 0, 1)
    encoded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    return strip_from_rgb(np.round(255 * encoded).astype(np.uint8), lip_row=LIP, closed=closed)


def test_metal_brighter_than_a_dark_glaze_is_found_as_well() -> None:
    strip = draw_strip(glaze=(0.03, 0.05, 0.2), ink=(0.6, 0.5, 0.25))
    bands = separate_print(strip)
    assert bands.print_mask[43:47, 16:24].all()
    assert bands.contrast[43:47, 16:24].min() > 1


def test_shading_along_the_rim_is_glaze_and_not_print() -> None:
    bands = separate_print(draw_strip(border=None, slope=0.3))
    assert bands.print_mask.mean() < 0.01


def test_the_glaze_under_the_print_is_recovered() -> None:
    strip = draw_strip(slope=0.15)
    bands, bare = separate_print(strip), draw_strip(border=None, slope=0.15)
    ratio = bands.glaze_linear_rgb[LIP + 4 : -2] / bare.linear_rgb[LIP + 4 : -2]
    assert np.percentile(np.abs(np.log(ratio)), 95) < 0.06


def test_contrast_is_the_log_of_ink_over_glaze() -> None:
    bands = separate_print(draw_strip(ink=(0.35, 0.34, 0.30)))
    assert np.median(bands.contrast[44:46, 17:23]) == pytest.approx(np.log(0.5), abs=0.06)


def test_print_is_marked_where_it_was_drawn_and_rows_are_not_looked_for() -> None:
    bands = separate_print(draw_strip(border=(35, 65), edge_rows=5))
    assert bands.print_mask[LIP + 1 : LIP + 5].mean() > 0.9 and bands.print_mask[70:90].mean() < 0.02
    assert bands.border is None and bands.lines == ()


def test_nothing_above_the_lip_is_print() -> None:
    assert not separate_print(draw_strip()).print_mask[:LIP].any()


def test_an_unseen_strip_gives_no_bands_but_does_not_fail() -> None:
    strip = draw_strip()
    blind = strip_from_rgb(strip.encoded, lip_row=LIP, seen_mask=np.zeros((ROWS, COLUMNS), bool))
    bands = separate_print(blind)
    assert bands.border is None and bands.lines == () and not bands.print_mask.any()


def test_turning_a_closed_strip_turns_its_glaze() -> None:
    strip = draw_strip(slope=0.1)
    turned = strip_from_rgb(np.roll(strip.encoded, 240, axis=1), lip_row=LIP)
    first, second = separate_print(strip), separate_print(turned)
    apart = np.abs(np.roll(first.contrast, 240, axis=1) - second.contrast)[LIP + 2 :]
    assert np.percentile(apart, 95) < 0.02


@pytest.mark.parametrize("shape", [(8, 300), (12, 20), (64, 16), (150, 4096)])
def test_odd_sizes_do_not_fail(shape: tuple[int, int]) -> None:
    noise = np.random.default_rng(1).integers(0, 256, (*shape, 3)).astype(np.uint8)
    bands = separate_print(strip_from_rgb(noise, lip_row=2))
    assert bands.contrast.shape == shape and np.isfinite(bands.contrast).all()
