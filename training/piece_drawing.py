"""Drawing one piece: a stack of flat slices seen by a pinhole camera, painted and shaded.

Cheap on purpose, no light transport; everything is a batch of torch tensors.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import torch
from torch import Tensor

from training.piece_surfaces import Dice, cloud, paint_food

_SLICES = 7


@dataclass
class Camera:
    """A pinhole camera over a table: pixel grid (B, 1, H, W) in half longer sides, focal length, tilt."""

    x: Tensor
    y: Tensor
    focal: Tensor
    tilt: Tensor

    def part(self, index: Tensor) -> Camera:
        """The cameras of some pictures of the batch."""
        return Camera(self.x[index], self.y[index], self.focal[index], self.tilt[index])

    def on_plane(self, cx: Tensor, cy: Tensor, radius: Tensor, depth: Tensor) -> tuple[Tensor, Tensor]:
        """Plane coordinates of each pixel, in lip radii, on the plane ``depth`` radii under the lip's.

        ``cx, cy`` is where the lip's centre is seen, ``radius`` its size in the picture.
        """
        sin, cos = self.tilt.sin(), self.tilt.cos()
        r = radius / self.focal
        px, py = cx / self.focal, cy / self.focal + depth * r * sin
        pz = 1 + depth * r * cos
        dx, dy = self.x / self.focal, self.y / self.focal
        towards = (-dy * sin - cos).clamp(max=-0.03)
        along = (-py * sin - pz * cos) / towards
        qx, qy, qz = along * dx - px, along * dy - py, along - pz
        return qx / r, (qy * cos - qz * sin) / r


@dataclass
class Shape:
    """One piece: place and size in the picture, outline, profile, colours; all (B, 1 or 3, 1, 1)."""

    cx: Tensor
    cy: Tensor
    radius: Tensor
    turn: Tensor
    oval: Tensor
    power: Tensor
    lobes: Tensor
    lobe_height: Tensor
    height: Tensor
    foot: Tensor
    fullness: Tensor
    well: Tensor
    well_depth: Tensor
    hollow: Tensor
    glaze: Tensor

    def part(self, index: Tensor) -> Shape:
        """The shapes of some pictures of the batch."""
        return Shape(**{field.name: getattr(self, field.name)[index] for field in fields(self)})


def radial_share(shape: Shape, u: Tensor, v: Tensor) -> Tensor:
    """Distance from the middle as a share of the outline's radius in that direction."""
    s, t = u * shape.turn.cos() + v * shape.turn.sin(), v * shape.turn.cos() - u * shape.turn.sin()
    t = t / shape.oval
    norm = (s.abs() ** shape.power + t.abs() ** shape.power + 1e-9) ** (1 / shape.power)
    angle = torch.atan2(t, s)
    return norm / (1 - shape.lobe_height * (1 - torch.cos(shape.lobes * angle)))


def throw_shape(dice: Dice, hollow_share: float = 0.35) -> Shape:
    """A random piece, of unit size in the middle."""
    hollow = dice.chance(hollow_share)
    deep = dice.chance(0.45) * hollow
    kind = dice.choose((0.68, 0.12, 0.1, 0.1))
    power = 2 + kind[:, 2:3] * dice.uniform(1, 6)
    oval = 1 - (kind[:, 1:2] + 0.3 * kind[:, 2:3] * dice.chance(0.5)) * dice.uniform(0.08, 0.4)
    wavy = kind[:, 3:4]
    height = dice.uniform(0.08, 0.22) * (1 - hollow) + hollow * (
        dice.uniform(0.35, 0.75) * (1 - deep) + deep * dice.uniform(0.8, 1.7)
    )
    foot = dice.uniform(0.5, 0.68) * (1 - hollow) + hollow * (
        dice.uniform(0.35, 0.6) * (1 - deep) + deep * dice.uniform(0.55, 0.95)
    )
    white = dice.uniform(0.72, 0.98) + torch.cat(
        [dice.normal(0.015), dice.normal(0.01), dice.normal(0.035)], 1
    )
    coloured = dice.chance(0.4)
    glaze = white * (1 - coloured) + coloured * dice.colour(0.06, 0.9, 0.45)
    zero = torch.zeros_like(hollow)
    return Shape(
        cx=zero,
        cy=zero,
        radius=zero + 0.6,
        turn=dice.uniform(0, 6.28) * (1 - dice.chance(0.5) * kind[:, 1:2]),
        oval=oval,
        power=power,
        lobes=torch.round(dice.uniform(4, 24)),
        lobe_height=wavy * dice.uniform(0.004, 0.04),
        height=height,
        foot=foot,
        fullness=dice.uniform(0.45, 2.2),
        well=dice.uniform(0.58, 0.86),
        well_depth=dice.uniform(0.03, 0.16),
        hollow=hollow,
        glaze=glaze.clamp(0.02, 1),
    )


