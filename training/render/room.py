"""The room that the metal mirrors: coloured walls, furniture, window and lamps; and things on the table."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from training.render.meshes import Mesh, blob_mesh, box_mesh, grid_mesh, joined, rectangle_mesh

Floats = NDArray[np.float64]
ATLAS = 16  # colours of an atlas, one texel each
TABLE_HALF_MM = (900.0, 620.0)


def atlas_uv(colour: int) -> tuple[float, float]:
    """Texture coordinate of one colour of an atlas."""
    return ((colour % ATLAS + 0.5) / ATLAS, 0.5)


@dataclass(frozen=True)
class Room:
    """Walls and furniture as one mesh over a colour atlas (1, ATLAS, 3) sRGB, and three light meshes."""

    walls: Mesh
    atlas: NDArray[np.float32]
    window: Mesh
    ceiling_lamp: Mesh
    standing_lamp: Mesh


def draw_colours(rng: np.random.Generator, vivid: float) -> NDArray[np.float32]:
    """Atlas colours (1, ATLAS, 3) sRGB: whites and creams, and vivid ones with that probability."""
    pale = 0.84 - rng.uniform(0, 0.36, (ATLAS, 1)) - rng.uniform(0, 0.07, (ATLAS, 3))
    loud = 0.7 * rng.uniform(0.05, 0.9, (ATLAS, 3)) + 0.3 * rng.uniform(0.1, 0.7, (ATLAS, 1))
    colours = np.where(rng.random((ATLAS, 1)) < vivid, loud, pale)
    return colours[None].astype(np.float32)


def build_room(
    rng: np.random.Generator,
    vivid: float,
    camera_mm: Floats,
    colours_rng: np.random.Generator | None = None,
) -> Room:
    """A box room with the table top at height 0 and the piece near the middle of the table.

    The photographer stands behind the camera: metal mirrors them too. ``colours_rng`` colours the same
    room anew.
    """
    half = np.array([rng.uniform(1300, 2400), rng.uniform(1300, 2400)])
    floor, ceiling = -740.0, rng.uniform(1500, 1900)
    turn = rng.uniform(0, 2 * np.pi)
    rotation = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1.0]])
    inside = joined([_walls(half, floor, ceiling), *_furniture(rng, half, floor)]).turned(rotation)
    window, ceiling_lamp = _window(rng, half).turned(rotation), _ceiling_lamp(rng, ceiling).turned(rotation)
    colours = draw_colours(rng, vivid)
    colours[0, 4] *= rng.uniform(0.35, 0.8)
    colours[0, 12] = rng.uniform(0.06, 0.5, 3)
    if colours_rng is not None:
        colours = draw_colours(colours_rng, vivid)
    walls = joined([inside, _photographer(rng, camera_mm, floor)])
    return Room(walls, colours, window, ceiling_lamp, _standing_lamp(rng))


def _walls(half: Floats, floor: float, ceiling: float) -> Mesh:
    x, y = half
    plan = [(-x, -y), (x, -y), (x, y), (-x, y)]
    parts = []
    for side in range(4):
        (x0, y0), (x1, y1) = plan[side], plan[(side + 1) % 4]
        corners = [(x0, y0, floor), (x1, y1, floor), (x1, y1, ceiling), (x0, y0, ceiling)]
        parts.append(rectangle_mesh(corners, np.tile(atlas_uv(side), (4, 1))))
    for height, colour in ((floor, 4), (ceiling, 5)):
        corners = [(*corner, height) for corner in plan]
        parts.append(rectangle_mesh(corners, np.tile(atlas_uv(colour), (4, 1))))
    return joined(parts)


def _furniture(rng: np.random.Generator, half: Floats, floor: float) -> list[Mesh]:
    """Cupboards at the walls, clear of the window's wall."""
    parts = []
    for _ in range(int(rng.integers(2, 6))):
        wide, deep, tall = rng.uniform(400, 1100), rng.uniform(200, 450), rng.uniform(900, 2000)
        if rng.random() < 0.5:
            x, y = rng.uniform(-half[0], half[0] - wide), half[1] - deep
            low, high = (x, y, floor), (x + wide, y + deep, floor + tall)
        else:
            x, y = -half[0], rng.uniform(-half[1], half[1] - wide)
            low, high = (x, y, floor), (x + deep, y + wide, floor + tall)
        parts.append(box_mesh(low, high, atlas_uv(int(rng.integers(6, 12)))))
    return parts


