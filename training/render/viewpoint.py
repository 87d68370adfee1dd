"""Where the phone is held for a plan."""

from __future__ import annotations

import numpy as np

from training.render.camera import Camera, aim_camera, fitting_distance, focal_in_pixels
from training.render.meshes import Mesh
from training.render.pieces import HOLLOW, Piece
from training.render.plan import ScenePlan, stream

CAMERA_SIDE_DEG = -90.0


def place_camera(plan: ScenePlan, piece: Piece, paper: Mesh | None, size_px: tuple[int, int]) -> Camera:
    rng = stream(plan.seed, "camera")
    size = (size_px[1], size_px[0]) if plan.portrait else size_px
    focal = focal_in_pixels(plan.focal_35mm, *size)
    angles = (plan.tilt_deg, CAMERA_SIDE_DEG, plan.roll_deg)
    if plan.framing == "close-up":
        return _close_camera(plan, piece, focal, size, rng)
    vertices = np.concatenate([piece.rest.vertices[::7], piece.lip_points])
    points, target = vertices, np.array([0.0, 0.0, 0.5 * float(vertices[:, 2].max())])
    partial = plan.framing == "partial"
    fill = max(plan.fill, 0.85) if partial else plan.fill
    chance = rng.random() < 0.75 if paper is not None and not partial else False
    whole_sheet = chance if plan.paper_in_frame is None else plan.paper_in_frame
    if paper is not None and not partial and whole_sheet:
        points, fill = np.concatenate([vertices, paper.vertices]), min(fill + 0.1, 0.96)
    distance, shift = fitting_distance(points, target, angles, focal, size, fill)
    if partial:
        away = rng.uniform(0, 2 * np.pi)
        reach = rng.uniform(0.2, 0.45)
        shift = (shift[0] + reach * size[0] * np.cos(away), shift[1] + reach * size[1] * np.sin(away))
        distance *= rng.uniform(0.7, 1.0)
    if plan.framing == "cut":
        shift = _cut_shift(plan, size, shift, rng)
    return aim_camera(target, *angles, distance, focal, size, shift)


def _cut_shift(
    plan: ScenePlan, size: tuple[int, int], shift: tuple[float, float], rng: np.random.Generator
) -> tuple[float, float]:
    """Moves the piece over one side of the frame, whose edge then cuts it at ``plan.cut_at``."""
    axis, side = int(rng.integers(2)), float(rng.choice([-1, 1]))
    moved = list(shift)
    moved[axis] += side * (0.5 * size[axis] - plan.cut_at * 0.5 * plan.fill * min(size))
    return moved[0], moved[1]


def _close_camera(
    plan: ScenePlan, piece: Piece, focal: float, size: tuple[int, int], rng: np.random.Generator
) -> Camera:
    """Near the rim: 55 to 130 mm of it across the frame, from over the well or from outside."""
    across = rng.uniform(55, 130) if plan.shape not in HOLLOW else rng.uniform(45, 75)
    distance = across * focal / size[0]
    front = piece.lip_points[:, 1] < 0
    choose = np.flatnonzero(front if plan.shape in HOLLOW else np.ones_like(front))
    column = int(rng.choice(choose))
    target = piece.strip_points[piece.strip_points.shape[0] // 3, column]
    outward = float(np.degrees(np.arctan2(target[1], target[0])))
    side = outward + rng.normal(0, 20 if plan.shape in HOLLOW else 70)
    tilt = plan.tilt_deg if plan.shape in HOLLOW else min(plan.tilt_deg, 50.0)
    return aim_camera(target, tilt, side, plan.roll_deg, distance, focal, size)
