"""Where a rendered picture's rim really lies: its surface built again from the plan, found in a strip."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from training.render.manifest import motif_of
from training.render.plan import ScenePlan
from training.render.stage import build_stage

FloatArray = npt.NDArray[np.float64]

LARGEST_LIP_ERROR_PX = 1.0  # of the lip built again from the one in the truth file: else another renderer's
NEWTON_ROUNDS, LONGEST_STEP = 6, 40.0


@dataclass(frozen=True, eq=False)
class RimTruth:
    """The decorated surface in the photo.

    ``grid`` (rows, columns + 1, 2) photo px, rows ``across_mm`` (rows,) along the section from the lip;
    ``facing`` (rows, columns + 1) cosine to the camera; ``lip`` (n, 2) px; ``lines`` as place to first and
    last mm from the lip; ``border_mm`` the same or None; ``from_above`` the lip's plane is seen from above.
    """

    label: dict[str, Any]
    grid: FloatArray
    across_mm: FloatArray
    facing: FloatArray
    lip: FloatArray
    verge_mm: float
    outside: bool
    lines: dict[str, tuple[float, float]]
    border_mm: tuple[float, float] | None
    from_above: bool

    def ring(self, depth_mm: float, count: int) -> tuple[FloatArray, FloatArray]:
        """``count`` points (count, 2) photo px even along the rim at a depth, and their facing (count,)."""
        last = len(self.across_mm) - 2
        at = float(np.interp(depth_mm, self.across_mm, np.arange(last + 2)))
        row = min(int(at), last)
        share = at - row
        points = self.grid[row] * (1 - share) + self.grid[row + 1] * share
        index = np.linspace(0, self.grid.shape[1] - 1, count, endpoint=False)
        first = index.astype(int)
        rest = (index - first)[:, None]
        return points[first] * (1 - rest) + points[first + 1] * rest, self.facing[row, first]


def build_truth(truth_file: Path) -> RimTruth | None:
    """Build a picture's surface from its truth file; None where it does not match the file's own lip."""
    label = json.loads(truth_file.read_text(encoding="utf-8"))
    curve = (label.get("rim") or {}).get("curve")
    if not curve or "plan" not in label:
        return None
    told: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in label["plan"].items()}
    plan = ScenePlan(**told)
    sides = sorted((label["width"], label["height"]), reverse=True)
    stage = build_stage(plan, motif_of(plan), (sides[0], sides[1]))
    piece, camera = stage.piece, stage.camera
    lip = camera.project(piece.lip_points[:-1])
    apart = np.sqrt(((np.array(curve)[:, None] - lip[None]) ** 2).sum(axis=2)).min(axis=1)
    if not float(apart.max()) < LARGEST_LIP_ERROR_PX:
        return None
    away = camera.origin - piece.strip_points
    border = stage.border
    return RimTruth(
        label=label,
        grid=camera.project(piece.strip_points),
        across_mm=piece.strip_across_mm,
        facing=(piece.strip_normals * away).sum(axis=-1) / np.linalg.norm(away, axis=-1),
        lip=lip,
        verge_mm=float(piece.verge_mm),
        outside=piece.side == "outside",
        lines={line.place: (line.from_lip_mm, line.from_lip_mm + line.width_mm) for line in stage.lines},
        border_mm=None if border is None else (border.from_lip_mm, border.from_lip_mm + border.height_mm),
        from_above=bool(camera.origin[2] > piece.lip_points[:, 2].mean() + 5.0),
    )


def locate_in_strip(where: FloatArray, points: FloatArray, closed: bool) -> FloatArray:
    """Strip (row, column), (n, 2), of photo points by the strip's own (h, w, 2) places; nan outside it."""
    h, w = where.shape[:2]
    steps = max(1, h // 24), max(1, w // 400)
    rows, columns = np.meshgrid(np.arange(0, h, steps[0]), np.arange(0, w, steps[1]), indexing="ij")
    coarse = where[:: steps[0], :: steps[1]].reshape(-1, 2)
    found = np.full((len(points), 2), np.nan)
    for index, point in enumerate(points):
        if not np.isfinite(point).all():
            continue
        nearest = int(((coarse - point) ** 2).sum(axis=1).argmin())
        at = np.array([rows.flat[nearest], columns.flat[nearest]], dtype=np.float64)
        at = _creep(where, point, at, closed)
        if -2 <= at[0] <= h + 1 and (closed or -1 <= at[1] <= w):
            found[index] = at[0], at[1] % w if closed else at[1]
    return found


def _creep(where: FloatArray, point: FloatArray, at: FloatArray, closed: bool) -> FloatArray:
    """Newton steps on bilinear cells, beyond the last cell by its own slopes."""
    h, w = where.shape[:2]
    for _ in range(NEWTON_ROUNDS):
        row = int(np.clip(np.floor(at[0]), 0, h - 2))
        column = int(np.floor(at[1]))
        column = column if closed else int(np.clip(column, 0, w - 2))
        a, b = where[row : row + 2, column % w], where[row : row + 2, (column + 1) % w]
        down, across = at[0] - row, at[1] - column
        left, right = a[0] + down * (a[1] - a[0]), b[0] + down * (b[1] - b[0])
        slopes = np.stack([a[1] - a[0], right - left], axis=1)
        if abs(np.linalg.det(slopes)) < 1e-9:
            break
        step = np.linalg.solve(slopes, point - (left + across * (right - left)))
        at = np.clip(at + np.clip(step, -LONGEST_STEP, LONGEST_STEP), [-h, -w], [2 * h, 2 * w])
    return at