@dataclass
class Layer:
    """A drawn piece: colours, silhouette, area inside the lip, signed lip distance in px (positive out)."""

    colour: Tensor
    silhouette: Tensor
    lip: Tensor
    lip_distance_px: Tensor


def distance_px(share: Tensor, edge: Tensor | float) -> Tensor:
    """First-order distance in px to the contour share = edge."""
    dy = share[:, :, 1:] - share[:, :, :-1]
    dx = share[:, :, :, 1:] - share[:, :, :, :-1]
    dy, dx = torch.cat([dy, dy[:, :, -1:]], 2), torch.cat([dx, dx[:, :, :, -1:]], 3)
    return (share - edge) / (dx**2 + dy**2).sqrt().clamp(min=1e-4)


def cover_of(gap_px: Tensor) -> Tensor:
    """1 inside, 0 outside, one pixel soft."""
    return (0.5 - gap_px).clamp(0, 1)


def draw_piece(dice: Dice, camera: Camera, shape: Shape) -> Layer:
    """Paint one piece: body, rim with lines, border and relief, well or hollow with food."""
    u, v = camera.on_plane(shape.cx, shape.cy, shape.radius, torch.zeros_like(shape.cx))
    share = radial_share(shape, u, v)
    lip_distance = distance_px(share, 1.0)
    lip = cover_of(lip_distance)
    angle = torch.atan2(v, u)
    light = dice.uniform(0, 6.28)
    shade = dice.uniform(0.02, 0.22)
    body, silhouette = _draw_body(dice, camera, shape, light)
    silhouette = torch.maximum(silhouette, lip)
    inside = _draw_inside(dice, camera, shape, share, angle, light, shade)
    colour = body * (1 - lip) + inside * lip
    return Layer(colour.clamp(0, 1), silhouette, lip, lip_distance)


def _draw_body(dice: Dice, camera: Camera, shape: Shape, light: Tensor) -> tuple[Tensor, Tensor]:
    """The outside under the lip, seen below the near edge of tilted pieces."""
    silhouette = torch.zeros_like(camera.x + shape.cx)
    tone = torch.zeros_like(silhouette)
    outside = shape.glaze + dice.chance(0.2) * (dice.colour() - shape.glaze)
    for k in range(1, _SLICES + 1):
        step = torch.as_tensor(k / _SLICES, device=camera.x.device)
        reach = shape.foot + (1 - shape.foot) * (1 - step**shape.fullness)
        u, v = camera.on_plane(shape.cx, shape.cy, shape.radius, shape.height * step)
        mask = cover_of(distance_px(radial_share(shape, u, v), reach))
        fresh = (mask - silhouette).clamp(min=0)
        side = torch.cos(torch.atan2(v, u) - light)
        tone = tone + fresh * (0.86 - 0.35 * step * dice.uniform(0.3, 1.2) + 0.14 * side)
        silhouette = torch.maximum(silhouette, mask)
    tone = tone / silhouette.clamp(min=0.05)
    return outside * tone, silhouette


def _draw_inside(
    dice: Dice, camera: Camera, shape: Shape, share: Tensor, angle: Tensor, light: Tensor, shade: Tensor
) -> Tensor:
    """Rim, decoration, well or hollow."""
    tone = 1 + shade * torch.cos(angle - light) * (share - 0.3)
    rim = shape.glaze * tone
    rim_colour = dice.chance(0.2)
    band = torch.sigmoid(60 * (share - shape.well))
    rim = rim * (1 - rim_colour * band) + dice.colour(0.1, 0.9, 0.5) * tone * rim_colour * band
    rim = _decorate(dice, rim, share, angle, shape)
    depth = shape.well_depth * (1 - shape.hollow) + shape.hollow * shape.height * dice.uniform(0.15, 0.9)
    reach = shape.well * (1 - shape.hollow) + shape.hollow * (1 - 0.45 * depth / shape.height.clamp(min=0.1))
    u, v = camera.on_plane(shape.cx, shape.cy, shape.radius, depth)
    inner = radial_share(shape, u, v)
    floor = cover_of(distance_px(inner, reach))
    wall = shape.hollow * torch.cos(angle - light - 3.14159) * dice.uniform(0.05, 0.4) * (share > 0.2).float()
    crease = torch.exp(-(((inner - reach) / 0.02) ** 2)) * dice.uniform(-0.15, 0.1)
    picture = (rim * (1 + wall) + crease).clamp(0, 1)
    well = (
        shape.glaze * (1 + dice.uniform(-0.12, 0.06)) * (1 - 0.5 * shade * torch.cos(angle - light) * inner)
    )
    liquid = dice.chance(0.55) * shape.hollow
    well = well * (1 - liquid) + liquid * paint_food(dice, u, v)
    picture = picture * (1 - floor) + well * floor
    heap = _heap_food(dice, u, v) * dice.chance(0.7) * (1 - liquid)
    return picture * (1 - heap) + paint_food(dice, u, v) * heap


