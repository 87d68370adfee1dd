"""What lies where in a rendered photo, pixel by pixel: the scene is staged again from its truth, not traced.

The truth names the plan, and a plan always gives the same geometry and the same stamps (with the same art
cache); so the cover of metal, paint and each role can be projected into the photo without any renderer.
"""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from training.render.camera import Camera
from training.render.motif_source import find_motif
from training.render.plan import GLAZES, ScenePlan
from training.render.stage import Stage, build_stage
from training.render.truth import project_lip

Map = NDArray[np.float32]
GRID = (65, 1025)  # of the strip, where points are projected exactly; between them px move evenly
LEAST_FACING = 0.06  # as the renderer's own test of what faces the camera
PAINTED = 0.02  # difference from the glaze in encoded colour that counts as paint
MOST_LIP_ERROR_PX = 1.0
HOLE_PX = 0.6
COVERS = ("metal", "paint", "edge line", "border", "verge line", "band", "known")


def stage_again(truth: dict[str, Any]) -> Stage | None:
    """The stage of a photo; None where it cannot be that of the photo (older plans, another art cache)."""
    names = {field.name for field in fields(ScenePlan)}
    told: dict[str, Any] = {
        name: tuple(value) if isinstance(value, list) else value
        for name, value in truth["plan"].items()
        if name in names
    }
    plan = ScenePlan(**told)
    motifs = {plan.motif_id: find_motif(plan.motif_id)} if plan.motif_id else {}
    if plan.motif_id and motifs[plan.motif_id].name != truth["motif"]:
        return None
    size = sorted((int(truth["width"]), int(truth["height"])), reverse=True)
    stage = build_stage(plan, motifs, (size[0], size[1]))
    curve = (truth.get("rim") or {}).get("curve")
    return None if curve is None else _match_camera(stage, truth, np.array(curve, dtype=np.float64))


def _match_camera(stage: Stage, truth: dict[str, Any], curve: NDArray[np.float64]) -> Stage | None:
    """The stage under the photo's own camera, found from the lip where the view was drawn in another way."""
    lip, _ = project_lip(stage)
    if lip is not None and len(lip) == len(curve) and np.abs(lip - curve).max() < MOST_LIP_ERROR_PX:
        return stage
    points = stage.piece.lip_points[:-1]
    if len(points) != len(curve):
        return None
    turn = np.degrees(np.arctan2(points[:, 1], points[:, 0]))
    ordered = points[np.argsort((turn[0] - turn) % 360.0, kind="stable")]
    width, height, focal = truth["width"], truth["height"], truth["camera"]["focal_px"]
    matrix = np.array([[focal, 0, width / 2], [0, focal, height / 2], [0, 0, 1.0]])
    count = len(points)
    coarse = min(range(0, count, max(1, count // 24)), key=lambda k: _pose(ordered, curve, matrix, k)[0])
    near = range(coarse - count // 24 - 1, coarse + count // 24 + 2)
    error, rotation, shift = min((_pose(ordered, curve, matrix, k) for k in near), key=lambda found: found[0])
    if error > MOST_LIP_ERROR_PX:
        return None
    axes = cv2.Rodrigues(rotation)[0]
    origin = (-axes.T @ shift).ravel()
    return replace(stage, camera=Camera(origin, axes[2], axes[0], -axes[1], focal, width, height))


def _pose(points: Any, curve: Any, matrix: Any, first: int) -> tuple[float, Any, Any]:
    turned = np.roll(points, -first, axis=0)
    _, rotation, shift = cv2.solvePnP(turned, curve, matrix, None, flags=cv2.SOLVEPNP_ITERATIVE)
    again = cv2.projectPoints(turned, rotation, shift, matrix, None)[0][:, 0]
    return float(np.abs(again - curve).max()), rotation, shift


def map_cover(stage: Stage) -> Map:
    """(H, W, len(COVERS)) float32, 0..1: how much of each pixel of the photo is covered by what.

    Where the strip does not lie ("known" 0) nothing is covered.
    """
    decoration, camera = stage.decoration, stage.camera
    rows, columns = decoration.metal.shape
    at, facing = _project_strip(stage, rows, columns)
    width, height = camera.width_px, camera.height_px
    x, y = np.floor(at[..., 0]).astype(np.int64), np.floor(at[..., 1]).astype(np.int64)
    seen = (facing > LEAST_FACING) & (x >= 0) & (y >= 0) & (x < width) & (y < height)
    place = y[seen] * width + x[seen]
    plain = np.array(GLAZES[stage.plan.glaze], np.float32)
    painted = (np.abs(decoration.body - plain).max(axis=-1) > PAINTED).astype(np.float32)
    painted *= 1 - decoration.metal
    roles = [np.ascontiguousarray(decoration.roles[..., k]) for k in range(decoration.roles.shape[-1])]

    def gather(values: Map) -> Map:
        total = np.bincount(place, values[seen], width * height).reshape(height, width).astype(np.float32)
        # spread a little: in close-ups the texels lie wider apart than the pixels
        return np.asarray(total + np.float32(0.02) * cv2.GaussianBlur(total, (0, 0), HOLE_PX))

    count = gather(np.ones_like(decoration.metal))
    known = count > 1e-3
    layers = [decoration.metal, painted, *roles, _border_rows(stage)]
    covers = [np.where(known, gather(layer) / np.maximum(count, 1e-3), 0) for layer in layers]
    return np.stack([*covers, known.astype(np.float32)], axis=-1).astype(np.float32)


def _border_rows(stage: Stage) -> Map:
    """(rows, columns) of the strip's textures: 1 in the rows of the border, between its stamps too."""
    rows, columns = stage.decoration.metal.shape
    across, border = stage.piece.strip_across_mm, stage.border
    out = np.zeros((rows, columns), np.float32)
    if border is not None:
        per_mm = rows / stage.piece.strip_width_mm
        top = (border.from_lip_mm - float(across[0])) * per_mm
        out[max(0, round(top)) : max(0, round(top + border.height_mm * per_mm))] = 1
    return out


def _project_strip(stage: Stage, rows: int, columns: int) -> tuple[Map, Map]:
    """Photo px (rows, columns, 2) of the texels' centres, and the cosine to the camera."""
    piece, camera = stage.piece, stage.camera
    across = piece.strip_across_mm
    share = (across - across[0]) / (across[-1] - across[0])
    row = np.interp(np.linspace(0, 1, GRID[0]), share, np.arange(len(share))).astype(np.float32)
    column = (np.linspace(0, 1, GRID[1]) * (piece.strip_points.shape[1] - 1)).astype(np.float32)
    map_x, map_y = np.meshgrid(column, row)
    points, normals = (
        cv2.remap(grid.astype(np.float32), map_x, map_y, cv2.INTER_LINEAR)
        for grid in (piece.strip_points, piece.strip_normals)
    )
    away = camera.origin - points
    facing = (normals * away).sum(axis=-1) / np.linalg.norm(away, axis=-1)
    at = np.nan_to_num(camera.project(points), nan=-1e6).astype(np.float32)
    fine_x, fine_y = np.meshgrid(
        ((np.arange(columns) + 0.5) / columns * (GRID[1] - 1)).astype(np.float32),
        ((np.arange(rows) + 0.5) / rows * (GRID[0] - 1)).astype(np.float32),
    )
    return (
        np.asarray(cv2.remap(at, fine_x, fine_y, cv2.INTER_LINEAR), np.float32),
        np.asarray(cv2.remap(facing.astype(np.float32), fine_x, fine_y, cv2.INTER_LINEAR), np.float32),
    )
