"""Drawing one piece: rays of a pinhole camera cut through a stack of slices, painted and shaded.

Cheap on purpose, no light transport; everything is a batch of torch tensors.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import torch
from torch import Tensor

from training.piece_profiles import LEVELS, turn_profiles
from training.piece_surfaces import Dice

SPOUT_DEPTH = 0.45  # share of the height over which a spout fades into the body
KINDS = ("ellipse", "square", "wavy", "spouted")
LIP_POINTS = 192


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

        ``cx, cy`` is where the lip's centre is seen, ``radius`` its size in the picture. Coordinate 0 runs
        to the right, 1 toward the camera.
        """
        sin, cos = self.tilt.sin(), self.tilt.cos()
        r = radius / self.focal
        px, py = cx / self.focal, cy / self.focal + depth * r * sin
        pz = 1 + depth * r * cos
        dx, dy = self.x / self.focal, self.y / self.focal
        towards = (-dy * sin - cos).clamp(max=-0.004)
        along = (-py * sin - pz * cos) / towards
        qx, qy, qz = along * dx - px, along * dy - py, along - pz
        return (qx / r).clamp(-60, 60), ((qy * cos - qz * sin) / r).clamp(-60, 60)

    def project(
        self, shape: Shape, u: Tensor, v: Tensor, depth: Tensor | float
    ) -> tuple[Tensor, Tensor, Tensor]:
        """Where points of the piece's space are seen, in half longer sides, and their nearness."""
        sin, cos = self.tilt.sin(), self.tilt.cos()
        r = shape.radius / self.focal
        z = (1 - r * v * sin + r * depth * cos).clamp(min=0.05)
        x = (shape.cx / self.focal + r * u) / z * self.focal
        y = (shape.cy / self.focal + r * v * cos + r * depth * sin) / z * self.focal
        return x, y, 1 / z


@dataclass
class Shape:
    """One piece: place and size in the picture, outline, profile, colours; all (B, n, 1, 1)."""

    cx: Tensor
    cy: Tensor
    radius: Tensor
    turn: Tensor
    oval: Tensor
    power: Tensor
    lobes: Tensor
    lobe_height: Tensor
    spout: Tensor
    height: Tensor
    outer: Tensor
    inner: Tensor
    floor: Tensor
    hollow: Tensor
    handles: Tensor
    lidded: Tensor
    glaze: Tensor
    inside: Tensor
    kind: Tensor

    def part(self, index: Tensor) -> Shape:
        """The shapes of some pictures of the batch."""
        return Shape(**{field.name: getattr(self, field.name)[index] for field in fields(self)})


def radial_share(shape: Shape, u: Tensor, v: Tensor, depth_share: Tensor | float = 0.0) -> Tensor:
    """Distance from the middle as a share of the outline's radius in that direction."""
    cos, sin = shape.turn.cos(), shape.turn.sin()
    s, t = u * cos + v * sin, (v * cos - u * sin) / shape.oval
    norm = (s.abs() ** shape.power + t.abs() ** shape.power + 1e-9) ** (1 / shape.power)
    angle = torch.atan2(t, s)
    fade = torch.as_tensor(1 - depth_share / SPOUT_DEPTH).clamp(min=0) ** 2
    bump = shape.spout * fade * torch.exp(-((angle / 0.42) ** 2))
    return norm / (1 - shape.lobe_height * (1 - torch.cos(shape.lobes * angle)) + bump)