def _heap_food(dice: Dice, u: Tensor, v: Tensor) -> Tensor:
    """Cover 0..1 of one ragged heap, of scattered pieces, or of smears, now and then over the rim."""
    moved = ((u - dice.normal(0.14)) ** 2 + (v - dice.normal(0.14)) ** 2).sqrt()
    ragged = cloud(dice, u * 0.4, v * 0.4, octaves=4, start=3)
    heap = dice.uniform(0.2, 0.9) + dice.uniform(0.1, 0.45) * ragged - moved
    pieces = cloud(dice, u * dice.uniform(0.5, 1.2), v * dice.uniform(0.5, 1.2), octaves=2, start=3)
    scattered = torch.minimum(pieces - dice.uniform(-0.1, 0.5), dice.uniform(0.5, 1.0) - moved)
    kind = dice.chance(0.35)
    return cover_of(-40 * (heap * (1 - kind) + scattered * kind))


def _decorate(dice: Dice, rim: Tensor, share: Tensor, angle: Tensor, shape: Shape) -> Tensor:
    """Edge and verge lines, relief rings, a repeated border."""
    for place, width in (
        (dice.uniform(0.975, 1.0), dice.uniform(0.006, 0.03)),
        (dice.uniform(0.9, 0.97), dice.uniform(0.003, 0.015)),
        (shape.well + dice.uniform(-0.02, 0.04), dice.uniform(0.004, 0.02)),
    ):
        line = torch.sigmoid((width - (share - place).abs()) / 0.003) * dice.chance(0.4)
        rim = rim * (1 - line) + dice.colour(0.05, 0.85, 0.5) * line
    rings = torch.sin(share * dice.uniform(60, 160)) * dice.uniform(0, 0.08) * dice.chance(0.2)
    rim = rim + rings * (share > shape.well).float()
    repeats = torch.round(dice.uniform(6, 60))
    low = shape.well + dice.uniform(0.0, 0.1)
    high = low + dice.uniform(0.04, 0.16)
    across = (share - low) / (high - low)
    phase = angle * repeats
    wave = (
        torch.sin(phase) + torch.sin(6.28 * across + 2 * phase) * dice.uniform(0, 1) - dice.uniform(-0.6, 0.8)
    )
    stamp = torch.sigmoid(6 * wave) * ((across > 0) & (across < 1)).float() * dice.chance(0.35)
    return rim * (1 - stamp) + dice.colour(0.05, 0.85, 0.6) * stamp


def project_lip(camera: Camera, shape: Shape, roll: Tensor, count: int = 256) -> Tensor:
    """(B, count, 2) the lip in half longer sides from the picture's middle, roll undone."""
    turn = torch.linspace(0, 6.283185, count + 1, device=roll.device)[:count].view(1, 1, 1, -1)
    u, v = turn.cos().expand(roll.shape[0], -1, -1, -1), turn.sin().expand(roll.shape[0], -1, -1, -1)
    share = radial_share(shape, u, v)
    u, v = u / share, v / share
    r, sin, cos = shape.radius / camera.focal, camera.tilt.sin(), camera.tilt.cos()
    z = (1 - r * v * sin).clamp(min=0.05)
    x = (shape.cx / camera.focal + r * u) / z * camera.focal
    y = (shape.cy / camera.focal + r * v * cos) / z * camera.focal
    x, y = x * roll.cos() - y * roll.sin(), x * roll.sin() + y * roll.cos()
    return torch.stack([x[:, 0, 0], y[:, 0, 0]], dim=-1)
