"""A stage handed to Mitsuba 3: spectra, materials, path tracing, and ray tests for the truth.

Every scene has the same kinds of materials and lights, so that the compiled kernel is reused.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from training.render.meshes import Mesh
from training.render.room import ATLAS
from training.render.spectra import WAVELENGTHS_NM, light_spectrum, metal_constants
from training.render.stage import Stage

Floats = NDArray[np.float64]
MAX_DEPTH = 7
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
    n, k = metal_constants("platinum" if plan.metal == "platinum" else "gold")
    painted = any(colour not in ("gold", "platinum") for colour in _colours(stage))
    body = decoration.body if painted else decoration.body[:4, :4]
    return {
        "type": "blendbsdf",
        "weight": _picture(mi, decoration.metal, raw=True),
        "glaze": _coat(mi, body, plan.gloss),
        "metal": {
            "type": "roughconductor",
            "distribution": "ggx",
            "alpha": _picture(mi, decoration.roughness, raw=True),
            "eta": _spectrum(n),
            "k": _spectrum(k),
        },
    }


def _colours(stage: Stage) -> list[str]:
    border = [stage.border.colour] if stage.border else []
    return border + [line.colour for line in stage.lines]


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
        has_vertex_normals=mesh.normals is not None,
        has_vertex_texcoords=True,
        props=settings,
    )
    values = mi.traverse(shape)
    floats = type(values["vertex_positions"])
    values["vertex_positions"] = floats(mesh.vertices.astype(np.float32).ravel())
    values["faces"] = type(values["faces"])(mesh.faces.astype(np.uint32).ravel())
    values["vertex_texcoords"] = floats(mesh.uv.astype(np.float32).ravel())
    if mesh.normals is not None:
        values["vertex_normals"] = floats(mesh.normals.astype(np.float32).ravel())
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
    for level, (lower_strip, lower_rest) in enumerate(stage.underneath):
        shapes[f"lower_strip_{level}"] = _shape(mi, "lower strip", lower_strip, decorated)
        shapes[f"lower_rest_{level}"] = _shape(mi, "lower rest", lower_rest, glazed)
    for name, mesh, bsdf in (
        ("others", stage.others, plain),
        ("props", stage.props, matte),
        ("paper", stage.paper, sheet),
    ):
        hidden = stage.table.moved((0, 0, -300.0)) if mesh is None else mesh
        shapes[name] = _shape(mi, name, hidden, bsdf)
    shapes |= _lights(mi, stage)
    scene = mi.load_dict(
        {"type": "scene", "integrator": _integrator(), "sensor": _sensor(mi, stage), **shapes}
    )
    return TracedScene(mi, scene, (strip, rest), stage)


def _integrator() -> dict[str, Any]:
    return {"type": "path", "max_depth": MAX_DEPTH, "rr_depth": 5}


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
        emitter = mi.load_dict({"type": "area", "radiance": spectrum})
        made[name] = _shape(mi, name, mesh, black, emitter)
    return made


def _sensor(mi: Any, stage: Stage) -> dict[str, Any]:
    camera = stage.camera
    target = camera.origin + camera.forward * 100.0
    return {
        "type": "perspective",
        "fov": camera.fov_x_deg,
        "fov_axis": "x",
        "near_clip": 5.0,
        "far_clip": 20000.0,
        "to_world": mi.ScalarTransform4f().look_at(
            origin=camera.origin.tolist(), target=target.tolist(), up=camera.up.tolist()
        ),
        "film": {
            "type": "hdrfilm",
            "width": camera.width_px,
            "height": camera.height_px,
            "pixel_format": "rgb",
            "component_format": "float32",
            "rfilter": {"type": "box"},
        },
        "sampler": {"type": "independent"},
    }


def trace(traced: TracedScene, samples: int, passes: int = 1) -> NDArray[np.float32]:
    """Path-trace: (H, W, 3) linear sRGB, the CIE observer as sensor; in passes where memory is short."""
    height, width = traced.stage.camera.height_px, traced.stage.camera.width_px
    total = np.zeros((height, width, 3), np.float32)
    for index in range(passes):
        seed = traced.stage.plan.seed * 64 + index
        image = traced.mi.render(traced.scene, spp=max(1, samples // passes), seed=seed)
        total += np.asarray(image, dtype=np.float32)[..., :3]
    total = np.nan_to_num(total / passes, nan=0.0, posinf=0.0, neginf=0.0)
    middle = float(np.median(total.max(-1)))
    return np.asarray(np.minimum(total, FIREFLY_LIMIT * max(middle, 1e-6)), np.float32)
