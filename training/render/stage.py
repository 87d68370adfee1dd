"""A plan made solid: meshes, textures, lights and camera, still without any renderer."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from training.art.motif_art import Motif
from training.render.camera import Camera, aim_camera, fitting_distance, focal_in_pixels
from training.render.decoration import (
    PAINTS,
    BorderPlan,
    Decoration,
    LinePlan,
    count_repeats,
    decorate,
)
from training.render.meshes import Mesh, joined
from training.render.pieces import HOLLOW, Piece, Shape, build_piece
from training.render.plan import GLAZES, ScenePlan, stream
from training.render.room import (
    Room,
    build_room,
    draw_clutter,
    draw_colours,
    draw_food,
    draw_hand,
    draw_napkin,
    paper_sheet,
    table_top,
)
from training.render.tables import TILE_MM, paint_table
from training.render.wear import SOUND, draw_wear

Floats = NDArray[np.float64]
PAPER_MM = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}  # ISO 216; ANSI/ASME Y14.1 size A
RADII_MM: dict[str, tuple[float, float]] = {
    "oval platter": (125, 165),
    "bowl": (62, 105),
    "cup": (40, 50),
    "sugar bowl": (44, 54),
    "creamer": (32, 40),
}
CAMERA_SIDE_DEG = -90.0


@dataclass(frozen=True)
class Stage:
    """A scene ready to hand to a renderer; all meshes in mm, the table top at height 0.

    Attributes
    ----------
    others : undecorated ware beside, under or over the piece (one mesh).
    underneath : copies of the piece's own strip and rest lower in a stack.
    props : things on the table over ``prop_atlas``; paper : sheet mesh or None and its corners.
    """

    plan: ScenePlan
    piece: Piece
    decoration: Decoration
    border: BorderPlan | None
    lines: tuple[LinePlan, ...]
    camera: Camera
    room: Room
    table: Mesh
    table_picture: NDArray[np.float32]
    others: Mesh | None
    underneath: tuple[tuple[Mesh, Mesh], ...]
    props: Mesh | None
    prop_atlas: NDArray[np.float32]
    paper: Mesh | None
    well_picture: NDArray[np.float32]
    other_glaze: tuple[float, float, float]


def build_stage(plan: ScenePlan, motifs: dict[str, Motif], size_px: tuple[int, int]) -> Stage:
    """Build everything a plan asks for.

    Parameters
    ----------
    size_px : long and short side of the photo.

    Raises
    ------
    KeyError
        When the plan's motif is not among ``motifs``.
    """
    piece = _turned_piece(plan)
    border, lines = _lay_out(plan, piece, motifs)
    size = _texture_size(plan, piece)
    wear = SOUND if plan.wear == "sound" else draw_wear(stream(plan.seed, "wear"), plan.wear == "dulled")
    decoration = decorate(
        size,
        (piece.strip_width_mm, piece.lip_length_mm),
        float(piece.strip_across_mm[0]),
        GLAZES[plan.glaze],
        border,
        lines,
        wear,
        plan.finish,
        stream(plan.seed, "stamping"),
    )
    paper = _lay_paper(plan, piece)
    lift = (plan.stack - 1) * 9.0
    raised = _raise(piece, lift)
    rng = stream(plan.seed, "things")
    others, props = _things(plan, raised, rng)
    return Stage(
        plan=plan,
        piece=raised,
        decoration=decoration,
        border=border,
        lines=lines,
        camera=_place_camera(plan, raised, paper, size_px),
        room=build_room(stream(plan.seed, "room"), plan.vivid),
        table=table_top(TILE_MM, stream(plan.seed, "table")),
        table_picture=paint_table(plan.table, stream(plan.seed, "table picture")),
        others=others,
        underneath=_underneath(plan, piece),
        props=props,
        prop_atlas=_prop_colours(plan),
        paper=paper,
        well_picture=_paint_well(plan),
        other_glaze=list(GLAZES.values())[int(stream(plan.seed, "other glaze").integers(len(GLAZES)))],
    )


def _turned_piece(plan: ScenePlan) -> Piece:
    rng = stream(plan.seed, "piece")
    low, high = RADII_MM.get(plan.shape, (82, 133))
    radius = rng.uniform(low, high)
    rim = float(np.clip(radius * rng.uniform(0.2, 0.27), 15, 35))
    if plan.shape in HOLLOW or plan.shape == "bowl":
        rim = float(rng.uniform(14, 0.42 * radius))
    piece = build_piece(plan.shape, radius, rim, rng)
    turn = np.radians(
        rng.normal(0, 35) + rng.choice([0, 180]) if plan.shape in HOLLOW else rng.uniform(0, 360)
    )
    cos, sin = np.cos(turn), np.sin(turn)
    matrix = np.array([[cos, -sin, 0], [sin, cos, 0], [0, 0, 1.0]])
    return replace(
        piece,
        strip=piece.strip.turned(matrix),
        rest=piece.rest.turned(matrix),
        strip_points=piece.strip_points @ matrix.T,
        strip_normals=piece.strip_normals @ matrix.T,
        lip_points=piece.lip_points @ matrix.T,
    )


def _raise(piece: Piece, lift_mm: float) -> Piece:
    up = np.array([0, 0, lift_mm])
    return replace(
        piece,
        strip=piece.strip.moved(up),
        rest=piece.rest.moved(up),
        strip_points=piece.strip_points + up,
        lip_points=piece.lip_points + up,
    )


def _underneath(plan: ScenePlan, piece: Piece) -> tuple[tuple[Mesh, Mesh], ...]:
    lower = [np.array([0.0, 0.0, 9.0 * level]) for level in range(plan.stack - 1)]
    return tuple((piece.strip.moved(up), piece.rest.moved(up)) for up in lower)


def _lay_out(
    plan: ScenePlan, piece: Piece, motifs: dict[str, Motif]
) -> tuple[BorderPlan | None, tuple[LinePlan, ...]]:
    """Edge line on the lip, verge line where the band ends, the border between them."""
    rng = stream(plan.seed, "layout")
    edge_mm, verge_mm = float(rng.uniform(1.0, 2.5)), float(rng.uniform(0.7, 1.5))
    lines = []
    if plan.edge_colour:
        lines.append(LinePlan("edge", plan.edge_colour, edge_mm, float(rng.uniform(-0.3, 0.4))))
    if plan.verge_colour:
        lines.append(LinePlan("verge", plan.verge_colour, verge_mm, piece.verge_mm - verge_mm))
    if plan.motif_id is None or plan.border_colour is None:
        return None, tuple(lines)
    room_mm = piece.verge_mm - (edge_mm + 1.5 if plan.edge_colour else 1.0) - (verge_mm + 1.2)
    height = float(np.clip(room_mm * rng.uniform(0.55, 1.0), 5.0, min(20.0, room_mm)))
    spare = max(room_mm - height, 0.0)
    top = (edge_mm + 1.5 if plan.edge_colour else 1.0) + float(rng.uniform(0.0, spare))
    motif = motifs[plan.motif_id]
    repeats = count_repeats(motif, height, piece.lip_length_mm, rng)
    return BorderPlan(motif, plan.border_colour, height, top, repeats, float(rng.random())), tuple(lines)


def _texture_size(plan: ScenePlan, piece: Piece) -> tuple[int, int]:
    per_mm = 11.0 if plan.framing == "close-up" or plan.shape in HOLLOW else 5.5
    columns = int(np.clip(round(piece.lip_length_mm * per_mm / 64) * 64, 2048, 8192))
    return max(96, round(piece.strip_width_mm * per_mm * 1.1)), columns


def _lay_paper(plan: ScenePlan, piece: Piece) -> Mesh | None:
    if plan.paper is None:
        return None
    rng = stream(plan.seed, "paper")
    reach = float(np.abs(piece.rest.vertices[:, :2]).max())
    side = np.radians(rng.choice([0, 180, 90, 25, 155]) + rng.normal(0, 10))
    away = reach + rng.uniform(95, 135)
    return paper_sheet(
        (away * np.cos(side), away * np.sin(side)), float(side + rng.normal(0, 0.2)), PAPER_MM[plan.paper]
    )


def _rim_point(piece: Piece, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """A random lip point and the level direction away from the middle."""
    point = piece.lip_points[int(rng.integers(len(piece.lip_points) - 1))]
    outward = np.array([point[0], point[1], 0.0])
    return point, outward / np.linalg.norm(outward)


def _things(plan: ScenePlan, piece: Piece, rng: np.random.Generator) -> tuple[Mesh | None, Mesh | None]:
    """Other ware, and props: clutter, food, whatever covers the rim."""
    reach = float(np.hypot(*piece.rest.vertices[:, :2].T).max())
    ware: list[Mesh] = []
    props = [part for part in draw_clutter(rng, reach, plan.clutter) if _behind(part)]
    for _ in range(plan.neighbours):
        ware.append(_neighbour(reach, rng))
    if plan.food:
        props += draw_food(rng, 0.5 * piece.diameter_mm / 2, float(piece.lip_points[:, 2].mean()) - 12.0)
    point, outward = _rim_point(piece, rng)
    if plan.cover == "hand":
        props += draw_hand(rng, point, outward)
    elif plan.cover == "napkin":
        props.append(draw_napkin(rng, point, outward))
    elif plan.cover == "plate":
        ware.append(_leaning_plate(point, outward, rng))
    return (joined(ware) if ware else None), (joined(props) if props else None)


def _behind(part: Mesh) -> bool:
    """Whether a thing stands clear of the camera's side of the table."""
    x, y = part.vertices[:, :2].mean(0)
    return bool(y > -0.6 * abs(x))


