"""The pieces: lip and cross-section swept into meshes, with the decorated strip kept apart.

Rim angles run clockwise seen from above in the piece's own frame; the strip's u runs
clockwise on the inside of plates and bowls and the other way round on the outside of cups,
so that the lip is always up and the motif never mirrored.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from training.render.lips import Lip, LipKind, angles_by_length
from training.render.meshes import Mesh, grid_mesh, grid_normals, joined, smooth_polyline, tube_mesh
from training.render.profiles import Profile, draw_hollow_profile, draw_plate_profile

Floats = NDArray[np.float64]
Side = Literal["inside", "outside"]
Shape = Literal[
    "rimmed plate",
    "coupe plate",
    "oval platter",
    "square plate",
    "scalloped plate",
    "bowl",
    "cup",
    "sugar bowl",
    "creamer",
    "egg cup",
    "wavy plate",
]
ALL_SHAPES: tuple[Shape, ...] = Shape.__args__  # type: ignore[attr-defined]
SHAPES = ALL_SHAPES[:9]  # those of a scene whose shape is not told
HOLLOW: tuple[Shape, ...] = ("cup", "sugar bowl", "creamer", "egg cup")
COLUMNS = 360
STRIP_BEYOND_LIP_MM = 2.0


@dataclass(frozen=True)
class Piece:
    """A piece standing on the table at the origin.

    Attributes
    ----------
    strip, rest : the decorated strip (uv: u along the rim, v across from the lip) and everything else.
    strip_points, strip_normals : (rows, columns + 1, 3) grid of the strip.
    strip_across_mm : (rows,) length along the section from the outer lip, negative beyond it.
    lip_points : (columns + 1, 3) the outer lip along the strip's u.
    lip_length_mm, diameter_mm, verge_mm : length of the lip, its long axis, lip to verge.
    side : which side of the wall carries the strip.
    """

    shape: Shape
    strip: Mesh
    rest: Mesh
    strip_points: Floats
    strip_normals: Floats
    strip_across_mm: Floats
    lip_points: Floats
    lip_length_mm: float
    diameter_mm: float
    verge_mm: float
    side: Side

    @property
    def strip_width_mm(self) -> float:
        """Width of the strip across, mm."""
        return float(self.strip_across_mm[-1] - self.strip_across_mm[0])


def _lip_of(shape: Shape, radius: float, rim: float, rng: np.random.Generator) -> Lip:
    kind: LipKind = "round"
    short, power, lobes, depth = radius, 2.0, 0, 0.0
    if shape == "oval platter":
        kind, short = "oval", radius * rng.uniform(0.68, 0.82)
    elif shape == "square plate":
        kind, power = "square", rng.uniform(4.2, 6.5)
    elif shape == "scalloped plate":
        kind, lobes, depth = "scalloped", int(rng.integers(8, 17)), rng.uniform(0.03, 0.07)
    elif shape == "wavy plate":
        kind, lobes, depth = "wavy", int(rng.integers(5, 11)), rng.uniform(0.02, 0.045)
    elif shape == "creamer":
        kind, depth = "spouted", rng.uniform(0.18, 0.3)
    return Lip(kind, radius, short, rim, power, lobes, depth, spout_deg=180.0)


# heights of bowls and hollowware in lip radii (common practice, no source)
_HEIGHTS: dict[str, tuple[float, float]] = {
    "bowl": (0.55, 0.8),
    "cup": (1.2, 1.6),
    "sugar bowl": (1.3, 1.7),
    "creamer": (1.7, 2.2),
    "egg cup": (2.2, 2.8),
}


def _profile_of(shape: Shape, lip: Lip, rng: np.random.Generator) -> Profile:
    radius = lip.mean_radius_mm
    if shape == "coupe plate":
        return draw_plate_profile(radius, lip.rim_width_mm, rng.uniform(16, 24), "coupe")
    if shape in HOLLOW or shape == "bowl":
        height = radius * rng.uniform(*_HEIGHTS[shape])
        return draw_hollow_profile(radius, height, shape, lip.rim_width_mm)
    return draw_plate_profile(radius, lip.rim_width_mm, rng.uniform(15, 22), "rimmed")


def _sweep(lip: Lip, profile: Profile, angles: Floats, hollow: bool) -> Floats:
    """Points (rows, columns, 3): every row a blend of the verge's outline and the lip's."""
    mean = lip.mean_radius_mm
    to_lip = lip.lip_radius_mm(angles) / mean
    to_verge = lip.verge_radius_mm(angles) / (mean - lip.rim_width_mm)
    if hollow:
        depth = profile.height_mm.max() - profile.height_mm
        blend = np.clip(1.0 - depth / (0.45 * profile.height_mm.max()), 0.0, 1.0)
    else:
        blend = np.clip(1.0 - (mean - profile.radius_mm) / lip.rim_width_mm, 0.0, 1.0)
    blend = blend**2 * (3.0 - 2.0 * blend)
    reach = profile.radius_mm[:, None] * (to_verge + blend[:, None] * (to_lip - to_verge))
    height = np.broadcast_to(profile.height_mm[:, None], reach.shape)
    return np.stack([reach * np.cos(angles), reach * np.sin(angles), height], -1)


def build_piece(shape: Shape, radius_mm: float, rim_width_mm: float, rng: np.random.Generator) -> Piece:
    """Sweep the piece and cut its strip off.

    Parameters
    ----------
    radius_mm : half the long axis of the lip.
    rim_width_mm : lip to verge on plates, how far the band reaches down on hollowware.

    References
    ----------
    Shapes and sizes: common practice, no source.
    """
    lip = _lip_of(shape, radius_mm, rim_width_mm, rng)
    profile = _profile_of(shape, lip, rng)
    side: Side = "outside" if shape in HOLLOW else "inside"
    angles, length = angles_by_length(lip, COLUMNS, clockwise=side == "inside")
    points = _sweep(lip, profile, angles, shape in HOLLOW or shape == "bowl")
    normals = grid_normals(points)
    if normals[2, :, 2].mean() < 0:
        normals = -normals
    normals[[0, -1]] = [[[0.0, 0.0, 1.0]], [[0.0, 0.0, -1.0]]]
    across = _section_lengths(profile)
    rows = _strip_rows(across, profile, side)
    strip_points, strip_normals = points[rows], normals[rows]
    strip_across = np.abs(across[rows]) * np.where(_beyond(across[rows], side), -1.0, 1.0)
    u = np.linspace(0.0, 1.0, COLUMNS + 1)
    v = (strip_across - strip_across[0]) / (strip_across[-1] - strip_across[0])
    uv = np.stack(np.meshgrid(u, v), -1)
    return Piece(
        shape=shape,
        strip=grid_mesh(strip_points, uv, strip_normals),
        rest=_rest_mesh(points, normals, rows, lip, profile, shape),
        strip_points=strip_points,
        strip_normals=strip_normals,
        strip_across_mm=strip_across,
        lip_points=points[profile.lip_row],
        lip_length_mm=length,
        diameter_mm=2.0 * float(np.abs(points[profile.lip_row, :, 0]).max()),
        verge_mm=profile.verge_mm,
        side=side,
    )


def _section_lengths(profile: Profile) -> Floats:
    """Signed length (rows,) along the section from the outer lip: inside negative."""
    step = np.hypot(np.diff(profile.radius_mm), np.diff(profile.height_mm))
    along = np.concatenate([[0.0], np.cumsum(step)])
    signed: Floats = along - along[profile.lip_row]
    return signed


def _beyond(across: Floats, side: Side) -> NDArray[np.bool_]:
    beyond: NDArray[np.bool_] = across > 0 if side == "inside" else across < 0
    return beyond


def _strip_rows(across: Floats, profile: Profile, side: Side) -> NDArray[np.intp]:
    """Rows of the strip, from just beyond the lip to past the verge."""
    reach = profile.verge_mm + 6.0
    if side == "inside":
        chosen = np.flatnonzero((across <= STRIP_BEYOND_LIP_MM) & (across >= -reach))
        return chosen[::-1]
    return np.flatnonzero((across >= -STRIP_BEYOND_LIP_MM) & (across <= reach))


def _rest_mesh(
    points: Floats, normals: Floats, rows: NDArray[np.intp], lip: Lip, profile: Profile, shape: Shape
) -> Mesh:
    """Inside and outside without the strip, with handles; uv maps the well's plan to 0..1."""
    low, high = int(rows.min()), int(rows.max())
    size = 2.4 * max(lip.half_long_mm, float(profile.radius_mm.max()))
    plan = points[..., :2] / size + 0.5
    inner, outer = np.arange(low, -1, -2)[::-1], np.arange(high, len(points), 2)
    kept = [np.union1d(inner, [0]), np.union1d(outer, [len(points) - 1])]
    parts = [
        grid_mesh(points[part][:, ::2], plan[part][:, ::2], normals[part][:, ::2])
        for part in kept
        if len(part) > 1
    ]
    return joined([*parts, *_handles(lip, profile, shape)])


