"""A stage handed to Mitsuba 3: spectra, materials, path tracing, and ray tests for the truth.

Every scene has the same number and kinds of shapes, materials and lights, what it lacks being hidden
under the floor, so that the kernel compiled for the first scene serves all.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from training.render.meshes import Mesh, joined, vertex_normals
from training.render.room import ATLAS
from training.render.smoothing import smooth_grain
from training.render.spectra import WAVELENGTHS_NM, light_spectrum, metal_constants
from training.render.stage import Stage

Floats = NDArray[np.float64]
MAX_DEPTH = 7
GUIDE_SAMPLES = 16
RUSSIAN_ROULETTE_FROM = 3
# light sources are sampled by their share of the light on the piece, never less than this beside it
LEAST_SAMPLED_SHARE = 0.15
# a brighter pixel is one stray path; in multiples of the picture's median brightness
FIREFLY_LIMIT = 60.0


def choose_variant(name: str) -> Any:
    """Select a Mitsuba variant and return the module.

    Raises
    ------
    ImportError
        Where mitsuba is not installed.
    """
    import mitsuba as mi

    mi.set_variant(name)
    mi.set_log_level(mi.LogLevel.Error)
    return mi


def _spectrum(values: NDArray[Any], scale: float = 1.0) -> dict[str, Any]:
    text = ", ".join(f"{v * scale:.6g}" for v in values)
    return {
        "type": "regular",
        "wavelength_min": float(WAVELENGTHS_NM[0]),
        "wavelength_max": float(WAVELENGTHS_NM[-1]),
        "values": text,
    }


def _picture(mi: Any, array: NDArray[np.float32], raw: bool, nearest: bool = False) -> dict[str, Any]:
    bitmap = mi.Bitmap(np.ascontiguousarray(array if array.ndim == 3 else array[..., None], dtype=np.float32))
    return {
        "type": "bitmap",
        "bitmap": bitmap,
        "raw": raw,
        "filter_type": "nearest" if nearest else "bilinear",
        "wrap_mode": "repeat",
    }


def _linear(encoded: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4).astype(
        np.float32
    )


def _coat(mi: Any, picture: NDArray[np.float32], roughness: float, nearest: bool = False) -> dict[str, Any]:
    """A dielectric coat over a coloured body."""
    return {
        "type": "roughplastic",
        "distribution": "ggx",
        "alpha": roughness,
        "int_ior": 1.5,
        "diffuse_reflectance": _picture(mi, _linear(picture), raw=False, nearest=nearest),
    }


def _decorated(mi: Any, stage: Stage) -> dict[str, Any]:
    """Metal over glaze by the opacity mask."""
    plan, decoration = stage.plan, stage.decoration
    n, k = metal_constants("platinum" if plan.metal == "platinum" else plan.alloy)
    return {
        "type": "blendbsdf",
        "weight": _picture(mi, decoration.metal, raw=True),
        "glaze": _coat(mi, decoration.body, plan.gloss),
        "metal": {
            "type": "roughconductor",
            "distribution": "ggx",
            "alpha": _picture(mi, decoration.roughness, raw=True),
            "eta": _spectrum(n),
            "k": _spectrum(k),
        },
    }


def _two_sided(bsdf: dict[str, Any]) -> dict[str, Any]:
    return {"type": "twosided", "inner": bsdf}


def _matte(mi: Any, atlas: NDArray[np.float32]) -> dict[str, Any]:
    return _two_sided(
        {
            "type": "diffuse",
            "reflectance": _picture(mi, _linear(np.clip(atlas, 0, 0.93)), raw=False, nearest=True),
        }
    )


def _shape(mi: Any, name: str, mesh: Mesh, bsdf: Any, emitter: Any = None) -> Any:
    """A Mitsuba mesh from arrays."""
    settings = mi.Properties()
    settings["bsdf"] = bsdf
    if emitter is not None:
        settings["emitter"] = emitter
    shape = mi.Mesh(
        name,
        vertex_count=len(mesh.vertices),
        face_count=len(mesh.faces),
        has_vertex_normals=True,
        has_vertex_texcoords=True,
        props=settings,
    )
    values = mi.traverse(shape)
    floats = type(values["vertex_positions"])
    values["vertex_positions"] = floats(mesh.vertices.astype(np.float32).ravel())
    values["faces"] = type(values["faces"])(mesh.faces.astype(np.uint32).ravel())
    values["vertex_texcoords"] = floats(mesh.uv.astype(np.float32).ravel())
    values["vertex_normals"] = floats(vertex_normals(mesh).astype(np.float32).ravel())
    values.update()
    return shape


def form_factor(mesh: Mesh, point: Floats) -> float:
    """Share of an upward-facing patch's view that a light mesh takes up, facets as points."""
    corners = mesh.vertices[mesh.faces]
    facet = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    away = corners.mean(1) - point
    distance = np.linalg.norm(away, axis=1)
    leaving = np.clip(-(facet * away).sum(1) / distance, 0.0, None) / 2
    arriving = np.clip(away[:, 2] / distance, 0.0, None)
    return float((leaving * arriving / (np.pi * distance**2)).sum())


@dataclass(frozen=True)
class TracedScene:
    """A loaded scene: the module, the scene, and which of its shapes are the piece."""

    mi: Any
    scene: Any
    piece_shapes: tuple[Any, ...]
    stage: Stage


