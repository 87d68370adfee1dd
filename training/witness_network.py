"""The witness: a small network that says of each cell of a strip what it is, and sums up for the photo.

It sees windows of the strip (`model.witness_input`) and the circumstances. Labelling is learnt from exact
masks, so that it finds the print itself; the sum over the photo weighs the cells it calls metal. What the
whole rim looks like is told to every window: what is mirrored in one place is known from the others.
"""

from __future__ import annotations

import torch
from torch import Tensor, nn

from model.strip_labels import CELL, MATERIALS, ROLES
from model.witness_input import CONTEXT, PLANES

VERDICTS = ("gold", "platinum", "no metal")
WHOLE = ("remaining share", "worn")
CELLS = len(MATERIALS) + len(ROLES) + 1
HEADS = 4
WIDTHS = (32, 64, 128)
SEEN = PLANES.index("seen")


def _conv(inside: int, outside: int, step: int = 1, size: int = 3) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(inside, outside, size, step, (size - 1) // 2, bias=False),
        nn.BatchNorm2d(outside),
        nn.ReLU(inplace=True),
    )


class Mix(nn.Module):  # type: ignore[misc]
    """Each plane blurred on its own, then planes mixed pixel by pixel; added to what came in."""

    def __init__(self, width: int, along: int = 5) -> None:
        super().__init__()
        self.body = nn.Sequential(
            nn.Conv2d(width, width, (5, along), 1, (2, along // 2), groups=width, bias=False),
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
    """Windows (n k, PLANES, h, w) and circumstances (n, CONTEXT) to logits of cells and photos."""

    def __init__(self) -> None:
        super().__init__()
        half, quarter, eighth = WIDTHS
        self.to_half = nn.Sequential(_conv(len(PLANES), half, 2, 4), Mix(half))
        self.to_quarter = nn.Sequential(_conv(half, quarter, 2), Mix(quarter), Mix(quarter))
        self.to_eighth = nn.Sequential(_conv(quarter, eighth, 2), Mix(eighth, 9), Mix(eighth, 9))
        self.after = nn.Sequential(Mix(eighth, 9), Mix(eighth, 9))
        self.told = nn.Sequential(nn.Linear(len(CONTEXT) + eighth, 96), nn.ReLU(), nn.Linear(96, 2 * eighth))
        self.up_quarter = _conv(eighth + quarter, quarter, 1, 1)
        self.mix_quarter = Mix(quarter)
        self.up_half = _conv(quarter + half, half, 1, 1)
        self.mix_half = Mix(half)
        self.cells = nn.Conv2d(half, CELLS, 3, 1, 1)
        self.attend = nn.Conv2d(half, HEADS, 1)
        self.value = nn.Conv2d(half, 16, 1)
        summed = HEADS * 16 + 6 + len(CONTEXT) + 2 * eighth
        self.judge = nn.Sequential(
            nn.Linear(summed, 64), nn.ReLU(), nn.Dropout(0.3), nn.Linear(64, len(VERDICTS) + len(WHOLE))
        )

    def forward(self, planes: Tensor, context: Tensor) -> tuple[Tensor, Tensor, Tensor]:
        """Logits of photos, (n, 3) and (n, 2), and of cells, (n k, CELLS, h/2, w/2); k windows a photo."""
        photos = context.shape[0]
        seen = nn.functional.avg_pool2d(planes[:, SEEN : SEEN + 1], CELL)
        half = self.to_half(planes)
        quarter = self.to_quarter(half)
        eighth = self.to_eighth(quarter)
        around = self._average(eighth, nn.functional.avg_pool2d(seen, 4), photos)
        factor, shift = self.told(torch.cat([context, around], dim=1)).chunk(2, dim=1)
        factor, shift = (self._lay(part, eighth, photos) for part in (factor, shift))
        eighth = self.after(eighth * (1 + factor) + shift)
        deep = self._average(eighth, nn.functional.avg_pool2d(seen, 4), photos)
        up = nn.functional.interpolate(eighth, scale_factor=2.0, mode="bilinear", align_corners=False)
        quarter = self.mix_quarter(self.up_quarter(torch.cat([up, quarter], dim=1)))
        up = nn.functional.interpolate(quarter, scale_factor=2.0, mode="bilinear", align_corners=False)
        found = self.mix_half(self.up_half(torch.cat([up, half], dim=1)))
        cells = self.cells(found)
        summed = self._sum_up(found, cells, seen, photos)
        told = self.judge(torch.cat([summed, context.float(), around.float(), deep.float()], dim=1))
        return told[:, : len(VERDICTS)], told[:, len(VERDICTS) :], cells

    def _average(self, maps: Tensor, seen: Tensor, photos: int) -> Tensor:
        """(n, c) mean over what is seen of each photo."""
        weighed, total = self._spread(maps * seen, photos).sum(2), self._spread(seen, photos).sum(2)
        return weighed / (total + 1.0)

    def _lay(self, values: Tensor, like: Tensor, photos: int) -> Tensor:
        """(n, c) of photos as (n k, c, 1, 1) of their windows."""
        each = like.shape[0] // photos
        return values[:, None].expand(-1, each, -1).reshape(-1, values.shape[1], 1, 1)

    def _sum_up(self, found: Tensor, cells: Tensor, seen: Tensor, photos: int) -> Tensor:
        """What the judgement rests on, (n, HEADS * 16 + 6)."""
        chance = torch.softmax(cells[:, : len(MATERIALS)].float(), dim=1) * seen
        gold, platinum, paint = self._spread(chance, photos)[:, 1:].unbind(1)
        in_view = self._spread(seen, photos)[:, 0].sum(1) + 1.0
        metal = gold + platinum
        odds = torch.log(gold + 1e-3) - torch.log(platinum + 1e-3)
        told = [
            torch.log(metal.sum(1) / in_view + 1e-4),
            torch.log(paint.sum(1) / in_view + 1e-4),
            (odds * metal).sum(1) / (metal.sum(1) + 1e-2),
            (odds * metal**4).sum(1) / ((metal**4).sum(1) + 1e-3),
            metal.amax(1),
            paint.amax(1),
        ]
        weight = self._spread(self.attend(found).float(), photos)
        value = self._spread(self.value(found).float(), photos)
        weight = torch.softmax(weight + 2.0 * torch.log(metal + paint + 1e-3)[:, None], dim=2)
        pooled = torch.einsum("nhp,ncp->nhc", weight, value).reshape(photos, -1)
        return torch.cat([pooled, torch.stack(told, dim=1)], dim=1)

    def _spread(self, maps: Tensor, photos: int) -> Tensor:
        """(n k, c, h, w) as (n, c, k h w)."""
        channels = maps.shape[1]
        maps = maps.reshape(photos, -1, channels, maps.shape[2] * maps.shape[3])
        return maps.transpose(1, 2).reshape(photos, channels, -1)
