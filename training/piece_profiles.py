"""Cross-sections of the composed pieces: plates, bowls, cups, jugs, egg cups, as tables of radius by depth.

Shares of the lip's radius and of the piece's height, drawn by eye from common shapes (no source) and varied.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor

from training.piece_surfaces import Dice

LEVELS = 12  # flat slices between lip and foot


@dataclass(frozen=True)
class Body:
    """One kind of body: control points (depth share, radius share), heights in lip radii, what it carries."""

    name: str
    weight: float
    height: tuple[float, float]
    outer: tuple[tuple[float, float], ...]
    inner: tuple[tuple[float, float], ...] = ()
    floor: float = 0.88
    hollow: bool = True
    handles: tuple[float, float, float] = (1.0, 0.0, 0.0)  # odds of none, one, two
    spouted: float = 0.0
    lidded: float = 0.0


BODIES = (
    Body(
        "rimmed plate",
        0.27,
        (0.1, 0.2),
        ((0, 1), (0.25, 0.92), (0.6, 0.72), (0.9, 0.6), (1, 0.57)),
        ((0, 1), (0.1, 0.97), (0.38, 0.78), (0.5, 0.71), (0.8, 0.66)),
        0.82,
        hollow=False,
    ),
    Body(
        "coupe plate",
        0.13,
        (0.12, 0.26),
        ((0, 1), (0.2, 0.95), (0.55, 0.82), (0.9, 0.6), (1, 0.54)),
        ((0, 1), (0.15, 0.96), (0.45, 0.86), (0.75, 0.68), (0.85, 0.55)),
        0.84,
        hollow=False,
    ),
    Body(
        "soup plate",
        0.05,
        (0.2, 0.34),
        ((0, 1), (0.2, 0.82), (0.5, 0.7), (0.9, 0.52), (1, 0.5)),
        ((0, 1), (0.16, 0.8), (0.24, 0.74), (0.6, 0.66), (0.9, 0.5)),
        0.88,
        hollow=False,
    ),
    Body(
        "bowl",
        0.13,
        (0.45, 0.9),
        ((0, 1), (0.12, 0.97), (0.38, 0.88), (0.64, 0.72), (0.88, 0.5), (0.91, 0.46), (1, 0.45)),
        handles=(0.92, 0.0, 0.08),
    ),
    Body(
        "cup",
        0.12,
        (0.95, 1.7),
        ((0, 1), (0.14, 0.95), (0.34, 0.91), (0.55, 0.86), (0.8, 0.68), (0.9, 0.48), (1, 0.47)),
        handles=(0.06, 0.9, 0.04),
    ),
    Body(
        "tea cup",
        0.06,
        (0.75, 1.2),
        ((0, 1), (0.2, 0.87), (0.45, 0.74), (0.7, 0.58), (0.88, 0.4), (0.91, 0.37), (1, 0.4)),
        handles=(0.06, 0.9, 0.04),
    ),
    Body(
        "mug",
        0.05,
        (1.5, 2.4),
        ((0, 1), (0.1, 0.98), (0.9, 0.95), (1, 0.9)),
        handles=(0.1, 0.9, 0.0),
        floor=0.93,
    ),
    Body(
        "sugar bowl",
        0.07,
        (1.0, 1.8),
        ((0, 1), (0.1, 0.95), (0.32, 1.08), (0.52, 1.16), (0.78, 0.95), (0.92, 0.62), (1, 0.62)),
        handles=(0.1, 0.0, 0.9),
        lidded=0.3,
    ),
    Body(
        "creamer",
        0.09,
        (1.4, 2.4),
        ((0, 1), (0.12, 0.86), (0.3, 0.84), (0.55, 1.06), (0.78, 1.02), (0.93, 0.68), (1, 0.68)),
        handles=(0.04, 0.96, 0.0),
        spouted=0.95,
    ),
    Body(
        "egg cup",
        0.03,
        (1.4, 2.2),
        ((0, 1), (0.2, 0.97), (0.4, 0.8), (0.5, 0.42), (0.6, 0.28), (0.75, 0.3), (0.9, 0.6), (1, 0.7)),
        floor=0.42,
    ),
)


def _tabulate(points: tuple[tuple[float, float], ...]) -> np.ndarray:
    depth, radius = np.array(points, dtype=float).T
    fine = np.interp(np.linspace(-0.1, 1.1, 121), depth, radius)
    smooth = np.convolve(fine, np.hanning(13) / np.hanning(13).sum(), mode="same")
    table = np.interp(np.linspace(0, 1, LEVELS + 1), np.linspace(-0.1, 1.1, 121), smooth)
    return np.asarray(table / table[0])


OUTER = np.stack([_tabulate(body.outer) for body in BODIES])
INNER = np.stack(
    [
        _tabulate(body.inner) if body.inner else np.maximum(_tabulate(body.outer) - 0.05, 0.02)
        for body in BODIES
    ]
)


@dataclass
class Profile:
    """Profiles of a batch: ``outer``, ``inner`` (B, LEVELS + 1, 1, 1) radius by depth; else (B, 1, 1, 1)."""

    outer: Tensor
    inner: Tensor
    height: Tensor
    floor: Tensor
    hollow: Tensor
    handles: Tensor
    spouted: Tensor
    lidded: Tensor


def turn_profiles(dice: Dice, flat_only: bool = False) -> Profile:
    """Random bodies, each a variation of one of BODIES."""
    weights = tuple(0.0 if flat_only and body.hollow else body.weight for body in BODIES)
    chosen = dice.choose(weights)[:, :, 0, 0]

    def table(values: np.ndarray | list[float]) -> Tensor:
        told = torch.as_tensor(np.asarray(values, dtype=np.float32), device=chosen.device)
        return (chosen @ told.reshape(len(BODIES), -1))[:, :, None, None]

    depth = torch.linspace(0, 1, LEVELS + 1, device=chosen.device).view(1, -1, 1, 1)
    hollow = table([float(body.hollow) for body in BODIES])
    vary = 1 + (dice.normal(0.12) * depth + dice.normal(0.1) * (3.14159 * depth).sin()) * (
        0.25 + 0.75 * hollow
    )
    outer = (table(OUTER) * vary).clamp(min=0.12)
    inner = torch.minimum((table(INNER) * vary).clamp(min=0.02), outer - 0.02)
    low, high = table([body.height[0] for body in BODIES]), table([body.height[1] for body in BODIES])
    two, one = (table([body.handles[i] for body in BODIES]) for i in (2, 1))
    thrown = dice.uniform()
    return Profile(
        outer=outer,
        inner=inner,
        height=low + (high - low) * dice.uniform(),
        floor=table([body.floor for body in BODIES]) * dice.uniform(0.93, 1.0),
        hollow=hollow,
        handles=(thrown < two + one).float() + (thrown < two).float(),
        spouted=(dice.uniform() < table([body.spouted for body in BODIES])).float(),
        lidded=(dice.uniform() < table([body.lidded for body in BODIES])).float(),
    )