def _photographer(rng: np.random.Generator, camera_mm: Floats, floor: float) -> Mesh:
    """A body behind the camera, on the camera's side of the table."""
    away = np.array([camera_mm[0], camera_mm[1]])
    toward = away / np.linalg.norm(away) if np.linalg.norm(away) > 50.0 else np.array([0.0, -1.0])
    x, y = toward * (max(float(away @ toward), 560.0) + 330.0)
    head = blob_mesh((x, y, rng.uniform(650, 850)), (90, 100, 120), atlas_uv(13), rings=12)
    body = blob_mesh((x, y, 0.0), (230, 230, rng.uniform(600, 700)), atlas_uv(12), rings=14)
    return joined([head, body.moved((0.0, 0.0, 0.5 * (floor + 700.0)))])


def _window(rng: np.random.Generator, half: Floats) -> Mesh:
    """Two to six bright panes with bars between, in the +x wall."""
    x = half[0] - 8.0
    columns, rows = int(rng.integers(1, 4)), 2
    pane = np.array([rng.uniform(320, 520), rng.uniform(420, 620)])
    left, sill = rng.uniform(-600, 200), rng.uniform(50, 250)
    parts = []
    for column in range(columns):
        for row in range(rows):
            y0 = left + column * (pane[0] + 60)
            z0 = sill + row * (pane[1] + 60)
            y1, z1 = y0 + pane[0], z0 + pane[1]
            parts.append(rectangle_mesh([(x, y0, z0), (x, y0, z1), (x, y1, z1), (x, y1, z0)]))
    return joined(parts)


def _ceiling_lamp(rng: np.random.Generator, ceiling: float) -> Mesh:
    wide, long = (300.0, 1200.0) if rng.random() < 0.5 else (450.0, 450.0)
    x, y = rng.uniform(-500, 500), rng.uniform(-500, 500)
    z = ceiling - 30.0
    corners = [(x, y, z), (x, y + long, z), (x + wide, y + long, z), (x + wide, y, z)]
    return rectangle_mesh(corners)


def _standing_lamp(rng: np.random.Generator) -> Mesh:
    """A globe beside or over the table."""
    turn, away = rng.uniform(-0.25, np.pi + 0.25), rng.uniform(450, 900)
    centre = (away * np.cos(turn), away * np.sin(turn), rng.uniform(450, 900))
    radius = rng.uniform(60, 140)
    return blob_mesh(centre, (radius, radius, radius), (0.5, 0.5), rings=12)


def table_top(tile_mm: float, rng: np.random.Generator) -> Mesh:
    """The table top; uv repeats every ``tile_mm``."""
    x, y = TABLE_HALF_MM
    turn = rng.uniform(0, 2 * np.pi)
    rotation = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1.0]])
    corners = np.array([(-x, -y, 0), (x, -y, 0), (x, y, 0), (-x, y, 0)], float)
    return rectangle_mesh(corners @ rotation.T, corners[:, :2] / tile_mm + rng.uniform(0, 1, 2))


def paper_sheet(centre_mm: tuple[float, float], turn_rad: float, size_mm: tuple[float, float]) -> Mesh:
    """A sheet of paper on the table; corners in order round it."""
    x, y = size_mm[0] / 2, size_mm[1] / 2
    flat = np.array([(-x, -y), (x, -y), (x, y), (-x, y)], float)
    cos, sin = np.cos(turn_rad), np.sin(turn_rad)
    plan = flat @ np.array([[cos, sin], [-sin, cos]]) + np.asarray(centre_mm)
    return rectangle_mesh(np.concatenate([plan, np.full((4, 1), 0.4)], 1))


