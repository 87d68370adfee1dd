"""Quicker ways to the same numbers: each against the plain way, which is written out here."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from model.colour import encode_srgb, srgb_bytes
from model.wear import _align, _high_quantile, measure_repeat


@pytest.mark.parametrize("count", [1, 2, 5, 30])
def test_the_quantile_of_visible_values_is_that_of_numpy(count: int) -> None:
    rng = np.random.default_rng(count)
    values = (rng.integers(0, 10, (count, 20, 50)) / 9).astype(np.float32)
    visible = rng.random(values.shape) < 0.9
    visible[:, 0] = False
    plain = np.zeros(values.shape[1:])
    for place in np.ndindex(plain.shape):
        seen = values[(slice(None), *place)][visible[(slice(None), *place)]]
        plain[place] = np.quantile(seen, 0.8) if len(seen) else 0.0
    assert _high_quantile(values, visible, 0.8) == pytest.approx(plain, abs=1e-5)


def test_repeats_set_by_hand_are_laid_upon_each_other() -> None:
    rng = np.random.default_rng(4)
    motif = cv2.GaussianBlur(rng.random((24, 60)).astype(np.float32), (0, 0), 2.5)
    motif = (motif > np.quantile(motif, 0.7)).astype(np.float32)
    strays = rng.integers(-2, 3, 20)
    shifts = _align(np.stack([np.roll(motif, stray, axis=1) for stray in strays]), 6)
    laid = np.array(shifts) - strays
    assert np.ptp(laid) == 0  # up to one turn of all together


def test_the_first_of_nearly_equal_repeats_is_found() -> None:
    row = np.zeros(600, bool)
    row[np.add.outer(np.arange(0, 600, 50), np.arange(9)).ravel() % 600] = True
    lag, strength = measure_repeat(np.tile(row, (12, 1)))
    assert lag == 50
    assert strength > 0.99
    assert measure_repeat(np.zeros((12, 600), bool)) == (0.0, 0.0)


def test_bytes_of_linear_light_are_those_of_the_exact_curve_within_a_step() -> None:
    linear = np.linspace(-0.1, 1.2, 100_001)
    exact = np.clip(np.rint(encode_srgb(linear) * 255), 0, 255)
    found = srgb_bytes(linear).astype(float)
    assert np.abs(found - exact).max() <= 1
    assert (found != exact).mean() < 1e-3
    encoded = np.arange(256) / 255  # IEC 61966-2-1: every byte comes back as itself
    plain = np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)
    assert np.array_equal(srgb_bytes(plain), np.arange(256))
