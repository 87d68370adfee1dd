"""Lips that are no ellipse: superellipses recovered from parts, free curves, bands, side views."""

from __future__ import annotations

import numpy as np
import pytest

from model.ellipse import polygon_iou, sample_ellipse
from model.facts import Ellipse
from model.rim_views import equivalent_plane, lay_band, lay_side_band
from model.superellipse import Superellipse, fit_superellipse


@pytest.mark.parametrize("power", [2.0, 3.0, 5.0])
@pytest.mark.parametrize("part", [1.0, 0.7])
def test_a_superellipse_is_recovered_from_noisy_points(power: float, part: float) -> None:
    truth = Superellipse(120, 90, 60, 48, 0.4, power)
    whole = truth.sample(400)
    points = whole[: int(len(whole) * part)]
    points = points + np.random.default_rng(5).normal(0, 0.4, points.shape)
    found = fit_superellipse(points)
    assert found is not None
    assert polygon_iou(found[0].sample(), whole) > (0.985 if part == 1.0 else 0.95)
    assert found[1] < 0.8


def test_ellipses_have_power_two() -> None:
    found = fit_superellipse(sample_ellipse(Ellipse(100, 100, 70, 40, 30)))
    assert found is not None
    assert found[0].power == pytest.approx(2, abs=0.05)


def test_a_band_starts_topmost_and_its_inward_vectors_reach_the_middle_of_a_circle() -> None:
    circle = sample_ellipse(Ellipse(300, 200, 100, 100, 0), 720)
    band, inward = lay_band(circle, equivalent_plane(circle, tilted=True))
    assert int(np.argmin(band[:, 1])) == 0
    assert np.allclose(band + inward, [300, 200], atol=1.0)


def test_the_outside_of_a_cup_runs_left_to_right_and_down() -> None:
    band, inward = lay_side_band(Ellipse(300, 200, 100, 40, 0), 90.0, 0.8)
    assert band[0, 0] < 210
    assert band[-1, 0] > 390
    assert (inward[:, 1] > 0).all()
    assert inward[0, 0] > 0 > inward[-1, 0]  # the body narrows downwards
    assert band[180, 1] == pytest.approx(240, abs=0.1)