def draw_clutter(rng: np.random.Generator, clear_mm: float, count: int) -> list[Mesh]:
    """Boxes and jars on the table, outside a clear circle."""
    parts = []
    for _ in range(count):
        turn, away = rng.uniform(0, 2 * np.pi), clear_mm + rng.uniform(40, 320)
        x, y = away * np.cos(turn), away * np.sin(turn)
        wide, tall = rng.uniform(20, 45), rng.uniform(30, 160)
        colour = atlas_uv(int(rng.integers(12, ATLAS)))
        if rng.random() < 0.5:
            parts.append(box_mesh((x - wide, y - wide, 0), (x + wide, y + wide, tall), colour))
        else:
            parts.append(blob_mesh((x, y, tall / 2), (wide, wide, tall / 2), colour, rings=14))
    return parts


def draw_food(rng: np.random.Generator, reach_mm: float, base_mm: float) -> list[Mesh]:
    """A few lumps in the well."""
    parts = []
    for _ in range(int(rng.integers(2, 7))):
        turn, away = rng.uniform(0, 2 * np.pi), reach_mm * np.sqrt(rng.uniform(0, 0.6))
        radii = rng.uniform(0.12, 0.3) * reach_mm * np.array([1, rng.uniform(0.6, 1), rng.uniform(0.3, 0.7)])
        bumps = np.concatenate([rng.normal(0, 5, (4, 3)), rng.uniform(0.02, 0.08, (4, 1))], 1)
        at = (away * np.cos(turn), away * np.sin(turn), base_mm + 0.4 * radii[2])
        parts.append(blob_mesh(at, radii, atlas_uv(int(rng.integers(0, 4))), bumps))
    return parts


def draw_hand(rng: np.random.Generator, rim_point: Floats, outward: Floats) -> list[Mesh]:
    """A hand-like blob whose fingers reach over the rim."""
    side = np.array([-outward[1], outward[0], 0.0])
    skin = atlas_uv(4)
    palm = rim_point + 55 * outward + np.array([0, 0, 14.0])
    parts = [_capsule(palm, outward, side, (55, 38, 16), skin)]
    for finger in range(4):
        spread = (finger - 1.5) * 17.0
        reach = rng.uniform(8, 26)
        centre = rim_point + spread * side - reach * outward + np.array([0, 0, 10.0 + rng.uniform(0, 5)])
        parts.append(_capsule(centre, outward, side, (38, 8, 8), skin))
    return parts


def _capsule(
    centre: Floats, along: Floats, side: Floats, radii: tuple[float, float, float], uv: tuple[float, float]
) -> Mesh:
    mesh = blob_mesh((0, 0, 0), radii, uv, rings=14)
    axes = np.stack([along, side, np.cross(along, side)], 1)
    return mesh.turned(axes).moved(centre)


def draw_napkin(
    rng: np.random.Generator, rim_point: Floats, outward: Floats, size_mm: tuple[float, float] | None = None
) -> Mesh:
    """A rumpled cloth that lies partly over the rim; ``size_mm``: its half side, how far it reaches in."""
    n = 40
    x, y = np.meshgrid(np.linspace(-1, 1, n), np.linspace(-1, 1, n))
    half = rng.uniform(60, 110) if size_mm is None else size_mm[0]
    waves = sum(
        rng.uniform(1, 3) * np.sin(x * rng.uniform(1, 5) + y * rng.uniform(-5, 5) + rng.uniform(0, 6))
        for _ in range(5)
    )
    side = np.array([-outward[1], outward[0], 0.0])
    lap = rng.uniform(12, 40) if size_mm is None else size_mm[1]
    centre = rim_point + (half - lap) * outward
    plan = centre + half * (x[..., None] * outward + y[..., None] * side)
    drape = np.clip(rim_point[2] + 5.0 + 8.0 * -x, 2.0, None)
    points = np.concatenate([plan[..., :2], (drape + 1.2 * waves)[..., None]], -1)
    spot = np.broadcast_to(np.array(atlas_uv(5)), (n, n, 2)).copy()
    normals = np.cross(np.gradient(points, axis=1), np.gradient(points, axis=0))
    normals /= np.linalg.norm(normals, axis=-1, keepdims=True)
    return grid_mesh(points, spot, normals * np.sign(normals[..., 2:].mean() or 1.0))
