"""The diameter of a lip of which an arc is seen, or that a person measured."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from model.arc_size import chord_and_height, measure_arc
from model.errors import HintError
from model.perspective import diameter_from_arc, focal_length_px
from model.photo import Photo, photo_from_rgb
from model.piece import find_piece

FOCAL_35MM = 26.0
SIZE = (1200, 900)


def _project(points: np.ndarray, tilt_deg: float) -> np.ndarray:
    """Table points (N, 3) mm, up negative, seen from 600 mm."""
    tilt = np.radians(tilt_deg)
    turn = np.array([[1, 0, 0], [0, np.cos(tilt), np.sin(tilt)], [0, -np.sin(tilt), np.cos(tilt)]])
    seen = points @ turn.T + [0, 0, 600]
    focal = focal_length_px(*SIZE, FOCAL_35MM)
    return np.asarray(seen[:, :2] / seen[:, 2:] * focal + [(SIZE[0] - 1) / 2, (SIZE[1] - 1) / 2])


def _arc_and_corners(turn_deg: float, tilt_deg: float) -> tuple[np.ndarray, np.ndarray]:
    """An arc of a 254 mm lip 21 mm over the table, and the corners of an A4 sheet (ISO 216) beside it."""
    angle = np.radians(np.linspace(-turn_deg / 2, turn_deg / 2, 120))
    arc = np.stack([-40 + 127 * np.cos(angle), 127 * np.sin(angle), np.full(120, -21.0)], axis=1)
    corners = np.array([[-260, -150, 0], [-50, -150, 0], [-50, 147, 0], [-260, 147, 0]], float)
    return _project(arc, tilt_deg), _project(corners, tilt_deg)


def _blank() -> Photo:
    return photo_from_rgb(np.zeros((SIZE[1], SIZE[0], 3), np.uint8), FOCAL_35MM)


@pytest.mark.parametrize("tilt_deg", [5.0, 35.0])
def test_a_shorter_arc_gets_a_wider_interval_around_the_true_diameter(tilt_deg: float) -> None:
    bars = []
    for turn_deg in (50.0, 90.0, 150.0):
        arc, corners = _arc_and_corners(turn_deg, tilt_deg)
        size = measure_arc(_blank(), corners, arc, "from above")
        assert size is not None
        assert size.source == "arc"
        assert size.low_mm < 254 < size.high_mm
        assert size.diameter_mm == pytest.approx(254, rel=0.05)
        bars.append(size.high_mm - size.low_mm)
    assert bars[0] > 1.5 * bars[1] > 1.5 * bars[2]


def test_a_flat_arc_claims_nothing() -> None:
    arc, corners = _arc_and_corners(12.0, 10.0)
    assert measure_arc(_blank(), corners, arc, "from above") is None


def test_chord_and_height_of_the_worked_example() -> None:
    # c = 80 on D = 254 gives s = 6.4637: s = R - sqrt(R^2 - c^2 / 4), worked out here
    half = np.arcsin(40 / 127)
    angle = np.linspace(-half, half, 60)
    chord, height = chord_and_height(127 * np.stack([np.cos(angle), np.sin(angle)], axis=1))
    assert chord == pytest.approx(80, rel=1e-3)
    assert height == pytest.approx(127 - np.sqrt(127**2 - 40**2), rel=2e-3)
    assert diameter_from_arc(chord, height) == pytest.approx(254, rel=1e-3)


def _plate() -> np.ndarray:
    y, x = np.mgrid[:300, :400]
    picture = np.full((300, 400, 3), (90, 70, 60), np.uint8)
    picture[((x - 200) / 130) ** 2 + ((y - 150) / 110) ** 2 < 1] = (235, 230, 220)
    return picture


def test_a_told_diameter_is_the_size() -> None:
    size = find_piece(photo_from_rgb(_plate()), diameter_mm=267.0).size
    assert size is not None
    assert (size.diameter_mm, size.source) == (267.0, "told")
    for wrong in (0.0, -5.0, 26700.0, float("nan")):
        with pytest.raises(HintError, match="millimetres"):
            find_piece(photo_from_rgb(_plate()), diameter_mm=wrong)


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(height=st.integers(24, 90), width=st.integers(24, 90), seed=st.integers(0, 99), plate=st.booleans())
def test_the_array_of_the_caller_stays_as_it_was(height: int, width: int, seed: int, plate: bool) -> None:
    rng = np.random.default_rng(seed)
    given_pixels = rng.integers(0, 255, (height, width, 3), np.uint8)
    if plate:
        y, x = np.mgrid[:height, :width]
        given_pixels[
            ((x - width / 2) / (0.4 * width)) ** 2 + ((y - height / 2) / (0.4 * height)) ** 2 < 1
        ] = 230
    before = given_pixels.copy()
    find_piece(photo_from_rgb(given_pixels))
    assert np.array_equal(given_pixels, before)
