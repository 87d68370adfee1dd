"""Widths of drawn lines that are hardly wider than the blur, and not quite level."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from model.bands import Band, Bands
from model.line_width import measure_line_width_px
from model.rim_band import strip_from_rgb

ROWS, COLUMNS, FINE = 60, 600, 10


def _strip_with_line(width_px: float, sway_px: float) -> np.ndarray:
    """(ROWS, COLUMNS) darkness 0..1 of a line at row 30 that sways once along the strip, blurred by .8 px."""
    rows = (np.arange(ROWS * FINE) + 0.5) / FINE
    middle = 30 + sway_px * np.sin(np.linspace(0, 2 * np.pi, COLUMNS))
    fine = (np.abs(rows[:, None] - middle[None]) < width_px / 2).astype(np.float32)
    dark = fine.reshape(ROWS, FINE, COLUMNS).mean(axis=1)
    return np.asarray(cv2.GaussianBlur(dark, (0, 0), 0.8))


def _measure(width_px: float, sway_px: float, strength: float = 0.7) -> float | None:
    dark = _strip_with_line(width_px, sway_px)
    rng = np.random.default_rng(4)
    contrast = (-strength * dark + rng.normal(0, 0.02, dark.shape)).astype(np.float32)
    strip = strip_from_rgb(np.full((ROWS, COLUMNS, 3), 200, np.uint8))
    bands = Bands(strip.linear_rgb, contrast, np.zeros_like(contrast), contrast < -0.2, (), None)
    return measure_line_width_px(strip, bands, Band(26, 35, "verge line"))


@pytest.mark.parametrize("width_px", [2.5, 4.0, 6.0])
@pytest.mark.parametrize("sway_px", [0.0, 1.5])
def test_the_width_is_told_within_half_a_pixel(width_px: float, sway_px: float) -> None:
    found = _measure(width_px, sway_px)
    assert found is not None
    assert found == pytest.approx(width_px, abs=0.5)


def test_no_print_has_no_width() -> None:
    assert _measure(3.0, 0.0, strength=0.05) is None
