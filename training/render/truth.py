"""The truth of a picture: what a perfect reading of it would say, and how it was made."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from training.render.pieces import Piece
from training.render.stage import Stage

Floats = NDArray[np.float64]
SECTORS = 36
SECTOR_DEG = 360.0 / SECTORS
LIP_CHECK_STEP = 2
STRIP_CHECK_ROWS = 14
STRIP_CHECK_STEP = 2
WORN_BELOW = 0.75  # the public definition of worn lustre
OUTLINE_TOLERANCE_PX = 0.8


def rim_angles_deg(points: Floats, topmost: int) -> Floats:
    """Angle (n,) of lip points (n, 3) about the rim's centre, clockwise seen from above, 0 at ``topmost``."""
    turn = np.degrees(np.arctan2(points[:, 1], points[:, 0]))
    angles: Floats = (turn[topmost] - turn) % 360.0
    return angles


def project_lip(stage: Stage) -> tuple[Floats | None, int]:
    """The outer lip in the photo, (n, 2) px clockwise from its topmost point, and that point's column."""
    lip = stage.piece.lip_points[:-1]
    pixel = stage.camera.project(lip)
    if not np.isfinite(pixel).all():
        return None, 0
    topmost = int(pixel[:, 1].argmin())
    order = np.argsort(rim_angles_deg(lip, topmost), kind="stable")
    return pixel[order], topmost


def fit_lip_ellipse(stage: Stage, curve: Floats) -> dict[str, float] | None:
    """The lip's ellipse where it is one: round and oval pieces."""
    if stage.piece.shape in ("square plate", "scalloped plate", "wavy plate", "creamer"):
        return None
    centre, axes, angle = cv2.fitEllipseDirect(curve.astype(np.float32)[:, None])
    long, short, turn = axes[0] / 2, axes[1] / 2, angle
    if short > long:
        long, short, turn = short, long, angle + 90.0
    return {
        "cx": float(centre[0]),
        "cy": float(centre[1]),
        "semi_major": float(long),
        "semi_minor": float(short),
        "angle_deg": float(turn % 180.0),
    }


