"""What stands round the piece: other ware, clutter, food, hands and cloths over the rim, paper."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from training.render.meshes import Mesh, joined, rectangle_mesh
from training.render.pieces import Piece, Shape, build_piece
from training.render.plan import ScenePlan, stream
from training.render.room import draw_clutter, draw_colours, draw_food, draw_hand, draw_napkin, paper_sheet

Floats = NDArray[np.float64]
PAPER_MM = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}  # ISO 216; ANSI/ASME Y14.1 size A


def lay_paper(plan: ScenePlan, piece: Piece) -> Mesh | None:
    if plan.paper is None:
        return None
    rng = stream(plan.seed, "paper")
    reach = float(np.abs(piece.rest.vertices[:, :2]).max())
    side = np.radians(rng.choice([0, 180, 90, 25, 155]) + rng.normal(0, 10))
    away = reach + rng.uniform(95, 135)
    return paper_sheet(
        (away * np.cos(side), away * np.sin(side)), float(side + rng.normal(0, 0.2)), PAPER_MM[plan.paper]
    )


def hold_paper(piece: Piece) -> Mesh:
    """A sheet held upright behind the piece, leaning over it, for the far side of the trim to mirror."""
    wide, tall = PAPER_MM["A4"][1], PAPER_MM["A4"][0]
    back = float(piece.rest.vertices[:, 1].max()) + 25.0
    low, high = 15.0, 15.0 + 0.9 * tall
    over = back - 0.4 * tall
    corners = [(-wide / 2, back, low), (wide / 2, back, low), (wide / 2, over, high), (-wide / 2, over, high)]
    return rectangle_mesh(corners)


def _rim_point(piece: Piece, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """A random lip point and the level direction away from the middle."""
    point = piece.lip_points[int(rng.integers(len(piece.lip_points) - 1))]
    outward = np.array([point[0], point[1], 0.0])
    return point, outward / np.linalg.norm(outward)


def place_things(plan: ScenePlan, piece: Piece, rng: np.random.Generator) -> tuple[Mesh | None, Mesh | None]:
    """Other ware, and props: clutter, food, whatever covers the rim."""
    reach = float(np.hypot(*piece.rest.vertices[:, :2].T).max())
    ware: list[Mesh] = []
    props = [part for part in draw_clutter(rng, reach, plan.clutter) if _behind(part)]
    first = rng.uniform(0, np.pi)
    for number in range(plan.neighbours):
        ware.append(_neighbour(reach, first + number * rng.uniform(1.5, 2.4), rng))
    if plan.food:
        props += draw_food(rng, 0.5 * piece.diameter_mm / 2, float(piece.lip_points[:, 2].mean()) - 12.0)
    point, outward = _rim_point(piece, rng)
    if plan.cover == "hand":
        props += draw_hand(rng, point, outward)
    elif plan.cover == "napkin":
        props.append(draw_napkin(rng, point, outward))
    elif plan.cover == "cloth":
        half = 0.5 * piece.diameter_mm
        props.append(draw_napkin(rng, point, outward, (1.3 * half, half * float(rng.uniform(0.35, 1.0)))))
    elif plan.cover == "offset plate":
        ware.append(_offset_plate(piece, outward, rng))
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


def _neighbour(reach: float, turn_rad: float, rng: np.random.Generator) -> Mesh:
    """A smaller plate beside the piece, often cut by the frame."""
    size = max(reach, 60.0)
    mesh, radius = _plain_ware(rng, 0.55 * size, 0.85 * size)
    away = reach + radius + rng.uniform(4, 60)
    return mesh.moved((away * np.cos(turn_rad), away * np.sin(turn_rad), 0.0))


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


def _offset_plate(piece: Piece, outward: Floats, rng: np.random.Generator) -> Mesh:
    """A plate of about the same size that lies half on the piece."""
    half = 0.5 * piece.diameter_mm
    mesh, radius = _plain_ware(rng, 0.8 * half, 1.1 * half)
    centre = (half + radius - half * float(rng.uniform(0.4, 1.1))) * outward
    return mesh.moved((centre[0], centre[1], float(piece.lip_points[:, 2].max()) + 1.0))


def prop_colours(plan: ScenePlan) -> NDArray[np.float32]:
    colours = draw_colours(stream(plan.seed, "prop colours"), 0.8)
    food = [(0.5, 0.3, 0.15), (0.3, 0.45, 0.15), (0.65, 0.2, 0.12), (0.85, 0.75, 0.45)]
    colours[0, :4] = food
    skins = [(0.78, 0.58, 0.46), (0.55, 0.37, 0.27), (0.36, 0.23, 0.16)]
    colours[0, 4] = skins[int(stream(plan.seed, "skin").integers(3))]
    return colours
