"""Smoothing: grain goes, edges that the first hit knows stay, light is neither made nor lost."""

import numpy as np

from training.render.smoothing import smooth_grain

RNG = np.random.default_rng(2)


def test_even_grain_becomes_much_smaller_and_the_mean_stays():
    clean = np.full((80, 90, 3), 0.4, np.float32)
    grainy = np.float32(clean * RNG.gamma(80.0, 1 / 80.0, clean.shape))
    smooth = smooth_grain(grainy, np.ones((80, 90, 6), np.float32), 32)
    assert smooth.std() < 0.35 * grainy.std()
    assert abs(smooth.mean() / grainy.mean() - 1) < 0.01


def test_an_edge_of_albedo_stays_sharp_though_the_light_on_both_sides_is_alike():
    light = np.full((40, 40, 3), 0.4, np.float32)
    light[:, 20:] = 0.46
    guides = np.ones((40, 40, 6), np.float32)
    guides[:, :20, :3] = 0.5
    smooth = smooth_grain(light, guides, 32)
    np.testing.assert_allclose(smooth, light, rtol=1e-3)


def test_a_strong_edge_in_a_mirror_image_stays():
    light = np.full((40, 40, 3), 0.2, np.float32)
    light[:, 20:] = 0.9
    smooth = smooth_grain(light, np.ones((40, 40, 6), np.float32), 32)
    assert smooth[:, :20].max() < 0.22 and smooth[:, 20:].min() > 0.87


def test_a_stray_bright_pixel_is_cut_down():
    light = np.full((30, 30, 3), 0.3, np.float32)
    light[15, 15] = 9.0
    assert smooth_grain(light, np.ones((30, 30, 6), np.float32), 32).max() < 0.6
