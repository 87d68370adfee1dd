"""One picture with its truth: plan → stage → path tracing → phone → file."""

from __future__ import annotations

import time
from dataclasses import asdict, dataclass
from typing import Any

from training.art.motif_art import Motif
from training.render.phone import balance_gains, develop, draw_phone, true_white
from training.render.photo_file import encode_photo
from training.render.plan import ScenePlan, stream
from training.render.sight import measure_white, piece_mask, seen_from_camera
from training.render.stage import build_stage
from training.render.tracing import load_scene, trace
from training.render.truth import (
    LIP_CHECK_STEP,
    STRIP_CHECK_ROWS,
    describe_rim,
    describe_scene,
    measure_wear,
    outline_polygon,
    project_lip,
    state_of,
    strip_check_points,
)

RENDERER = "rimlight-render-1"


@dataclass(frozen=True)
class RenderSettings:
    """Long and short side in px, samples per pixel, passes, ray spacing of the outline."""

    size_px: tuple[int, int] = (1200, 900)
    samples: int = 96
    passes: int = 1
    outline_step_px: int = 2


def render_picture(
    mi: Any, plan: ScenePlan, motifs: dict[str, Motif], settings: RenderSettings
) -> tuple[bytes, dict[str, Any]]:
    """Render a plan: the JPEG's bytes and its truth, ready for JSON."""
    started = time.perf_counter()
    stage = build_stage(plan, motifs, settings.size_px)
    staged_s = time.perf_counter() - started
    traced = load_scene(mi, stage)
    loaded_s = time.perf_counter() - started
    linear = trace(traced, settings.samples, settings.passes)
    traced_s = time.perf_counter() - started
    white = measure_white(traced)
    rng = stream(plan.seed, "phone")
    phone = draw_phone(rng, plan.phone)
    pixels = develop(linear, white, phone, stream(plan.seed, "noise"))
    orientation = int(rng.choice([1, 3, 6, 8], p=[0.7, 0.08, 0.14, 0.08]))
    minutes = int(rng.integers(0, 500_000))
    data = encode_photo(pixels, phone.quality, phone.display_p3, plan.focal_35mm, orientation, minutes)
    truth = {"renderer": RENDERER, "seed": plan.seed, "width": pixels.shape[1], "height": pixels.shape[0]}
    truth |= describe_scene(stage) | _look(traced, settings, plan)
    truth["white_rgb"] = list(true_white(white, balance_gains(white, phone), phone))
    truth["phone"] = asdict(phone)
    truth["seconds"] = {
        "staged": round(staged_s, 2),
        "loaded": round(loaded_s, 2),
        "traced": round(traced_s, 2),
        "total": round(time.perf_counter() - started, 2),
    }
    return data, truth


def _look(traced: Any, settings: RenderSettings, plan: ScenePlan) -> dict[str, Any]:
    """What is seen: outline, lip, wear of the visible part."""
    stage = traced.stage
    curve, topmost = project_lip(stage)
    lip_seen = seen_from_camera(traced, stage.piece.lip_points[:-1:LIP_CHECK_STEP], None)
    points, normals, _, _ = strip_check_points(stage.piece)
    strip_seen = seen_from_camera(traced, points, normals).reshape(STRIP_CHECK_ROWS, -1)
    worn = measure_wear(stage, strip_seen, topmost)
    mask = piece_mask(traced, settings.outline_step_px)
    return {
        "status": "found" if plan.framing == "whole" else "partial",
        "outline": outline_polygon(mask, settings.outline_step_px),
        "rim": describe_rim(stage, curve, lip_seen),
        "strip_visible_share": round(float(strip_seen.mean()), 4),
        "state": state_of(worn, plan.metal != "none"),
        **worn,
    }
