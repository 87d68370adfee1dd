"""The trim witness: a small network that labels strip pixels gold, platinum, paint or bare, and sums up.

It sees windows of the strip (`model.witness_input`) and the circumstances. Labelling is learnt from exact
masks, so that it finds the trim itself; the sum over the photo weighs the pixels it calls metal.
"""

from __future__ import annotations

import torch
from torch import Tensor, nn

from model.witness_input import CONTEXT, PLANES

LABELS = ("bare", "gold", "platinum", "paint")
VERDICTS = ("gold", "platinum", "no metal")
HEADS = 4
WIDTHS = (24, 40, 64, 96)


def _conv(inside: int, outside: int, step: int = 1, size: int = 3) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(inside, outside, size, step, size // 2, bias=False),
        nn.BatchNorm2d(outside),
        nn.ReLU(inplace=True),
    )


class Mix(nn.Module):  # type: ignore[misc]
    """Each plane blurred on its own, then planes mixed pixel by pixel; added to what came in."""

    def __init__(self, width: int) -> None:
        super().__init__()
        self.body = nn.Sequential(
            nn.Conv2d(width, width, 5, 1, 2, groups=width, bias=False),
            nn.BatchNorm2d(width),
            nn.Conv2d(width, 2 * width, 1),
            nn.ReLU(inplace=True),
            nn.Conv2d(2 * width, width, 1, bias=False),
            nn.BatchNorm2d(width),
        )

    def forward(self, planes: Tensor) -> Tensor:
        """(n, c, h, w) to the same."""
        return planes + self.body(planes)


class Witness(nn.Module):  # type: ignore[misc]
    """Windows (n k, PLANES, h, w) and circumstances (n, CONTEXT) to pixel and photo logits."""

    def __init__(self) -> None:
        super().__init__()
        full, half, quarter, eighth = WIDTHS
        self.stem = _conv(len(PLANES), full)
        self.to_half = nn.Sequential(_conv(full, half, 2), Mix(half))
        self.to_quarter = nn.Sequential(_conv(half, quarter, 2), Mix(quarter), Mix(quarter))
        self.to_eighth = nn.Sequential(_conv(quarter, eighth, 2), Mix(eighth), Mix(eighth), Mix(eighth))
        self.told = nn.Sequential(nn.Linear(len(CONTEXT), 64), nn.ReLU(), nn.Linear(64, 2 * eighth))
        self.up_quarter = _conv(eighth + quarter, quarter, 1, 1)
        self.mix_quarter = Mix(quarter)
        self.up_half = _conv(quarter + half, half, 1, 1)
        self.mix_half = Mix(half)
        self.labels = nn.Conv2d(half, len(LABELS), 1)
        self.attend = nn.Conv2d(half, HEADS, 1)
        self.value = nn.Conv2d(half, 16, 1)
        summed = HEADS * 16 + 6 + len(CONTEXT)
        self.judge = nn.Sequential(
            nn.Linear(summed, 48), nn.ReLU(), nn.Dropout(0.2), nn.Linear(48, len(VERDICTS))
        )

    def forward(self, planes: Tensor, context: Tensor) -> tuple[Tensor, Tensor]:
        """Photo logits (n, 3) and pixel logits (n k, 4, h/2, w/2); every photo has the same k windows."""
        photos = context.shape[0]
        each = planes.shape[0] // photos
        half = self.to_half(self.stem(planes))
        quarter = self.to_quarter(half)
        eighth = self.to_eighth(quarter)
        factor, shift = self.told(context).chunk(2, dim=1)
        factor, shift = (
            part[:, None].expand(-1, each, -1).reshape(-1, part.shape[1], 1, 1) for part in (factor, shift)
        )
        eighth = eighth * (1 + factor) + shift
        up = nn.functional.interpolate(eighth, scale_factor=2.0, mode="bilinear", align_corners=False)
        quarter = self.mix_quarter(self.up_quarter(torch.cat([up, quarter], dim=1)))
        up = nn.functional.interpolate(quarter, scale_factor=2.0, mode="bilinear", align_corners=False)
        found = self.mix_half(self.up_half(torch.cat([up, half], dim=1)))
        labels = self.labels(found)
        return self.judge(self._sum_up(found, labels, context, photos)), labels

    def _sum_up(self, found: Tensor, labels: Tensor, context: Tensor, photos: int) -> Tensor:
        """What the judgement rests on, (n, summed)."""
        chance = torch.softmax(labels.float(), dim=1)
        chance = chance.reshape(photos, -1, len(LABELS), chance.shape[2] * chance.shape[3])
        chance = chance.transpose(1, 2).reshape(photos, len(LABELS), -1)
        gold, platinum, paint = chance[:, 1], chance[:, 2], chance[:, 3]
        metal = gold + platinum
        odds = torch.log(gold + 1e-3) - torch.log(platinum + 1e-3)
        area, painted = metal.mean(1), paint.mean(1)
        told = [
            torch.log(area + 1e-4),
            torch.log(painted + 1e-4),
            (odds * metal).sum(1) / (metal.sum(1) + 1e-2),
            (odds * metal**4).sum(1) / ((metal**4).sum(1) + 1e-3),
            metal.amax(1),
            paint.amax(1),
        ]
        weight = self._spread(self.attend(found).float(), photos)
        value = self._spread(self.value(found).float(), photos)
        weight = torch.softmax(weight + 2.0 * torch.log(metal + paint + 1e-3)[:, None], dim=2)
        pooled = torch.einsum("nhp,ncp->nhc", weight, value).reshape(photos, -1)
        return torch.cat([pooled, torch.stack(told, dim=1), context.float()], dim=1)

    def _spread(self, maps: Tensor, photos: int) -> Tensor:
        channels = maps.shape[1]
        maps = maps.reshape(photos, -1, channels, maps.shape[2] * maps.shape[3])
        return maps.transpose(1, 2).reshape(photos, channels, -1)
