"""Poses of rims: normals, slopes and widths against planes laid by hand."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from model.rim_pose import (
    camera_matrix,
    facing_share,
    find_top,
    flatten_lip,
    lay_surface,
    level_normal,
    measure_width,
    pose_of_normal,
    rectify_lip,
    start_normals,
    tilted_normal,
)
from model.rim_views import area_moments
from model.side_surface import lay_body, measure_profile

CAMERA = camera_matrix(1000.0, (600.0, 450.0))
TURN = np.linspace(0, 2 * np.pi, 360, endpoint=False)


def _project(flat: np.ndarray, normal: np.ndarray, away: float = 5.0) -> np.ndarray:
    """Points (n, 2) of a plane with that normal, its origin ``away`` in front of the camera, as photo px."""
    first = np.array([1.0, 0, 0]) - normal[0] * normal
    first /= np.linalg.norm(first)
    space = flat @ np.stack([first, np.cross(-normal, first)]) + [0.2, -0.1, away]
    image = space @ CAMERA.T
    return np.asarray(image[:, :2] / image[:, 2:])


def _superellipse(power: float, short: float = 1.0) -> np.ndarray:
    cos, sin = np.cos(TURN), np.sin(TURN)
    size = (np.abs(cos) ** power + np.abs(sin / short) ** power) ** (-1 / power)
    return np.stack([size * cos, size * sin], axis=1)


@settings(max_examples=25, deadline=None)
@given(st.floats(3, 60), st.floats(-180, 180))
def test_a_round_lip_has_its_true_normal_among_two(tilt_deg: float, turn_deg: float) -> None:
    normal = tilted_normal(tilt_deg, turn_deg)
    found = start_normals(_project(_superellipse(2.0), normal), CAMERA)
    assert max(float(one @ normal) for one in found) > np.cos(np.radians(0.5))


@pytest.mark.parametrize("tilt_deg", [10.0, 35.0, 60.0])
@pytest.mark.parametrize("power", [4.5, 6.0])
def test_a_square_lip_tells_its_plane_by_being_as_wide_every_way(tilt_deg: float, power: float) -> None:
    normal = tilted_normal(tilt_deg, 12.0)
    curve = _project(_superellipse(power), normal)
    found = level_normal(curve, CAMERA, start_normals(curve, CAMERA)[0])
    assert float(found @ normal) > np.cos(np.radians(0.5))


def test_a_flattened_oval_keeps_its_shape_and_its_long_axis_is_the_diameter() -> None:
    normal = tilted_normal(40.0, -20.0)
    curve = _project(1.5 * _superellipse(2.0, 0.75), normal)
    flat, _ = rectify_lip(curve, normal, CAMERA)
    low, high = np.sqrt(np.linalg.eigvalsh(area_moments(flat)[1]))
    assert low / high == pytest.approx(0.75, abs=0.02)
    pose = pose_of_normal(curve, normal, CAMERA)
    # rim radii: the circle of the same area has radius sqrt(a b)
    expected = 2 / np.sqrt(0.75)
    assert measure_width(flatten_lip(curve, pose).points) == pytest.approx(expected, rel=0.01)


def test_the_diameter_of_a_square_is_its_side() -> None:
    assert measure_width(_superellipse(5.0)) == pytest.approx(2.0, abs=0.01)


@settings(max_examples=20, deadline=None)
@given(st.floats(0, 55), st.floats(5, 40))
def test_a_cone_is_unrolled_even_and_level(tilt_deg: float, slope_deg: float) -> None:
    normal, slope = tilted_normal(tilt_deg, 10.0), np.radians(slope_deg)
    flat = _superellipse(2.0)
    pose = pose_of_normal(_project(flat, normal), normal, CAMERA, float(slope))
    lip = flatten_lip(_project(flat, normal), pose, 144)
    depth = 0.2
    found = lay_surface(pose, lip, np.array([0.0, depth]))
    # the same ring laid in space by hand: nearer the middle, and lower along the normal
    first = np.array([1.0, 0, 0]) - normal[0] * normal
    first /= np.linalg.norm(first)
    axes = np.stack([first, np.cross(-normal, first)])
    start = np.arctan2(*lip.points[0, ::-1])
    turn = start + np.linspace(0, 2 * np.pi, 144, endpoint=False)
    ring = (1 - depth * np.cos(slope)) * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    space = ring @ axes + [0.2, -0.1, 5.0] - depth * np.sin(slope) * normal
    image = space @ CAMERA.T
    assert np.abs(found[1] - image[:, :2] / image[:, 2:]).max() < 0.6
    assert (facing_share(pose, lip) > 0).mean() > 0.5


def test_a_cylinder_below_its_lip_is_read_left_to_right_at_even_angles() -> None:
    normal = tilted_normal(70.0, 0.0)
    curve = _project(_superellipse(2.0), normal)
    pose = pose_of_normal(curve, normal, CAMERA)
    where, angle, facing = lay_body(pose, np.ones(31), 90, np.array([0.0, 0.5]))
    assert (np.diff(where[0, :, 0]) > 0).all()
    assert np.ptp(np.diff(angle)) < 1e-9
    assert (where[1, :, 1] > where[0, :, 1]).all()
    assert facing[45] > facing[0] > 0
    assert np.abs(find_top(pose) % (2 * np.pi) - 1.5 * np.pi) < 0.1


def test_a_body_that_narrows_is_measured_from_its_silhouette() -> None:
    normal = tilted_normal(75.0, 0.0)
    curve = _project(_superellipse(2.0), normal, 8.0)
    pose = pose_of_normal(curve, normal, CAMERA)
    levels = np.linspace(0, 1.0, 40)
    rings = [
        _project((1 - 0.25 * level) * _superellipse(2.0), normal, 8.0)
        + (pose.plane[:, 2] + level * pose.down)[:2] / (pose.plane[:, 2] + level * pose.down)[2]
        - pose.plane[:2, 2] / pose.plane[2, 2]
        for level in levels
    ]
    outline = cv2.convexHull(np.concatenate(rings).astype(np.float32))[:, 0].astype(np.float64)
    profile = measure_profile(pose, outline)
    assert profile[16] == pytest.approx(1 - 0.25 * 0.4, abs=0.04)
    assert measure_profile(pose, None) == pytest.approx(np.ones(31))
