"""Pictures of tableware with known lip and silhouette, composed on the fly to train the segmenter.

Cheap on purpose: pieces are surfaces cut by the rays of a pinhole camera, painted, shaded and covered;
no light transport. A batch is made at once on the GPU, so that no picture is ever seen twice.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import torch
from torch import Tensor

from training.piece_clutter import cast_shadow, draw_neighbours, draw_stack, lay_cover, lay_napkin
from training.piece_drawing import Camera, Shape, lip_in_picture, throw_shape
from training.piece_painting import draw_piece
from training.piece_surfaces import Dice, cloud, paint_table, soften


@dataclass
class Scenes:
    """A batch of composed scenes.

    ``pictures`` (B, 3, H, W) encoded 0..1; ``targets`` (B, 3, H, W) 0..1: visible silhouette, area inside
    the lip with its hidden parts, visible line of the lip; ``lips`` (B, 192, 2) the whole lip, also beyond
    the frame, in half longer sides from the picture's middle; ``kind`` (B,) index into KINDS;
    ``present`` (B,) whether there is a piece at all.
    """

    pictures: Tensor
    targets: Tensor
    lips: Tensor
    kind: Tensor
    present: Tensor


def _choose_tilt(dice: Dice, shape: Shape) -> Tensor:
    """Plates mostly from above, hollow pieces mostly from the side; radians from straight above."""
    tall = shape.hollow * (shape.height > 0.7).float()
    kind = dice.choose((0.3, 0.45, 0.25))
    flat = (
        kind[:, :1] * dice.uniform(0, 0.3)
        + kind[:, 1:2] * dice.uniform(0.3, 0.95)
        + kind[:, 2:] * dice.uniform(0.85, 1.36)
    )
    side = dice.chance(0.8)
    stands = side * dice.uniform(0.95, 1.5) + (1 - side) * dice.uniform(0, 1.0)
    return tall * stands + (1 - tall) * flat


def _place(dice: Dice, shape: Shape, tilt: Tensor, aspect: tuple[float, float]) -> Shape:
    """Whole pieces in the middle, small ones anywhere, pieces cut by the frame, close-ups of a rim."""
    kind = dice.choose((0.45, 0.09, 0.24, 0.22))
    whole, small, cut, close = (kind[:, i : i + 1] for i in range(4))
    sin, cos = tilt.sin(), tilt.cos()
    low = torch.maximum(cos, shape.height * sin + shape.outer[:, -1:] * cos)
    middle, half_tall = (low - cos) / 2, (low + cos) / 2
    widest = torch.maximum(shape.outer.amax(1, keepdim=True), 1 + shape.spout) + 0.3 * (shape.handles > 0)
    fit = torch.minimum(aspect[0] / widest, aspect[1] / half_tall)
    radius = whole * dice.uniform(0.55, 1.05) * fit + small * dice.uniform(0.14, 0.5) * fit
    radius = radius + cut * dice.uniform(0.5, 1.5) * fit + close * dice.uniform(1.2, 4.5) * fit.clamp(max=1.2)
    slack_x = (aspect[0] - radius * widest).clamp(min=0.03)
    slack_y = (aspect[1] - radius * half_tall).clamp(min=0.03)
    near = dice.uniform()
    inside = (whole * near + small) * 1.0
    cx = inside * slack_x * dice.uniform(-1, 1)
    cy = inside * slack_y * dice.uniform(-1, 1) - (1 - close) * middle * radius
    sideways, updown = dice.uniform(-1, 1), dice.uniform(-1, 1)
    cx = cx + cut * sideways * (aspect[0] + 0.25 * radius)
    cy = cy + cut * updown * (aspect[1] + 0.25 * radius * half_tall)
    turn = dice.uniform(0, 6.28)
    cx = cx - close * (turn.cos() * radius + dice.uniform(-0.6, 0.6) * aspect[0])
    cy = cy - close * (turn.sin() * radius * cos + dice.uniform(-0.6, 0.6) * aspect[1])
    return replace(shape, cx=cx, cy=cy, radius=radius)


def compose_scenes(count: int, height: int, width: int, seed: int, device: str) -> Scenes:
    """Compose a batch; the same seed, size and device give the same scenes."""
    dice = Dice(count, seed, device)
    side = max(height, width)
    px = side / 2
    rows = (torch.arange(height, device=device) + 0.5 - height / 2) / px
    columns = (torch.arange(width, device=device) + 0.5 - width / 2) / px
    y0, x0 = (a[None, None] for a in torch.meshgrid(rows, columns, indexing="ij"))
    roll = dice.normal(0.12) + dice.chance(0.25) * dice.uniform(0, 6.2832)
    x, y = x0 * roll.cos() + y0 * roll.sin(), y0 * roll.cos() - x0 * roll.sin()
    shape = throw_shape(dice)
    tilt = _choose_tilt(dice, shape)
    camera = Camera(x, y, dice.uniform(1.2, 4.0), tilt)
    shape = _place(dice, shape, tilt, (width / side, height / side))
    picture, sun = _lay_ground(dice, camera, shape)
    present = (dice.uniform() > 0.02).float()
    picture = draw_neighbours(dice, camera, shape, picture, present, px)
    picture = cast_shadow(dice, camera, shape, picture)
    picture = draw_stack(dice, camera, shape, picture) * present + picture * (1 - present)
    layer = draw_piece(dice, camera, shape)
    silhouette = layer.silhouette * present
    picture = picture * (1 - silhouette) + layer.colour * silhouette
    lip, line = layer.lip * present, torch.exp(-0.5 * (layer.lip_distance_px / 1.2) ** 2) * present
    for share, lay in ((0.25, lay_cover), (0.15, lay_cover), (0.12, lay_napkin)):
        index, some = dice.pick(share)
        colour, cover = lay(some, camera.part(index), shape.part(index), px)
        picture[index] = picture[index] * (1 - cover) + colour * cover
        silhouette[index], line[index] = silhouette[index] * (1 - cover), line[index] * (1 - cover)
    lips = lip_in_picture(camera, shape)
    cos, sin = roll[:, :, 0].cos(), roll[:, :, 0].sin()
    lips = torch.cat(
        [lips[..., :1] * cos - lips[..., 1:] * sin, lips[..., :1] * sin + lips[..., 1:] * cos], 2
    )
    seen = (silhouette.flatten(1).mean(1) > 0.004).float()
    return Scenes(
        finish_picture(dice, picture * sun),
        torch.cat([silhouette, lip, line], dim=1),
        lips,
        shape.kind.flatten().long(),
        present.flatten() * seen,
    )


def _lay_ground(dice: Dice, camera: Camera, shape: Shape) -> tuple[Tensor, Tensor]:
    """Table, wall and window behind, and the shadow of a window's frame or a curtain (B, 1, H, W)."""
    u, v = camera.on_plane(shape.cx, shape.cy, shape.radius, shape.height)
    picture = paint_table(dice, u, v)
    level = (camera.tilt > 0.75).float()
    horizon = -(camera.focal * (1.5708 - camera.tilt).tan().clamp(0, 30)) + dice.uniform(0.0, 0.9)
    horizon = level * horizon + (1 - level) * dice.normal(0.6) - 0.1
    wall = torch.sigmoid(80 * (horizon - camera.y)) * dice.chance(0.2)
    wall = torch.maximum(wall, level * torch.sigmoid(80 * (horizon - camera.y)) * dice.chance(0.75))
    behind = paint_table(dice, camera.x * 2, camera.y * 2)
    plain = dice.chance(0.5)
    behind = (
        behind * (1 - plain) + dice.colour(0.02, 0.95, 0.5) * (1 + 0.2 * camera.x * dice.normal()) * plain
    )
    pane_x, pane_y = camera.x - dice.normal(0.5), camera.y + dice.uniform(0.2, 0.9)
    pane = torch.maximum(pane_x.abs() - dice.uniform(0.1, 0.4), pane_y.abs() - dice.uniform(0.1, 0.4))
    window = (
        (pane < 0).float() * (torch.minimum(pane_x.abs(), pane_y.abs()) > 0.01).float() * dice.chance(0.3)
    )
    behind = behind * (1 - window) + dice.uniform(0.6, 1.6) * window
    picture = picture * (1 - wall) + behind * wall
    picture = picture + dice.chance(0.12) * 0.85 * (shape.glaze - picture)  # a table of the piece's colour
    sun = torch.sigmoid(
        dice.uniform(2, 40) * (camera.x * dice.normal() + camera.y * dice.normal() + dice.normal(0.5))
    )
    return picture, 1 - dice.chance(0.3) * dice.uniform(0.1, 0.6) * sun


def finish_picture(dice: Dice, picture: Tensor) -> Tensor:
    """Light of uneven strength and colour, highlights, tone, blur, noise."""
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
    glare = torch.sigmoid(14 * (spots - dice.uniform(0.8, 1.6))) * dice.chance(0.12) * dice.uniform(0.2, 0.8)
    dim = dice.chance(0.12)
    exposure = dim * dice.uniform(0.15, 0.5) + (1 - dim) * dice.uniform(0.55, 1.35)
    picture = picture.clamp(0, 1.6) * slope * exposure * (1 + dice.normal(0.1, 3))
    picture = picture + glare * (1 - picture)
    picture = picture.clamp(0, 1) ** dice.uniform(0.7, 1.5)
    blurred = soften(picture, 1.3)
    share = dice.uniform() ** 2
    picture = picture * (1 - share) + blurred * share
    sharp = picture + dice.uniform(0, 0.8) * dice.chance(0.3) * (picture - blurred)
    noise = torch.randn(picture.shape, generator=dice.generator, device=picture.device)
    return (sharp + noise * dice.uniform(0, 0.035)).clamp(0, 1)