def throw_shape(dice: Dice, flat_only: bool = False) -> Shape:
    """A random piece, of unit size in the middle."""
    profile = turn_profiles(dice, flat_only)
    hollow = profile.hollow
    plan = dice.choose((0.48, 0.16, 0.2, 0.16))
    tall = hollow * (profile.height > 0.95).float()
    plain = 1 - tall * dice.chance(0.93)  # tall pieces are mostly round
    oval, square, wavy = (plan[:, i : i + 1] * plain for i in (1, 2, 3))
    spouted = profile.spouted
    power = 2 + square * (1 - spouted) * (0.6 + dice.uniform(0, 5.5) ** 1.1)
    white = dice.uniform(0.72, 0.98) + torch.cat(
        [dice.normal(0.02), dice.normal(0.012), dice.normal(0.05)], 1
    )
    coloured = dice.chance(0.45)
    glaze = white * (1 - coloured) + coloured * dice.colour(0.04, 0.9, 0.6)
    lined = dice.chance(0.2) * hollow
    zero = torch.zeros_like(hollow)
    kind = (1 - spouted) * (torch.where(wavy > 0, 2.0, torch.where(square > 0, 1.0, 0.0))) + 3 * spouted
    return Shape(
        cx=zero,
        cy=zero,
        radius=zero + 0.6,
        turn=dice.uniform(0, 6.2832),
        oval=1 - (oval + 0.35 * square * dice.chance(0.4)) * dice.uniform(0.08, 0.4) * (1 - spouted),
        power=power,
        lobes=torch.round(dice.uniform(4, 24)),
        lobe_height=wavy * (1 - spouted) * dice.uniform(0.006, 0.045),
        spout=spouted * dice.uniform(0.12, 0.34),
        height=profile.height,
        outer=profile.outer,
        inner=profile.inner,
        floor=profile.floor,
        hollow=hollow,
        handles=profile.handles,
        lidded=profile.lidded,
        glaze=glaze.clamp(0.02, 1),
        inside=(glaze * (1 - lined) + lined * (white - 0.02)).clamp(0.02, 1),
        kind=kind,
    )


def distance_px(share: Tensor, edge: Tensor | float) -> Tensor:
    """First-order distance in px to the contour share = edge."""
    dy = share[:, :, 1:] - share[:, :, :-1]
    dx = share[:, :, :, 1:] - share[:, :, :, :-1]
    dy, dx = torch.cat([dy, dy[:, :, -1:]], 2), torch.cat([dx, dx[:, :, :, -1:]], 3)
    return (share - edge) / (dx**2 + dy**2).sqrt().clamp(min=1e-4)


def cover_of(gap_px: Tensor) -> Tensor:
    """1 inside, 0 outside, one pixel soft."""
    return (0.5 - gap_px).clamp(0, 1)


@dataclass
class Hit:
    """Where rays meet a surface, each (B, 1, H, W): ``inside`` the contour by so many radii (negative
    outside), plane coordinates, depth and radius as shares, slope of the section (radius by depth)."""

    inside: Tensor
    u: Tensor
    v: Tensor
    depth: Tensor
    share: Tensor
    slope: Tensor


def slopes_of(radii: Tensor, height: Tensor) -> Tensor:
    """(B, n + 1, 1, 1) change of radius by depth at each level."""
    steps = (radii[:, 1:] - radii[:, :-1]) * (radii.shape[1] - 1) / height
    return torch.cat([steps[:, :1], (steps[:, 1:] + steps[:, :-1]) / 2, steps[:, -1:]], 1)


