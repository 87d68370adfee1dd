"""Unrolling: even in arc length, right way round, masks and scale."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from model.ellipse import ellipse_from_conic
from model.facts import Ellipse
from model.perspective import map_conic, map_plane
from model.photo import photo_from_rgb
from model.piece import find_piece
from model.rim_band import measure_blur_px, strip_from_rgb, unroll_rim


def _marked_plate(tilt_deg: float, count: int = 36) -> tuple[np.ndarray, np.ndarray]:
    """A plate with ``count`` even dark ticks on its rim under a camera; the picture and its plane."""
    tilt = np.radians(tilt_deg)
    focal = 30 / 43.2666 * np.hypot(1200, 900)
    camera = np.array([[focal, 0, 599.5], [0, focal, 449.5], [0, 0, 1]])
    second = np.array([0, np.cos(tilt), -np.sin(tilt)])
    plane = camera @ np.stack([0.36 * np.array([1.0, 0, 0]), 0.36 * second, np.array([0, 0, 1.0])], axis=1)
    picture = np.full((900, 1200, 3), (96, 70, 50), np.uint8)
    picture = picture + np.random.default_rng(1).integers(0, 6, picture.shape, dtype=np.uint8)

    def fill(points: np.ndarray, colour: tuple[int, int, int]) -> None:
        image = map_plane(plane, points)
        cv2.fillPoly(picture, [np.round(image * 16).astype(np.int32)], colour, cv2.LINE_AA, 4)

    circle = np.radians(np.arange(0, 360, 0.5))
    for share, colour in ((1.0, (228, 224, 216)), (0.7, (214, 208, 198))):
        fill(share * np.stack([np.cos(circle), np.sin(circle)], axis=1), colour)
    for index in range(count):
        middle = 2 * np.pi * index / count
        wide = 0.5 * (1 if index else 2) * np.pi / count  # the tick at angle 0, to the right, is double
        arc = np.linspace(middle - wide / 2, middle + wide / 2, 9)
        outer = 0.9 * np.stack([np.cos(arc), np.sin(arc)], axis=1)
        fill(np.concatenate([outer, outer[::-1] * 0.88]), (40, 40, 120))
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), 0.9)), plane


def _tick_columns(row: np.ndarray) -> np.ndarray:
    """Middles of the dark runs of a cyclic row."""
    dark = row < 130
    start = int(np.argmin(dark))
    rolled = np.roll(dark, -start).astype(int)
    edges = np.flatnonzero(np.diff(np.append(rolled, 0)))
    return np.asarray(((edges[::2] + edges[1::2] + 1) / 2 + start) % len(row))


@pytest.mark.parametrize("tilt_deg", [0.0, 25.0, 45.0])
def test_even_ticks_stay_even_however_the_plate_is_tilted(tilt_deg: float) -> None:
    picture, _ = _marked_plate(tilt_deg)
    photo = photo_from_rgb(picture, focal_length_35mm=30.0)
    strip = unroll_rim(photo, find_piece(photo))
    assert strip is not None
    assert strip.closed
    depth = strip.lip_row + round(0.155 * strip.px_per_diameter / 2)
    ticks = np.sort(_tick_columns(strip.encoded[depth, :, 0]))
    assert len(ticks) == 36
    gaps = np.diff(np.append(ticks, ticks[0] + strip.encoded.shape[1])) * 36 / strip.encoded.shape[1]
    assert np.abs(gaps - 1).max() < 0.12
    assert strip.encoded.shape[1] / np.pi == pytest.approx(strip.px_per_diameter, rel=0.01)


def test_the_strip_starts_topmost_and_runs_clockwise_with_the_lip_up() -> None:
    picture, _ = _marked_plate(30.0)
    photo = photo_from_rgb(picture, focal_length_35mm=30.0)
    strip = unroll_rim(photo, find_piece(photo))
    assert strip is not None
    depth = strip.lip_row + round(0.155 * strip.px_per_diameter / 2)
    dark = strip.encoded[depth, :, 0] < 130
    widths = np.convolve(np.concatenate([dark, dark[:60]]).astype(float), np.ones(60), mode="valid")
    at = strip.column_deg[(int(np.argmax(widths)) + 30) % len(strip.column_deg)]
    assert at == pytest.approx(90, abs=4)  # the double tick lies to the right
    assert strip.encoded[: max(1, strip.lip_row - 3)].mean() < 110  # table above the lip
    assert strip.encoded[strip.lip_row + 3 : strip.lip_row + 8].mean() > 190


def test_true_ellipse_of_the_marked_plate_is_found() -> None:
    picture, plane = _marked_plate(45.0)
    conic = map_conic(plane)
    vector = np.array(
        [conic[0, 0], 2 * conic[0, 1], conic[1, 1], 2 * conic[0, 2], 2 * conic[1, 2], conic[2, 2]]
    )
    truth = ellipse_from_conic(vector)
    rim = find_piece(photo_from_rgb(picture)).rim
    assert isinstance(truth, Ellipse)
    assert rim is not None
    assert rim.ellipse is not None
    assert rim.ellipse.semi_major == pytest.approx(truth.semi_major, abs=1.0)
    assert rim.ellipse.semi_minor == pytest.approx(truth.semi_minor, abs=1.0)


def test_a_bare_strip_is_whole_and_even() -> None:
    strip = strip_from_rgb(np.full((96, 720, 3), 128, np.uint8), lip_row=4)
    assert strip.seen_mask.all()
    assert not strip.clipped_mask.any()
    assert strip.column_deg[180] == pytest.approx(90)
    assert strip.px_per_diameter == pytest.approx(720 / np.pi)
    with pytest.raises(ValueError, match="lip_row"):
        strip_from_rgb(np.zeros((20, 50, 3), np.uint8), lip_row=20)


def test_clipped_pixels_are_marked() -> None:
    pixels = np.full((10, 4, 3), 128, np.uint8)
    pixels[0, 0], pixels[1, 1], pixels[2, 2] = (250, 10, 10), (1, 2, 0), (2, 2, 3)
    assert np.argwhere(strip_from_rgb(pixels).clipped_mask).tolist() == [[0, 0], [1, 1]]


@pytest.mark.parametrize("sigma", [0.8, 1.5, 2.5])
def test_blur_is_measured_from_sharp_edges(sigma: float) -> None:
    rows = np.full((80, 300), 40.0, np.float32)
    rows[40:] = 200
    picture = cv2.GaussianBlur(rows, (0, 0), sigma)
    encoded = np.dstack([picture] * 3).astype(np.uint8)
    assert measure_blur_px(encoded, np.ones((80, 300), bool)) == pytest.approx(sigma, rel=0.2)
