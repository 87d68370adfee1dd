"""Pictures of tableware with known lip and silhouette, composed on the fly to train the segmenter.

Cheap on purpose: pieces are stacks of flat slices seen by a pinhole camera, painted, shaded and covered;
no light transport. A batch is made at once on the GPU, so that no picture is ever seen twice.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import torch
from torch import Tensor

from training.piece_surfaces import Dice, cloud, paint_food, paint_table, soften

_SLICES = 7
_SHADES = 1.6


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


def _distance_px(share: Tensor, edge: Tensor | float) -> Tensor:
    """First-order distance in px to the contour share = edge."""
    dy = share[:, :, 1:] - share[:, :, :-1]
    dx = share[:, :, :, 1:] - share[:, :, :, :-1]
    dy, dx = torch.cat([dy, dy[:, :, -1:]], 2), torch.cat([dx, dx[:, :, :, -1:]], 3)
    return (share - edge) / (dx**2 + dy**2).sqrt().clamp(min=1e-4)


def _cover(distance_px: Tensor) -> Tensor:
    """1 inside, 0 outside, one pixel soft."""
    return (0.5 - distance_px).clamp(0, 1)


def draw_piece(dice: Dice, camera: Camera, shape: Shape) -> Layer:
    """Paint one piece: body, rim with lines, border and relief, well or hollow with food."""
    u, v = camera.on_plane(shape.cx, shape.cy, shape.radius, torch.zeros_like(shape.cx))
    share = radial_share(shape, u, v)
    lip_distance = _distance_px(share, 1.0)
    lip = _cover(lip_distance)
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
        mask = _cover(_distance_px(radial_share(shape, u, v), reach))
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
    floor = _cover(_distance_px(inner, reach))
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
    return _cover(-40 * (heap * (1 - kind) + scattered * kind))


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
    cover = _cover(_capsule_px(camera, x0, y0, x1, y1, half, px))
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
    return paper * dice.uniform(0.75, 1.0) + (1 - paper) * paint_table(dice, s, t), _cover(box)


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
    cover = _cover((ring - shape.radius * dice.uniform(0.03, 0.08)) * px)
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
