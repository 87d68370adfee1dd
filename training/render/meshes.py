"""Triangle meshes as plain arrays: grids, tubes, boxes, rectangles and blobs, all in mm."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Mesh:
    """Vertices (n, 3) mm, faces (m, 3), unit normals (n, 3) or None for flat facets, uv (n, 2)."""

    vertices: Floats
    faces: NDArray[np.uint32]
    normals: Floats | None
    uv: Floats

    def moved(self, offset_mm: ArrayLike) -> Mesh:
        """The same mesh, shifted by (3,) mm."""
        return Mesh(self.vertices + np.asarray(offset_mm, float), self.faces, self.normals, self.uv)

    def turned(self, rotation: Floats, about_mm: ArrayLike = (0.0, 0.0, 0.0)) -> Mesh:
        """The same mesh, turned by a (3, 3) rotation matrix about a point."""
        pivot = np.asarray(about_mm, float)
        normals = None if self.normals is None else self.normals @ rotation.T
        return Mesh((self.vertices - pivot) @ rotation.T + pivot, self.faces, normals, self.uv)


def joined(meshes: Sequence[Mesh]) -> Mesh:
    """One mesh out of several; a mesh without normals keeps flat facets only if all do.

    Raises
    ------
    ValueError
        With no mesh at all.
    """
    if not meshes:
        raise ValueError("expected at least one mesh to join, got none")
    starts = np.cumsum([0] + [len(mesh.vertices) for mesh in meshes[:-1]])
    faces = [mesh.faces + np.uint32(start) for mesh, start in zip(meshes, starts, strict=True)]
    flat = all(mesh.normals is None for mesh in meshes)
    normals = None if flat else np.concatenate([vertex_normals(mesh) for mesh in meshes])
    return Mesh(
        np.concatenate([mesh.vertices for mesh in meshes]),
        np.concatenate(faces).astype(np.uint32),
        normals,
        np.concatenate([mesh.uv for mesh in meshes]),
    )


def vertex_normals(mesh: Mesh) -> Floats:
    """Unit normals (n, 3) of a mesh: its own, or those of its facets (which share no corner)."""
    if mesh.normals is not None:
        return mesh.normals
    corners = mesh.vertices[mesh.faces]
    facet = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normals = np.zeros_like(mesh.vertices)
    for corner in range(3):
        np.add.at(normals, mesh.faces[:, corner], facet)
    return _unit(normals)


def _unit(vectors: Floats) -> Floats:
    length = np.linalg.norm(vectors, axis=-1, keepdims=True)
    scaled: Floats = vectors / np.maximum(length, 1e-12)
    return scaled


def grid_normals(points: Floats) -> Floats:
    """Unit normals (rows, columns, 3) of a grid whose columns close on themselves (last = first)."""
    around = np.empty_like(points)
    around[:, 1:-1] = points[:, 2:] - points[:, :-2]
    around[:, 0] = around[:, -1] = points[:, 1] - points[:, -2]
    down = np.gradient(points, axis=0)
    return _unit(np.cross(down, around))


def grid_mesh(points: Floats, uv: Floats, normals: Floats) -> Mesh:
    """Two triangles for each cell of a (rows, columns, 3) grid."""
    rows, columns = points.shape[:2]
    index = np.arange(rows * columns, dtype=np.uint32).reshape(rows, columns)
    a, b, c, d = (part.ravel() for part in (index[:-1, :-1], index[:-1, 1:], index[1:, 1:], index[1:, :-1]))
    faces = np.concatenate([np.stack([a, d, c], 1), np.stack([a, c, b], 1)])
    flat_points, flat_normals = points.reshape(-1, 3), normals.reshape(-1, 3)
    corners = flat_points[faces]
    facet = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    if (facet * flat_normals[faces[:, 0]]).sum() < 0:
        faces = faces[:, ::-1]
    return Mesh(flat_points, faces, flat_normals, uv.reshape(-1, 2))


def smooth_polyline(points: ArrayLike, rounds: int = 3) -> Floats:
    """Chaikin corner cutting of an open (n, d) polyline; the ends stay."""
    line = np.asarray(points, float)
    for _ in range(rounds):
        quarter = 0.75 * line[:-1] + 0.25 * line[1:]
        three = 0.25 * line[:-1] + 0.75 * line[1:]
        inner = np.stack([quarter, three], 1).reshape(-1, line.shape[1])
        line = np.concatenate([line[:1], inner, line[-1:]])
    return line


def resample_polyline(line: Floats, spacing_mm: float) -> Floats:
    """Points about ``spacing_mm`` apart along an open (n, d) polyline; the ends stay."""
    step = np.linalg.norm(np.diff(line, axis=0), axis=1)
    along = np.concatenate([[0.0], np.cumsum(step)])
    count = max(2, round(along[-1] / spacing_mm) + 1)
    where = np.linspace(0.0, along[-1], count)
    return np.stack([np.interp(where, along, line[:, axis]) for axis in range(line.shape[1])], 1)


def tube_mesh(centreline: Floats, half_width_mm: Floats, half_thick_mm: Floats, sides: int = 20) -> Mesh:
    """A tube along a planar (n, 3) centreline that lies in a vertical plane; an ellipse across."""
    tangent = _unit(np.gradient(centreline, axis=0))
    chord = centreline[-1] - centreline[0]
    bulge = centreline[len(centreline) // 2] - centreline[0]
    binormal = _unit(np.cross(chord, bulge)[None])[0]
    across = _unit(np.cross(tangent, binormal))
    turn = np.linspace(0.0, 2 * np.pi, sides + 1)
    ring = (
        np.cos(turn)[None, :, None] * half_width_mm[:, None, None] * binormal
        + np.sin(turn)[None, :, None] * half_thick_mm[:, None, None] * across[:, None]
    )
    points = centreline[:, None] + ring
    normals = grid_normals(points)
    outward = np.sign((normals * ring).sum(-1).mean()) or 1.0
    u, v = np.meshgrid(turn / (2 * np.pi), np.linspace(0, 1, len(centreline)))
    return grid_mesh(points, np.stack([u, v], -1), normals * outward)


def rectangle_mesh(corners: ArrayLike, uv: ArrayLike | None = None) -> Mesh:
    """Two triangles over four (4, 3) corners given in order round the rectangle."""
    points = np.asarray(corners, float)
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], float) if uv is None else np.asarray(uv, float)
    faces = np.array([[0, 1, 2], [0, 2, 3]], dtype=np.uint32)
    return Mesh(points, faces, None, np.broadcast_to(square, (4, 2)).copy())


def box_mesh(low: ArrayLike, high: ArrayLike, uv: ArrayLike = (0.5, 0.5)) -> Mesh:
    """A box between two (3,) corners, every vertex at one texture coordinate."""
    x0, y0, z0 = np.asarray(low, float)
    x1, y1, z1 = np.asarray(high, float)
    sides = [
        [(x0, y0, z0), (x0, y1, z0), (x1, y1, z0), (x1, y0, z0)],
        [(x0, y0, z1), (x1, y0, z1), (x1, y1, z1), (x0, y1, z1)],
        [(x0, y0, z0), (x1, y0, z0), (x1, y0, z1), (x0, y0, z1)],
        [(x0, y1, z0), (x0, y1, z1), (x1, y1, z1), (x1, y1, z0)],
        [(x0, y0, z0), (x0, y0, z1), (x0, y1, z1), (x0, y1, z0)],
        [(x1, y0, z0), (x1, y1, z0), (x1, y1, z1), (x1, y0, z1)],
    ]
    spot = np.tile(np.asarray(uv, float), (4, 1))
    return joined([rectangle_mesh(side, spot) for side in sides])


def blob_mesh(
    centre_mm: ArrayLike, radii_mm: ArrayLike, uv: ArrayLike, bumps: Floats | None = None, rings: int = 24
) -> Mesh:
    """An ellipsoid, dented by a few random (k, 4) waves: direction (3) and strength (1)."""
    polar, turn = np.meshgrid(
        np.linspace(1e-3, np.pi - 1e-3, rings), np.linspace(0, 2 * np.pi, 2 * rings + 1)
    )
    unit = np.stack([np.sin(polar) * np.cos(turn), np.sin(polar) * np.sin(turn), np.cos(polar)], -1)
    unit = unit.transpose(1, 0, 2)
    swell = np.ones(unit.shape[:2])
    for wave in np.zeros((0, 4)) if bumps is None else bumps:
        swell += wave[3] * np.sin(unit @ wave[:3])
    points = unit * swell[..., None] * np.asarray(radii_mm, float) + np.asarray(centre_mm, float)
    normals = grid_normals(points)
    outward = np.sign((normals * unit).sum(-1).mean()) or 1.0
    spot = np.broadcast_to(np.asarray(uv, float), (*unit.shape[:2], 2))
    return grid_mesh(points, spot.copy(), normals * outward)
