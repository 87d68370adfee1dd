"""Windows of the border: what they show, and what must not change them."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import cv2
import numpy as np
import pytest

from model.motif import (
    CHANNELS,
    WINDOW_HEIGHT,
    WINDOW_WIDTH,
    border_rows,
    cut_windows,
    mirror,
    turn_over,
)
from model.rim_band import RimStrip, strip_from_rgb
from model.window_choice import LEAST_SPACING_PX

ROW0, ROW1, WIDTH = 20, 60, 1200


def draw_ink(width: int = WIDTH, period: int = 60, stamps: int | None = None) -> np.ndarray:
    """A row of lopsided flags, (90, width) float32 0..1."""
    ink = np.zeros((90, width), np.uint8)
    count = width // period if stamps is None else stamps
    for index in range(count):
        x = index * period if stamps is None else int((index + 0.5) * width / stamps)
        cv2.fillPoly(ink, [np.array([[x + 8, ROW1 - 2], [x + 12, ROW0 + 1], [x + 44, ROW0 + 14]])], 255)
    return cv2.GaussianBlur(ink, (0, 0), 0.8).astype(np.float32) / 255


def strip_with(ink: np.ndarray, log_contrast: np.ndarray | float, **told: Any) -> tuple[RimStrip, Any]:
    """A strip of glaze with ink of the given signed ln(Y/Yglaze), and its bands."""
    contrast = (ink * log_contrast).astype(np.float32)
    encoded = np.clip(150 * np.exp(contrast / 2.2), 0, 255).astype(np.uint8)
    strip = strip_from_rgb(np.repeat(encoded[..., None], 3, axis=2), **told)
    border = SimpleNamespace(row0=ROW0, row1=ROW1, kind="border")
    return strip, SimpleNamespace(border=border, contrast=contrast, chroma_shift=np.zeros_like(contrast))


def test_windows_have_the_fixed_shape_and_lie_in_0_to_1():
    windows = cut_windows(*strip_with(draw_ink(), 0.6))
    assert len(windows) == 12
    for window in windows:
        assert window.pixels.shape == (CHANNELS, WINDOW_HEIGHT, WINDOW_WIDTH)
        assert window.pixels.dtype == np.float32
        assert window.pixels.min() >= 0 and window.pixels.max() <= 1
        assert 0 < window.weight <= 1 and 0 <= window.phase < 1


def test_metal_darker_than_the_glaze_looks_like_metal_brighter_than_it():
    """Polished metal shows what it mirrors, so the sign of its contrast says nothing of the motif."""
    ink = draw_ink()
    bright = cut_windows(*strip_with(ink, 0.5))
    dark = cut_windows(*strip_with(ink, -0.5))
    for a, b in zip(bright, dark, strict=True):
        np.testing.assert_allclose(a.pixels, b.pixels, atol=1e-4)


def test_metal_as_bright_as_the_glaze_shows_by_its_colour_and_looks_like_any_other():
    ink = draw_ink()
    strip, bands = strip_with(ink, 0.0, closed=False)
    bands.chroma_shift = (0.4 * ink).astype(np.float32)
    coloured = {w.rect[0]: w for w in cut_windows(strip, bands)}
    bright = {w.rect[0]: w for w in cut_windows(*strip_with(ink, 0.5, closed=False))}
    shared = sorted(set(coloured) & set(bright))
    assert len(shared) >= 3
    for start in shared:
        one, other = coloured[start].pixels[0].ravel(), bright[start].pixels[0].ravel()
        assert np.corrcoef(one, other)[0, 1] > 0.95


def test_contrast_that_varies_along_the_strip_is_evened_out():
    ink = draw_ink()
    along = np.exp(np.linspace(np.log(0.15), np.log(1.2), WIDTH))[None, :]
    even = {w.rect[0]: w for w in cut_windows(*strip_with(ink, 0.5, closed=False))}
    uneven = {w.rect[0]: w for w in cut_windows(*strip_with(ink, along, closed=False))}
    shared = sorted(set(even) & set(uneven))
    assert len(shared) >= 3
    for start in shared:
        difference = np.abs(even[start].pixels[0] - uneven[start].pixels[0]).mean()
        assert difference < 0.03  # the print covers about a third of a window


def test_the_colour_of_the_metal_is_not_among_the_inputs():
    strip, bands = strip_with(draw_ink(), 0.5)
    tinted = np.clip(strip.encoded.astype(int) + np.array([40, 0, -60]), 0, 255).astype(np.uint8)
    other = strip_from_rgb(tinted)
    for a, b in zip(cut_windows(strip, bands), cut_windows(other, bands), strict=True):
        np.testing.assert_allclose(a.pixels, b.pixels, atol=1e-6)


def test_the_border_fills_the_same_rows_at_any_photo_scale():
    strip, bands = strip_with(draw_ink(), 0.5)
    small = cv2.resize(bands.contrast, (WIDTH // 2, 45), interpolation=cv2.INTER_AREA)
    small_strip = strip_from_rgb(cv2.resize(strip.encoded, (WIDTH // 2, 45)))
    half = SimpleNamespace(
        border=SimpleNamespace(row0=ROW0 // 2, row1=ROW1 // 2, kind="border"),
        contrast=small,
        chroma_shift=np.zeros_like(small),
    )
    large_rows = cut_windows(strip, bands)[0].pixels[0].mean(axis=1)
    small_rows = cut_windows(small_strip, half)[0].pixels[0].mean(axis=1)
    assert np.corrcoef(large_rows, small_rows)[0, 1] > 0.98


def test_windows_of_a_closed_strip_run_across_the_seam_and_keep_apart():
    windows = cut_windows(*strip_with(draw_ink(width=700), 0.5))
    starts = np.array([window.rect[0] for window in windows]) * WINDOW_HEIGHT / ((ROW1 - ROW0) * 1.24)
    assert max(window.rect[2] for window in windows) > 700
    gaps = np.diff(np.sort(starts))
    assert (gaps >= LEAST_SPACING_PX - 1).all()


def test_spaced_stamps_are_met_in_the_middle_of_a_window():
    stamps = 4
    windows = cut_windows(*strip_with(draw_ink(width=1600, stamps=stamps), 0.5), limit=stamps)
    assert len(windows) == stamps
    for window in windows:
        columns = window.pixels[0].sum(axis=0)
        centre = (columns * np.arange(WINDOW_WIDTH)).sum() / columns.sum()
        assert abs(centre - WINDOW_WIDTH / 2) < 40


def test_covered_parts_are_marked_unseen_and_count_less():
    seen = np.ones((90, WIDTH), bool)
    seen[:, : WIDTH // 2] = False
    windows = cut_windows(*strip_with(draw_ink(), 0.5, closed=False, seen_mask=seen))
    weights = {window.rect[0]: window.weight for window in windows}
    assert windows[0].rect[0] >= WIDTH / 2 - 20
    assert weights[max(weights)] > weights[min(weights)]
    for window in windows:
        assert (window.pixels[0][window.pixels[1] < 0.5] == 0).all()


def test_a_strip_shorter_than_a_window_gives_one_window_with_an_unseen_rest():
    windows = cut_windows(*strip_with(draw_ink(width=100), 0.5, closed=False))
    assert len(windows) == 1
    assert 0.5 < windows[0].pixels[1].mean() < 0.8


@pytest.mark.parametrize("border", [None, SimpleNamespace(row0=10, row1=13, kind="border")])
def test_without_a_readable_border_there_is_nothing_to_cut(border: Any):
    strip, bands = strip_with(draw_ink(), 0.5)
    bands.border = border
    assert border_rows(bands) is None
    assert cut_windows(strip, bands) == ()


def test_nothing_seen_gives_no_window():
    assert cut_windows(*strip_with(draw_ink(), 0.5, seen_mask=np.zeros((90, WIDTH), bool))) == ()


def test_mirroring_and_turning_twice_gives_the_window_back():
    window = cut_windows(*strip_with(draw_ink(), 0.5))[0]
    assert mirror(window).mirrored and not mirror(mirror(window)).mirrored
    np.testing.assert_array_equal(mirror(mirror(window)).pixels, window.pixels)
    np.testing.assert_array_equal(turn_over(turn_over(window)).pixels, window.pixels)
    assert np.abs(mirror(window).pixels - window.pixels).max() > 0.5
