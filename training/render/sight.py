"""Ray tests in a traced scene: what the camera sees of the piece, and what a white beside it would show."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from training.render.tracing import TracedScene, path_integrator

Floats = NDArray[np.float64]


def measure_white(traced: TracedScene, rays: int = 65536) -> Floats:
    """What a perfect white, lying face up beside the piece, sends back: (3,) linear sRGB."""
    mi, stage = traced.mi, traced.stage
    rng = np.random.default_rng([stage.plan.seed, 77])
    reach = float(np.hypot(*stage.piece.rest.vertices[:, :2].T).max()) + 30.0
    side = rng.uniform(0, 2 * np.pi, rays)
    start = np.stack([reach * np.cos(side), reach * np.sin(side), np.full(rays, 14.0)], 1)
    turn, share = rng.uniform(0, 2 * np.pi, rays), rng.random(rays)
    level = np.sqrt(share)
    toward = np.stack([level * np.cos(turn), level * np.sin(turn), np.sqrt(1 - share)], 1)
    integrator = mi.load_dict(path_integrator())
    sampler = mi.load_dict({"type": "independent"})
    waves = (rng.permutation(rays) + rng.random(rays)) / rays
    if "scalar" in mi.variant():
        sampler.seed(stage.plan.seed)
        found = [
            _radiance(mi, integrator, traced.scene, sampler, o, d, float(s))
            for o, d, s in zip(start[:512], toward[:512], rng.random(512), strict=True)
        ]
        return np.asarray(np.array(found).mean(0), float)
    sampler.seed(stage.plan.seed, rays)
    colour = _radiance(mi, integrator, traced.scene, sampler, start.T, toward.T, waves)
    return np.asarray(np.asarray(colour, dtype=float).reshape(3, -1).mean(1), float)


def _radiance(mi: Any, integrator: Any, scene: Any, sampler: Any, origin: Any, toward: Any, wave: Any) -> Any:
    """Linear sRGB carried back along rays."""
    wave = wave if isinstance(wave, float) else mi.Float(np.asarray(wave, np.float32))
    ray = mi.RayDifferential3f(mi.Point3f(*_parts(mi, origin)), mi.Vector3f(*_parts(mi, toward)))
    wavelengths, weight = mi.sample_rgb_spectrum(mi.sample_shifted(wave))
    ray.wavelengths = wavelengths
    spectrum = integrator.sample(scene, sampler, ray)[0]
    return mi.spectrum_to_srgb(spectrum * weight, wavelengths)


def _parts(mi: Any, array: Any) -> list[Any]:
    if np.ndim(array) == 1:
        return [float(v) for v in array]
    return [mi.Float(np.ascontiguousarray(row, dtype=np.float32)) for row in array]


def seen_from_camera(traced: TracedScene, points: Floats, normals: Floats | None) -> NDArray[np.bool_]:
    """Which (n, 3) points lie in the frame, face the camera and are hidden by nothing."""
    mi, camera = traced.mi, traced.stage.camera
    lifted = points + (0.5 * normals if normals is not None else np.array([0, 0, 0.6]))
    away = lifted - camera.origin
    distance = np.linalg.norm(away, axis=1)
    pixel = camera.project(points)
    with np.errstate(invalid="ignore"):
        inside = (pixel >= 0).all(1) & (pixel[:, 0] < camera.width_px) & (pixel[:, 1] < camera.height_px)
    facing = np.ones(len(points), bool) if normals is None else (normals * -away).sum(1) > 0.06 * distance
    toward = away / distance[:, None]
    blocked = _blocked(mi, traced.scene, camera.origin, toward, distance - 0.25)
    return np.asarray(inside & facing & ~blocked, bool)


def _blocked(mi: Any, scene: Any, origin: Floats, toward: Floats, reach: Floats) -> NDArray[np.bool_]:
    if "scalar" in mi.variant():
        start = mi.Point3f(*[float(v) for v in origin])
        rays = (
            mi.Ray3f(mi.Ray3f(start, mi.Vector3f(*map(float, d))), float(m))
            for d, m in zip(toward, reach, strict=True)
        )
        return np.array([scene.ray_test(ray) for ray in rays], dtype=bool)
    ray = mi.Ray3f(_start(mi, origin), mi.Vector3f(*_parts(mi, toward.T)))
    ray.maxt = mi.Float(reach.astype(np.float32))
    return np.asarray(scene.ray_test(ray), dtype=bool)


def piece_mask(traced: TracedScene, step_px: int = 2) -> NDArray[np.bool_]:
    """Where the piece is seen, one ray every ``step_px`` pixels: (ceil(H/step), ceil(W/step)) bool."""
    mi, camera = traced.mi, traced.stage.camera
    x = np.arange(0, camera.width_px, step_px) + step_px / 2
    y = np.arange(0, camera.height_px, step_px) + step_px / 2
    grid = np.stack(np.meshgrid(x, y), -1).reshape(-1, 2)
    flat = (grid - [camera.width_px / 2, camera.height_px / 2]) / camera.focal_px
    toward = camera.forward + flat[:, :1] * camera.right - flat[:, 1:] * camera.up
    toward /= np.linalg.norm(toward, axis=1, keepdims=True)
    if "scalar" in mi.variant():
        start = mi.Point3f(*[float(v) for v in camera.origin])
        rays = (mi.Ray3f(start, mi.Vector3f(*map(float, d))) for d in toward)
        found = [
            scene_hit.shape in traced.piece_shapes for scene_hit in map(traced.scene.ray_intersect, rays)
        ]
        return np.array(found, dtype=bool).reshape(len(y), len(x))
    hit = traced.scene.ray_intersect(mi.Ray3f(_start(mi, camera.origin), mi.Vector3f(*_parts(mi, toward.T))))
    numbers = _shape_numbers(mi, hit.shape)
    piece = [int(_shape_numbers(mi, mi.ShapePtr(shape))[0]) for shape in traced.piece_shapes]
    return np.isin(numbers, piece).reshape(len(y), len(x))


def _start(mi: Any, origin: Floats) -> Any:
    """A point that is data to the kernel, not part of its code (which would be compiled for each camera)."""
    return mi.Point3f(*[mi.Float(np.array([value], np.float32)) for value in origin])


def _shape_numbers(mi: Any, shapes: Any) -> NDArray[np.uint32]:
    import drjit

    return np.asarray(drjit.reinterpret_array(mi.UInt32, shapes), np.uint32)
