"""The size from a sheet of paper beside the piece, under a camera of known place."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from model.paper import lip_diameter_mm, view_paper
from model.paper_corners import find_paper
from model.perspective import focal_length_px
from model.photo import Photo, photo_from_rgb
from model.piece import find_piece

FOCAL_35MM = 26.0


def _scene(sheet_mm: tuple[float, float], tilt_deg: float) -> tuple[Photo, np.ndarray]:
    """A 240 mm plate, its lip 24 mm over a table, 600 mm away, beside a sheet; the sheet's corners."""
    width, height = 1200, 900
    focal = focal_length_px(width, height, FOCAL_35MM)
    tilt = np.radians(tilt_deg)
    turn = np.array([[1, 0, 0], [0, np.cos(tilt), np.sin(tilt)], [0, -np.sin(tilt), np.cos(tilt)]])

    def project(points: np.ndarray) -> np.ndarray:
        seen = points @ turn.T + [0, 0, 600]
        return np.asarray(seen[:, :2] / seen[:, 2:] * focal + [(width - 1) / 2, (height - 1) / 2])

    rng = np.random.default_rng(0)
    picture = np.full((height, width, 3), (92, 70, 54), np.uint8) + rng.integers(
        0, 9, (height, width, 1), np.uint8
    )
    w, h = sheet_mm
    corners = np.array([[0, 0, 0], [w, 0, 0], [w, h, 0], [0, h, 0]], float) - np.array([250, 150, 0])
    corners[:, :2] = corners[:, :2] @ np.array([[0.98, 0.17], [-0.17, 0.98]]) / np.hypot(0.98, 0.17)
    angle = np.radians(np.arange(0, 360, 0.5))
    rings = [
        np.stack([120 + r * np.cos(angle), 10 + r * np.sin(angle), np.full(len(angle), -up)], axis=1)
        for r, up in ((85.0, 0.0), (120.0, 24.0), (84.0, 14.0))
    ]
    shapes = (
        (corners, (246, 246, 244)),
        *zip(rings, ((60, 80, 120), (70, 96, 150), (60, 84, 132)), strict=True),
    )
    for points, colour in shapes:
        cv2.fillPoly(picture, [np.round(project(points) * 16).astype(np.int32)], colour, cv2.LINE_AA, 4)
    blurred = np.asarray(cv2.GaussianBlur(picture, (0, 0), 0.8))
    return photo_from_rgb(blurred, FOCAL_35MM), project(corners)


# ISO 216 and ANSI/ASME Y14.1
@pytest.mark.parametrize(("name", "sheet"), [("A4", (210.0, 297.0)), ("Letter", (215.9, 279.4))])
def test_the_plate_is_measured_within_the_interval(name: str, sheet: tuple[float, float]) -> None:
    photo, corners = _scene(sheet, 30.0)
    found = find_paper(photo, None)
    assert found is not None
    gaps = np.linalg.norm(found[:, None] - corners[None], axis=2).min(axis=1)
    assert gaps.max() < 1.5
    piece = find_piece(photo)
    assert piece.size is not None
    assert piece.size.low_mm < 240 < piece.size.high_mm
    assert piece.size.diameter_mm == pytest.approx(240, rel=0.04)
    assert piece.size.high_mm - piece.size.low_mm < 40


def test_exact_corners_give_the_exact_diameter() -> None:
    photo, corners = _scene((210.0, 297.0), 40.0)
    focal = focal_length_px(1200, 900, FOCAL_35MM)
    centre = (599.5, 449.5)
    view = view_paper(corners, focal, centre, "A4", turned=False)
    assert view.misfit < 1e-6
    piece = find_piece(photo)
    assert piece.rim is not None
    assert piece.rim.curve is not None
    assert lip_diameter_mm(view, piece.rim.curve, 24.0, focal, centre) == pytest.approx(240, abs=1.5)


def test_without_a_sheet_there_is_no_size() -> None:
    photo, _ = _scene((2.0, 2.0), 30.0)
    assert find_piece(photo).size is None
