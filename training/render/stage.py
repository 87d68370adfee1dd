"""A plan made solid: meshes, textures, lights and camera, still without any renderer."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from training.art.motif_art import Motif
from training.render.camera import Camera
from training.render.decoration import (
    PAINTS,
    BorderPlan,
    Decoration,
    LinePlan,
    count_repeats,
    decorate,
)
from training.render.meshes import Mesh
from training.render.pieces import HOLLOW, Piece, build_piece
from training.render.plan import GLAZES, ScenePlan, stream
from training.render.room import (
    Room,
    build_room,
    table_top,
)
from training.render.tables import TILE_MM, paint_table
from training.render.things import hold_paper, lay_paper, place_things, prop_colours
from training.render.viewpoint import place_camera
from training.render.wear import SOUND, draw_wear

Floats = NDArray[np.float64]
# 5 texels a mm or more along the rim of the largest plate in a whole view, 9 in a close-up
COARSE_TEXTURE, FINE_TEXTURE = (320, 4608), (512, 8192)
RADII_MM: dict[str, tuple[float, float]] = {
    "oval platter": (125, 165),
    "bowl": (62, 105),
    "cup": (40, 50),
    "sugar bowl": (44, 54),
    "creamer": (32, 40),
    "egg cup": (21, 25),
}


@dataclass(frozen=True)
class Stage:
    """A scene ready to hand to a renderer; all meshes in mm, the table top at height 0.

    Attributes
    ----------
    others : undecorated ware beside, under or over the piece (one mesh).
    underneath : copies of the piece's own strip and rest lower in a stack.
    props : things on the table over ``prop_atlas``; paper : sheet mesh or None and its corners.
    held_paper : a second sheet that stands behind the piece, or None.
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
    held_paper: Mesh | None
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
    size = _texture_size(plan)
    wear = SOUND if plan.wear == "sound" else draw_wear(stream(plan.seed, "wear"), plan.wear)
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
    paper = lay_paper(plan, piece)
    lift = (plan.stack - 1) * 9.0
    raised = _raise(piece, lift)
    rng = stream(plan.seed, "things")
    others, props = place_things(plan, raised, rng)
    camera = place_camera(plan, raised, paper, size_px)
    return Stage(
        plan=plan,
        piece=raised,
        decoration=decoration,
        border=border,
        lines=lines,
        camera=camera,
        room=build_room(
            stream(plan.seed, "room"), plan.vivid, camera.origin, _colours_rng(plan, "room colours")
        ),
        table=table_top(TILE_MM, stream(plan.seed, "table")),
        table_picture=paint_table(
            plan.table, _colours_rng(plan, "table picture") or stream(plan.seed, "table picture")
        ),
        others=others,
        underneath=_underneath(plan, piece),
        props=props,
        prop_atlas=prop_colours(plan),
        paper=paper,
        held_paper=hold_paper(raised) if plan.held_paper else None,
        well_picture=_paint_well(plan),
        other_glaze=list(GLAZES.values())[int(stream(plan.seed, "other glaze").integers(len(GLAZES)))],
    )


def _colours_rng(plan: ScenePlan, name: str) -> np.random.Generator | None:
    return stream(plan.colours_seed, name) if plan.colours_seed else None


def _turned_piece(plan: ScenePlan) -> Piece:
    rng = stream(plan.seed, "piece")
    low, high = RADII_MM.get(plan.shape, (82, 133))
    radius = rng.uniform(low, high)
    rim = float(np.clip(radius * rng.uniform(0.2, 0.27), 15, 35))
    if plan.shape in HOLLOW or plan.shape == "bowl":
        rim = float(rng.uniform(14, max(14.0, 0.42 * radius)))
    piece = build_piece(plan.shape, radius, rim, rng)
    turn = np.radians(
        rng.normal(0, 35) + rng.choice([0, 180]) if plan.shape in HOLLOW else rng.uniform(0, 360)
    )
    turn = turn + np.radians(plan.turn_deg)
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


def _texture_size(plan: ScenePlan) -> tuple[int, int]:
    """Rows and columns of the strip's textures: few sizes, since each is another kernel to compile."""
    return FINE_TEXTURE if plan.framing == "close-up" else COARSE_TEXTURE


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
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), 0.8), np.float32)