def _handles(lip: Lip, profile: Profile, shape: Shape) -> list[Mesh]:
    turns = {"cup": (0.0,), "creamer": (0.0,), "sugar bowl": (0.0, np.pi)}.get(shape, ())
    return [_handle(profile, turn) for turn in turns]


def _handle(profile: Profile, turn_rad: float) -> Mesh:
    """An ear-shaped handle that springs below the lip and returns low on the body."""
    outer = slice(profile.lip_row, None)
    height, radius = profile.height_mm[outer], profile.radius_mm[outer]
    top = float(height[0])
    start, end = 0.8 * top, 0.3 * top
    order = np.argsort(height)
    begin = float(np.interp(start, height[order], radius[order])) - 2.0
    finish = float(np.interp(end, height[order], radius[order])) - 2.0
    widest = max(begin, finish)
    reach = widest + 0.42 * top
    loop = [
        (begin, start),
        (widest + 0.2 * top, start + 0.1 * top),
        (reach, start),
        (reach, 0.5 * (start + end)),
        (widest + 0.2 * top, end - 0.03 * top),
        (finish, end),
    ]
    line = smooth_polyline(loop, 4)
    spine = np.stack([line[:, 0], np.zeros(len(line)), line[:, 1]], 1)
    taper = 1.0 + 0.5 * np.abs(np.linspace(-1, 1, len(spine))) ** 4
    mesh = tube_mesh(spine, 4.2 * taper, 2.8 * taper)
    cos, sin = np.cos(turn_rad), np.sin(turn_rad)
    turned = mesh.turned(np.array([[cos, -sin, 0], [sin, cos, 0], [0, 0, 1.0]]))
    return Mesh(turned.vertices, turned.faces, turned.normals, np.full_like(turned.uv, 0.02))
