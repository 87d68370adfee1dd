"""Shapes from their reaches: the ellipse comes back, cut or not; turned votes are votes of the turned."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from model.ellipse import polygon_iou, sample_ellipse
from model.facts import Ellipse
from model.lip_votes import (
    DIRECTIONS,
    LipVotes,
    agreement,
    ellipse_of_votes,
    join_votes,
    polygon_of_votes,
    reaches_of,
    turn_quarters,
)

_KIND = np.array([1.0, 0, 0, 0])


def _votes(polygon: np.ndarray, middle: tuple[float, float] = (200.0, 150.0)) -> LipVotes:
    at = np.array(middle)
    return LipVotes(at, reaches_of(polygon, at), np.full(DIRECTIONS, 2.0), _KIND)


@settings(max_examples=60, deadline=None)
@given(
    st.floats(-300, 700),
    st.floats(-300, 700),
    st.floats(20, 600),
    st.floats(0.03, 1.0),
    st.floats(0, 179),
)
def test_an_ellipse_comes_back_from_its_reaches(
    x: float, y: float, major: float, ratio: float, angle: float
) -> None:
    lip = Ellipse(x, y, major, major * ratio, angle)
    found = ellipse_of_votes(_votes(sample_ellipse(lip, 4000)))
    assert found is not None
    assert polygon_iou(sample_ellipse(found), sample_ellipse(lip)) > 0.97


def test_a_thin_lip_survives_errors_of_a_tenth_of_its_width() -> None:
    rng = np.random.default_rng(4)
    lip = Ellipse(210, 140, 120, 8, 3)
    overlaps = []
    for _ in range(40):
        votes = _votes(sample_ellipse(lip, 4000))
        noisy = LipVotes(
            votes.middle, votes.reach_px + rng.laplace(0, 0.6, DIRECTIONS), votes.scale_px, _KIND
        )
        found = ellipse_of_votes(noisy)
        overlaps.append(0.0 if found is None else polygon_iou(sample_ellipse(found), sample_ellipse(lip)))
    assert np.mean(np.array(overlaps) > 0.8) > 0.9


def test_a_square_is_enclosed_by_its_votes() -> None:
    corners = np.array([[100.0, 80], [300, 80], [300, 260], [100, 260]])
    found = polygon_of_votes(_votes(corners))
    assert found is not None
    assert polygon_iou(found, corners) > 0.999


@pytest.mark.parametrize("quarters", [0, 1, 2, 3])
def test_votes_turn_with_the_picture(quarters: int) -> None:
    width, height = 400, 300
    lip = sample_ellipse(Ellipse(250, 120, 90, 40, 20), 2000)
    turned = lip
    w, h = width, height
    for _ in range(quarters):
        turned = np.stack([turned[:, 1], w - 1 - turned[:, 0]], axis=1)
        w, h = h, w
    told = turn_quarters(_votes(lip), quarters, width, height)
    assert np.allclose(told.reach_px, reaches_of(turned, told.middle), atol=0.05)


def test_surer_votes_weigh_more_and_agreement_tells_shapes_apart() -> None:
    lip = sample_ellipse(Ellipse(200, 150, 90, 40, 20), 2000)
    right = _votes(lip)
    wrong = LipVotes(right.middle, right.reach_px + 50, np.full(DIRECTIONS, 200.0), _KIND)
    joined = join_votes([right, wrong])
    assert np.abs(joined.reach_px - right.reach_px).max() < 1.0
    assert agreement(right, lip) > 0.99
    assert agreement(right, sample_ellipse(Ellipse(200, 150, 90, 60, 20), 2000)) < 0.6