def load_scene(mi: Any, stage: Stage) -> TracedScene:
    """Build the Mitsuba scene of a stage."""
    decorated = mi.load_dict(_decorated(mi, stage))
    glazed = mi.load_dict(_coat(mi, stage.well_picture, stage.plan.gloss))
    plain = mi.load_dict(_two_sided(_coat(mi, np.full((2, 2, 3), stage.other_glaze, np.float32), 0.06)))
    soft = stage.plan.table in ("white cloth", "coloured cloth", "checks", "newsprint", "floral")
    top = mi.load_dict(_two_sided(_coat(mi, stage.table_picture, 0.6 if soft else 0.22)))
    walls = mi.load_dict(_matte(mi, stage.room.atlas))
    matte = mi.load_dict(_matte(mi, stage.prop_atlas))
    sheet = mi.load_dict(_matte(mi, np.full((1, ATLAS, 3), (0.94, 0.94, 0.945), np.float32)))
    strip = _shape(mi, "strip", stage.piece.strip, decorated)
    rest = _shape(mi, "rest", stage.piece.rest, glazed)
    shapes = {"strip": strip, "rest": rest, "table": _shape(mi, "table", stage.table, top)}
    shapes["walls"] = _shape(mi, "walls", stage.room.walls, walls)
    lower_strips, lower_rests = ([pair[i] for pair in stage.underneath] for i in (0, 1))
    for name, mesh, bsdf in (
        ("lower_strips", joined(lower_strips) if lower_strips else None, decorated),
        ("lower_rests", joined(lower_rests) if lower_rests else None, glazed),
        ("others", stage.others, plain),
        ("props", stage.props, matte),
        ("paper", _sheets(stage), sheet),
    ):
        hidden = stage.table.moved((0, 0, -300.0)) if mesh is None else mesh
        shapes[name] = _shape(mi, name, hidden, bsdf)
    shapes |= _lights(mi, stage)
    scene = mi.load_dict(
        {"type": "scene", "integrator": path_integrator(), "sensor": _sensor(mi, stage), **shapes}
    )
    return TracedScene(mi, scene, (strip, rest), stage)


def _sheets(stage: Stage) -> Mesh | None:
    sheets = [mesh for mesh in (stage.paper, stage.held_paper) if mesh is not None]
    return joined(sheets) if sheets else None


def _guide_integrator() -> dict[str, Any]:
    """Albedo and normal of the first hit; beside the path tracer in one kernel they would double its cost."""
    return {"type": "aov", "aovs": "albedo:albedo,normal:sh_normal"}


def path_integrator() -> dict[str, Any]:
    """The path tracer's settings."""
    return {"type": "path", "max_depth": MAX_DEPTH, "rr_depth": RUSSIAN_ROULETTE_FROM}


def _lights(mi: Any, stage: Stage) -> dict[str, Any]:
    """Window and lamps, each so bright that it gives its share of the light on the piece."""
    black = mi.load_dict({"type": "diffuse", "reflectance": {"type": "uniform", "value": 0.02}})
    made = {}
    meshes = (stage.room.window, stage.room.ceiling_lamp, stage.room.standing_lamp)
    for name, mesh, light, strength in zip(
        ("window", "ceiling", "standing"), meshes, stage.plan.lights, stage.plan.strengths, strict=True
    ):
        reach = max(form_factor(mesh, np.array([0.0, 0.0, 20.0])), 1e-4)
        spectrum = _spectrum(light_spectrum(light), strength / reach)
        often = LEAST_SAMPLED_SHARE + strength
        emitter = mi.load_dict({"type": "area", "radiance": spectrum, "sampling_weight": often})
        made[name] = _shape(mi, name, mesh, black, emitter)
    return made


def _sensor(mi: Any, stage: Stage) -> dict[str, Any]:
    """The camera; an upright photo is traced lying on its side, so that all films are alike to the kernel."""
    camera = stage.camera
    upright = camera.height_px > camera.width_px
    up = camera.right if upright else camera.up
    size = sorted((camera.width_px, camera.height_px))
    return {
        "type": "perspective",
        "fov": float(np.degrees(2 * np.arctan(size[1] / 2 / camera.focal_px))),
        "fov_axis": "x",
        "near_clip": 5.0,
        "far_clip": 20000.0,
        "to_world": mi.ScalarTransform4f().look_at(
            origin=camera.origin.tolist(),
            target=(camera.origin + camera.forward * 100.0).tolist(),
            up=up.tolist(),
        ),
        "film": {
            "type": "hdrfilm",
            "width": size[1],
            "height": size[0],
            "pixel_format": "rgb",
            "component_format": "float32",
            "rfilter": {"type": "box"},
        },
        "sampler": {"type": "multijitter"},
    }


def trace(traced: TracedScene, samples: int, passes: int = 1) -> NDArray[np.float32]:
    """Path-trace: (H, W, 3) linear sRGB, the CIE observer as sensor; in passes where memory is short."""
    mi, camera, seed = traced.mi, traced.stage.camera, traced.stage.plan.seed * 64
    colour: Any = 0.0
    for index in range(passes):
        image = mi.render(traced.scene, spp=max(1, samples // passes), seed=seed + index)
        colour = colour + np.asarray(image, dtype=np.float32)[..., :3] / np.float32(passes)
    found = mi.render(
        traced.scene, integrator=mi.load_dict(_guide_integrator()), spp=GUIDE_SAMPLES, seed=seed
    )
    total = np.concatenate([colour, np.asarray(found, dtype=np.float32)[..., -6:]], -1)
    if camera.height_px > camera.width_px:
        total = np.rot90(total, -1)
    total = np.nan_to_num(total, nan=0.0, posinf=0.0, neginf=0.0)
    colour, guides = total[..., :3], total[..., -6:]
    middle = float(np.median(colour.max(-1)))
    colour = np.minimum(colour, FIREFLY_LIMIT * max(middle, 1e-6))
    return smooth_grain(np.asarray(colour, np.float32), np.asarray(guides, np.float32), samples)
