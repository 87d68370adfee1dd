"""Random surfaces for pictures that train the segmenter: tables, cloths, food, as batches of tensors."""

from __future__ import annotations

import torch
from torch import Tensor
from torch.nn import functional as F  # noqa: N812 - the customary name

# Encoded colours of browns, beige, greens, reds, cream, dark and orange things on tables, from memory.
_NATURAL = (
    (0.60, 0.36, 0.18),
    (0.42, 0.24, 0.14),
    (0.80, 0.68, 0.48),
    (0.36, 0.48, 0.16),
    (0.66, 0.16, 0.10),
    (0.92, 0.86, 0.72),
    (0.24, 0.16, 0.12),
    (0.92, 0.60, 0.16),
    (0.55, 0.52, 0.48),
)


class Dice:
    """Random numbers of one generator on one device, shaped for a batch of pictures."""

    def __init__(self, count: int, seed: int, device: str) -> None:
        self.count, self.device = count, device
        self.generator = torch.Generator(device=device).manual_seed(seed)

    def pick(self, share: float) -> tuple[Tensor, Dice]:
        """Indices of a random part of the batch, and dice of the same generator for that part."""
        order = torch.randperm(self.count, generator=self.generator, device=self.device)
        part = Dice.__new__(Dice)
        part.count, part.device, part.generator = (
            max(1, round(share * self.count)),
            self.device,
            self.generator,
        )
        return order[: part.count], part

    def among(self, index: Tensor) -> Dice:
        """Dice of the same generator for the pictures at these indices."""
        part = Dice.__new__(Dice)
        part.count, part.device, part.generator = len(index), self.device, self.generator
        return part

    def uniform(self, low: float = 0.0, high: float = 1.0, channels: int = 1) -> Tensor:
        """(B, channels, 1, 1) even in low..high."""
        shape = (self.count, channels, 1, 1)
        return low + (high - low) * torch.rand(shape, generator=self.generator, device=self.device)

    def normal(self, spread: float = 1.0, channels: int = 1) -> Tensor:
        """(B, channels, 1, 1) Gaussian around 0."""
        shape = (self.count, channels, 1, 1)
        return spread * torch.randn(shape, generator=self.generator, device=self.device)

    def chance(self, probability: float) -> Tensor:
        """(B, 1, 1, 1) of 0 and 1."""
        return (self.uniform() < probability).float()

    def grid(self, channels: int, rows: int, columns: int) -> Tensor:
        """(B, channels, rows, columns) even in -1..1."""
        shape = (self.count, channels, rows, columns)
        return 2 * torch.rand(shape, generator=self.generator, device=self.device) - 1

    def choose(self, weights: tuple[float, ...]) -> Tensor:
        """(B, len(weights), 1, 1) one-hot."""
        picked = torch.multinomial(
            torch.tensor(weights, device=self.device), self.count, replacement=True, generator=self.generator
        )
        return F.one_hot(picked, len(weights)).float()[..., None, None]

    def offset(self) -> Tensor:
        """(B, 1, 1, 1) shift that takes a texture off its mirror lines."""
        return self.uniform(0.3, 40.0)

    def natural(self) -> Tensor:
        """(B, 3, 1, 1) colour of wood, food or linen: one of a few, varied."""
        picked = torch.einsum("bkhw,kc->bchw", self.choose((1.0,) * len(_NATURAL)), self._palette())
        return (picked * self.uniform(0.5, 1.25) + self.normal(0.04, 3)).clamp(0.01, 1.0)

    def _palette(self) -> Tensor:
        return torch.tensor(_NATURAL, device=self.device)

    def colour(self, dark: float = 0.05, bright: float = 0.95, chroma: float = 0.3) -> Tensor:
        """(B, 3, 1, 1) encoded colour; most are muted, some strong."""
        lightness = self.uniform(dark, bright)
        tint = self.normal(1.0, 3)
        tint = tint - tint.mean(dim=1, keepdim=True)
        strength = self.uniform() ** 3 * chroma
        return (lightness + tint * strength).clamp(0.01, 1.0)


def look_up_texture(texture: Tensor, u: Tensor, v: Tensor) -> Tensor:
    """Sample (B, C, n, m) at (B, 1, H, W) coordinates; the texture repeats mirrored outside 0..1."""
    grid = torch.stack([u[:, 0], v[:, 0]], dim=-1)
    grid = 1 - ((grid % 4) - 2).abs()
    return F.grid_sample(texture, grid, mode="bilinear", padding_mode="reflection", align_corners=False)


def cloud(dice: Dice, u: Tensor, v: Tensor, channels: int = 1, octaves: int = 4, start: int = 4) -> Tensor:
    """Fractal noise of about unit spread at plane coordinates."""
    total = torch.zeros(1, device=u.device)
    u, v = u + dice.offset(), v + dice.offset()
    for octave in range(octaves):
        cells = start * 2**octave
        total = total + look_up_texture(dice.grid(channels, cells, cells), u, v) * 0.6**octave
    return total