def _whole(piece: Piece) -> Mesh:
    return joined([piece.strip, piece.rest])


def _plain_ware(rng: np.random.Generator, low: float, high: float) -> tuple[Mesh, float]:
    shape: Shape = "rimmed plate" if rng.random() < 0.6 else "coupe plate"
    radius = float(rng.uniform(low, high))
    return _whole(build_piece(shape, radius, 0.22 * radius, rng)), radius


def _neighbour(reach: float, rng: np.random.Generator) -> Mesh:
    mesh, radius = _plain_ware(rng, 60, 110)
    turn = rng.uniform(-0.2 * np.pi, 1.2 * np.pi)
    away = reach + radius + rng.uniform(4, 60)
    return mesh.moved((away * np.cos(turn), away * np.sin(turn), 0.0))


def _leaning_plate(point: Floats, outward: Floats, rng: np.random.Generator) -> Mesh:
    """A second plate that lies on the rim and the table."""
    mesh, radius = _plain_ware(rng, 70, 110)
    lap = rng.uniform(12, 45)
    slope = -np.arctan2(point[2] + 6.0, 2 * radius - lap)
    axis = np.array([-outward[1], outward[0], 0.0])
    cross = np.array([[0, 0, axis[1]], [0, 0, -axis[0]], [-axis[1], axis[0], 0]])
    rotation = np.eye(3) + np.sin(-slope) * cross + (1 - np.cos(slope)) * cross @ cross
    centre = point + (radius - lap) * outward
    return mesh.turned(rotation).moved((centre[0], centre[1], 0.5 * point[2] + 6.0))


