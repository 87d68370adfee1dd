"""What else lies in a composed picture: covers over the rim, paper, other pieces, boxes, shadows."""

from __future__ import annotations

from dataclasses import replace

import torch
from torch import Tensor

from training.piece_drawing import Camera, Shape, cover_of, radial_share, throw_shape
from training.piece_painting import capsule_px, draw_piece
from training.piece_surfaces import Dice, paint_food, paint_table


def lay_cover(dice: Dice, camera: Camera, shape: Shape, px: float) -> tuple[Tensor, Tensor]:
    """Cutlery, a finger, a slice of food or a napkin over the rim: colour and cover 0..1."""
    direction = dice.uniform(0, 6.28)
    inner, outer = dice.uniform(0.2, 0.95), dice.uniform(1.15, 2.4)
    away = direction + dice.normal(0.5)
    x0, y0, _ = camera.project(
        shape, inner * direction.cos(), inner * direction.sin(), 0.3 * shape.height * dice.uniform()
    )
    x1 = x0 + shape.radius * (outer - inner) * away.cos()
    y1 = y0 + shape.radius * (outer - inner) * away.sin()
    broad = dice.choose((0.5, 0.35, 0.15))
    half = broad[:, :1] * dice.uniform(0.008, 0.035) + broad[:, 1:2] * dice.uniform(0.06, 0.2)
    half = (half + broad[:, 2:] * dice.uniform(0.2, 0.45)) * (0.4 + shape.radius)
    gap = capsule_px(camera, x0, y0, x1, y1, half, px)
    cover = cover_of(gap)
    cover = cover * (
        1 - dice.chance(0.3) * broad[:, :1] * torch.sin(camera.x * 40 + camera.y * 25).gt(0.4).float()
    )
    skin = torch.tensor([0.78, 0.58, 0.47], device=camera.x.device).view(1, 3, 1, 1) * dice.uniform(0.4, 1.2)
    skin = skin * (0.65 - 0.35 * (gap / (half * px).clamp(min=1)).clamp(-1, 0))
    steel = dice.uniform(0.3, 0.95) + 0.25 * torch.sin(camera.x * dice.uniform(3, 25) + camera.y * 9)
    cloth = paint_table(dice, camera.x * 2, camera.y * 2)
    food = paint_food(dice, camera.x * 2, camera.y * 2)
    kinds = dice.choose((0.3, 0.35, 0.2, 0.15))
    parts = (steel.expand(-1, 3, -1, -1), skin, cloth, food)
    colour = sum(kinds[:, i : i + 1] * part for i, part in enumerate(parts))
    return torch.as_tensor(colour).clamp(0, 1), cover


def lay_napkin(dice: Dice, camera: Camera, shape: Shape, px: float) -> tuple[Tensor, Tensor]:
    """A cloth, a board or a hand's flat over up to half of the piece: colour and cover of a half-plane."""
    away = dice.uniform(0, 6.28)
    rest = dice.uniform(-0.15, 0.8)
    along = (camera.x - shape.cx) * away.cos() + (camera.y - shape.cy) * away.sin()
    across = (camera.y - shape.cy) * away.cos() - (camera.x - shape.cx) * away.sin()
    bent = dice.normal(0.15) * across**2 + 0.03 * torch.sin(across * dice.uniform(3, 12))
    edge = along - rest * shape.radius - bent
    side = across.abs() - shape.radius * dice.uniform(0.5, 3.0)
    cover = cover_of(torch.maximum(-edge, side) * px)
    kind = dice.chance(0.3)
    colour = kind * dice.colour() + (1 - kind) * paint_table(dice, camera.x * 2, camera.y * 2)
    return colour * (1 - 0.3 * torch.exp(-edge.clamp(min=0) * 20)), cover


def lay_sheet(dice: Dice, camera: Camera, shape: Shape, px: float) -> tuple[Tensor, Tensor]:
    """A rectangle of paper, cloth or board lying on the table: colour and cover."""
    u, v = camera.on_plane(shape.cx, shape.cy, shape.radius, shape.height)
    cx, cy, turn = dice.normal(1.6), dice.normal(1.4), dice.uniform(0, 3.14)
    s = (u - cx) * turn.cos() + (v - cy) * turn.sin()
    t = (v - cy) * turn.cos() - (u - cx) * turn.sin()
    half = dice.uniform(0.4, 1.8)
    box = torch.maximum(s.abs() - half, t.abs() - half * dice.uniform(0.4, 1.0))
    slope = ((box[:, :, 1:, :] - box[:, :, :-1, :]).abs()).clamp(min=1e-3)
    gap = box / torch.cat([slope, slope[:, :, -1:]], 2)
    paper = dice.chance(0.6)
    colour = paper * dice.uniform(0.7, 1.0) + (1 - paper) * paint_table(dice, s, t)
    return colour, cover_of(gap) * (u.abs() < 40).float()


