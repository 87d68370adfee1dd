"""Painting one composed piece: glaze in light, lines, stamped borders, highlights, lid, handles, food."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import torch
from torch import Tensor

from training.piece_drawing import (
    Camera,
    Hit,
    Shape,
    cover_of,
    cut_inside,
    cut_outside,
    distance_px,
)
from training.piece_surfaces import Dice, cloud, paint_food

# Dome and knob of a lid, from the knob's top down to the lip: radius shares at even depths.
_LID = (0.0, 0.13, 0.16, 0.13, 0.1, 0.36, 0.56, 0.7, 0.81, 0.89, 0.95, 0.99, 1.0)
_EAR = ((0.0, 0.16), (0.3, 0.08), (0.62, 0.18), (0.78, 0.42), (0.62, 0.66), (0.3, 0.74), (0.0, 0.7))
_GOLD, _WHITE_METAL = (0.83, 0.66, 0.32), (0.78, 0.78, 0.76)  # encoded, from memory


@dataclass
class Layer:
    """A drawn piece: ``colour`` (B, 3, H, W), ``silhouette``, ``lip``, ``lip_distance_px`` (B, 1, H, W)."""

    colour: Tensor
    silhouette: Tensor
    lip: Tensor
    lip_distance_px: Tensor


@dataclass
class Lamp:
    """Light on a piece: direction (B, 3, 1, 1) unit, in right, near and up; ambient share; sheen."""

    towards: Tensor
    ambient: Tensor
    sheen: Tensor
    polish: Tensor

    def part(self, index: Tensor) -> Lamp:
        """The lamps of some pictures of the batch."""
        return Lamp(self.towards[index], self.ambient[index], self.sheen[index], self.polish[index])


def hang_lamp(dice: Dice) -> Lamp:
    """A random light from above the table."""
    angle, lift = dice.uniform(0, 6.2832), dice.uniform(0.15, 1.45)
    towards = torch.cat([lift.cos() * angle.cos(), lift.cos() * angle.sin(), lift.sin()], 1)
    return Lamp(
        towards,
        dice.uniform(0.3, 0.85),
        dice.uniform(0, 0.9) * dice.chance(0.7),
        dice.uniform(1.5, 5.3).exp(),
    )


def shade(camera: Camera, lamp: Lamp, u: Tensor, v: Tensor, slope: Tensor, outward: float) -> Tensor:
    """(B, 2, H, W) diffuse tone and highlight at a surface of revolution; ``outward`` -1 for the inside."""
    length = (u**2 + v**2).sqrt().clamp(min=1e-4)
    across = outward / (1 + slope**2).sqrt()
    normal = torch.cat([u / length * across, v / length * across, slope * across], 1)
    eye = torch.cat([torch.zeros_like(camera.tilt), camera.tilt.sin(), camera.tilt.cos()], 1)
    half = lamp.towards + eye
    half = half / half.norm(dim=1, keepdim=True)
    lit = (normal * lamp.towards).sum(1, keepdim=True)
    lit = torch.maximum(lit, 0.25 * lit + 0.1 * (1 - lamp.ambient))
    glint = (normal * half).sum(1, keepdim=True).clamp(min=0) ** lamp.polish
    return torch.cat([lamp.ambient + (1 - lamp.ambient) * lit.clamp(min=0), glint * lamp.sheen], 1)


def draw_piece(dice: Dice, camera: Camera, shape: Shape) -> Layer:
    """Paint one piece: outside, inside with food, lid and handles where it has them."""
    lamp = hang_lamp(dice)
    outside = cut_outside(camera, shape, shape.outer, torch.zeros_like(shape.cx), shape.height)
    silhouette = cover_of(distance_px(-outside.inside, 0.0))
    colour = _paint_outside(dice, camera, shape, lamp, outside)
    inside = cut_inside(camera, shape)
    lip_distance = distance_px(-inside.inside, 0.0)
    lip = cover_of(lip_distance)
    colour = colour * (1 - lip) + _paint_inside(dice, camera, shape, lamp, inside) * lip
    silhouette = torch.maximum(silhouette, lip)
    index = torch.nonzero(shape.lidded.flatten() > 0).flatten()
    if len(index):
        cover, lid = _draw_lid(camera.part(index), shape.part(index), lamp.part(index))
        colour[index] = colour[index] * (1 - cover) + lid * cover
        silhouette[index] = torch.maximum(silhouette[index], cover)
    for number in (1, 2):
        index = torch.nonzero(shape.handles.flatten() >= number).flatten()
        if len(index):
            some = dice.among(index)
            part = shape.part(index)
            turn = part.turn + 3.14159 * number
            cover, ear = _draw_handle(some, camera.part(index), part, turn)
            behind = (turn.sin() < -0.05).float()
            cover = cover * (1 - behind * silhouette[index])
            colour[index] = colour[index] * (1 - cover) + ear * cover
            silhouette[index] = torch.maximum(silhouette[index], cover)
    return Layer(colour.clamp(0, 1), silhouette, lip, lip_distance)


def _line(distance: Tensor, half_width: Tensor, soft: float) -> Tensor:
    return torch.sigmoid((half_width - distance.abs()) / soft)


def _trim_colour(dice: Dice) -> Tensor:
    """Gold, white metal, or a paint."""
    kind = dice.choose((0.35, 0.2, 0.45))
    metal = [torch.tensor(c, device=kind.device).view(1, 3, 1, 1) for c in (_GOLD, _WHITE_METAL)]
    bright = dice.uniform(0.5, 1.2)
    return (kind[:, :1] * metal[0] + kind[:, 1:2] * metal[1]) * bright + kind[:, 2:] * dice.colour(
        0.05, 0.85, 0.8
    )


def _stamp(dice: Dice, across: Tensor, angle: Tensor) -> Tensor:
    """A repeated figure within 0 < across < 1."""
    repeats = torch.round(dice.uniform(6, 48))
    phase = angle * repeats
    figure = torch.sin(phase) + torch.sin(6.28 * across * dice.uniform(0.5, 2) + 2 * phase) * dice.uniform(
        0, 1.2
    )
    figure = figure + torch.sin(12.5 * across + 3 * phase) * dice.uniform(0, 0.8) - dice.uniform(-0.6, 1.0)
    within = ((across > 0) & (across < 1)).float()
    spaced = dice.chance(0.3)
    gap = (torch.sin(angle * torch.round(dice.uniform(3, 8))) > 0.3).float()
    return torch.sigmoid(8 * figure) * within * (1 - spaced + spaced * gap)


def _decorate(
    dice: Dice, colour: Tensor, place: Tensor, angle: Tensor, start: Tensor, reach: Tensor
) -> Tensor:
    """Edge line at place 0, lines and a stamped border after it; ``place`` in lip radii from the lip."""
    trim, other = _trim_colour(dice), _trim_colour(dice)
    same = dice.chance(0.6)
    other = same * trim + (1 - same) * other
    for at, width, paint, odds in (
        (0.0 * start, dice.uniform(0.008, 0.04), trim, 0.5),
        (start + dice.uniform(0.0, 0.06), dice.uniform(0.003, 0.015), other, 0.3),
        (start + reach * dice.uniform(0.9, 1.1), dice.uniform(0.004, 0.02), other, 0.35),
    ):
        line = _line(place - at, width, 0.003) * dice.chance(odds)
        colour = colour * (1 - line) + paint * line
    low = start + dice.uniform(0.0, 0.35) * reach
    high = low + reach * dice.uniform(0.25, 0.9)
    stamp = _stamp(dice, (place - low) / (high - low), angle) * dice.chance(0.55)
    band = ((place > low) & (place < high)).float() * dice.chance(0.07)
    colour = colour * (1 - band) + dice.colour(0.1, 0.9, 0.6) * band
    return colour * (1 - stamp) + trim * stamp


def _paint_outside(dice: Dice, camera: Camera, shape: Shape, lamp: Lamp, hit: Hit) -> Tensor:
    angle = torch.atan2(hit.v, hit.u)
    drop = hit.depth * shape.height
    colour = shape.glaze.expand(-1, 3, hit.u.shape[2], hit.u.shape[3])
    decorated = _decorate(
        dice, colour, drop, angle, dice.uniform(0.03, 0.5) * shape.height * 0.5, dice.uniform(0.1, 0.4)
    )
    colour = torch.where(shape.hollow > 0, decorated, colour)
    tone, glint = shade(camera, lamp, hit.u, hit.v, hit.slope, 1.0).split(1, dim=1)
    deep = 1 - 0.35 * hit.depth**2 * dice.uniform(0.2, 1)
    return colour * tone * deep + glint


def _paint_inside(dice: Dice, camera: Camera, shape: Shape, lamp: Lamp, hit: Hit) -> Tensor:
    """Rim, decoration, well or hollow, with what lies in it."""
    angle = torch.atan2(hit.v, hit.u)
    colour = shape.inside.expand(-1, 3, hit.u.shape[2], hit.u.shape[3])
    rim_width = dice.uniform(0.12, 0.42)
    tinted = dice.chance(0.12)
    rim = ((1 - hit.share) < rim_width).float() * tinted
    colour = colour * (1 - rim) + dice.colour(0.1, 0.9, 0.5) * rim
    place = (1 - hit.share) * (1 - shape.hollow) + shape.hollow * hit.depth * shape.height
    reach = rim_width * dice.uniform(0.4, 0.9)
    colour = _decorate(dice, colour, place, angle, dice.uniform(0.02, 0.1), reach)
    tone, glint = shade(camera, lamp, hit.u, hit.v, hit.slope, -1.0).split(1, dim=1)
    shut = 1 - shape.hollow * hit.depth * dice.uniform(0.0, 0.7)
    colour = colour * tone * shut + glint
    relief = torch.sin(hit.share * dice.uniform(60, 160)) * dice.uniform(0, 0.06) * dice.chance(0.2)
    colour = colour + relief * (hit.share > 0.6).float()
    liquid = dice.chance(0.3) * shape.hollow
    level = dice.uniform(0.12, 0.7)
    u, v = camera.on_plane(shape.cx, shape.cy, shape.radius, level * shape.height)
    filled = liquid * torch.sigmoid((hit.depth - level) * 80)
    colour = colour * (1 - filled) + paint_food(dice, u, v) * filled
    heap = _heap_food(dice, hit.u, hit.v) * dice.chance(0.45) * (1 - liquid)
    return colour * (1 - heap) + paint_food(dice, hit.u, hit.v) * heap


def _heap_food(dice: Dice, u: Tensor, v: Tensor) -> Tensor:
    """Cover 0..1 of one ragged heap, of scattered pieces, or of smears, now and then over the rim."""
    moved = ((u - dice.normal(0.14)) ** 2 + (v - dice.normal(0.14)) ** 2).sqrt()
    ragged = cloud(dice, u * 0.4, v * 0.4, octaves=4, start=3)
    heap = dice.uniform(0.2, 0.9) + dice.uniform(0.1, 0.45) * ragged - moved
    pieces = cloud(dice, u * dice.uniform(0.5, 1.2), v * dice.uniform(0.5, 1.2), octaves=2, start=3)
    scattered = torch.minimum(pieces - dice.uniform(-0.1, 0.5), dice.uniform(0.5, 1.0) - moved)
    kind = dice.chance(0.35)
    return cover_of(-40 * (heap * (1 - kind) + scattered * kind))


def _draw_lid(camera: Camera, shape: Shape, lamp: Lamp) -> tuple[Tensor, Tensor]:
    """A domed lid with its knob: cover and colour."""
    radii = torch.tensor(_LID, device=shape.cx.device).view(1, -1, 1, 1).expand(len(shape.cx), -1, -1, -1)
    height = 0.35 + 0.25 * shape.height
    hit = cut_outside(camera, replace(shape, spout=0 * shape.spout), radii, -height, height)
    tone, glint = shade(camera, lamp, hit.u, hit.v, hit.slope, 1.0).split(1, dim=1)
    return cover_of(distance_px(-hit.inside, 0.0)), shape.glaze * tone + glint


def _draw_handle(dice: Dice, camera: Camera, shape: Shape, turn: Tensor) -> tuple[Tensor, Tensor]:
    """An ear at the side of the body, from thick lines in space: cover and colour."""
    px = max(camera.x.shape[2:]) / 2
    reach, thick = dice.uniform(0.55, 0.95), dice.uniform(0.045, 0.1)
    size = shape.height.clamp(max=1.6)
    cover = torch.zeros_like(camera.x)
    near = torch.full_like(camera.x, 9.0)
    ends: list[tuple[Tensor, Tensor, Tensor]] = []
    for out, down in _EAR:
        low = min(int(down * (shape.outer.shape[1] - 1)), shape.outer.shape[1] - 1)
        base = shape.outer[:, low : low + 1] - 0.06 if out == 0 else shape.outer.amax(1, keepdim=True) - 0.06
        away = base + out * reach * size * 0.75
        ends.append(camera.project(shape, away * turn.cos(), away * turn.sin(), down * shape.height))
    for (x0, y0, z0), (x1, y1, z1) in pairwise(ends):
        half = thick * shape.radius * 0.5 * (z0 + z1)
        gap = capsule_px(camera, x0, y0, x1, y1, half, px)
        cover = torch.maximum(cover, cover_of(gap))
        near = torch.minimum(near, gap / (half * px))
    round_ = (1 - (1 + near.clamp(-1, 0)) ** 2).clamp(min=0)
    return cover, shape.glaze * dice.uniform(0.6, 1.0) * (0.6 + 0.4 * round_)


def capsule_px(
    camera: Camera, x0: Tensor, y0: Tensor, x1: Tensor, y1: Tensor, half: Tensor, px: float
) -> Tensor:
    """Distance in px to a thick line, positive outside."""
    wx, wy = x1 - x0, y1 - y0
    t = (((camera.x - x0) * wx + (camera.y - y0) * wy) / (wx**2 + wy**2).clamp(min=1e-6)).clamp(0, 1)
    gap = ((camera.x - x0 - t * wx) ** 2 + (camera.y - y0 - t * wy) ** 2).sqrt()
    return (gap - half) * px
