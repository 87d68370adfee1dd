"""Pictures of tableware with known lip and silhouette, composed on the fly to train the segmenter.

Cheap on purpose: pieces are stacks of flat slices seen by a pinhole camera, painted, shaded and covered;
no light transport. A batch is made at once on the GPU, so that no picture is ever seen twice.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import torch
from torch import Tensor

from training.piece_drawing import (
    Camera,
    Shape,
    cover_of,
    draw_piece,
    project_lip,
    radial_share,
    throw_shape,
)
from training.piece_surfaces import Dice, cloud, paint_food, paint_table, soften


def _capsule_px(
    camera: Camera, x0: Tensor, y0: Tensor, x1: Tensor, y1: Tensor, half: Tensor, px: float
) -> Tensor:
    """Distance in px to a thick line, positive outside."""
    wx, wy = x1 - x0, y1 - y0
    t = (((camera.x - x0) * wx + (camera.y - y0) * wy) / (wx**2 + wy**2).clamp(min=1e-6)).clamp(0, 1)
    gap = ((camera.x - x0 - t * wx) ** 2 + (camera.y - y0 - t * wy) ** 2).sqrt()
    return (gap - half) * px


def lay_cover(dice: Dice, camera: Camera, shape: Shape, px: float) -> tuple[Tensor, Tensor]:
    """Cutlery, a hand, a slice of food or a napkin over the rim: colour and cover 0..1."""
    direction = dice.uniform(0, 6.28)
    inner, outer = dice.uniform(0.2, 0.95), dice.uniform(1.15, 2.4)
    sway = dice.normal(0.5)
    x0, y0 = (
        shape.cx + shape.radius * inner * direction.cos(),
        shape.cy + shape.radius * inner * direction.sin(),
    )
    away = direction + sway
    x1, y1 = shape.cx + shape.radius * outer * away.cos(), shape.cy + shape.radius * outer * away.sin()
    broad = dice.choose((0.6, 0.25, 0.15))
    half = broad[:, :1] * dice.uniform(0.008, 0.035) + broad[:, 1:2] * dice.uniform(0.05, 0.16)
    half = (half + broad[:, 2:] * dice.uniform(0.15, 0.35)) * (0.4 + shape.radius)
    cover = cover_of(_capsule_px(camera, x0, y0, x1, y1, half, px))
    cover = cover * (
        1 - dice.chance(0.3) * broad[:, :1] * torch.sin(camera.x * 40 + camera.y * 25).gt(0.4).float()
    )
    skin = torch.tensor([0.78, 0.58, 0.47], device=camera.x.device).view(1, 3, 1, 1) * dice.uniform(0.4, 1.2)
    steel = dice.uniform(0.3, 0.95) + 0.25 * torch.sin(camera.x * dice.uniform(3, 25) + camera.y * 9)
    cloth = paint_table(dice, camera.x * 2, camera.y * 2)
    food = paint_food(dice, camera.x * 2, camera.y * 2)
    kinds = dice.choose((0.4, 0.2, 0.15, 0.25))
    parts = (steel.expand(-1, 3, -1, -1), skin, cloth, food)
    colour = sum(kinds[:, i : i + 1] * part for i, part in enumerate(parts))
    return torch.as_tensor(colour).clamp(0, 1), cover


def _place(dice: Dice, shape: Shape, aspect: tuple[float, float]) -> Shape:
    """Whole pieces in the middle, pieces cut by the frame, close-ups of a rim."""
    kind = dice.choose((0.66, 0.18, 0.16))
    whole, cut, close = (kind[:, i : i + 1] for i in range(3))
    fit = min(aspect)
    radius = (
        whole * dice.uniform(0.4, 1.02) * fit + cut * dice.uniform(0.45, 1.3) + close * dice.uniform(1.2, 4)
    )
    slack_x = (aspect[0] - radius).clamp(min=0.04)
    slack_y = (aspect[1] - radius * 0.85).clamp(min=0.04)
    cx = whole * slack_x * dice.uniform(-1, 1) * dice.uniform() + cut * aspect[0] * dice.uniform(-1, 1)
    cy = whole * slack_y * dice.uniform(-1, 1) * dice.uniform() + cut * aspect[1] * dice.uniform(-1, 1)
    direction, near = dice.uniform(0, 6.28), dice.uniform(-0.5, 0.6)
    cx = cx + close * direction.cos() * (radius + near * aspect[0])
    cy = cy + close * direction.sin() * (radius + near * aspect[1])
    return replace(shape, cx=cx, cy=cy, radius=radius)


@dataclass
class Scenes:
    """A batch of composed scenes.

    ``pictures`` (B, 3, H, W) encoded 0..1; ``targets`` (B, 3, H, W) 0..1: visible silhouette, area inside
    the lip with its hidden parts, visible line of the lip; ``lips`` (B, 256, 2) the whole lip in px;
    ``present`` (B,) whether there is a piece at all.
    """

    pictures: Tensor
    targets: Tensor
    lips: Tensor
    present: Tensor


def compose_batch(count: int, height: int, width: int, seed: int, device: str) -> tuple[Tensor, Tensor]:
    """Pictures and targets of :class:`Scenes`."""
    scenes = compose_scenes(count, height, width, seed, device)
    return scenes.pictures, scenes.targets


def compose_scenes(count: int, height: int, width: int, seed: int, device: str) -> Scenes:
    """Compose a batch; the same seed, size and device give the same scenes."""
    dice = Dice(count, seed, device)
    side = max(height, width)
    px = side / 2
    rows = (torch.arange(height, device=device) + 0.5 - height / 2) / px
    columns = (torch.arange(width, device=device) + 0.5 - width / 2) / px
    y0, x0 = (a[None, None] for a in torch.meshgrid(rows, columns, indexing="ij"))
    roll = dice.normal(0.08) + dice.chance(0.15) * torch.round(dice.uniform(-0.5, 3.5)) * 1.5708
    x, y = x0 * roll.cos() + y0 * roll.sin(), y0 * roll.cos() - x0 * roll.sin()
    tilt = dice.choose((0.35, 0.5, 0.15))
    tilt = (
        tilt[:, :1] * dice.uniform(0, 0.25)
        + tilt[:, 1:2] * dice.uniform(0.25, 0.95)
        + tilt[:, 2:] * dice.uniform(0.9, 1.3)
    )
    camera = Camera(x, y, dice.uniform(1.3, 4.0), tilt)
    shape = _place(dice, throw_shape(dice), (width / side, height / side))
    u, v = camera.on_plane(shape.cx, shape.cy, shape.radius, shape.height)
    picture = paint_table(dice, u, v)
    index, some = dice.pick(0.22)
    x, y = camera.x[index], camera.y[index]
    far = torch.sigmoid(60 * (-y - some.uniform(0.2, 1.2)))
    picture[index] = picture[index] * (1 - far) + paint_table(some, x * 2, y * 2) * far
    picture = picture + dice.chance(0.12) * 0.85 * (shape.glaze - picture)  # a table of the piece's colour
    sun = torch.sigmoid(
        dice.uniform(2, 40) * (camera.x * dice.normal() + camera.y * dice.normal() + dice.normal(0.5))
    )
    sun = 1 - dice.chance(0.3) * dice.uniform(0.1, 0.6) * sun
    present = (dice.uniform() > 0.03).float()
    picture = _lay_neighbours(dice, camera, shape, picture * 1, present, px)
    picture = _cast_shadow(dice, camera, shape, picture)
    layer = draw_piece(dice, camera, shape)
    handle = _draw_handle(dice, camera, shape, px)
    silhouette = torch.maximum(layer.silhouette, handle) * present
    colour = layer.colour * layer.silhouette + shape.glaze * 0.85 * (1 - layer.silhouette)
    picture = picture * (1 - silhouette) + colour * silhouette
    lip, line = layer.lip * present, torch.exp(-0.5 * (layer.lip_distance_px / 1.3) ** 2) * present
    for share in (0.4, 0.2, 0.12):
        index, some = dice.pick(share)
        cover_colour, cover = lay_cover(some, camera.part(index), shape.part(index), px)
        picture[index] = picture[index] * (1 - cover) + cover_colour * cover
        silhouette[index], line[index] = silhouette[index] * (1 - cover), line[index] * (1 - cover)
    middle = torch.tensor([width / 2 - 0.5, height / 2 - 0.5], device=device)
    lips = project_lip(camera, shape, roll) * px + middle
    targets = torch.cat([silhouette, lip, line], dim=1)
    return Scenes(finish_picture(dice, picture * sun), targets, lips, present[:, 0, 0, 0])


def _lay_neighbours(
    dice: Dice, camera: Camera, shape: Shape, picture: Tensor, present: Tensor, px: float
) -> Tensor:
    """Paper, boards, other pieces beside and under the piece, each in a part of the pictures.

    Where the piece itself is absent (``present`` 0), so are other pieces.
    """
    for share in (0.35, 0.15):
        index, some = dice.pick(share)
        colour, cover = _lay_sheet(some, camera.part(index), px)
        picture[index] = picture[index] * (1 - cover) + colour * cover
    for share, under in ((0.35, False), (0.15, False), (0.07, True)):
        index, some = dice.pick(share)
        eye, main = camera.part(index), shape.part(index)
        other = _place_beside(some, eye, main, under)
        shaded = _cast_shadow(some, eye, other, picture[index])
        layer = draw_piece(some, eye, other)
        cover = layer.silhouette * present[index]
        picture[index] = shaded * (1 - cover) + layer.colour * cover
    return picture


def _lay_sheet(dice: Dice, camera: Camera, px: float) -> tuple[Tensor, Tensor]:
    """A rectangle of paper, cloth or board: colour and cover."""
    cx, cy, turn = dice.normal(0.7), dice.normal(0.7), dice.uniform(0, 3.14)
    s = (camera.x - cx) * turn.cos() + (camera.y - cy) * turn.sin()
    t = (camera.y - cy) * turn.cos() - (camera.x - cx) * turn.sin()
    box = torch.maximum(s.abs() - dice.uniform(0.2, 1), t.abs() - dice.uniform(0.15, 0.7)) * px
    paper = dice.chance(0.5)
    return paper * dice.uniform(0.75, 1.0) + (1 - paper) * paint_table(dice, s, t), cover_of(box)


def _place_beside(dice: Dice, camera: Camera, main: Shape, under: bool) -> Shape:
    """Another piece beside the main one, smaller, or a larger flat one under it."""
    other = throw_shape(dice)
    direction = dice.uniform(0, 6.28)
    size = main.radius * (dice.uniform(1.4, 2.0) if under else dice.uniform(0.25, 0.8))
    reach = (main.radius + size) * (dice.uniform(0, 0.08) if under else dice.uniform(1.02, 1.5))
    sag = main.height * main.radius * camera.tilt.sin() if under else torch.zeros_like(size)
    cx, cy = main.cx + reach * direction.cos(), main.cy + reach * direction.sin() + sag
    other = replace(other, cx=cx, cy=cy, radius=size)
    if under:
        other = replace(other, hollow=torch.zeros_like(size), height=other.height.clamp(max=0.2))
    return other


def _cast_shadow(
    dice: Dice, camera: Camera, shape: Shape, picture: Tensor, probability: float = 0.9
) -> Tensor:
    """A soft or hard shadow on the table, moved away from the light."""
    reach = shape.height * dice.uniform(0, 1.2)
    away = dice.uniform(0, 6.28)
    u, v = camera.on_plane(shape.cx, shape.cy, shape.radius, shape.height)
    share = radial_share(shape, u - reach * away.cos(), v - reach * away.sin())
    soft = dice.uniform(0.01, 0.25)
    dark = (
        torch.sigmoid((dice.uniform(0.9, 1.05) - share) / soft)
        * dice.uniform(0.1, 0.75)
        * dice.chance(probability)
    )
    return picture * (1 - dark)


def _draw_handle(dice: Dice, camera: Camera, shape: Shape, px: float) -> Tensor:
    """The ring of a cup's handle at the side of hollow pieces, cover 0..1."""
    side = torch.sign(dice.normal())
    sag = 0.5 * shape.height * shape.radius * camera.tilt.sin()
    x = camera.x - shape.cx - side * shape.radius * dice.uniform(0.85, 1.05)
    y = (camera.y - shape.cy - sag) / dice.uniform(0.5, 1.1)
    ring = ((x**2 + y**2).sqrt() - shape.radius * dice.uniform(0.2, 0.35)).abs()
    cover = cover_of((ring - shape.radius * dice.uniform(0.03, 0.08)) * px)
    return cover * dice.chance(0.4) * shape.hollow