def cut_outside(camera: Camera, shape: Shape, outer: Tensor, top: Tensor, height: Tensor) -> Hit:
    """Meet the outside of a stack of slices from above: radii (B, n + 1, 1, 1) from depth ``top`` down.

    Between two slices the ray's nearest approach to the wall is judged too, so that bodies seen level have
    whole contours.
    """
    levels = outer.shape[1] - 1
    slopes = slopes_of(outer, height)
    best: Hit | None = None
    u0, v0 = camera.on_plane(shape.cx, shape.cy, shape.radius, top)
    before = outer[:, :1] - radial_share(shape, u0, v0, 0.0)
    for k in range(1, levels + 1):
        u1, v1 = camera.on_plane(shape.cx, shape.cy, shape.radius, top + height * (k / levels))
        du, dv = u1 - u0, v1 - v0
        step = (du**2 + dv**2 + 1e-9).sqrt()
        t = -(u0 * du + v0 * dv) / step**2
        aside = ((u0 + du * t) ** 2 + (v0 + dv * t) ** 2).sqrt()
        lean = ((outer[:, k : k + 1] - outer[:, k - 1 : k]) / step).clamp(-0.95, 0.95)
        # A cone's contour leans with its wall: it is not where the ray comes nearest to the axis.
        t = (t + aside * lean / (1 - lean**2).sqrt() / step).clamp(0, 1)
        radius = outer[:, k - 1 : k] + (outer[:, k : k + 1] - outer[:, k - 1 : k]) * t
        depth = (k - 1 + t) / levels
        inside = radius - radial_share(shape, u0 + du * t, v0 + dv * t, depth)
        entry = torch.where(before > 0, torch.zeros_like(t), t * before / (before - inside).clamp(max=-1e-6))
        entry = entry.clamp(0, 1)
        slope = slopes[:, k - 1 : k] + (slopes[:, k : k + 1] - slopes[:, k - 1 : k]) * entry
        now = Hit(
            inside,
            u0 + du * entry,
            v0 + dv * entry,
            (k - 1 + entry) / levels,
            radius,
            slope,
        )
        if best is None:
            best = now
        else:
            take = (best.inside <= 0) & (now.inside > best.inside)
            deeper = torch.maximum(best.inside, now.inside)
            parts = {
                f.name: torch.where(take, getattr(now, f.name), getattr(best, f.name)) for f in fields(Hit)
            }
            best = Hit(**parts | {"inside": deeper})
        u0, v0, before = u1, v1, outer[:, k : k + 1] - radial_share(shape, u1, v1, k / levels)
    assert best is not None
    return best


def cut_inside(camera: Camera, shape: Shape) -> Hit:
    """Meet the inside, through the mouth: wall, rim or floor. ``inside`` is of the lip."""
    u0, v0 = camera.on_plane(shape.cx, shape.cy, shape.radius, torch.zeros_like(shape.cx))
    share = radial_share(shape, u0, v0)
    before = 1 - share
    hit = Hit(before, u0, v0, torch.zeros_like(share), share, torch.zeros_like(share))
    done = before <= 0
    slopes = slopes_of(shape.inner, shape.height)
    for k in range(1, LEVELS + 1):
        level = torch.minimum(torch.full_like(shape.floor, k / LEVELS), shape.floor)
        u1, v1 = camera.on_plane(shape.cx, shape.cy, shape.radius, shape.height * level)
        share = radial_share(shape, u1, v1, level)
        inner = shape.inner[:, k : k + 1]
        now = inner - share
        on_floor = (k / LEVELS >= shape.floor).expand_as(share)
        found = ~done & ((now <= 0) | on_floor)
        t = torch.where(now <= 0, before / (before - now).clamp(min=1e-6), torch.ones_like(now)).clamp(0, 1)
        radius = shape.inner[:, k - 1 : k] * (1 - t) + inner * t
        slope = slopes[:, k - 1 : k] * (1 - t) + slopes[:, k : k + 1] * t
        floor = (now > 0) & on_floor
        hit = Hit(
            hit.inside,
            torch.where(found, u0 + (u1 - u0) * t, hit.u),
            torch.where(found, v0 + (v1 - v0) * t, hit.v),
            torch.where(found, (k - 1 + t) / LEVELS, hit.depth),
            torch.where(found, torch.where(floor, share, radius), hit.share),
            torch.where(found, torch.where(floor, torch.full_like(share, -50.0), slope), hit.slope),
        )
        done = done | found
        u0, v0, before = u1, v1, now
    return hit


def lip_in_picture(camera: Camera, shape: Shape) -> Tensor:
    """(B, LIP_POINTS, 2) the whole lip in half longer sides from the picture's middle, before any roll."""
    device = shape.radius.device
    turn = torch.linspace(0, 6.283185, LIP_POINTS + 1, device=device)[:-1].view(1, 1, 1, -1)
    count = shape.radius.shape[0]
    u, v = turn.cos().expand(count, -1, -1, -1), turn.sin().expand(count, -1, -1, -1)
    share = radial_share(shape, u, v)
    x, y, _ = camera.project(shape, u / share, v / share, 0.0)
    return torch.stack([x[:, 0, 0], y[:, 0, 0]], dim=-1)