def lay_box(dice: Dice, camera: Camera, px: float) -> tuple[Tensor, Tensor]:
    """A box, a book's back, an egg or a jar standing about: colour and cover."""
    cx, cy = dice.normal(0.6), dice.normal(0.5)
    x, y = camera.x - cx, camera.y - cy
    wide, tall = dice.uniform(0.03, 0.3), dice.uniform(0.05, 0.4)
    egg = dice.chance(0.35)
    box = torch.maximum((x + 0.15 * y * dice.normal()).abs() - wide, y.abs() - tall)
    oval = ((x / wide) ** 2 + (y / tall) ** 2 + 1e-6).sqrt() * wide - wide
    gap = egg * oval + (1 - egg) * box
    side = 1 - 0.4 * torch.sigmoid((x / wide - dice.uniform(-1, 1)) * (60 - 57 * egg))
    return dice.colour(0.05, 0.95, 0.8) * side, cover_of(gap * px)


def place_beside(dice: Dice, camera: Camera, main: Shape, under: bool) -> Shape:
    """Another piece on the same table beside the main one, or a flat one, larger, under it."""
    other = throw_shape(dice, flat_only=under)
    size = main.radius * (dice.uniform(1.35, 2.0) if under else dice.uniform(0.3, 0.9))
    direction = dice.uniform(0, 6.28)
    reach = 0.06 * dice.uniform() if under else (1 + size / main.radius) * dice.uniform(0.95, 1.6)
    height = other.height.clamp(max=0.22) if under else other.height
    lift = height * size / main.radius
    x, y, near = camera.project(main, reach * direction.cos(), reach * direction.sin(), main.height - lift)
    return replace(other, cx=x, cy=y, radius=size * near, height=height)


def draw_neighbours(
    dice: Dice, camera: Camera, shape: Shape, picture: Tensor, present: Tensor, px: float
) -> Tensor:
    """Paper, boxes, other pieces beside, behind and under the piece, each in a part of the pictures.

    Where the piece itself is absent (``present`` 0), so are other pieces.
    """
    for share in (0.3, 0.15):
        index, some = dice.pick(share)
        colour, cover = lay_sheet(some, camera.part(index), shape.part(index), px)
        picture[index] = picture[index] * (1 - cover) + colour * cover
    for share in (0.2, 0.15, 0.1):
        index, some = dice.pick(share)
        colour, cover = lay_box(some, camera.part(index), px)
        picture[index] = picture[index] * (1 - cover) + colour * cover
    saucer = 0.25 * (shape.hollow * (shape.height > 0.7)).flatten() + 0.05
    under = torch.nonzero(dice.uniform().flatten() < saucer).flatten()
    for share, below in ((0.35, False), (0.15, False), (0.0, True)):
        index, some = dice.pick(share) if share else (under, dice.among(under))
        if not len(index):
            continue
        eye, main = camera.part(index), shape.part(index)
        other = place_beside(some, eye, main, below)
        shaded = cast_shadow(some, eye, other, picture[index])
        layer = draw_piece(some, eye, other)
        cover = layer.silhouette * present[index]
        picture[index] = shaded * (1 - cover) + layer.colour * cover
    return picture


def draw_stack(dice: Dice, camera: Camera, shape: Shape, picture: Tensor) -> Tensor:
    """Copies of the piece under it, in a part of the pictures."""
    index, some = dice.pick(0.06)
    eye, main = camera.part(index), shape.part(index)
    apart = some.uniform(0.04, 0.12) + 0.15 * main.hollow * some.uniform()
    for number in (3, 2, 1):
        x, y, near = eye.project(main, 0 * main.cx, 0 * main.cx, number * apart)
        lower = replace(main, cx=x, cy=y, radius=main.radius * near)
        layer = draw_piece(some, eye, lower)
        cover = layer.silhouette * (some.chance(0.75) if number > 1 else 1.0)
        picture[index] = picture[index] * (1 - cover) + layer.colour * 0.8 * cover
    return picture


def cast_shadow(
    dice: Dice, camera: Camera, shape: Shape, picture: Tensor, probability: float = 0.9
) -> Tensor:
    """A soft or hard shadow on the table, moved away from the light."""
    reach = shape.height * dice.uniform(0, 1.2)
    away = dice.uniform(0, 6.28)
    u, v = camera.on_plane(shape.cx, shape.cy, shape.radius, shape.height)
    long = 1 + dice.uniform() * shape.hollow
    share = radial_share(
        replace(shape, spout=0 * shape.spout), (u - reach * away.cos()) / long, v - reach * away.sin()
    )
    soft = dice.uniform(0.01, 0.25)
    dark = torch.sigmoid((dice.uniform(0.75, 1.05) - share) / soft) * dice.uniform(0.1, 0.8)
    return picture * (1 - dark * dice.chance(probability))