def finish_picture(dice: Dice, picture: Tensor) -> Tensor:
    """Light of uneven strength and colour, highlights, tone, blur, noise, blocks."""
    height, width = picture.shape[2:]
    rows = torch.linspace(-1, 1, height, device=picture.device).view(1, 1, -1, 1)
    columns = torch.linspace(-1, 1, width, device=picture.device).view(1, 1, 1, -1)
    slope = 1 + dice.normal(0.12) * rows + dice.normal(0.12) * columns
    spots = cloud(
        dice,
        columns.expand(picture.shape[0], 1, height, width) * 2,
        rows.expand(picture.shape[0], 1, height, width) * 2,
        octaves=4,
        start=6,
    )
    glare = torch.sigmoid(14 * (spots - dice.uniform(0.8, 1.6))) * dice.chance(0.4) * dice.uniform(0.2, 0.8)
    picture = picture.clamp(0, 1) * slope * dice.uniform(0.55, 1.25) * (1 + dice.normal(0.1, 3))
    picture = picture + glare * (1 - picture)
    picture = picture.clamp(0, 1) ** dice.uniform(0.7, 1.5)
    blurred = soften(picture, 1.3)
    share = dice.uniform() ** 2
    picture = picture * (1 - share) + blurred * share
    sharp = picture + dice.uniform(0, 0.8) * dice.chance(0.3) * (picture - blurred)
    noise = torch.randn(picture.shape, generator=dice.generator, device=picture.device)
    return (sharp + noise * dice.uniform(0, 0.035)).clamp(0, 1)
