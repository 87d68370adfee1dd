"""Circles in perspective, against worked numbers."""

from __future__ import annotations

import numpy as np
import pytest

from model.ellipse import ellipse_from_conic, polygon_iou, sample_ellipse
from model.facts import Ellipse
from model.perspective import affine_plane, diameter_from_arc, find_rim_plane, map_conic, map_plane


def _conic_vector(matrix: np.ndarray) -> np.ndarray:
    a, b, c = matrix[0, 0], 2 * matrix[0, 1], matrix[1, 1]
    return np.array([a, b, c, 2 * matrix[0, 2], 2 * matrix[1, 2], matrix[2, 2]])


def test_unit_circle_under_a_homography_has_the_worked_conic() -> None:
    # Source: C' = H^-T C H^-1 (Hartley, Zisserman, "Multiple View Geometry", 2nd ed.; result 2.13, from
    # memory), worked by hand for H = [[1,0,0],[0,1,0],[0,.5,1]]: x² + .75 y² + y - 1 = 0, so completing the
    # square in y: centre (0, -2/3), semi-axes 4/3 and 2/√3. The circle's own centre maps to (0, 0).
    plane = np.array([[1.0, 0, 0], [0, 1, 0], [0, 0.5, 1]])
    conic = _conic_vector(map_conic(plane))
    assert conic / conic[0] == pytest.approx([1, 0, 0.75, 0, 1, -1])
    ellipse = ellipse_from_conic(conic)
    assert ellipse is not None
    assert (ellipse.cx, ellipse.cy) == pytest.approx((0, -2 / 3))
    assert (ellipse.semi_major, ellipse.semi_minor) == pytest.approx((4 / 3, 2 / np.sqrt(3)))
    assert map_plane(plane, np.zeros((1, 2)))[0] == pytest.approx([0, 0])


def _tilted_circle(tilt_deg: float) -> tuple[Ellipse, np.ndarray]:
    """Camera f = 1000 px, circle of 127 mm radius 500 mm away, its far side up."""
    tilt = np.radians(tilt_deg)
    first, second = np.array([1.0, 0, 0]), np.array([0, np.cos(tilt), -np.sin(tilt)])
    camera = np.diag([1000.0, 1000.0, 1.0])
    plane = camera @ np.stack([127 * first, 127 * second, np.array([0, 0, 500.0])], axis=1)
    ellipse = ellipse_from_conic(_conic_vector(map_conic(plane)))
    assert ellipse is not None
    return ellipse, plane


@pytest.mark.parametrize(
    ("tilt_deg", "major", "minor", "shift"),
    # Pinhole camera f = 1000 px, R = 127 mm, 500 mm away. By similar triangles the slanted diameter ends at
    # y = f R cos t / (d ± R sin t): half their distance is the minor axis, their mean the shift; checked
    # so in the test below.
    [(45, 258.199, 185.592, 33.333), (30, 256.073, 223.577, 28.394)],
)
def test_a_tilted_plate_has_the_worked_axes_and_centre(
    tilt_deg: float, major: float, minor: float, shift: float
) -> None:
    ellipse, _ = _tilted_circle(tilt_deg)
    assert ellipse.semi_major == pytest.approx(major, abs=1e-3)
    assert ellipse.semi_minor == pytest.approx(minor, abs=1e-3)
    assert abs(ellipse.cy) == pytest.approx(shift, abs=1e-3)


@pytest.mark.parametrize(("tilt_deg", "minor", "shift"), [(45, 185.592, 33.333), (30, 223.577, 28.394)])
def test_the_worked_numbers_follow_from_similar_triangles(
    tilt_deg: float, minor: float, shift: float
) -> None:
    across, along = 127 * np.cos(np.radians(tilt_deg)), 127 * np.sin(np.radians(tilt_deg))
    near, far = 1000 * across / (500 - along), 1000 * across / (500 + along)
    assert (near + far) / 2 == pytest.approx(minor, abs=1e-3)
    assert (near - far) / 2 == pytest.approx(shift, abs=1e-3)
    if tilt_deg == 45:  # not cos 45°: the ratio of the axes carries the perspective
        assert minor / 258.199 == pytest.approx(0.71880, abs=1e-5)


@pytest.mark.parametrize("tilt_deg", [5, 20, 30, 45, 60])
def test_the_plane_is_recovered_from_the_ellipse(tilt_deg: float) -> None:
    ellipse, truth = _tilted_circle(tilt_deg)
    found = find_rim_plane(ellipse, 1000.0, (0.0, 0.0))
    assert found is not None
    centre = map_plane(found, np.zeros((1, 2)))[0]
    assert centre == pytest.approx([0, 0], abs=1e-6)
    for angle in np.radians([0, 60, 90, 200]):
        point = np.array([[np.cos(angle), np.sin(angle)]])
        turned = np.array([[np.cos(angle - np.pi / 2), np.sin(angle - np.pi / 2)]])
        assert map_plane(found, point)[0] == pytest.approx(map_plane(truth, turned)[0], abs=1e-6)


def test_rim_angles_start_at_the_topmost_point_and_run_clockwise() -> None:
    for plane in (
        find_rim_plane(Ellipse(700, 500, 300, 200, 25), 1500, (640, 480)),
        affine_plane(Ellipse(700, 500, 300, 200, 25)),
    ):
        assert plane is not None
        angle = np.radians(np.arange(360))
        rim = map_plane(plane, np.stack([np.cos(angle), np.sin(angle)], axis=1))
        assert int(np.argmin(rim[:, 1])) == 0
        assert rim[90, 0] > rim[270, 0]  # a quarter turn on lies to the right
        assert polygon_iou(rim, sample_ellipse(Ellipse(700, 500, 300, 200, 25))) > 0.99


def test_a_diameter_follows_from_chord_and_height_of_an_arc() -> None:
    # D = 254, c = 80 gives s = 6.4637; half a millimetre in s moves D to 236.7 and 274.3
    sagitta = (254 - np.sqrt(254**2 - 80**2)) / 2
    assert sagitta == pytest.approx(6.4637, abs=1e-4)
    assert diameter_from_arc(80, sagitta) == pytest.approx(254)
    assert diameter_from_arc(80, sagitta + 0.5) == pytest.approx(236.7, abs=0.05)
    assert diameter_from_arc(80, sagitta - 0.5) == pytest.approx(274.3, abs=0.05)