def paint_table(dice: Dice, u: Tensor, v: Tensor) -> Tensor:
    """(B, 3, H, W) table or cloth at plane coordinates u, v (B, 1, H, W), in radii of the piece."""
    turn, size = dice.uniform(0, 3.14159), dice.uniform(0.15, 0.7)
    s, t = size * (u * turn.cos() + v * turn.sin()), size * (v * turn.cos() - u * turn.sin())
    s, t = s + dice.uniform(-5, 5), t + dice.uniform(-5, 5)
    kind = dice.chance(0.5)
    base = kind * dice.natural() + (1 - kind) * dice.colour()
    kind = dice.chance(0.4)
    other = kind * dice.natural() + (1 - kind) * dice.colour()
    grain = cloud(dice, s * 0.4, t * dice.uniform(3, 9), octaves=3)
    boards = dice.uniform(1.5, 6)
    joint = (((t * boards) % 1.0) < 0.03).float() * dice.chance(0.5)
    tone = look_up_texture(dice.grid(1, 1, 16), t * boards / 16, t * 0)
    wood = base + 0.10 * grain * dice.uniform(0.2, 1.6) * (0.6 + base) + 0.05 * tone - 0.25 * joint
    cells = 24
    warp = look_up_texture(dice.grid(3, 1, cells), s, t * 0)
    weft = look_up_texture(dice.grid(3, 1, cells), t, s * 0)
    crisp = dice.uniform(1, 8)
    plaid = base + dice.uniform(0.05, 0.4) * torch.tanh(crisp * (warp + weft)) * (0.3 + other)
    stripes = base + (other - base) * torch.sigmoid(dice.uniform(4, 30) * torch.sin(s * dice.uniform(4, 40)))
    plain = base + 0.02 * cloud(dice, s * 6, t * 6, octaves=2) * dice.uniform(0, 2)
    stone = base + dice.uniform(0.03, 0.25) * (
        cloud(dice, s, t, octaves=5) + 0.35 * cloud(dice, s, t, channels=3, octaves=4)
    )
    blots = torch.sigmoid(dice.uniform(3, 20) * (cloud(dice, s * 2, t * 2, octaves=3) - 0.2))
    printed = base + (other - base) * blots
    rows, columns = (s * 5) % 1.0 - 0.5, (t * 5) % 1.0 - 0.5
    dots = base + (other - base) * torch.sigmoid(
        25 * (dice.uniform(0.1, 0.4) - (rows**2 + columns**2).sqrt())
    )
    squares = ((s * 5) % 1.0 < 0.5).float() + ((t * 5) % 1.0 < 0.5).float()
    gingham = base + (other - base) * squares / 2 + 0.02 * cloud(dice, s * 6, t * 6, octaves=2)
    print_ = _paint_newspaper(dice, s * 3, t * 3)
    kinds = dice.choose((0.26, 0.14, 0.07, 0.2, 0.1, 0.06, 0.04, 0.07, 0.06))
    tables = (wood, plaid, stripes, plain, stone, printed, dots, gingham, print_)
    picture = sum(kinds[:, i : i + 1] * table for i, table in enumerate(tables))
    return torch.as_tensor(picture).clamp(0, 1)


def _paint_newspaper(dice: Dice, s: Tensor, t: Tensor) -> Tensor:
    """Columns of grey lines, broken into words, on dull paper."""
    rows = (t * dice.uniform(4, 9)) % 1.0 < dice.uniform(0.35, 0.6)
    words = look_up_texture(dice.grid(1, 24, 96), s * 0.5, t * 0.5) > dice.uniform(-0.6, -0.1)
    column = (s % 1.0) > 0.06
    ink = (rows & words & column).float() * dice.uniform(0.3, 0.8)
    paper = torch.tensor([0.8, 0.78, 0.7], device=s.device).view(1, 3, 1, 1) * dice.uniform(0.6, 1.1)
    return paper * (1 - ink)


def paint_food(dice: Dice, x: Tensor, y: Tensor) -> Tensor:
    """(B, 3, H, W) food: smooth, grainy or in lumps with bright and dark sides."""
    base, other = dice.natural(), dice.natural()
    size = dice.uniform(0.6, 4)
    lumps = cloud(dice, x * size, y * size, octaves=4, start=3)
    relief = lumps - torch.roll(lumps, (2, 2), dims=(2, 3))
    pieces = torch.sigmoid(dice.uniform(2, 25) * (cloud(dice, x * size, y * size, octaves=2, start=5)))
    rough = dice.chance(0.8)
    picture = base + rough * ((other - base) * pieces + dice.uniform(0.2, 1.2) * relief + 0.06 * lumps)
    return picture.clamp(0, 1)


def soften(picture: Tensor, sigma_px: float) -> Tensor:
    """Gaussian blur of (B, C, H, W)."""
    if sigma_px < 0.3:
        return picture
    reach = max(1, round(3 * sigma_px))
    taps = torch.arange(-reach, reach + 1, device=picture.device, dtype=picture.dtype)
    kernel = torch.exp(-0.5 * (taps / sigma_px) ** 2)
    kernel = kernel / kernel.sum()
    channels = picture.shape[1]
    across = kernel.view(1, 1, 1, -1).expand(channels, 1, 1, -1)
    padded = F.pad(picture, (reach, reach, reach, reach), mode="replicate")
    out = F.conv2d(padded, across, groups=channels)
    return F.conv2d(out, across.transpose(2, 3), groups=channels)