def outline_polygon(mask: NDArray[np.bool_], step_px: int) -> list[list[float]] | None:
    """Largest part of a coarse mask as a polygon in photo pixels."""
    padded = np.pad(mask.astype(np.uint8), 1)
    contours, _ = cv2.findContours(padded, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours:
        return None
    largest = max(contours, key=cv2.contourArea)
    simple = cv2.approxPolyDP(largest, OUTLINE_TOLERANCE_PX / step_px, True)[:, 0].astype(float)
    if len(simple) < 3:
        return None
    points = (simple - 1 + 0.5) * step_px
    return [[round(float(x), 1), round(float(y), 1)] for x, y in points]


def strip_check_points(piece: Piece) -> tuple[Floats, Floats, NDArray[np.intp], NDArray[np.intp]]:
    """Points and normals (m, 3) spread over the strip, with their strip rows and columns."""
    rows = np.linspace(1, piece.strip_points.shape[0] - 2, STRIP_CHECK_ROWS).round().astype(int)
    columns = np.arange(0, piece.strip_points.shape[1] - 1, STRIP_CHECK_STEP)
    row, column = (part.ravel() for part in np.meshgrid(rows, columns, indexing="ij"))
    return piece.strip_points[row, column], piece.strip_normals[row, column], row, column


def measure_wear(stage: Stage, seen: NDArray[np.bool_], topmost: int) -> dict[str, Any]:
    """Remaining share over all and by sector, over the part of the strip that is seen.

    ``seen`` (STRIP_CHECK_ROWS, columns) says which check points are visible; the metal is
    weighted by the length of its circle, so that shares are shares of area.
    """
    decoration, piece = stage.decoration, stage.piece
    height, width = decoration.stamped.shape
    visible = cv2.resize(seen.astype(np.float32), (width, height), interpolation=cv2.INTER_LINEAR) > 0.5
    radius = np.hypot(*piece.strip_points[..., :2].transpose(2, 0, 1)).mean(1)
    weight = np.interp(np.linspace(0, 1, height), np.linspace(0, 1, len(radius)), radius / radius.max())
    was = (decoration.stamped > 0.5) & visible
    area_was = (was * weight[:, None]).sum(0)
    area_left = ((decoration.left & visible) * weight[:, None]).sum(0)
    area_dull = ((decoration.left & visible & (decoration.dull > 0.5)) * weight[:, None]).sum(0)
    angles = _column_angles(piece, width, topmost)
    bins = np.minimum((angles / SECTOR_DEG).astype(int), SECTORS - 1)
    was_in, left_in = (np.bincount(bins, part, SECTORS) for part in (area_was, area_left))
    total = float(area_was.sum())
    share = float(area_left.sum()) / total if total > 0 else None
    dull = float(area_dull.sum()) / max(float(area_left.sum()), 1e-9)
    floor = 0.002 * height * width / SECTORS
    return {
        "remaining_share": share,
        "dull_share": dull if share is not None else None,
        "sectors": [
            {
                "from_deg": i * SECTOR_DEG,
                "to_deg": (i + 1) * SECTOR_DEG,
                "remaining_share": float(left_in[i] / was_in[i]) if was_in[i] > floor else None,
            }
            for i in range(SECTORS)
        ],
    }


def _column_angles(piece: Piece, width: int, topmost: int) -> Floats:
    lip = piece.lip_points[:-1]
    unit = (lip[:, 0] + 1j * lip[:, 1]) / np.hypot(lip[:, 0], lip[:, 1])
    where = (np.arange(width) + 0.5) / width * len(lip)
    closed = np.append(unit, unit[0])
    grid = np.arange(len(lip) + 1)
    between = np.interp(where, grid, closed.real) + 1j * np.interp(where, grid, closed.imag)
    angles: Floats = (np.degrees(np.angle(unit[topmost])) - np.degrees(np.angle(between))) % 360.0
    return angles


def state_of(worn: dict[str, Any], has_metal: bool) -> str | None:
    """``worn`` by the public definition, ``sound``, or None without metal in view."""
    if not has_metal or worn["remaining_share"] is None:
        return None
    return "worn" if worn["remaining_share"] < WORN_BELOW or worn["dull_share"] > 0.5 else "sound"


def describe_scene(stage: Stage) -> dict[str, Any]:
    """How the scene was made: everything the plan and the layout hold."""
    plan, camera, border = stage.plan, stage.camera, stage.border
    motif = border.motif if border else None
    paper = None if stage.paper is None else _rounded(camera.project(stage.paper.vertices))
    return {
        "plan": asdict(plan),
        "piece": stage.piece.shape,
        "diameter_mm": round(stage.piece.diameter_mm, 2),
        "glaze": plan.glaze,
        "metal": plan.metal,
        "alloy": plan.alloy if plan.metal == "gold" else None,
        "trim": plan.trim,
        "finish": plan.finish,
        "paint": plan.border_colour if plan.metal == "none" else None,
        "motif": motif.name if motif else None,
        "motif_id": motif.id if motif else None,
        "variant": motif.variant if motif else None,
        "border": {
            "layout": motif.layout if motif else "none",
            "repeats": border.repeats if border else None,
            "repeat_mm": stage.piece.lip_length_mm / border.repeats if border else None,
            "symmetry": motif.symmetry if motif else None,
            "height_mm": border.height_mm if border else None,
            "colour": border.colour if border else None,
        },
        "lines": [
            {"place": line.place, "colour": line.colour, "width_mm": round(line.width_mm, 3)}
            for line in stage.lines
        ],
        "lights": [
            {"illuminant": name, "share": round(share, 3)}
            for name, share in zip(plan.lights, plan.strengths, strict=True)
        ],
        "camera": {
            "tilt_deg": plan.tilt_deg,
            "roll_deg": plan.roll_deg,
            "origin_mm": camera.origin.round(2).tolist(),
            "focal_px": camera.focal_px,
            "focal_35mm": plan.focal_35mm,
        },
        "paper": {"size": plan.paper, "corners": paper} if paper is not None else None,
    }


def _rounded(points: Floats) -> list[list[float]] | None:
    if not np.isfinite(points).all():
        return None
    return [[round(float(x), 2), round(float(y), 2)] for x, y in points]


def describe_rim(stage: Stage, curve: Floats | None, lip_seen: NDArray[np.bool_]) -> dict[str, Any]:
    """Curve, ellipse and visible share of the outer lip."""
    return {
        "curve": _rounded(curve) if curve is not None else None,
        "ellipse": fit_lip_ellipse(stage, curve) if curve is not None else None,
        "visible_share": round(float(lip_seen.mean()), 4),
    }