def _prop_colours(plan: ScenePlan) -> NDArray[np.float32]:
    colours = draw_colours(stream(plan.seed, "prop colours"), 0.8)
    food = [(0.5, 0.3, 0.15), (0.3, 0.45, 0.15), (0.65, 0.2, 0.12), (0.85, 0.75, 0.45)]
    colours[0, :4] = food
    skins = [(0.78, 0.58, 0.46), (0.55, 0.37, 0.27), (0.36, 0.23, 0.16)]
    colours[0, 4] = skins[int(stream(plan.seed, "skin").integers(3))]
    return colours


def _paint_well(plan: ScenePlan) -> NDArray[np.float32]:
    """Plan view of the glaze, with a many-coloured decal in the middle of some pieces."""
    side = 512
    picture = np.empty((side, side, 3), np.float32)
    picture[:] = GLAZES[plan.glaze]
    if not plan.decal:
        return picture
    rng = stream(plan.seed, "decal")
    colours = list(PAINTS.values())
    for _ in range(int(rng.integers(14, 40))):
        centre = side / 2 + rng.normal(0, 42, 2)
        axes = tuple(int(a) for a in rng.uniform(4, 22, 2))
        colour = colours[int(rng.integers(len(colours)))]
        cv2.ellipse(
            picture, (centre.astype(int).tolist(), axes, float(rng.uniform(0, 180))), colour, -1, cv2.LINE_AA
        )
    return cv2.GaussianBlur(picture, (0, 0), 0.8).astype(np.float32)


def _place_camera(plan: ScenePlan, piece: Piece, paper: Mesh | None, size_px: tuple[int, int]) -> Camera:
    rng = stream(plan.seed, "camera")
    size = (size_px[1], size_px[0]) if plan.portrait else size_px
    focal = focal_in_pixels(plan.focal_35mm, *size)
    angles = (plan.tilt_deg, CAMERA_SIDE_DEG, plan.roll_deg)
    if plan.framing == "close-up":
        return _close_camera(plan, piece, focal, size, rng)
    vertices = np.concatenate([piece.rest.vertices[::7], piece.lip_points])
    points, target = vertices, np.array([0.0, 0.0, 0.5 * float(vertices[:, 2].max())])
    fill = plan.fill
    if paper is not None and rng.random() < 0.75:
        points, fill = np.concatenate([vertices, paper.vertices]), min(fill + 0.1, 0.96)
    distance, shift = fitting_distance(points, target, angles, focal, size, fill)
    if plan.framing == "partial":
        away = rng.uniform(0, 2 * np.pi)
        reach = rng.uniform(0.25, 0.55)
        shift = (shift[0] + reach * size[0] * np.cos(away), shift[1] + reach * size[1] * np.sin(away))
        distance *= rng.uniform(0.7, 1.0)
    return aim_camera(target, *angles, distance, focal, size, shift)


def _close_camera(
    plan: ScenePlan, piece: Piece, focal: float, size: tuple[int, int], rng: np.random.Generator
) -> Camera:
    """Near the rim: 55 to 130 mm of it across the frame, from over the well or from outside."""
    across = rng.uniform(55, 130) if plan.shape not in HOLLOW else rng.uniform(45, 75)
    distance = across * focal / size[0]
    front = piece.lip_points[:, 1] < 0
    choose = np.flatnonzero(front if plan.shape in HOLLOW else np.ones_like(front))
    column = int(rng.choice(choose))
    target = piece.strip_points[piece.strip_points.shape[0] // 3, column]
    outward = float(np.degrees(np.arctan2(target[1], target[0])))
    side = outward + rng.normal(0, 20 if plan.shape in HOLLOW else 70)
    tilt = plan.tilt_deg if plan.shape in HOLLOW else min(plan.tilt_deg, 50.0)
    return aim_camera(target, tilt, side, plan.roll_deg, distance, focal, size)
