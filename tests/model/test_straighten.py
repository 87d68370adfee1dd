"""Straightening a strip: bands whose distance from the lip changes slowly become level, the rest is left."""

from __future__ import annotations

import numpy as np
import pytest

from model.rim_band import RimStrip, strip_from_rgb
from model.straighten import find_stretch, straighten_strip

ROWS, COLUMNS, LIP = 90, 1400, 5


def draw(stretch: np.ndarray, wave_px: float = 0.0) -> RimStrip:
    """Crosses and a line on ivory whose distance from the lip is multiplied by exp(stretch) (columns,)."""
    y, x = np.mgrid[:ROWS, :COLUMNS].astype(float)
    depth = np.maximum(y - LIP, 0) / np.exp(stretch)[None] + wave_px * np.sin(2 * np.pi * x / 70)
    across, up = np.abs(x % 35 - 17), np.abs(depth - 30)
    ink = ((np.minimum(across, up) < 3) & (np.maximum(across, up) < 10)) | (np.abs(depth - 52) < 1.5)
    light = np.where(ink, 0.2, 0.65)
    light[:LIP] = 0.1
    light = light + np.random.default_rng(0).normal(0, 0.004, light.shape)
    encoded = (255 * np.clip(light, 0, 1) ** (1 / 2.2)).astype(np.uint8)
    return strip_from_rgb(np.repeat(encoded[..., None], 3, axis=2), lip_row=LIP)


def line_rows(strip: RimStrip) -> np.ndarray:
    """Row of the darkest long line below the crosses, per tenth of the strip."""
    dark = strip.linear_rgb[45:75, :, 1].reshape(30, 10, -1).mean(axis=2)
    return dark.argmin(axis=0) + 45.0


@pytest.mark.parametrize("cycles", [1, 2])
def test_bands_bent_once_or_twice_round_the_rim_become_level(cycles: int) -> None:
    bend = 0.2 * np.cos(2 * np.pi * cycles * np.arange(COLUMNS) / COLUMNS + 0.7)
    bent = draw(bend)
    assert np.ptp(line_rows(bent)) > 8
    assert np.ptp(line_rows(straighten_strip(bent))) <= 2


def test_the_stretch_is_recovered_from_the_picture() -> None:
    bend = 0.15 * np.sin(2 * np.pi * np.arange(COLUMNS) / COLUMNS)
    found = find_stretch(draw(bend))
    assert found is not None and np.abs(found - bend).max() < 0.04


def test_a_level_strip_is_returned_as_it_is() -> None:
    level = draw(np.zeros(COLUMNS))
    assert straighten_strip(level) is level


def test_a_border_that_swings_within_its_repeat_is_not_flattened() -> None:
    vine = draw(np.zeros(COLUMNS), wave_px=5.0)
    found = find_stretch(vine)
    assert found is None or np.abs(found).max() < 0.03


def test_a_plain_or_unseen_strip_is_left_alone() -> None:
    plain = strip_from_rgb(np.full((ROWS, COLUMNS, 3), 190, np.uint8), lip_row=LIP)
    assert straighten_strip(plain) is plain
    blind = strip_from_rgb(plain.encoded, lip_row=LIP, seen_mask=np.zeros((ROWS, COLUMNS), bool))
    assert straighten_strip(blind) is blind


def test_rows_from_beyond_the_strip_are_unseen() -> None:
    bend = 0.25 * np.cos(2 * np.pi * np.arange(COLUMNS) / COLUMNS)
    straight = straighten_strip(draw(bend))
    assert not straight.seen_mask[-1].all() and straight.seen_mask[: ROWS // 2].all()
